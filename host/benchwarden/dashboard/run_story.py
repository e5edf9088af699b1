"""What happened in a run: its facts, its stages in time, its events; everything cleaned for a page."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.core.channels import CHANNEL
from benchwarden.dashboard import words
from benchwarden.dashboard.runs_list import RunRow, read_row, without_path
from benchwarden.dashboard.status import plain
from benchwarden.errors import BenchwardenError
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.run_events import Event as BoardEvent
from benchwarden.record.run_events import Note, event_of, stage_progress

# Kinds of events, the gravest first; each is a row of the track above the plots.
KINDS = ("trip", "finding", "gap", "stage", "act", "board", "message")
KIND_WORDS = {
    "trip": "trips",
    "finding": "findings",
    "gap": "gaps",
    "stage": "stages",
    "act": "acts",
    "board": "board",
    "message": "messages",
}
_MESSAGES = ("message", "note", "refused", "gap", "journal-full", "error", "prompt")
_ACTS = ("confirm", "reset", "open", "end", "hold", "abort", "acknowledge")
# Between the host's asking for the relay to open and the board's report of it.
_SAME_TRIP_S = 2.0
_SAID = {
    "boot": "board started",
    "stage-loaded": "stage loaded",
    "armed": "armed",
    "closed": "mains relay closed",
    "opened": "mains relay opened",
    "tripped": "board opened the relay",
}


@dataclass(frozen=True)
class RunEvent:
    """One thing that happened at a run time."""

    t_s: float
    kind: str
    text: str


@dataclass(frozen=True)
class LimitSpan:
    """A limit of a channel while its stage was held; None leaves that side open."""

    channel: str
    low: float | None
    high: float | None
    t0_s: float
    t1_s: float


@dataclass(frozen=True)
class StageHeld:
    """One stage while it was held; t1_s is NaN where the record stops in it."""

    name: str
    status: str
    why: str
    t0_s: float
    t1_s: float


@dataclass(frozen=True)
class Story:
    """One run in words.

    Attributes:
        row: its facts as the list shows them.
        sentence, reasons: of the verdict.
        held: stages that were begun, in time. planned: (name, status, why) of all.
        events: in time.
        lost: what could not be read.
    """

    row: RunRow
    facts: tuple[tuple[str, str], ...] = ()
    sentence: str = ""
    reasons: tuple[str, ...] = ()
    planned: tuple[tuple[str, str, str], ...] = ()
    held: tuple[StageHeld, ...] = ()
    limits: tuple[LimitSpan, ...] = ()
    events: tuple[RunEvent, ...] = ()
    lost: tuple[str, ...] = ()

    @property
    def trips_s(self) -> tuple[float, ...]:
        """When the relay was opened for a cause."""
        return tuple(event.t_s for event in self.events if event.kind == "trip")


def story(run_dir: Path) -> Story:
    """Return what is known of a run; what cannot be read is said in it, never raised."""
    row = read_row(run_dir)
    try:
        with JournalReader(run_dir) as reader:
            try:
                header = reader.header()
            except BenchwardenError:
                header = {}
            notes = tuple(Note(note.t_s, note.kind, note.body) for note in reader.notes())
            board = [event_of(e.boot, e.seq, e.t_s, e.payload) for e in reader.events()]
            lost = [
                f"{damage.table} row {damage.rowid}: {plain(damage.why, 200)}"
                for damage in list(reader.damage.values())[:20]
            ]
    except (BenchwardenError, OSError) as error:
        return Story(row, lost=(without_path(error, run_dir),))
    found = header.get("plan")
    planned = [stage for stage in found if isinstance(stage, dict)] if isinstance(found, list) else []
    stages, spans = stage_progress(planned, notes, [])
    held = tuple(StageHeld(_stage_name(stages[s.index]), *_standing(stages[s.index]), s.t0_s, s.t1_s) for s in spans)
    verdict = next((note.body for note in reversed(notes) if note.kind == "verdict"), {})
    metrics = verdict.get("metrics")
    metrics = metrics if isinstance(metrics, dict) else {}
    events = _of_notes(notes)
    events += _of_board(board, [event for event in events if event.kind == "trip"])
    events += _of_verdict(verdict, [event for event in events if event.kind in ("trip", "finding")])
    return Story(
        row,
        _facts(header),
        plain(metrics.get("sentence")),
        tuple(plain(reason) for reason in _list(metrics.get("reasons"))[:20]),
        tuple((_stage_name(stage), *_standing(stage)) for stage in stages),
        held,
        tuple(limit for span in spans for limit in _limits(stages[span.index], span.t0_s, span.t1_s)),
        tuple(sorted(events, key=lambda event: event.t_s)),
        tuple(lost),
    )


def _list(found: object) -> list[Any]:
    return found if isinstance(found, list) else []


def _stage_name(stage: dict[str, Any]) -> str:
    return plain(stage.get("name"), 80) or "stage"


def _standing(stage: dict[str, Any]) -> tuple[str, str]:
    return plain(stage.get("status"), 40), words.kept_together(plain(stage.get("why")))


def _facts(header: dict[str, Any]) -> tuple[tuple[str, str], ...]:
    unit = header.get("unit") if isinstance(header.get("unit"), dict) else {}
    board = header.get("board") if isinstance(header.get("board"), dict) else {}
    assert isinstance(unit, dict)
    assert isinstance(board, dict)
    rows = (
        ("Technician", unit.get("technician")),
        ("Rated power, W", _number(unit.get("rated_power_w"))),
        ("Load, ohm", _number(unit.get("load_ohm"))),
        ("Nominal rail, V", _number(unit.get("rail_nominal_v"))),
        ("Target bias drop, mV", _number(unit.get("target_bias_drop_mv"))),
        ("Limiter lamp, W", _number(unit.get("limiter_lamp_w"))),
        ("Board", board.get("board")),
        ("Firmware", board.get("fw")),
        ("Program", header.get("host_version")),
    )
    return tuple((name, plain(value, 80)) for name, value in rows if value not in (None, ""))


def _number(value: object) -> str:
    return f"{value:g}" if isinstance(value, (int, float)) and math.isfinite(value) and value else ""


def _of_notes(notes: Iterable[Note]) -> list[RunEvent]:
    found = []
    for note in notes:
        if note.t_s is None or not math.isfinite(note.t_s):
            continue
        body = note.body
        text = plain(body.get("text") or body.get("why"))
        if note.kind == "stage":
            state = words.stage_state(plain(body.get("status"), 40))
            found.append(RunEvent(note.t_s, "stage", _said(f"{_stage_name(body)}: {state}", plain(body.get("why")))))
        elif note.kind == "finding":
            kind = "trip" if body.get("severity") == "trip" else "finding"
            found.append(RunEvent(note.t_s, kind, _cause(body)))
        elif note.kind in _ACTS:
            by = plain(body.get("by"), 40)
            found.append(RunEvent(note.t_s, "act", _said(f"{note.kind} by {by}" if by else note.kind, text)))
        elif note.kind == "board-restart":
            found.append(RunEvent(note.t_s, "board", "the board started anew"))
        elif note.kind in _MESSAGES:
            plainly = note.kind in ("message", "note") and text
            found.append(RunEvent(note.t_s, "message", text if plainly else _said(plain(note.kind, 40), text)))
    return found


def _said(head: str, more: str) -> str:
    return f"{head}: {more}" if more else head


def _cause(table: dict[str, Any]) -> str:
    channel = plain(table.get("channel"), 40)
    named = CHANNEL[channel].label if channel in CHANNEL else channel
    where = f", {named}" if named else ""
    return _said(f"{words.cause(plain(table.get('cause'), 40))}{where}", plain(table.get("why")))


def _of_board(events: Iterable[BoardEvent], trips: list[RunEvent]) -> list[RunEvent]:
    """Return what the board reported; a trip only where `trips` do not tell of it already."""
    found = []
    for event in events:
        if not math.isfinite(event.t_s):
            continue
        parts = [_SAID.get(event.what, event.what.replace("-", " "))]
        cause = words.cause(event.cause) if event.cause else ""
        parts += [cause] if cause else []
        if event.channel:
            parts.append(CHANNEL[event.channel].label)
        if event.text:
            parts.append(plain(event.text))
        # The host asked for it, and said why: one trip.
        is_told = any(cause in trip.text and abs(trip.t_s - event.t_s) <= _SAME_TRIP_S for trip in trips)
        kind = "trip" if event.what == "tripped" and not is_told else "board"
        found.append(RunEvent(event.t_s, kind, ", ".join(parts)))
    return found


def _of_verdict(verdict: dict[str, Any], known: list[RunEvent]) -> list[RunEvent]:
    """Return trips and warnings that only the verdict tells of."""
    found = []
    for key, kind in (("trips", "trip"), ("warnings", "finding")):
        for row in _list(verdict.get(key)):
            t_s = row.get("t_s") if isinstance(row, dict) else None
            if not isinstance(t_s, (int, float)) or not math.isfinite(t_s):
                continue
            cause = words.cause(plain(row.get("cause"), 40))
            if not any(event.kind == kind and cause in event.text and abs(event.t_s - t_s) <= 1.0 for event in known):
                found.append(RunEvent(float(t_s), kind, _cause(row)))
    return found


def _limits(stage: dict[str, Any], t0_s: float, t1_s: float) -> list[LimitSpan]:
    found = []
    for row in _list(stage.get("limits")):
        if not isinstance(row, dict) or row.get("kind") != "value" or row.get("channel") not in CHANNEL:
            continue
        low, high = (float(row[key]) if isinstance(row.get(key), (int, float)) else None for key in ("low", "high"))
        found.append(LimitSpan(str(row["channel"]), low, high, t0_s, t1_s))
    return found
