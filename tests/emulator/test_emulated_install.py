"""The whole command on a genuine MicroPython image: mpremote copies over the emulated chip's USB serial."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from emulated_board import flash_files

from benchwarden.cli import main
from benchwarden.core.clock import SystemClock
from benchwarden.core.program_listing import NAME
from benchwarden.install import finding
from benchwarden.install.program import build_program, firmware_folder
from benchwarden.install.prompt import PromptBoard

# A busy guest: measured at 16 times on an idle machine.
SLOWER = 20

pytestmark = pytest.mark.timeout(3600)


class PtyBoard:
    """The emulated board in its own process (pty_board.py)."""

    def __init__(self, files: Path) -> None:
        script = Path(__file__).with_name("pty_board.py")
        command = [sys.executable, str(script), os.environ["BENCHWARDEN_UF2"], str(files)]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.name = self._line()

    def _line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline().strip()
        assert line, "the emulated board ended"
        return line

    def do(self, words: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(words + "\n")
        self._process.stdin.flush()
        assert self._line() == "done"

    def end(self) -> None:
        self._process.kill()
        self._process.communicate()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[PtyBoard]:
    files = tmp_path / "files"
    files.mkdir()
    (files / "main.py").write_text("print('hello from somebody else')\n")
    (files / "cal_a.bin").write_bytes(b"a record")
    board = PtyBoard(flash_files(files, tmp_path / "fs.img"))
    yield board
    board.end()


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """Give a chip that runs many times slower than silicon a clock that does so, too."""
    monkeypatch.setattr(SystemClock, "monotonic_s", lambda self: time.monotonic() / SLOWER)


def test_install_from_a_bare_interpreter_to_the_self_test_and_once_more(
    board: PtyBoard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # Of one moment: the source may be worked on while the slow chip runs.
    source = tmp_path / "firmware"
    shutil.copytree(firmware_folder(), source, ignore=shutil.ignore_patterns("__pycache__"))
    program = build_program(source)
    command = ["install", "--port", board.name, "--yes", "--firmware", str(source)]
    with monkeypatch.context() as quick:
        # No firmware is there that could answer.
        quick.setattr(finding, "_HELLO_S", 0.05)
        assert main(command) == 0
    said = capsys.readouterr().out
    print(said)
    assert "every SHA-256 as it must be" in said
    assert f"program {program.listing.digest[:16]}" in said
    assert "  program:" not in said  # that part of the self-test is ok

    # It runs, and takes no keys; with the button held at power-on it leaves to the prompt.
    assert main(command) == 2
    assert "hold the go/stop button" in capsys.readouterr().err
    board.do("button down")
    board.do("power")
    board.do("button up")
    with monkeypatch.context() as quick:
        quick.setattr(finding, "_HELLO_S", 0.05)
        prompt = PromptBoard(board.name)
        try:
            # What the user had is still there, and a changed module is found.
            assert prompt.read("cal_a.bin") == b"a record"
            assert prompt.read("main.py.other").startswith(b"print(")
            assert prompt.read(NAME) == program.listing.to_bytes()
            prompt.write("wardenfw/stranger.py", b"# left by an older firmware\n")
            prompt.write("wardenfw/ticks.mpy", b"damaged")
        finally:
            prompt.close()
        assert main(command) == 0
    said = capsys.readouterr().out
    print(said)
    assert "wardenfw/stranger.py is not part of this firmware and is removed" in said
    assert "1/1  wardenfw/ticks.mpy" in said
