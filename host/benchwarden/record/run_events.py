"""What happened in a run, from its journal: board events, the host's notes, and what became of the stages."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Any

from wardenfw import wire


@dataclass(frozen=True)
class Note:
    """One host note as the journal holds it; t_s None where it has no run time."""

    t_s: float | None
    kind: str
    body: dict[str, Any]


@dataclass(frozen=True)
class Event:
    """One board event, names instead of numbers.

    Attributes:
        t_s: run time, NaN where the journal cannot place it.
        t_ms: the board's own time.
        value: of a trip, SI units; otherwise what the event's text counts ("ms to
            contact"); NaN where there is none.
        limit: of a trip, SI units, NaN where there is none.
    """

    t_s: float
    boot: int
    seq: int
    t_ms: int
    what: str
    cause: str
    channel: str
    value: float
    limit: float
    text: str


@dataclass(frozen=True)
class StageSpan:
    """When a stage was held: run time from its "now" note to its last; NaN end where the record stops."""

    index: int
    t0_s: float
    t1_s: float


def _named(names: tuple[str, ...], number: int) -> str:
    return names[number] if 0 <= number < len(names) else f"number {number}"


def event_of(boot: int, seq: int, t_s: float | None, payload: bytes) -> Event:
    """Return a board event from its wire payload; one that cannot be unpacked says so."""
    try:
        t_ms, event, cause, channel, _, _, value, limit, text = wire.unpack_event(payload)
    except (struct.error, UnicodeError) as error:
        unread = f"{len(payload)} bytes that are no event ({error})"
        return Event(math.nan, boot, seq, 0, "note", "", "", math.nan, math.nan, unread)
    has_channel = channel < len(wire.CHANNELS)
    tells = event == wire.EV_TRIPPED and has_channel
    return Event(
        t_s=math.nan if t_s is None else t_s,
        boot=boot,
        seq=seq,
        t_ms=t_ms,
        what=_named(wire.EVENTS, event),
        cause="" if cause == 0 else _named(wire.CAUSES, cause),
        channel=wire.CHANNELS[channel] if has_channel else "",
        value=float(value) if tells or text else math.nan,
        limit=float(limit) if tells else math.nan,
        text=text,
    )


def stage_progress(
    planned: list[dict[str, Any]], notes: tuple[Note, ...], from_status: list[Any]
) -> tuple[tuple[dict[str, Any], ...], tuple[StageSpan, ...]]:
    """Return the stages with what became of each, and when each was held.

    The journal's notes count; the status file only helps where a note is
    missing, for it may be older or newer than the last durable note.
    """
    stages = [{"status": "waiting", "why": "", **stage} for stage in planned]
    starts: dict[int, float] = {}
    spans: list[StageSpan] = []
    touched: set[int] = set()
    for note in notes:
        if note.kind != "stage":
            continue
        name, status = str(note.body.get("name", "")), str(note.body.get("status", ""))
        fits = [i for i, stage in enumerate(stages) if stage.get("name") == name]
        # Two stages may share a name: the first that is not yet over is meant.
        index = next((i for i in fits if stages[i]["status"] in ("waiting", "now")), fits[-1] if fits else -1)
        if index < 0:
            stages.append({"expected": {}, "limits": [], **note.body})
            index = len(stages) - 1
        touched.add(index)
        stages[index]["status"], stages[index]["why"] = status, str(note.body.get("why") or "")
        if note.t_s is None:
            continue
        if status == "now":
            starts[index] = note.t_s
        elif index in starts:
            spans.append(StageSpan(index, starts.pop(index), note.t_s))
    for index, stage in enumerate(stages):
        if index not in touched and index < len(from_status) and isinstance(from_status[index], dict):
            known = from_status[index]
            if known.get("name") == stage.get("name"):
                stage["status"] = str(known.get("status") or stage["status"])
                stage["why"] = str(known.get("why") or "")
    begun = sorted(starts.items(), key=lambda item: item[1])
    for (index, t0_s), following in zip(begun, [*begun[1:], None], strict=False):
        spans.append(StageSpan(index, t0_s, following[1] if following else math.nan))
    spans.sort(key=lambda span: span.t0_s)
    return tuple(stages), tuple(spans)
