"""What a board says, as plain data."""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass, field
from typing import Any

from benchwarden.errors import FrameError
from wardenfw import wire


def _name(table: tuple[str, ...], number: int, what: str) -> str:
    # A newer board may number things this host has no word for.
    return table[number] if number < len(table) else f"{what} {number}"


@dataclass(frozen=True)
class Reply:
    """The board's answer to one command.

    Attributes:
        to_seq, to_kind: the command answered.
        refusal: number in wire.REFUSALS; 0 is done.
        state: board state number after the command.
        text: extra words; the decimal challenge after ARM.
    """

    to_seq: int
    to_kind: int
    refusal: int
    state: int
    text: str

    @property
    def done(self) -> bool:
        return self.refusal == wire.DONE

    @property
    def why(self) -> str:
        """The refusal in words."""
        words = _name(wire.REFUSALS, self.refusal, "refusal")
        return f"{words}: {self.text}" if self.text and not self.done else words

    @property
    def state_name(self) -> str:
        return _name(wire.STATES, self.state, "state")


@dataclass(frozen=True)
class Event:
    """One event; times and numbers as on the wire.

    Attributes:
        t_ms: board time, milliseconds since its boot.
        event: one of wire.EVENTS.
        cause: one of wire.CAUSES, "none" where none applies.
        channel: channel name or "".
        state: one of wire.STATES.
        value, limit: SI units of the channel.
    """

    seq: int
    t_ms: int
    event: str
    cause: str
    channel: str
    state: str
    stage_id: int
    value: float
    limit: float
    text: str


@dataclass(frozen=True)
class Burst:
    """The full-rate record around one trip.

    Attributes:
        trip_seq: sequence number of the trip event.
        total: records the board holds.
        trip_index: which record is the trip.
        records: the records received, whole wire.BURST_RECORDs, oldest first.
    """

    trip_seq: int
    total: int
    trip_index: int
    records: bytes

    @property
    def complete(self) -> bool:
        return self.total > 0 and len(self.records) == self.total * wire.BURST_RECORD_SIZE


@dataclass(frozen=True)
class Hello:
    """Who the board is and how it is.

    Attributes:
        board: unique id of the board.
        fw, wire, mpy: versions of firmware, wire and interpreter.
        boot: random number drawn at every start of the board.
        cal: calibration in words: "uncalibrated", "calibrated DATE, due DATE", or what is wrong with it.
        selftest_ok, parts: self-test result in all, and what each part that is named says
            ("ok" or the reason it is not); parts that are well need not be named.
        state, cause: board state and latched cause.
        oldest_frame, newest_frame, newest_event: what the board holds.
        tested: how many parts the self-test looked at.
        cal_crc: CRC-32 of the calibration record in force, eight hex digits; "" without one.
        program: first 16 hex digits of the digest of the installed program's listing; "" without one.
    """

    board: str
    fw: str
    wire: int
    mpy: str
    boot: int
    scan_hz: float
    cal: str
    selftest_ok: bool
    parts: dict[str, str] = field(hash=False)
    state: str
    cause: str
    oldest_frame: int
    newest_frame: int
    newest_event: int
    challenge_ms: int
    tested: int = 0
    cal_crc: str = ""
    program: str = ""

    def facts(self) -> dict[str, Any]:
        """Return what the status file and the record show of the board."""
        return {
            "board": self.board,
            "fw": self.fw,
            "wire": self.wire,
            "mpy": self.mpy,
            "cal": self.cal,
            "cal_crc": self.cal_crc,
            "program": self.program,
            "scan_hz": self.scan_hz,
            "selftest": {"ok": self.selftest_ok, "parts": dict(self.parts), "tested": self.tested},
        }


@dataclass(frozen=True)
class Message:
    """One intact line that is not a frame of this wire version.

    Attributes:
        after_frame: sequence number of the frame that came before it on the
            wire, -1 before the first: the order of arrival survives batching.
    """

    version: int
    kind: int
    seq: int
    payload: bytes
    after_frame: int = -1

    def reply(self) -> Reply:
        """Raises FrameError when the payload is not a reply."""
        try:
            return Reply(*wire.unpack_reply(self.payload))
        except (struct.error, UnicodeError) as error:
            raise FrameError(f"reply of {len(self.payload)} bytes cannot be read: {error}") from error

    def event(self) -> Event:
        """Raises FrameError when the payload is not an event."""
        return unpack_event(self.seq, self.payload)

    def hello(self) -> Hello:
        """Raises FrameError when the payload is not a hello of this wire version."""
        try:
            table = json.loads(self.payload)
            selftest = table["selftest"]
            parts = {str(part): str(result) for part, result in selftest.get("parts", {}).items()}
            return Hello(
                board=str(table["board"]),
                fw=str(table["fw"]),
                wire=int(table["wire"]),
                mpy=str(table.get("mpy", "")),
                boot=int(table["boot"]) & 0xFFFFFFFF,
                scan_hz=float(table.get("scan_hz", 0.0)),
                cal=str(table.get("cal", "")),
                selftest_ok=selftest["ok"] is True,
                parts=parts,
                state=str(table["state"]),
                cause=str(table.get("cause", "none")),
                oldest_frame=int(table.get("oldest_frame", 0)),
                newest_frame=int(table.get("newest_frame", 0)),
                newest_event=int(table.get("newest_event", 0)),
                challenge_ms=int(table.get("challenge_ms", wire.CHALLENGE_MS)),
                tested=int(selftest.get("tested", len(parts))),
                cal_crc=str(table.get("cal_crc", "")),
                program=str(table.get("program", "")),
            )
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise FrameError(f"hello of {len(self.payload)} bytes cannot be read: {error!r}") from error


def unpack_event(seq: int, payload: bytes) -> Event:
    """Return the event held in an EVENT payload.

    Raises:
        FrameError: the payload is not an event.
    """
    try:
        t_ms, event, cause, channel, state, stage_id, value, limit, text = wire.unpack_event(payload)
    except (struct.error, UnicodeError) as error:
        raise FrameError(f"event of {len(payload)} bytes cannot be read: {error}") from error
    return Event(
        seq=seq,
        t_ms=t_ms,
        event=_name(wire.EVENTS, event, "event"),
        cause=_name(wire.CAUSES, cause, "cause"),
        channel=wire.CHANNELS[channel] if channel < wire.N_CHANNELS else "",
        state=_name(wire.STATES, state, "state"),
        stage_id=stage_id,
        value=value,
        limit=limit,
        text=text,
    )
