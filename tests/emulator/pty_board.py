"""An emulated board whose USB serial is a pseudo-terminal, in a process of its own.

    python pty_board.py IMAGE FILES

Prints the terminal's name when the board has started. Then one command a line:
`button down|up`, `power` (off and on, flash kept; a held button stays held),
`end`. Each is answered by a line. Emulated time runs as fast as it can.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import sys
import tempfile
import tty
from pathlib import Path

from emulated_board import BLOCK, BLOCKS, BUTTON, FS_START, EmulatedBoard

STEP_MS = 5


class _Board(EmulatedBoard):
    """The emulated board with its USB serial as plain bytes."""

    def send_bytes(self, data: bytes) -> None:
        self._to_send += data
        self._drain()

    def take_bytes(self) -> bytes:
        data = bytes(self._unread)
        self._unread.clear()
        return data


class PtyBoard:
    def __init__(self, image: str, files: Path) -> None:
        self._image, self._files = image, files
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self.name = os.ttyname(slave)
        self._slave = slave  # held open: a host that closes must not end the terminal
        self._pressed = False
        self._board = self._powered()

    def _powered(self) -> _Board:
        board = _Board(self._files, self._image)
        board.drive(BUTTON, not self._pressed)
        board.start()
        return board

    def button(self, pressed: bool) -> None:
        self._pressed = pressed
        self._board.drive(BUTTON, not pressed)

    def power(self) -> None:
        """Off and on again, at whatever the flash holds."""
        flash = bytes(self._board.mcu.flash[FS_START : FS_START + BLOCK * BLOCKS])
        self._board.stop()
        self._files.write_bytes(flash)
        self._board = self._powered()

    def step(self) -> None:
        board = self._board
        with contextlib.suppress(BlockingIOError, OSError):
            board.send_bytes(os.read(self._master, 4096))
        board.run(STEP_MS)
        data = board.take_bytes()
        while data:
            try:
                data = data[os.write(self._master, data) :]
            except BlockingIOError:
                select.select([], [self._master], [], 1.0)

    def end(self) -> None:
        self._board.stop()


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        files = Path(scratch) / "files.img"
        files.write_bytes(Path(sys.argv[2]).read_bytes())
        board = PtyBoard(sys.argv[1], files)
        print(board.name, flush=True)
        while True:
            if select.select([sys.stdin], [], [], 0)[0]:
                words = sys.stdin.readline().split()
                if words[:1] == ["button"]:
                    board.button(words[1] == "down")
                elif words == ["power"]:
                    board.power()
                elif words in ([], ["end"]):
                    break
                print("done", flush=True)
            board.step()
        board.end()


if __name__ == "__main__":
    main()
