"""Single key presses from a terminal, without waiting for a line to end."""

from __future__ import annotations

import contextlib
import select
import sys
from collections.abc import Callable, Iterator
from typing import TextIO

# Returns the next key pressed within so many seconds, or "" when there was none.
NextKey = Callable[[float], str]


@contextlib.contextmanager
def pressed(source: TextIO) -> Iterator[NextKey]:
    """Yield a reader of single keys; the terminal is put back afterwards, whatever happens."""
    if sys.platform == "win32":
        yield _windows_key
        return
    with _single_keys(source) as next_key:
        yield next_key


if sys.platform == "win32":
    import msvcrt
    import time

    def _windows_key(timeout_s: float) -> str:
        until_s = time.monotonic() + timeout_s
        while not msvcrt.kbhit():
            if time.monotonic() >= until_s:
                return ""
            time.sleep(0.02)
        return msvcrt.getwch()

else:
    import os
    import termios
    import tty

    @contextlib.contextmanager
    def _single_keys(source: TextIO) -> Iterator[NextKey]:
        descriptor = source.fileno()
        before = termios.tcgetattr(descriptor)
        gone = False

        def next_key(timeout_s: float) -> str:
            nonlocal gone
            ready, _, _ = select.select([] if gone else [descriptor], [], [], timeout_s)
            if not ready:
                return ""
            try:
                data = os.read(descriptor, 64)
            except OSError:
                data = b""
            # An end of input (the terminal hung up) would be ready for ever.
            gone = not data
            if gone:
                return "q"
            # Arrow and function keys arrive as an escape sequence whose letters
            # (O among them) must not be taken for commands.
            return "" if data.startswith(b"\x1b") else data[:1].decode("ascii", "replace")

        # Cbreak, not raw: Ctrl-C goes on working.
        tty.setcbreak(descriptor)
        try:
            yield next_key
        finally:
            termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
