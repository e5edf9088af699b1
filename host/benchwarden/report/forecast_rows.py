"""What was forecast of each bias early, against where it ended."""

from __future__ import annotations

import math
from typing import Any

from benchwarden.report.lenient import as_dict, as_list, as_number
from benchwarden.report.printable import clock_text, number_text, span_text
from benchwarden.report.wording import Wording

Row = tuple[str, ...]
_MOST_ROWS = 24


def forecast_rows(metrics: Any, say: Wording) -> tuple[Row, ...]:
    """Return (channel, made at, after, forecast, 95 % interval, ended at, whether that is inside)."""
    told = as_dict(as_dict(metrics).get("forecasts"))
    rows: list[Row] = []
    for side, name in (("left", say("left")), ("right", say("right"))):
        for row in map(as_dict, as_list(told.get(side))):
            found = _row(name, row, say)
            rows += [found] if found else []
    return tuple(rows[:_MOST_ROWS])


def _row(name: str, row: dict[str, Any], say: Wording) -> Row | None:
    final_mv, ended_mv = as_number(row.get("final_mv")), as_number(row.get("ended_mv"))
    interval = [as_number(v) for v in as_list(row.get("final_95_mv"))]
    low, high = interval if len(interval) == 2 else (math.nan, math.nan)
    if not math.isfinite(final_mv):
        return None
    ended_after_s = as_number(row.get("ended_after_s"))
    if not (math.isfinite(ended_mv) and math.isfinite(low) and math.isfinite(high)):
        outcome = "\N{EN DASH}"
    elif low <= ended_mv <= high:
        outcome = say("inside")
    else:
        outcome = say("below") if ended_mv < low else say("above")
    spread = say("{low} to {high}", low=_mv(low, say), high=_mv(high, say)) if math.isfinite(low) else "\N{EN DASH}"
    return (
        name,
        clock_text(as_number(row.get("t_s")), say),
        span_text(as_number(row.get("after_s")), say),
        _mv(final_mv, say),
        spread,
        _mv(ended_mv, say),
        span_text(ended_after_s, say) if math.isfinite(ended_after_s) else "\N{EN DASH}",
        outcome,
    )


def _mv(value: float, say: Wording) -> str:
    return f"{number_text(value, 2, say)}\u00a0mV" if math.isfinite(value) else "\N{EN DASH}"
