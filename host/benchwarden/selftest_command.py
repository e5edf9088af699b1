"""`benchwarden selftest`: have a board test every part of itself, and say what it found."""

from __future__ import annotations

import argparse
import json
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from benchwarden.core.clock import SystemClock
from benchwarden.core.procedure import TerminalAnswerer
from benchwarden.errors import BoardFault, LinkError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.board_facts import self_test_info
from benchwarden.link.messages import Hello
from benchwarden.link.serial_port import open_port, port_finder

HELLO_S = 10.0
EXIT_NOT_READY = 1


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    sub = commands.add_parser("selftest", help="have the board test itself; the relay stays open")
    sub.add_argument("--port", default="auto", help="serial port or socket://host:port; default: find the board")
    sub.add_argument("--json", action="store_true", help="for another program to read: one JSON table")
    sub.set_defaults(command=_selftest)


@dataclass(frozen=True)
class Tested:
    """Who a board is, and what its self-test found.

    Attributes:
        parts: name to "ok" or the reason.
    """

    hello: Hello
    ok: bool
    parts: dict[str, str]

    def lines(self) -> list[str]:
        """Return what a terminal shows: who the board is, then every part with its reason."""
        hello, parts = self.hello, self.parts
        wrong = [part for part, said in parts.items() if said != "ok"]
        width = max(map(len, parts), default=0)
        return [
            f"Board {hello.board}, firmware {hello.fw}, wire version {hello.wire}, MicroPython {hello.mpy}",
            f"Program {hello.program or 'without a listing'}; {hello.cal}",
            *(f"  {part:{width}}  {said}" for part, said in parts.items()),
            f"All {len(parts)} parts well."
            if self.ok
            else f"{len(parts)} parts tested, not well: {', '.join(wrong) or 'no part named'}. "
            "The board refuses to arm.",
        ]

    def table(self) -> dict[str, Any]:
        """Return the same for another program; board facts as in the status file."""
        return {"ok": self.ok, "parts": self.parts, "board": self.hello.facts()}


def self_tested(client: BoardClient) -> Tested:
    """Run the self-test and return what it found.

    Raises:
        BoardFault: the board does not test itself now, e.g. because its relay is closed.
        LinkError: no board answers.
    """
    client.hello(HELLO_S)
    reply = client.self_test()
    if not reply.done:
        raise BoardFault(f"the board does not test itself now: {reply.why} (its state: {reply.state_name})")
    found = self_test_info(client)
    parts: dict[str, str] = found["parts"]
    ok = found["ok"] is True and all(said == "ok" for said in parts.values())
    # Said again: digest and calibration may have been found wanting.
    return Tested(client.hello(HELLO_S), ok, parts)


def _selftest(args: argparse.Namespace) -> int:
    from benchwarden.run import chosen_port

    name = chosen_port(args.port)
    client = BoardClient(open_port(name), SystemClock(), port_finder(name))
    try:
        found = self_tested(client)
    finally:
        with suppress(LinkError):
            client.close()
    TerminalAnswerer().tell(json.dumps(found.table()) if args.json else "\n".join(found.lines()))
    return 0 if found.ok else EXIT_NOT_READY
