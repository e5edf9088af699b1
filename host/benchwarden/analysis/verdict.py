"""What is the verdict? Findings and figures in the fixed JSON form."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from benchwarden.analysis.doubts import doubts
from benchwarden.analysis.hf_events import HfEvent
from benchwarden.analysis.metrics import Metrics
from benchwarden.analysis.sentence import Told, summary
from benchwarden.analysis.situation import Facts
from benchwarden.core.channels import CHANNELS
from benchwarden.core.findings import Finding

# A run has to have been this long on mains before silence means health.
ENOUGH_POWER_UP_S = 60.0
ENOUGH_BURN_IN_S = 600.0
_NEEDED_SHARE = 0.9
# What cannot be told without a channel.
_TELLS = {
    "rail_pos_a": "over-current and rail balance",
    "rail_neg_a": "over-current and rail balance",
    "rail_pos_v": "rails and transformer setting",
    "rail_neg_v": "rails and transformer setting",
    "offset_left_v": "DC offset left",
    "offset_right_v": "DC offset right",
    "bias_left_v": "bias and thermal runaway left",
    "bias_right_v": "bias and thermal runaway right",
    "sink_left_c": "temperature left",
    "sink_right_c": "temperature right",
    "ambient_c": "ambient temperature",
    "hf_left_v": "oscillation left",
    "hf_right_v": "oscillation right",
}
_OPTIONAL = ("ambient_c",)


def not_judged(metrics: Metrics) -> list[str]:
    """Return in words what could not be judged for want of readings, most channels first."""
    if metrics.energised_s <= 0.0:
        return ["everything: mains was never on"]
    found = []
    for name, seconds in zip(CHANNELS, metrics.valid_s, strict=True):
        share = seconds / metrics.energised_s
        if share < _NEEDED_SHARE:
            how = "no readings" if share == 0.0 else f"readings for {100.0 * share:.0f} % of the time"
            found.append(f"{_TELLS[name]}: {how} of {name}")
    return found


def verdict_table(
    facts: Facts,
    metrics: Metrics,
    trips: list[Finding],
    warnings: list[Finding],
    reached_last: bool,
    events: Sequence[HfEvent] = (),
    outlook: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Return the fixed verdict JSON; "pass" needs a long enough run with every needed channel.

    Args:
        events: times in which an HF channel was up, whatever became of them.
        outlook: where each channel was heading, as `outlook_table` has it.
    """
    missing = not_judged(metrics)
    end_s = metrics.last_s if metrics.frames else 0.0
    open_s = trips[0].t_s if trips else None
    notes = [_entry(w, open_s) for w in warnings]
    notes += [_note(metrics.first_s if metrics.frames else 0.0, f"unit facts: {d.words}") for d in doubts(facts.unit)]
    notes += [_note(end_s, f"not judged: {words}") for words in missing]
    if metrics.gaps:
        words = f"{metrics.gaps} gap(s) in the record, the longest {metrics.longest_gap_s:.1f} s"
        notes.append(_note(end_s, words, "host-silent"))
    reasons = _reasons(facts, metrics, missing, reached_last)
    if trips:
        verdict = "trip"
    elif reasons:
        verdict = "incomplete"
        notes += [_note(end_s, f"incomplete: {words}") for words in reasons]
    else:
        verdict = "pass"
    until_s = math.inf if open_s is None else open_s
    figures: dict[str, Any] = {"outlook": dict(outlook)} if outlook else {}
    figures |= metrics.table(missing, [event for event in events if event.start_s <= until_s])
    told = summary(Told(verdict, trips, metrics.mains_at_s, reasons, len(notes)), figures, metrics.nearest())
    figures = {"sentence": told.sentence, "reasons": list(told.reasons), **figures}
    table: dict[str, Any] = _finite(
        {"verdict": verdict, "trips": [_entry(t, open_s) for t in trips], "warnings": notes, "metrics": figures}
    )
    return table


def _finite(value: Any) -> Any:
    """Return the same with null for what JSON has no number for (RFC 8259, section 6)."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(entry) for key, entry in value.items()}
    return [_finite(entry) for entry in value] if isinstance(value, list) else value


def _reasons(facts: Facts, metrics: Metrics, missing: list[str], reached_last: bool) -> list[str]:
    """Return why this run cannot count as passed."""
    enough_s = ENOUGH_BURN_IN_S if facts.unit.run_type == "burn-in" else ENOUGH_POWER_UP_S
    found = []
    if metrics.energised_s < enough_s:
        found.append(f"on mains for {metrics.energised_s:.0f} s, a {facts.unit.run_type} needs {enough_s:.0f} s")
    needed = [words for words in missing if not any(words.endswith(name) for name in _OPTIONAL)]
    if needed and metrics.energised_s > 0.0:
        names = [words.rsplit(" ", 1)[1] for words in needed]
        more = f" and {len(names) - 3} more" if len(names) > 3 else ""
        found.append(f"needed channels were missing: {', '.join(names[:3])}{more}")
    if not reached_last:
        found.append("the last stage was not reached")
    return found


def _entry(finding: Finding, open_s: float | None) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "t_s": round(finding.t_s, 3),
        "cause": finding.cause,
        "channel": finding.channel,
        "why": finding.why,
    }
    if open_s is not None and finding.t_s > open_s:
        entry["after_open"] = True
    return entry


def _note(t_s: float, words: str, cause: str = "") -> dict[str, Any]:
    return {"t_s": round(t_s, 3), "cause": cause, "channel": "", "why": words}
