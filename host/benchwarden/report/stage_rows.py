"""What became of every stage: setting, time, outcome, and readings against what was expected."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.report.lenient import as_dict, as_list, as_number, as_text
from benchwarden.report.printable import channel_label, channel_text, clipped, clock_text, general_text
from benchwarden.report.source import Material, StageReadings
from benchwarden.report.wording import N_, Wording

Row = tuple[str, ...]
_STATUS_WORDS = {
    "waiting": N_("not reached"),
    "now": N_("under way when the record ends"),
    "passed": N_("passed"),
    "tripped": N_("tripped"),
    "skipped": N_("skipped"),
}


@dataclass(frozen=True)
class StageRow:
    """One stage of the stage table.

    Attributes:
        is_passed: whether it was held to its end.
        readings: rows of quantity, expected, seen, span, how it compares.
        off: of each of these rows, whether what was seen is outside what was expected.
    """

    number: str
    name: str
    setting: str
    status: str
    is_passed: bool
    when: str
    why: str
    readings: tuple[Row, ...]
    off: tuple[bool, ...]


def stage_rows(material: Material, say: Wording) -> tuple[StageRow, ...]:
    """Return the stages in planned order."""
    spans = {span.index: span for span in material.spans}
    rows = []
    for index, stage in enumerate(material.stages):
        read = material.readings.get(index)
        # Without a single reading a row would only repeat the plan.
        found = _readings(as_dict(stage.get("expected")), read, say) if read and read.frames else []
        span, when = spans.get(index), ""
        if span is not None:
            end = span.t1_s if math.isfinite(span.t1_s) else material.envelope.last_t_s
            when = say("from {first} to {last}", first=clock_text(span.t0_s, say), last=clock_text(end, say))
        status = as_text(stage.get("status"))
        rows.append(
            StageRow(
                number=str(index + 1),
                name=clipped(as_text(stage.get("name")), 120),
                setting=_setting(stage, say),
                status=say(_STATUS_WORDS.get(status, status)),
                is_passed=status == "passed",
                when=when,
                why=as_text(stage.get("why")),
                readings=tuple(row for row, _ in found),
                off=tuple(is_off for _, is_off in found),
            )
        )
    return tuple(rows)


def _readings(expected: dict[str, Any], read: StageReadings, say: Wording) -> list[tuple[Row, bool]]:
    rows: list[tuple[Row, bool]] = []
    for channel in [name for name in CHANNELS if name in expected]:
        window = [as_number(v) for v in as_list(expected[channel])]
        if len(window) != 3:
            continue
        low, _, high = window
        k = INDEX[channel]
        seen = float(read.end[k])
        row = (
            channel_label(channel, say),
            span_words(channel, low, high, say),
            channel_text(channel, seen, say=say),
            span_words(channel, float(read.low[k]), float(read.high[k]), say),
            _compare(seen, low, high, say),
        )
        rows.append((row, seen < low or seen > high))
    return rows


def _setting(stage: dict[str, Any], say: Wording) -> str:
    if stage.get("energised") is False:
        return say("mains relay open")
    pct = as_number(stage.get("mains_pct"))
    mains = say("mains at {pct} %", pct=general_text(pct, say)) if math.isfinite(pct) else say("mains not stated")
    lamp = say("through the limiter") if stage.get("limiter_in") else say("direct, limiter bypassed")
    return f"{mains}, {lamp}, {say('driven') if stage.get('drive_on') else say('no drive')}"


def span_words(channel: str, low: float, high: float, say: Wording) -> str:
    """Return "a to b" of a channel's values, the unit once where it is the same."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "\N{EN DASH}"
    first, last = channel_text(channel, low, say=say), channel_text(channel, high, say=say)
    number, _, unit = first.partition("\u00a0")
    return say("{low} to {high}", low=number if last.endswith("\u00a0" + unit) else first, high=last)


def _compare(seen: float, low: float, high: float, say: Wording) -> str:
    if not math.isfinite(seen):
        return say("not seen")
    if seen < low:
        return say("below")
    return say("above") if seen > high else say("as expected")
