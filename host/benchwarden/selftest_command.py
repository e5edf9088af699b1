"""`benchwarden selftest`: have a board test every part of itself, and say what it found."""

from __future__ import annotations

import argparse
from contextlib import suppress
from typing import Any

from benchwarden.core.clock import SystemClock
from benchwarden.core.procedure import TerminalAnswerer
from benchwarden.errors import BoardFault, LinkError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.board_facts import self_test_info
from benchwarden.link.serial_port import open_port, port_finder

HELLO_S = 10.0
EXIT_NOT_READY = 1


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    sub = commands.add_parser("selftest", help="have the board test itself; the relay stays open")
    sub.add_argument("--port", default="auto", help="serial port or socket://host:port; default: find the board")
    sub.set_defaults(command=_selftest)


def self_tested(client: BoardClient) -> tuple[bool, list[str]]:
    """Run the self-test and return (ok, lines to show): who the board is, then every part with its reason.

    Raises:
        BoardFault: the board does not test itself now, e.g. because its relay is closed.
        LinkError: no board answers.
    """
    client.hello(HELLO_S)
    reply = client.self_test()
    if not reply.done:
        raise BoardFault(f"the board does not test itself now: {reply.why} (its state: {reply.state_name})")
    found = self_test_info(client)
    # Said again: digest and calibration may have been found wanting.
    hello = client.hello(HELLO_S)
    lines = [
        f"Board {hello.board}, firmware {hello.fw}, wire version {hello.wire}, MicroPython {hello.mpy}",
        f"Program {hello.program or 'without a listing'}; {hello.cal}",
    ]
    parts: dict[str, str] = found["parts"]
    width = max(map(len, parts), default=0)
    lines += [f"  {part:{width}}  {said}" for part, said in parts.items()]
    wrong = [part for part, said in parts.items() if said != "ok"]
    ok = found["ok"] is True and not wrong
    lines.append(
        f"All {len(parts)} parts well."
        if ok
        else f"{len(parts)} parts tested, not well: {', '.join(wrong) or 'no part named'}. The board refuses to arm."
    )
    return ok, lines


def _selftest(args: argparse.Namespace) -> int:
    from benchwarden.run import chosen_port

    name = chosen_port(args.port)
    client = BoardClient(open_port(name), SystemClock(), port_finder(name))
    try:
        ok, lines = self_tested(client)
    finally:
        with suppress(LinkError):
            client.close()
    TerminalAnswerer().tell("\n".join(lines))
    return 0 if ok else EXIT_NOT_READY
