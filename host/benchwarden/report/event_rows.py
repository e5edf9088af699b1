"""What happened in the run, line by line: the board's events, what people did, what the analysis found."""

from __future__ import annotations

import math
from typing import Any

from benchwarden.record.run_events import Event, Note
from benchwarden.report.lenient import as_list, as_number, as_text
from benchwarden.report.printable import channel_label, clipped, clock_text, general_text
from benchwarden.report.result import BoardTrip, cause_words, trip_words
from benchwarden.report.source import Material
from benchwarden.report.wording import N_, Wording

Row = tuple[str, ...]
_MOST_EVENTS = 240
_EVENT_WORDS = {
    "boot": N_("board started"),
    "stage-loaded": N_("board took the stage's limits"),
    "armed": N_("armed, waiting for a person"),
    "closed": N_("mains relay closed"),
    "opened": N_("mains relay opened"),
    "tripped": N_("TRIP"),
    "reset": N_("trip acknowledged"),
    "note": N_("board notes"),
    "sensor": N_("sensor"),
    "disarmed": N_("no longer armed"),
}
_STAGE_WORDS = {
    "now": N_("stage begins"),
    "passed": N_("stage passed"),
    "tripped": N_("stage tripped"),
    "skipped": N_("stage skipped"),
}
_NOTE_WORDS = {
    "confirm": N_("confirms"),
    "open": N_("asks to open"),
    "abort": N_("ends the run"),
    "reset": N_("acknowledges"),
    "note": N_("notes"),
}
_PEOPLES = ("confirm", "abort", "open", "reset")
_SEVERITY_WORDS = {
    "trip": N_("trip"),
    "warning": N_("warning"),
    "trip, after opening": N_("trip, after opening"),
    "warning, after opening": N_("warning, after opening"),
}


def board_trips(events: tuple[Event, ...]) -> list[BoardTrip]:
    """Return the board's trips, oldest first, those without a time last."""
    return [
        BoardTrip(e.t_s, e.cause, e.channel, e.value, e.limit, e.text)
        for e in sorted(events, key=lambda e: (math.isnan(e.t_s), e.t_s))
        if e.what == "tripped"
    ]


def event_rows(material: Material, say: Wording) -> tuple[tuple[Row, ...], str]:
    """Return the time line and what was left out of it; trips are never left out."""
    lines: list[tuple[float, int, bool, Row]] = []
    for event in material.events:
        # The journal cannot always place an event; those come last.
        t_s = math.inf if math.isnan(event.t_s) else event.t_s
        lines.append((t_s, 0, event.what == "tripped", _event_row(event, say)))
    for note in material.notes:
        row = _note_row(note, say)
        if row is not None:
            t_s = math.inf if note.t_s is None else note.t_s
            lines.append((t_s, 1, note.kind in _PEOPLES, row))
    lines.sort(key=lambda line: (line[0], line[1]))
    if len(lines) <= _MOST_EVENTS:
        return tuple(line[3] for line in lines), ""
    half = _MOST_EVENTS // 2
    kept = [line[3] for k, line in enumerate(lines) if k < half or k >= len(lines) - half or line[2]]
    left_out = len(lines) - len(kept)
    return tuple(kept), say("{n} entries from the middle are left out here; the journal has them all.", n=str(left_out))


def _event_row(event: Event, say: Wording) -> Row:
    parts = []
    if event.what == "tripped" and event.cause:
        parts.append(trip_words(BoardTrip(event.t_s, event.cause, event.channel, event.value, event.limit, ""), say))
    elif event.cause:
        parts.append(cause_words(event.cause, say))
    if event.what != "tripped" and event.channel:
        parts.append(channel_label(event.channel, say))
    if event.text:
        counts = event.text.startswith("ms ") and math.isfinite(event.value)
        parts.append(f"{general_text(event.value, say)} {event.text}" if counts else event.text)
    what = say(_EVENT_WORDS.get(event.what, event.what))
    return clock_text(event.t_s, say), say("board"), what, "; ".join(parts)


def _note_row(note: Note, say: Wording) -> Row | None:
    body, by = note.body, as_text(note.body.get("by"))
    text = as_text(body.get("text"))
    who = say("host")
    match note.kind:
        case "stage":
            status = as_text(body.get("status"))
            what = say(_STAGE_WORDS.get(status, status))
            why = f": {body['why']}" if body.get("why") else ""
            text = f"{clipped(as_text(body.get('name')), 120)}{why}"
        case "prompt":
            what = say("asks")
        case "confirm" | "open" | "abort" | "reset" | "note":
            who, what = by or who, say(_NOTE_WORDS[note.kind])
        case "refused":
            who, what = say("board"), say("refuses {command}", command=as_text(body.get("command")))
        case "message":
            what = say("says")
        case "gap":
            what = say("gap")
            text = text or ", ".join(f"{k} {v}" for k, v in body.items())
        case _:
            return None
    return clock_text(note.t_s, say), clipped(who, 24), what, clipped(text, 500)


def finding_rows(material: Material, verdict: dict[str, Any] | None, say: Wording) -> tuple[Row, ...]:
    """Return (run time, weight, cause, where, why) of what the analysis found, each once."""
    rows: dict[tuple[str, str, str, str], Row] = {}

    def take(t_s: Any, severity: str, cause: str, channel: str, why: str) -> None:
        clock = clock_text(as_number(t_s), say)
        where = channel_label(channel, say) if channel else "\N{EN DASH}"
        weight = say(_SEVERITY_WORDS.get(severity, severity))
        rows.setdefault((clock, severity.split(",")[0], cause, where), (clock, weight, cause, where, why))

    if verdict:
        for severity, key in (("trip", "trips"), ("warning", "warnings")):
            for item in as_list(verdict.get(key)):
                if isinstance(item, dict):
                    late = ", after opening" if item.get("after_open") else ""
                    take(item.get("t_s"), severity + late, *(as_text(item.get(k)) for k in ("cause", "channel", "why")))
                else:
                    take(None, severity, "", "", as_text(item))
    for note in material.notes:
        if note.kind == "finding":
            body = note.body
            t_s = body.get("t_s", note.t_s)
            take(t_s, *(as_text(body.get(k)) for k in ("severity", "cause", "channel", "why")))
    return tuple(sorted(rows.values(), key=lambda row: (row[0] == "\N{EN DASH}", len(row[0]), row[0])))
