"""What the record says: plain words, rows and plots, ready to be laid out.

Nothing is computed here beyond naming, rounding and picking extremes; figures
with a meaning come from the plan and from the verdict of the analysis.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from benchwarden import __version__
from benchwarden.core.calibration import Calibration, uncertainty, unpack_calibration
from benchwarden.core.channels import CHANNEL, CHANNELS, GROUPS, INDEX
from benchwarden.errors import RecordError
from benchwarden.record.run_events import Event, Note
from benchwarden.report.figures import (
    Boundary,
    Figure,
    LimitLine,
    Panel,
    Series,
    Strip,
    run_figure,
    stacked_figure,
)
from benchwarden.report.metrics import margin_rows, metric_rows, other_figures, side_rows, worst_rows
from benchwarden.report.printable import (
    channel_label,
    channel_text,
    clipped,
    clock_text,
    general_text,
    number_text,
    span_text,
    uncertainty_text,
)
from benchwarden.report.result import CAUSE_WORDS, BoardTrip, Result, StageEnd, result_of, trip_words
from benchwarden.report.source import Burst, Material

Row = tuple[str, ...]

VIRTUAL_WORDS = "virtual bench"
_MOST_EVENTS = 240
_MOST_GAPS = 40
# Order of the plots, and what each axis is called.
_PLOTS = ("bias", "temperature", "rail current", "rail voltage", "offset", "hf")
_TITLES = {
    "bias": "Bias drop",
    "temperature": "Temperature",
    "rail current": "Rail current",
    "rail voltage": "Rail voltage",
    "offset": "DC offset",
    "hf": "HF level",
}
assert set(_PLOTS) == set(GROUPS)
# (factor, unit, decimals of a limit's name, least span of the axis): the axis
# is never stretched so far that noise looks like an event.
_SCALES = {
    "bias": (1000.0, "mV", 2, 2.0),
    "temperature": (1.0, "\N{DEGREE SIGN}C", 1, 5.0),
    "rail current": (1.0, "A", 2, 0.1),
    "rail voltage": (1.0, "V", 1, 5.0),
    "offset": (1000.0, "mV", 0, 20.0),
    "hf": (1.0, "V", 2, 0.1),
}
# A current limit stands several times above a healthy draw and must be seen there.
_REACH = {"rail current": 4.0, "bias": 2.0}
_SIDES = {
    "rail_pos_a": "positive",
    "rail_neg_a": "negative",
    "rail_pos_v": "positive",
    "rail_neg_v": "negative",
    "ambient_c": "ambient",
}

CAUTIONS = (
    "Benchwarden is not a certified protective device. It does not replace fuses, a residual-current device, an "
    "isolating transformer or the judgement of the person at the bench, and an open mains relay is not isolation.",
    "Work on mains equipment follows the local electrical codes and, in many places, may only be done by licensed "
    "or otherwise qualified people. This record does not show that those rules were met.",
    "Capacitors hold charge after the power is off; neither the limiter lamp nor the open relay discharges them. "
    "Measure before touching.",
    "The record tells what these sensors read, where they were attached, during the time and at the settings "
    "stated. It does not promise how long the set will last, how it behaves with another load, mains or room "
    "temperature, that the parts fitted are genuine, or that the set meets any safety standard.",
    "Limits and expected readings follow from what was entered about the set and from the formulas in the "
    "appendix. Where an entry is wrong, so are they.",
    "Minimum and maximum between two frames are kept by the board; anything shorter than one scan of the board "
    "(nominally 10 ms), and any frequency outside the sense modules' range, is not in this record.",
)
VIRTUAL_CAUTION = (
    "This run was made on the virtual bench: every number comes from a model of an amplifier, none was measured. "
    "It says nothing about any real set and must not be given to anybody as proof of a repair."
)
UNCERTAINTY_WORDS = (
    "U is the expanded uncertainty for 95 % coverage (JCGM 100): of the calibration, with temperature within 20 K of "
    "it and a year of ageing; of the parts' tolerances for a quantity that is not calibrated. Contact of the sensors "
    "and noise of a single scan are not in it."
)
GLYPH_NOTE = "A character that the record's fonts do not hold is printed as its code, like <U+65E5>."


@dataclass(frozen=True)
class StageRow:
    """One stage of the stage table; `readings` is (quantity, expected, seen, span, how it compares)."""

    number: str
    name: str
    setting: str
    status: str
    when: str
    why: str
    readings: tuple[Row, ...]


@dataclass(frozen=True)
class Content:
    """The record in words and plots. Rows are texts in the order of their columns."""

    title: str
    run: str
    virtual: bool
    calibration: str
    calibration_caution: str
    date: str
    started_at_utc: str
    set_rows: tuple[Row, ...]
    result: Result
    word: str
    watched: str
    watched_rows: tuple[Row, ...]
    stages: tuple[StageRow, ...]
    limits: tuple[Row, ...]
    figures: tuple[Figure, ...]
    no_plot: tuple[str, ...]
    bursts: tuple[Figure, ...]
    trips: tuple[str, ...]
    events: tuple[Row, ...]
    events_note: str
    findings: tuple[Row, ...]
    margins: tuple[Row, ...]
    sides: tuple[Row, ...]
    worst: tuple[Row, ...]
    metrics: tuple[Row, ...]
    instrument: tuple[Row, ...]
    losses: tuple[str, ...]
    gaps: tuple[Row, ...]
    working: tuple[Row, ...]
    cautions: tuple[str, ...]
    producer: str


def _dict(found: Any) -> dict[str, Any]:
    return found if isinstance(found, dict) else {}


def _list(found: Any) -> list[Any]:
    return list(found) if isinstance(found, (list, tuple)) else []


def _number(found: Any) -> float:
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        return math.nan
    return float(found)


def _text(found: Any) -> str:
    return "" if found is None else str(found)


def _is_or(found: str) -> str:
    return found if found.strip() else "not stated"


def date_words(label: str) -> str:
    """Return an ISO time label as a date in words; anything else as it is."""
    try:
        at = datetime.fromisoformat(label.replace("Z", "+00:00"))
    except ValueError:
        return label
    if at.tzinfo is not None:
        at = at.astimezone(UTC)
        return f"{at.day} {at:%B %Y}, {at:%H:%M} UTC"
    return f"{at.day} {at:%B %Y}, {at:%H:%M}"


def board_of(material: Material) -> dict[str, Any]:
    """Return the board's identity: the newest hello in the journal, else the header's, else the status'."""
    for found in (material.last_note("board"), material.header.get("board"), material.status.get("board")):
        if _dict(found):
            return _dict(found)
    return {}


def is_virtual(material: Material) -> bool:
    """Return whether anything in the run says that it was made on the virtual bench."""
    boards = [note.body for note in material.notes if note.kind == "board"]
    boards += [_dict(material.header.get("board")), _dict(material.status.get("board"))]
    named = any(_text(board.get("board")).lower().startswith("virtual") for board in boards)
    return named or bool(material.header.get("virtual")) or bool(material.status.get("virtual"))


def _calibration(board: dict[str, Any]) -> str:
    """Return the calibration in the words that stand on every page."""
    said = _text(board.get("cal")).strip()
    if not said:
        return "calibration unknown"
    plain = said.startswith(("uncalibrated", "calibration", "calibrated"))
    return clipped(said if plain else f"calibration: {said}", 72)


def _calibration_caution(board: dict[str, Any]) -> str:
    """Return what a reader has to know about the calibration, "" when it is in order."""
    said = _text(board.get("cal")).strip()
    state = _text(_dict(board.get("calibration")).get("state"))
    if not said or state == "unknown":
        return (
            "Nothing is known of the instrument's calibration; the uncertainties stated are those of an "
            "uncalibrated one, from the tolerances of its parts."
        )
    if state == "uncalibrated" or said.startswith("uncalibrated"):
        words = (
            "The instrument was not calibrated: readings are as the parts' nominal values give them, and the "
            "uncertainties stated follow from the parts' tolerances."
        )
    elif state == "overdue":
        words = (
            "The calibration was overdue when the run began; the uncertainties stated hold for a year of ageing and "
            "not for longer."
        )
    else:
        words = ""
    # After the first semicolon the board tells what is wrong with a calibration file.
    trouble = said.partition(";")[2].strip()
    if trouble:
        words = f"{words} The board reports a calibration file it does not use: {trouble}.".strip()
    return words


def _calibration_in_force(board: dict[str, Any]) -> Calibration | None:
    try:
        return unpack_calibration(bytes.fromhex(_text(_dict(board.get("calibration")).get("record"))))
    except (RecordError, ValueError):
        return None


def _half_width(calibration: Calibration | None, channel: str, *values: float) -> str:
    """Return the largest expanded uncertainty that the values carry, as printed."""
    known = [uncertainty(channel, value, calibration).half_width for value in values if math.isfinite(value)]
    return uncertainty_text(channel, max(known, default=math.nan)) if channel in INDEX else "\N{EN DASH}"


def _setting(stage: dict[str, Any]) -> str:
    if stage.get("energised") is False:
        return "mains relay open"
    pct = _number(stage.get("mains_pct"))
    mains = f"mains at {general_text(pct)} %" if math.isfinite(pct) else "mains not stated"
    lamp = "through the limiter" if stage.get("limiter_in") else "direct, limiter bypassed"
    return f"{mains}, {lamp}, {'driven' if stage.get('drive_on') else 'no drive'}"


def _span_words(channel: str, low: float, high: float) -> str:
    if not (math.isfinite(low) and math.isfinite(high)):
        return "\N{EN DASH}"
    first, last = channel_text(channel, low), channel_text(channel, high)
    number, _, unit = first.partition("\u00a0")
    return f"{number} to {last}" if last.endswith("\u00a0" + unit) else f"{first} to {last}"


def _compare(seen: float, low: float, high: float) -> str:
    if not math.isfinite(seen):
        return "not seen"
    if seen < low:
        return "below"
    return "above" if seen > high else "as expected"


_STATUS_WORDS = {
    "waiting": "not reached",
    "now": "under way when the record ends",
    "passed": "passed",
    "tripped": "tripped",
    "skipped": "skipped",
}


def _stage_rows(material: Material) -> tuple[StageRow, ...]:
    rows = []
    spans = {span.index: span for span in material.spans}
    for index, stage in enumerate(material.stages):
        read = material.readings.get(index)
        expected = _dict(stage.get("expected"))
        readings: list[Row] = []
        for channel in [name for name in CHANNELS if name in expected]:
            window = [_number(v) for v in _list(expected[channel])]
            if len(window) != 3:
                continue
            low, _, high = window
            k = INDEX[channel]
            seen = float(read.end[k]) if read else math.nan
            extremes = _span_words(channel, float(read.low[k]), float(read.high[k])) if read else "\N{EN DASH}"
            readings.append(
                (
                    channel_label(channel),
                    _span_words(channel, low, high),
                    channel_text(channel, seen),
                    extremes,
                    _compare(seen, low, high),
                )
            )
        span = spans.get(index)
        when = ""
        if span is not None:
            end = span.t1_s if math.isfinite(span.t1_s) else material.envelope.last_t_s
            when = f"from {clock_text(span.t0_s)} to {clock_text(end)}"
        status = _text(stage.get("status"))
        rows.append(
            StageRow(
                number=str(index + 1),
                name=clipped(_text(stage.get("name")), 120),
                setting=_setting(stage),
                status=_STATUS_WORDS.get(status, status),
                when=when,
                why=_text(stage.get("why")),
                # Without a single reading a row would only repeat the plan.
                readings=tuple(readings) if read and read.frames else (),
            )
        )
    return tuple(rows)


def _number_ranges(numbers: list[int]) -> str:
    parts: list[str] = []
    start = last = numbers[0]
    for number in [*numbers[1:], -1]:
        if number == last + 1:
            last = number
            continue
        parts.append(str(start) if start == last else f"{start}\N{EN DASH}{last}")
        start = last = number
    return ", ".join(parts)


_KIND_SUFFIX = {"value": "", "rate": "/s", "spread": ""}
_KIND_WORDS = {"value": "", "rate": ", rate", "spread": ", jump"}


def _limit_rows(material: Material, calibration: Calibration | None) -> tuple[Row, ...]:
    """Return the limits once each, with the stages they were in force for."""
    found: dict[Row, list[int]] = {}
    for index, stage in enumerate(material.stages):
        for limit in map(_dict, _list(stage.get("limits"))):
            channel, kind = _text(limit.get("channel")), _text(limit.get("kind"))
            suffix = _KIND_SUFFIX.get(kind, "")
            low, high = _number(limit.get("low")), _number(limit.get("high"))
            key = (
                channel_label(channel) + _KIND_WORDS.get(kind, f", {kind}"),
                channel_text(channel, low, suffix),
                channel_text(channel, high, suffix),
                _half_width(calibration, channel, low, high) if kind == "value" else "\N{EN DASH}",
                f"{_text(limit.get('for_ms'))} ms",
                _text(limit.get("cause")),
                _text(limit.get("why")),
            )
            stages = found.setdefault(key, [])
            if index + 1 not in stages:
                stages.append(index + 1)
    rows = [(_number_ranges(stages), *key) for key, stages in found.items()]
    order = {channel_label(name): k for k, name in enumerate(CHANNELS)}
    rows.sort(key=lambda row: (_order_of(row[1], order), found[row[1:]][0]))
    return tuple(_twins_joined(rows))


def _order_of(label: str, order: dict[str, int]) -> int:
    return next((k for name, k in order.items() if label == name or label.startswith(name + ", ")), len(order))


# Labels of the same quantity on the two sides, and what to call both.
_TWINS = (
    (", left", ", right", ", left and right"),
    ("Positive rail current", "Negative rail current", "Rail current, both rails"),
)


def _twins_joined(rows: list[Row]) -> list[Row]:
    """Return the rows with those that differ in nothing but their side made one."""
    out = list(rows)
    for row in rows:
        for first, second, both in _TWINS:
            twin = (row[0], row[1].replace(first, second), *row[2:])
            if first in row[1] and row in out and twin in out:
                out[out.index(row)] = (row[0], row[1].replace(first, both), *row[2:])
                out.remove(twin)
    return out


def _board_trips(events: tuple[Event, ...]) -> list[BoardTrip]:
    return [
        BoardTrip(e.t_s, e.cause, e.channel, e.value, e.limit, e.text)
        for e in sorted(events, key=lambda e: (math.isnan(e.t_s), e.t_s))
        if e.what == "tripped"
    ]


_EVENT_WORDS = {
    "boot": "board started",
    "stage-loaded": "board took the stage's limits",
    "armed": "armed, waiting for a person",
    "closed": "mains relay closed",
    "opened": "mains relay opened",
    "tripped": "TRIP",
    "reset": "trip acknowledged",
    "note": "board notes",
    "sensor": "sensor",
    "disarmed": "no longer armed",
}


def _event_row(event: Event) -> Row:
    parts = []
    if event.what == "tripped" and event.cause:
        parts.append(trip_words(BoardTrip(event.t_s, event.cause, event.channel, event.value, event.limit, "")))
    elif event.cause:
        parts.append(CAUSE_WORDS.get(event.cause, event.cause))
    if event.what != "tripped" and event.channel:
        parts.append(channel_label(event.channel))
    if event.text:
        counts = event.text.startswith("ms ") and math.isfinite(event.value)
        parts.append(f"{general_text(event.value)} {event.text}" if counts else event.text)
    return clock_text(event.t_s), "board", _EVENT_WORDS.get(event.what, event.what), "; ".join(parts)


def _note_row(note: Note) -> Row | None:
    body, by = note.body, _text(note.body.get("by")) or "host"
    text = _text(body.get("text"))
    match note.kind:
        case "stage":
            status = _text(body.get("status"))
            what = "stage begins" if status == "now" else f"stage {status}"
            why = f": {body['why']}" if body.get("why") else ""
            who, detail = "host", f"{clipped(_text(body.get('name')), 120)}{why}"
        case "prompt":
            who, what, detail = "host", "asks", text
        case "confirm":
            who, what, detail = by, "confirms", text
        case "open" | "abort" | "reset" | "note":
            words = {"open": "asks to open", "abort": "ends the run", "reset": "acknowledges", "note": "notes"}
            who, what, detail = by, words[note.kind], text
        case "refused":
            who, what, detail = "board", f"refuses {_text(body.get('command'))}", text
        case "message":
            who, what, detail = "host", "says", text
        case "gap":
            who, what, detail = "host", "gap", text or ", ".join(f"{k} {v}" for k, v in body.items())
        case _:
            return None
    return clock_text(note.t_s), clipped(who, 24), what, clipped(detail, 500)


def _event_rows(material: Material) -> tuple[tuple[Row, ...], str]:
    """Return the time line and what was left out of it; trips are never left out."""
    lines: list[tuple[float, int, bool, Row]] = []
    for event in material.events:
        # The journal cannot always place an event; those come last.
        t_s = math.inf if math.isnan(event.t_s) else event.t_s
        lines.append((t_s, 0, event.what == "tripped", _event_row(event)))
    for note in material.notes:
        row = _note_row(note)
        if row is not None:
            t_s = math.inf if note.t_s is None else note.t_s
            lines.append((t_s, 1, note.kind in ("confirm", "abort", "open", "reset"), row))
    lines.sort(key=lambda line: (line[0], line[1]))
    dropped = len(lines) - _MOST_EVENTS
    if dropped <= 0:
        return tuple(line[3] for line in lines), ""
    half = _MOST_EVENTS // 2
    kept = [line[3] for k, line in enumerate(lines) if k < half or k >= len(lines) - half or line[2]]
    return tuple(kept), f"{len(lines) - len(kept)} entries from the middle are left out here; the journal has them all."


def _finding_rows(material: Material, verdict: dict[str, Any] | None) -> tuple[Row, ...]:
    rows: dict[tuple[str, str, str, str], Row] = {}

    def take(t_s: Any, severity: str, cause: str, channel: str, why: str) -> None:
        clock = clock_text(_number(t_s))
        where = channel_label(channel) if channel else "\N{EN DASH}"
        rows.setdefault((clock, severity.split(",")[0], cause, where), (clock, severity, cause, where, why))

    if verdict:
        for severity, key in (("trip", "trips"), ("warning", "warnings")):
            for item in _list(verdict.get(key)):
                if isinstance(item, dict):
                    late = ", after opening" if item.get("after_open") else ""
                    take(item.get("t_s"), severity + late, *(_text(item.get(k)) for k in ("cause", "channel", "why")))
                else:
                    take(None, severity, "", "", _text(item))
    for note in material.notes:
        if note.kind == "finding":
            body = note.body
            t_s = body.get("t_s", note.t_s)
            take(t_s, *(_text(body.get(k)) for k in ("severity", "cause", "channel", "why")))
    return tuple(sorted(rows.values(), key=lambda row: (row[0] == "\N{EN DASH}", len(row[0]), row[0])))


def _watched(material: Material, unit: dict[str, Any], calibration: Calibration | None) -> tuple[str, tuple[Row, ...]]:
    env = material.envelope
    if not env.frames:
        return "The record holds no readings.", ()
    load = "a load was connected" if unit.get("load_connected") else "no load was connected"
    length = env.last_t_s - env.first_t_s
    words = (
        f"Watched for {span_text(length)}, of which {span_text(env.mains_on_s)} under power; {env.frames} frames, each "
        f"with mean, minimum and maximum since the last; {load}. Times are run time by the board's clock, "
        "h:mm:ss, from the first frame."
    )
    rows: list[Row] = []
    for k, name in enumerate(CHANNELS):
        low, high = np.fmin.reduce(env.low[:, k]), np.fmax.reduce(env.high[:, k])
        lost = env.frames - int(env.values[k])
        missing = (
            "none" if lost == 0 else ("all" if lost == env.frames else f"{lost} ({100 * lost / env.frames:.1f} %)")
        )
        half = _half_width(calibration, name, float(low), float(high))
        rows.append(
            (channel_label(name), channel_text(name, float(low)), channel_text(name, float(high)), half, missing)
        )
    return words, tuple(rows)


def _losses(material: Material, verdict: dict[str, Any] | None) -> list[str]:
    """Return what the record lacks, in sentences."""
    env = material.envelope
    out = list(material.lost)
    if verdict is None:
        out.append("The journal holds no verdict: the run was cut off, or is still going on.")
    if not env.frames:
        out.append("The journal holds no readings.")
    if env.gap_count:
        plural = "s" if env.gap_count > 1 else ""
        out.append(
            f"Readings are missing in {env.gap_count} place{plural}, {span_text(env.gap_s)} in all; "
            "the plots are blank there."
        )
    gone = [channel_label(n) for k, n in enumerate(CHANNELS) if env.frames and not env.values[k]]
    if gone:
        out.append(f"Never seen in this run: {', '.join(gone)}.")
    if env.backwards:
        out.append(
            f"{env.backwards} frames carry a time that does not follow on (the board was restarted); "
            "they are in the journal but not in the plots."
        )
    if not material.stages:
        out.append("The journal holds no plan.")
    return out


def _groups() -> dict[str, list[str]]:
    return {group: [n for n in CHANNELS if CHANNEL[n].group == group] for group in _PLOTS}


def _series_name(channel: str) -> str:
    return _SIDES.get(channel) or ("left" if "_left_" in channel else "right")


def _scale(group: str, largest_v: float) -> tuple[float, str, int, float]:
    # Tens of volts of offset are no matter of millivolts.
    if group == "offset" and largest_v > 2.0:
        return 1.0, "V", 2, 0.5
    return _SCALES[group]


def _largest(values: Any) -> float:
    finite = np.abs(values[np.isfinite(values)])
    return float(finite.max()) if len(finite) else 0.0


def _limit_lines(material: Material, channels: list[str], factor: float, last_s: float) -> tuple[LimitLine, ...]:
    found: dict[tuple[float, float, float], list[str]] = {}
    for span in material.spans:
        end = span.t1_s if math.isfinite(span.t1_s) else last_s
        for limit in map(_dict, _list(material.stages[span.index].get("limits"))):
            channel = _text(limit.get("channel"))
            if channel not in channels or limit.get("kind") != "value":
                continue
            for side in ("low", "high"):
                y = _number(limit.get(side)) * factor
                if math.isfinite(y):
                    held = found.setdefault((span.t0_s, end, y), [])
                    held += [] if channel in held else [channel]
    # A limit that binds one trace only says which; the ambient one is not the heatsinks'.
    # On the rails the sign says it already.
    pair = [name for name in channels if name != "ambient_c"]
    signed = CHANNEL[channels[0]].group == "rail voltage"
    return tuple(
        LimitLine(*at, "limit" if signed or held == pair else " ".join(("limit", *map(_series_name, held))))
        for at, held in found.items()
    )


def _run_panels(material: Material) -> tuple[list[Panel], list[str]]:
    env = material.envelope
    panels, absent = [], []
    boundaries = tuple(Boundary(span.t0_s, str(span.index + 1)) for span in material.spans)
    trips = tuple((t.t_s, f"trip: {t.cause}") for t in _board_trips(material.events))
    strip = Strip(env.t_s, env.seen, env.mains_on, env.limiter_in)
    target_mv = _number(_dict(material.header.get("unit")).get("target_bias_drop_mv"))
    for group, channels in _groups().items():
        ks = [INDEX[name] for name in channels]
        if not env.frames or not env.values[ks].any():
            absent.append(f"{_TITLES[group]}: no value in this record.")
            continue
        factor, unit, decimals, least = _scale(group, max(_largest(env.low[:, ks]), _largest(env.high[:, ks])))
        series = tuple(
            Series(
                _series_name(name),
                env.t_s,
                env.low[:, k] * factor,
                env.high[:, k] * factor,
                env.mean[:, k] * factor,
                env.missing[:, k],
                style,
            )
            for style, (name, k) in enumerate(zip(channels, ks, strict=True))
            if env.values[k]
        )
        limits = _limit_lines(material, channels, factor, env.last_t_s)
        if group == "bias" and math.isfinite(target_mv):
            limits += (LimitLine(env.first_t_s, env.last_t_s, target_mv, "target"),)
        reach = _REACH.get(group, 1.5)
        panels.append(Panel(_TITLES[group], unit, series, limits, boundaries, trips, least, decimals, reach, strip))
    return panels, absent


def _burst_figure(burst: Burst, trip: BoardTrip | None, number: int) -> Figure:
    groups = _groups()
    first = CHANNEL[trip.channel].group if trip and trip.channel in CHANNEL else "rail current"
    x = burst.t_s - burst.trip_t_s
    panels = []
    for group in sorted(groups, key=lambda g: (g != first, _PLOTS.index(g))):
        channels = groups[group]
        values = burst.value[:, [INDEX[name] for name in channels]]
        if not np.isfinite(values).any():
            continue
        factor, unit, decimals, least = _scale(group, _largest(values))
        series = tuple(
            Series(_series_name(name), x, v, v, v, ~np.isfinite(v), style)
            for style, name in enumerate(channels)
            if np.isfinite(v := burst.value[:, INDEX[name]] * factor).any()
        )
        limits: tuple[LimitLine, ...] = ()
        if trip and trip.channel in channels and math.isfinite(trip.limit):
            limits = (LimitLine(float(x[0]), float(x[-1]), trip.limit * factor),)
        panels.append(Panel(_TITLES[group], unit, series, limits, (), ((0.0, ""),), least, decimals))
    at = clock_text(burst.trip_t_s)
    words = f" ({trip.cause})" if trip else ""
    caption = (
        f"Every scan of the board, {number_text(-float(x[0]), 2)} s before the trip{words} at {at} to "
        f"{number_text(float(x[-1]), 2)} s after it ({len(x)} scans). Time is counted from the trip."
    )
    return stacked_figure(f"Around trip {number}", caption, panels)


def _bursts(material: Material) -> tuple[Figure, ...]:
    trips = _board_trips(material.events)
    out = []
    for number, burst in enumerate(material.bursts, 1):
        near = min(trips, key=lambda t: abs(t.t_s - burst.trip_t_s), default=None)
        if near is not None and abs(near.t_s - burst.trip_t_s) > 1.0:
            near = None
        out.append(_burst_figure(burst, near, number))
    return tuple(out)


def _calibration_rows(board: dict[str, Any]) -> tuple[Row, ...]:
    found = _dict(board.get("calibration"))
    if not found.get("record"):
        return ()
    channels = [_text(name) for name in _list(found.get("channels"))]
    missing = [channel_label(name) for name in CHANNELS if name not in channels]
    by = f"number {_text(found.get('number'))}, CRC {_text(found.get('crc'))}, against {_text(found.get('reference'))}"
    rows: list[Row] = [("Calibration record", by)]
    if missing:
        rows.append(("Not calibrated", ", ".join(missing)))
    return tuple(rows)


def _instrument(material: Material, board: dict[str, Any]) -> tuple[Row, ...]:
    selftest = _dict(board.get("selftest"))
    parts = _dict(selftest.get("parts"))
    bad = [f"{name}: {said}" for name, said in parts.items() if said != "ok"]
    if not selftest:
        said = "not reported"
    elif bad or not selftest.get("ok", not bad):
        said = "FAILED: " + ("; ".join(bad) or "no part named")
    else:
        said = f"passed ({', '.join(map(str, parts)) or 'no parts listed'})"
    rows = [
        ("Board", _is_or(_text(board.get("board")))),
        ("Calibration", _calibration(board)),
        ("Commissioning", _commissioning(board)),
        *_calibration_rows(board),
        ("Uncertainty", UNCERTAINTY_WORDS),
        ("Firmware", _is_or(_text(board.get("fw")))),
        ("Program", _is_or(_text(board.get("program_digest") or board.get("program")))),
        ("Wire version", _is_or(_text(board.get("wire")))),
        ("MicroPython", _is_or(_text(board.get("mpy")))),
        ("Scan rate", f"{_text(board.get('scan_hz'))} Hz" if board.get("scan_hz") else "not stated"),
        ("Self-test", said),
        ("Host program", f"benchwarden {_is_or(_text(material.header.get('host_version')))}"),
    ]
    seen = {_text(_dict(n.body).get("board")) for n in material.notes if n.kind == "board"} - {""}
    if len(seen) > 1:
        rows.append(("Boards seen", ", ".join(sorted(seen))))
    return tuple(rows)


def _reminders(board: dict[str, Any]) -> tuple[str, ...]:
    """Return what was said of the board's commissioning before the run."""
    return tuple(clipped(_text(words), 400) for words in _list(board.get("commissioning")))


def _commissioning(board: dict[str, Any]) -> str:
    if "commissioning" not in board:
        return "not stated"
    return " ".join(_reminders(board)) or "passed, and nothing has changed since"


def _set_rows(material: Material, unit: dict[str, Any]) -> tuple[Row, ...]:
    def of(key: str) -> str:
        return clipped(_is_or(_text(unit.get(key) or material.status.get(key))), 160)

    def figure(key: str, suffix: str) -> str:
        value = _number(unit.get(key))
        return f"{general_text(value)}\u00a0{suffix}" if math.isfinite(value) else "not stated"

    return (
        ("Set", of("model")),
        ("Serial", of("serial")),
        ("Customer", of("customer")),
        ("Technician", of("technician")),
        ("Rated", f"{figure('rated_power_w', 'W')} per channel into {figure('load_ohm', 'Ω')}"),
        ("Rails", f"\N{PLUS-MINUS SIGN}{figure('rail_nominal_v', 'V')} nominal"),
        ("Target bias", f"{figure('target_bias_drop_mv', 'mV')} across {figure('emitter_resistor_ohm', 'Ω')}"),
        ("Limiter lamp", figure("limiter_lamp_w", "W")),
    )


def _working(material: Material) -> tuple[Row, ...]:
    """Return the working, once for all stages it is the same for."""
    numbers = {_text(stage.get("name")): index + 1 for index, stage in reversed(list(enumerate(material.stages)))}
    found: dict[Row, list[int]] = {}
    for item in map(_dict, _list(material.header.get("working"))):
        value = _number(item.get("value"))
        shown = f"{general_text(value)}\u00a0{_text(item.get('unit'))}" if math.isfinite(value) else "\N{EN DASH}"
        quantity, formula, figures, source = (_text(item.get(k)) for k in ("quantity", "formula", "numbers", "source"))
        # The figures of a stage come with its name in front.
        stage = next((name for name in numbers if name and quantity.startswith(name + ": ")), None)
        if stage is not None:
            quantity = quantity[len(stage) + 2 :]
        stages = found.setdefault((quantity, formula, figures, shown, source), [])
        if stage is not None and numbers[stage] not in stages:
            stages.append(numbers[stage])
    return tuple((_number_ranges(sorted(stages)) if stages else "all", *row) for row, stages in found.items())


_WORDS = {
    "passed": "Passed",
    "tripped": "Tripped",
    "stopped": "Stopped",
    "incomplete": "Incomplete",
    "no result": "No result",
}


def content_of(material: Material) -> Content:
    """Return what the record of a run says."""
    header, env = material.header, material.envelope
    unit, board = _dict(header.get("unit")), board_of(material)
    noted = material.last_note("verdict")
    verdict = _dict(noted) or _dict(material.status.get("verdict")) or None
    figures = _dict(verdict).get("metrics")
    losses = _losses(material, verdict)
    trips = _board_trips(material.events)
    ends = [
        StageEnd(clipped(_text(s.get("name")), 120), _text(s.get("status")), clipped(_text(s.get("why")), 300))
        for s in material.stages
    ]
    result = result_of(verdict, trips, ends, env.last_t_s, env.mains_on_s, losses)
    calibration = _calibration_in_force(board)
    watched, watched_rows = _watched(material, unit, calibration)
    panels, absent = _run_panels(material)
    events, events_note = _event_rows(material)
    run_type = _text(header.get("run_type") or material.status.get("run_type"))
    virtual = is_virtual(material)
    started = _text(header.get("started_at_utc") or material.status.get("started_at_utc"))
    cautions = (*((VIRTUAL_CAUTION,) if virtual else ()), *_reminders(board), *CAUTIONS, GLYPH_NOTE)
    return Content(
        title={"burn-in": "Burn-in record", "power-up": "Power-up record"}.get(run_type, "Run record"),
        run=_text(header.get("run") or material.status.get("run")),
        virtual=virtual,
        calibration=_calibration(board),
        calibration_caution=_calibration_caution(board),
        date=date_words(started) if started else "date not stated",
        started_at_utc=started,
        set_rows=_set_rows(material, unit),
        result=result,
        word=_WORDS[result.kind],
        watched=watched,
        watched_rows=watched_rows,
        stages=_stage_rows(material),
        limits=_limit_rows(material, calibration),
        figures=tuple(run_figure(panel) for panel in panels),
        no_plot=tuple(absent),
        bursts=_bursts(material),
        trips=tuple(f"{clock_text(t.t_s)}: {trip_words(t)}" for t in trips),
        events=events,
        events_note=events_note,
        findings=_finding_rows(material, verdict),
        margins=tuple(margin_rows(figures)),
        sides=tuple(side_rows(figures)),
        worst=tuple(worst_rows(figures)),
        metrics=tuple(metric_rows(other_figures(figures))),
        instrument=_instrument(material, board),
        losses=tuple(losses),
        gaps=tuple((clock_text(a), clock_text(b), span_text(b - a)) for a, b in env.gaps[:_MOST_GAPS]),
        working=_working(material),
        cautions=cautions,
        producer=f"benchwarden {__version__}",
    )
