"""mpremote's own transport against an interpreter's prompt behind a pseudo-terminal, and the command on top of it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from fake_prompt import Person
from fake_repl import FakeRepl

from benchwarden.cli import EXIT_ERROR, main
from benchwarden.core.program_listing import NAME
from benchwarden.errors import BoardFault, LinkError
from benchwarden.install import finding, prompt
from benchwarden.install.program import Program, build_program
from benchwarden.install.prompt import PromptBoard
from benchwarden.install.steps import install
from benchwarden.install_command import EXIT_NOT_READY

SMALL = Program(
    "0.1.0",
    {
        "boot.py": b"# wardenfw",
        "main.py": b"import wardenfw.app",
        "wardenfw/__init__.mpy": b"M\x06\x00\x1f" + bytes(range(256)) * 20,
        "wardenfw/sensors/ntc.mpy": b"M\x06\x00\x1f",
    },
)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    path = tmp_path / "flash"
    path.mkdir()
    return path


@pytest.fixture
def repl(root: Path) -> Iterator[FakeRepl]:
    with FakeRepl(root) as repl:
        yield repl


@pytest.fixture
def at_prompt(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """Nothing runs on the board: no use in waiting for the hello of a firmware."""
    monkeypatch.setattr(finding, "_HELLO_S", 0.1)
    return monkeypatch


def silent(text: str) -> None:
    pass


def on_board(root: Path) -> dict[str, bytes]:
    return {path.relative_to(root).as_posix(): path.read_bytes() for path in root.rglob("*") if path.is_file()}


def test_files_go_there_and_come_back(repl: FakeRepl, root: Path) -> None:
    board = PromptBoard(repl.name)
    data = bytes(range(256)) * 40
    board.write("a/b/c.bin", data)
    board.write("a/empty.txt", b"")
    assert board.read("a/b/c.bin") == data
    assert board.read("a/empty.txt") == b""
    found = board.inventory(("a/b/",))
    assert found["a/b/c.bin"].sha256 == hashlib.sha256(data).hexdigest()
    assert (found["a/empty.txt"].size_bytes, found["a/empty.txt"].sha256) == (0, "")
    assert {path for path in found if path.endswith("/")} == {"a/", "a/b/"}
    board.rename("a/b/c.bin", "a/empty.txt")
    board.remove("a/b/")
    assert on_board(root) == {"a/empty.txt": data}
    facts = board.facts()
    assert (facts.interpreter, facts.version, facts.mpy_version) == ("micropython", (1, 24, 1), 6)
    assert facts.board_id == "e66164084373532b"
    board.close()
    board.close()


def test_an_error_of_the_board_is_not_one_of_the_cable(repl: FakeRepl) -> None:
    board = PromptBoard(repl.name)
    with pytest.raises(BoardFault, match=r"the board answers OSError: \[Errno 2\]"):
        board.remove("none.txt")
    repl.capacity_bytes = 1000
    with pytest.raises(BoardFault, match="the board's flash is full"):
        board.write("big.bin", bytes(5000))
    # It goes on being spoken to.
    board.write("small.bin", b"1")
    board.close()


def test_a_whole_installation(repl: FakeRepl, root: Path) -> None:
    board = PromptBoard(repl.name)
    install(board, SMALL, Person(), silent)
    board.close()
    assert on_board(root) == {**SMALL.files, NAME: SMALL.listing.to_bytes()}


def pieces_of_an_installation(root: Path) -> int:
    with FakeRepl(root) as repl:
        board = PromptBoard(repl.name)
        install(board, SMALL, Person(), silent)
        board.close()
        return repl.ran


def test_the_plug_pulled_at_any_piece_of_code_is_told_as_such(tmp_path: Path) -> None:
    first = tmp_path / "whole"
    first.mkdir()
    for cut_at in range(pieces_of_an_installation(first) - 1):
        root = tmp_path / f"cut{cut_at}"
        root.mkdir()
        with FakeRepl(root) as repl:
            repl.cut_at = cut_at
            with pytest.raises(LinkError, match="the board is gone"):
                install(PromptBoard(repl.name), SMALL, Person(), silent)
        assert not (root / NAME).exists(), f"listed after a cut at piece {cut_at}"


def test_no_prompt_behind_the_port(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prompt, "_ENTER_S", 0.2)
    repl = FakeRepl(root)
    repl.deaf = True
    with repl, pytest.raises(LinkError, match="no MicroPython prompt answers there"):
        PromptBoard(repl.name)


def test_a_port_held_by_another_program_is_named(repl: FakeRepl, capsys: pytest.CaptureFixture[str]) -> None:
    holder = serial.Serial(repl.name, exclusive=True)
    try:
        assert main(["install", "--port", repl.name, "--yes"]) == EXIT_ERROR
    finally:
        holder.close()
    assert "held by another program" in capsys.readouterr().err


def test_the_command_installs_restarts_and_says_what_the_board_found(
    repl: FakeRepl, root: Path, capsys: pytest.CaptureFixture[str], at_prompt: pytest.MonkeyPatch
) -> None:
    (root / "cal_a.bin").write_bytes(b"record")
    assert main(["install", "--port", repl.name]) == 0
    program = build_program()
    assert on_board(root) == {**program.files, NAME: program.listing.to_bytes(), "cal_a.bin": b"record"}
    said = capsys.readouterr().out
    for words in (
        program.listing.digest,
        "MicroPython 1.24.1",
        "every SHA-256 as it must be",
        "Self-test: 2 parts looked at, 1 not ok.",
        "rail_pos: does not answer",
        "refuses to arm",
    ):
        assert words in said

    at_prompt.undo()
    # It runs now: the second time the way to the prompt is told, and nobody is here to go it.
    assert main(["install", "--port", repl.name, "--yes"]) == EXIT_ERROR
    said = capsys.readouterr()
    assert "firmware 0.1.0 runs on board e66164084373532b" in said.out
    assert "hold the go/stop button" in said.err


def test_without_consent_nothing_of_the_users_is_touched(
    repl: FakeRepl, root: Path, capsys: pytest.CaptureFixture[str], at_prompt: pytest.MonkeyPatch
) -> None:
    (root / "main.py").write_bytes(b"print('mine')")
    before = on_board(root)
    assert main(["install", "--port", repl.name]) == EXIT_ERROR
    assert on_board(root) == before
    captured = capsys.readouterr()
    assert "main.py is not this firmware's; it is kept as main.py.other" in captured.out
    assert "nothing was changed on the board" in captured.err
    assert main(["install", "--port", repl.name, "--yes"]) == 0
    assert (root / "main.py.other").read_bytes() == b"print('mine')"


def test_the_wrong_board_is_refused_by_the_command(
    repl: FakeRepl, root: Path, capsys: pytest.CaptureFixture[str], at_prompt: pytest.MonkeyPatch
) -> None:
    repl.machine = "Raspberry Pi Pico2 with RP2350"
    assert main(["install", "--port", repl.name, "--yes"]) == EXIT_ERROR
    assert "expected one with RP2040" in capsys.readouterr().err
    assert on_board(root) == {}
    assert EXIT_NOT_READY not in (0, EXIT_ERROR)
