"""The code that an installation runs on the board, under a real MicroPython on the PC.

The WebAssembly build has file system calls, base64 and SHA-256 like the board's;
the serial prompt around them is left to the other tests of the installer.
"""

from __future__ import annotations

import hashlib
import subprocess
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from get_interpreter import NoInterpreter, webassembly

from benchwarden.install.board_files import BoardFile
from benchwarden.install.prompt import PromptBoard

pytestmark = pytest.mark.micropython

DATA = bytes(range(256)) * 30
END = "\x04"
# Every piece as the prompt would run it: one after the other in the same globals.
RUNNER = """
import sys
pieces = {pieces!r}
everything = {{}}
exec(pieces[0], everything)
print({end!r})
# This build's root has devices and processes in it that a board's has not.
exec("os.mkdir('/board')", everything)
exec("os.chdir('/board')", everything)
for piece in pieces[1:]:
    exec(piece, everything)
    print({end!r})
"""


class Transport:
    """Keeps what it is to run, and answers with what it was given beforehand."""

    def __init__(self, answers: list[bytes]) -> None:
        self.answers = answers
        self.pieces: list[str] = []
        self.serial = SimpleNamespace()
        self.in_raw_repl = False

    def enter_raw_repl(self, **how: Any) -> None:
        pass

    def exec_raw(self, code: str, timeout: float) -> tuple[bytes, bytes]:
        self.pieces.append(code)
        return (self.answers.pop(0) if self.answers else b"", b"")

    def close(self) -> None:
        pass


def played(transport: Transport) -> tuple[dict[str, BoardFile], bytes, dict[str, BoardFile]]:
    board = PromptBoard("recorded", lambda name, timeout: transport)
    board.write("fw/sub/data.bin", DATA)
    board.write("fw/empty.bin", b"")
    before = board.inventory(("fw/sub/",))
    content = board.read("fw/sub/data.bin")
    board.rename("fw/sub/data.bin", "fw/empty.bin")
    board.remove("fw/sub/")
    after = board.inventory(("fw/",))
    board.close()
    return before, content, after


def test_files_are_written_hashed_read_renamed_and_removed(tmp_path: Path) -> None:
    recorder = Transport([])
    played(recorder)
    script = tmp_path / "pieces.py"
    script.write_text(RUNNER.format(pieces=recorder.pieces, end=END))
    try:
        command = [*webassembly(), str(script)]
    except NoInterpreter as error:
        pytest.skip(str(error))
    done = subprocess.run(command, capture_output=True, timeout=250, check=False)
    assert done.returncode == 0, done.stderr.decode()[-2000:]
    answers = done.stdout.split(END.encode() + b"\n")[:-1]
    assert len(answers) == len(recorder.pieces)
    before, content, after = played(Transport(answers))
    # CPython's hashlib is the other side of the comparison.
    digest = hashlib.sha256(DATA).hexdigest()
    assert before["fw/sub/data.bin"] == BoardFile(len(DATA), digest)
    assert before["fw/empty.bin"] == BoardFile(0, "")
    assert "fw/sub/" in before
    assert content == DATA
    assert after["fw/empty.bin"] == BoardFile(len(DATA), digest)
    assert "fw/sub/" not in after
    assert "fw/sub/data.bin" not in after
