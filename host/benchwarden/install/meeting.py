"""The freshly started board: is it back, is it the new program, and what does its self-test say?"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from benchwarden.core.clock import Clock
from benchwarden.core.program_listing import SHORT_DIGITS
from benchwarden.errors import BoardFault, LinkError, WireVersionError
from benchwarden.install.program import Program
from benchwarden.link.board_client import BoardClient
from benchwarden.link.messages import Hello
from benchwarden.link.port import BytePort
from wardenfw import wire

PROGRAM_PART = "program"

_ATTEMPTS = 20
_PAUSE_S = 1.0
_HELLO_S = 5.0
_INFO_S = 5.0


@dataclass(frozen=True)
class Installed:
    """What an installation left on the board, for the records.

    Attributes:
        board: its id.
        fw, wire: versions of firmware and wire.
        mpy: version of its MicroPython.
        digest: of the program's listing, 64 hex digits.
        selftest_ok: the board would arm.
        parts: each part of the self-test, "ok" or the reason it is not.
    """

    board: str
    fw: str
    wire: int
    mpy: str
    digest: str
    selftest_ok: bool
    parts: dict[str, str] = field(hash=False)

    @property
    def program_ok(self) -> bool:
        """The board checked its program against the listing and found it whole."""
        return self.parts.get(PROGRAM_PART) == "ok"

    def facts(self) -> dict[str, Any]:
        """Return these as plain data."""
        selftest = {"ok": self.selftest_ok, "parts": dict(self.parts)}
        return {
            "board": self.board,
            "fw": self.fw,
            "wire": self.wire,
            "mpy": self.mpy,
            "program_sha256": self.digest,
            "selftest": selftest,
        }


def meet(opener: Callable[[], BytePort], program: Program, clock: Clock, sleep: Callable[[float], None]) -> Installed:
    """Wait for the board to come back after its restart, and return what runs on it.

    Args:
        opener: opens the board's port wherever it is now (serial_port.port_finder).

    Raises:
        LinkError: it does not come back.
        BoardFault: something else runs on it than what was installed.
    """
    client, hello = _back(opener, clock, sleep)
    try:
        parts = _selftest(client)
    finally:
        client.close()
    digest = program.listing.digest
    if hello.fw != program.version or hello.wire != wire.WIRE_VERSION:
        raise BoardFault(
            f"firmware {hello.fw} with wire version {hello.wire} runs on the board, installed was "
            f"{program.version} with wire version {wire.WIRE_VERSION}"
        )
    if hello.program != digest[:SHORT_DIGITS]:
        raise BoardFault(
            f"the board names its program {hello.program or 'nothing'}, installed was {digest[:SHORT_DIGITS]}"
        )
    return Installed(hello.board, hello.fw, hello.wire, hello.mpy, digest, hello.selftest_ok, parts)


def _back(opener: Callable[[], BytePort], clock: Clock, sleep: Callable[[float], None]) -> tuple[BoardClient, Hello]:
    last: LinkError | None = None
    for _ in range(_ATTEMPTS):
        # A reset takes the port away and brings it back; until then each step may fail.
        sleep(_PAUSE_S)
        try:
            client = BoardClient(opener(), clock)
        except LinkError as error:
            last = error
            continue
        try:
            return client, client.hello(_HELLO_S)
        except WireVersionError as error:
            client.close()
            raise BoardFault(f"the board does not run what was installed: {error}") from error
        except LinkError as error:
            client.close()
            last = error
        except BaseException:
            client.close()
            raise
    raise LinkError(
        f"the board is not back after its restart: {last}; was the go/stop button held? "
        "Pull the plug and plug in again, then `benchwarden selftest`"
    ) from last


def _selftest(client: BoardClient) -> dict[str, str]:
    data = client.info(wire.SELFTEST_INFO, _INFO_S)
    try:
        parts = json.loads(data)["parts"]
        return {str(part): str(result) for part, result in parts.items()}
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise BoardFault(f"the board's self-test result cannot be read: {data[:60]!r}") from error
