"""`benchwarden install`: wire an installation to a terminal."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchwarden.core.procedure import YES, Answerer, Ask, Stopped, TerminalAnswerer

if TYPE_CHECKING:
    from benchwarden.install.meeting import Installed

# The program is there, but the board would not arm with it as it is.
EXIT_NOT_READY = 1


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    install = commands.add_parser("install", help="put the firmware on a board and verify it")
    install.add_argument("--port", default="auto", help="serial port; default: find the board")
    install.add_argument(
        "--firmware", type=Path, metavar="DIR", help="folder with manifest.py; default: what came along"
    )
    install.add_argument("--yes", action="store_true", help="change files on the board without asking")
    install.add_argument(
        "--keep-py",
        action="store_true",
        help="install the modules as text, to find a fault by line number; too slow for use on a bench",
    )
    install.set_defaults(command=_install)


class _Keyboard:
    """Who answers: a person at a terminal, or consent given beforehand.

    Args:
        consents: every change of files on the board is agreed to.
        attended: somebody can be asked.
    """

    def __init__(self, consents: bool, attended: bool) -> None:
        self._consents = consents
        self._attended = attended
        self._terminal = TerminalAnswerer()

    def answer(self, ask: Ask) -> str:
        from benchwarden.install.steps import ASK_CHANGE

        if ask.id == ASK_CHANGE and self._consents:
            return YES
        if not self._attended:
            raise Stopped(f"{ask.text} Nobody is at the keyboard to answer; nothing was changed on the board")
        return self._terminal.answer(ask)

    def tell(self, text: str) -> None:
        self._terminal.tell(text)


def _install(args: argparse.Namespace) -> int:
    from benchwarden.core.clock import SystemClock
    from benchwarden.install.finding import System, board_at_prompt
    from benchwarden.install.meeting import meet
    from benchwarden.install.program import build_program
    from benchwarden.install.prompt import PromptBoard
    from benchwarden.install.steps import install
    from benchwarden.link.serial_port import port_finder

    answerer: Answerer = _Keyboard(args.yes, sys.stdin.isatty())
    clock = SystemClock()
    program = build_program(args.firmware, as_text=args.keep_py)
    digest = program.listing.digest
    answerer.tell(f"Firmware {program.version}, {len(program.files)} files, program {digest}.")
    begun_s = clock.monotonic_s()
    port_name = board_at_prompt(args.port, System(), clock, answerer)
    # Where the board will be after its restart is told by its USB serial number, known only while it is there.
    opener = port_finder(port_name)
    board = PromptBoard(port_name)
    try:
        install(board, program, answerer, answerer.tell)
        board.restart()
    finally:
        board.close()
    answerer.tell(f"Installed and verified in {clock.monotonic_s() - begun_s:.0f} s; the board restarts.")
    installed = meet(opener, program, clock, time.sleep)
    for line in words(installed):
        answerer.tell(line)
    return 0 if installed.program_ok else EXIT_NOT_READY


def words(installed: Installed) -> list[str]:
    """Return what a person reads after an installation."""
    lines = [
        f"Board {installed.board}: firmware {installed.fw}, wire version {installed.wire}, "
        f"MicroPython {installed.mpy}, program {installed.digest[:16]}."
    ]
    wrong = {part: result for part, result in installed.parts.items() if result != "ok"}
    lines.append(f"Self-test: {len(installed.parts)} parts looked at, {len(wrong)} not ok.")
    lines += [f"  {part}: {result}" for part, result in sorted(wrong.items())]
    if not installed.selftest_ok:
        lines.append(
            "The board refuses to arm until every part is ok. On a bare board the sensors are missing: that is right."
        )
    return lines
