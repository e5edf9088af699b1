"""What is the verdict in one plain sentence, and what are its reasons?

Every clause stands on a figure that was determined; what was not is left out of the
sentence and named among the reasons, never guessed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchwarden.analysis.margins import Margin
from benchwarden.analysis.situation import SIDES
from benchwarden.core.channels import CHANNEL
from benchwarden.core.findings import Finding

# The fixed causes where more than their hyphens has to change.
_CAUSES = {
    "dc-offset": "DC on an output",
    "over-current": "too much rail current",
    "over-temperature": "a heatsink too hot",
    "rail-imbalance": "rail currents that do not add up",
    "rail-missing": "a missing rail",
    "bias-unstable": "an unstable bias",
    "sensor-fault": "a sensor that cannot be trusted",
    "relay-fault": "a mains relay that did not do as told",
    "host-silent": "silence from the host",
    "operator": "the operator",
}
_MOVING = ("settling", "drifting")
# From this share on a limit is near enough to name it in the sentence.
_NEAR = 0.8
_CELSIUS = "\N{DEGREE SIGN}C"
# A drift per hour seen for less than this is the way to an end and not what stays.
_DRIFT_TOLD_S = 1200.0
# Settled this soon is steady from the first blocks on.
_AT_ONCE_S = 20.0


@dataclass(frozen=True)
class Told:
    """What is known of the verdict before the figures.

    Attributes:
        verdict: "pass", "trip" or "incomplete".
        trips: oldest first.
        mains_at_s: when mains first came on, NaN if never.
        lacking: why the run cannot count as passed.
        warnings: how many there are.
    """

    verdict: str
    trips: Sequence[Finding]
    mains_at_s: float
    lacking: Sequence[str]
    warnings: int


@dataclass(frozen=True)
class Summary:
    """One sentence, and the sentences that bear it out."""

    sentence: str
    reasons: tuple[str, ...]


def summary(told: Told, figures: Mapping[str, Any], margins: Mapping[str, Margin]) -> Summary:
    """Return the verdict in words.

    Args:
        figures: the verdict's metrics. margins: nearest approach of each channel to a limit.
    """
    # After a trip a recording may go on: where it was heading then is no matter of this verdict.
    outlook = {} if told.verdict == "trip" else figures.get("outlook") or {}
    reasons = [
        *_bias_reasons(figures, outlook),
        *_tempco_reasons(figures),
        *_recovery_reasons(figures),
        *_heat_reasons(figures),
        *_oscillation_reasons(figures),
        *_margin_reasons(margins),
    ]
    if told.verdict == "trip":
        sentence = _stopped(told)
        later = len(told.trips) - 1
        if later:
            reasons.insert(0, f"{later} more {_plural('finding', later)} called for the relay to open after that.")
    elif told.verdict == "pass":
        sentence = f"Passed: {', '.join(_seen(figures, outlook, margins))}."
    else:
        words = "; ".join(told.lacking) or "the run was not brought to its end"
        fine = "; nothing in what was seen called for the relay to open"
        sentence = f"Incomplete: {words}{fine if figures.get('energised_s') else ''}."
    missing = figures.get("not_judged") or []
    if missing:
        reasons.append(f"Not judged: {'; '.join(missing)}.")
    if figures.get("gaps"):
        longest = _span(figures["longest_gap_s"])
        reasons.append(f"{figures['gaps']} {_plural('gap', figures['gaps'])} in the record, the longest {longest}.")
    if told.warnings:
        reasons.append(f"{told.warnings} {_plural('remark', told.warnings)} in the list of warnings.")
    return Summary(sentence, tuple(reasons))


def _stopped(told: Told) -> str:
    first = told.trips[0]
    words = _CAUSES.get(first.cause, first.cause.replace("-", " "))
    if first.channel in SIDES:
        words += f" on the {first.channel} channel"
    elif first.channel in CHANNEL:
        words += f" ({CHANNEL[first.channel].label})"
    after_s = first.t_s - told.mains_at_s
    when = f"after {_span(after_s)} on mains" if after_s >= 0.0 else "before mains was on"
    return f"Stopped {when}: {words}, {first.why.rstrip('.')}."


def _seen(figures: Mapping[str, Any], outlook: Mapping[str, Any], margins: Mapping[str, Margin]) -> list[str]:
    """Return the clauses of a passed run, each on a figure that is known."""
    found = [f"{_span(figures['energised_s'])} on mains"]
    if figures.get("driven_s"):
        found[0] += f" of which {_span(figures['driven_s'])} with the test signal"
    sides = [figures[side] for side in SIDES]
    ends = [side["bias_end_mv"] for side in sides]
    if all(end is not None for end in ends):
        states = [_state(figures, outlook, side) for side in SIDES]
        how = "bias settled at" if states == ["settled", "settled"] else "bias at the end"
        found.append(f"{how} {_figure(ends[0])} mV left and {_figure(ends[1])} mV right")
        moving = [f"{side} still {state}" for side, state in zip(SIDES, states, strict=True) if state in _MOVING]
        found[-1] += f" ({', '.join(moving)})" if moving else ""
        drifts = [side["drift_95_mv_per_h"] for side in sides]
        over = [side["drift_over_s"] for side in sides]
        if all(drift is not None for drift in drifts) and min(over) >= _DRIFT_TOLD_S:
            most = max(abs(end) for drift in drifts for end in drift)
            found[-1] += f" with drift below {_upward(most)} mV/h"
    back = [side["recovery"]["came_back"] for side in sides if side["recovery"]]
    if back and all(back):
        found.append("back at its idle bias after the signal")
    elif False in back:
        found.append("not back at its idle bias after the signal by the end of what was watched")
    hottest = [side["sink_worst_c"] for side in sides if side["sink_worst_c"] is not None]
    if hottest:
        found.append(f"hottest heatsink {max(hottest):.0f} {_CELSIUS}")
    if all(side["hf_worst_v"] is not None for side in sides):
        events = sum(side["oscillation"]["events"] for side in sides)
        found.append(f"{events} short HF {_plural('event', events)}" if events else "no oscillation")
    near = _nearest(margins)
    if near is not None and near[1].share >= _NEAR:
        found.append(f"{_label(near[0])} at {_percent(near[1].share)} of its limit")
    return found


def _state(figures: Mapping[str, Any], outlook: Mapping[str, Any], side: str) -> str:
    """Return "settled", "settling", "drifting", "not settled" or "" for not known.

    The word of the warm-up's test; where that has none, whether the bias kept within a band.
    """
    state = (outlook.get(side) or {}).get("state", "unknown")
    if state != "unknown":
        return str(state)
    return {True: "settled", False: "not settled", None: ""}[figures[side]["settled"]]


def _bias_reasons(figures: Mapping[str, Any], outlook: Mapping[str, Any]) -> list[str]:
    found = []
    for side in SIDES:
        of, ahead = figures[side], outlook.get(side) or {}
        if of["bias_end_mv"] is None:
            continue
        words = f"Bias {side}: {_figure(of['bias_end_mv'])} mV at the end"
        state = _state(figures, outlook, side)
        if state == "settled" and of["time_to_settle_s"] is not None and of["time_to_settle_s"] >= _AT_ONCE_S:
            words += f", settled within {_span(of['time_to_settle_s'])}"
        elif state == "settling" and ahead.get("final_95_mv"):
            low, high = ahead["final_95_mv"]
            words += (
                f", still settling towards {_figure(ahead['final_mv'])} mV ({_figure(low)} to {_figure(high)}, 95 %)"
            )
        elif state:
            words += f", {state}"
        if of["drift_95_mv_per_h"] is not None:
            low, high = of["drift_95_mv_per_h"]
            words += (
                f", drift {_figure(of['drift_mv_per_h'])} mV/h ({_figure(low)} to {_figure(high)}, 95 %, "
                f"over {_span(of['drift_over_s'])})"
            )
        else:
            words += ", too short an idle time for a drift"
        found.append(words + ".")
    gains = [
        f"{side} {_figure(ahead['loop_gain'])} ({_figure(ahead['loop_gain_95'][0])} to "
        f"{_figure(ahead['loop_gain_95'][1])}, 95 %)"
        for side in SIDES
        if (ahead := outlook.get(side) or {}).get("loop_gain_95") and ahead.get("loop_gain") is not None
    ]
    if gains:
        found.append(f"Thermal loop gain, stable below 1: {', '.join(gains)}.")
    return found


def _tempco_reasons(figures: Mapping[str, Any]) -> list[str]:
    found = []
    for side in SIDES:
        of = figures[side]
        if of["tempco_95_mv_per_k"] is None:
            continue
        low, high = of["tempco_95_mv_per_k"]
        apart = "mains taken out" if of["tempco_apart_from_mains"] else "mains not taken out, no rail voltage"
        found.append(
            f"Bias {side} follows its heatsink by {_figure(of['tempco_mv_per_k'])} mV/K "
            f"({_figure(low)} to {_figure(high)}, 95 %; {apart})."
        )
    return found


def _recovery_reasons(figures: Mapping[str, Any]) -> list[str]:
    found = []
    for side in SIDES:
        of = figures[side]["recovery"]
        if not of:
            continue
        words = (
            f"Bias {side}: {_figure(of['right_after_mv'])} mV just after the signal, "
            f"{_figure(of['before_mv'])} mV before it"
        )
        if of["came_back"]:
            words += f"; back within 5 % after {_span(of['time_to_come_back_s'])}"
        elif of["came_back"] is False:
            words += f"; not back within 5 % in {_span(of['watched_s'])}"
        else:
            words += f"; watched for {_span(of['watched_s'])}, too short to tell whether it comes back"
        found.append(words + ".")
    return found


def _heat_reasons(figures: Mapping[str, Any]) -> list[str]:
    sinks = [
        f"{side} {figures[side]['sink_worst_c']:.1f} {_CELSIUS}"
        for side in SIDES
        if figures[side]["sink_worst_c"] is not None
    ]
    if not sinks:
        return []
    room = figures.get("ambient_c_worst")
    return [f"Hottest heatsinks: {', '.join(sinks)}" + (f", room {room:.1f} {_CELSIUS}." if room is not None else ".")]


def _oscillation_reasons(figures: Mapping[str, Any]) -> list[str]:
    found = []
    for side in SIDES:
        of = figures[side]["oscillation"]
        if not of["events"]:
            continue
        words = (
            f"HF on the {side} output {of['events']} {'time' if of['events'] == 1 else 'times'}, at most "
            f"{_span(of['longest_s'])} and {_figure(of['largest_v'])} V"
        )
        if of["goes_with"] == "the test signal":
            words += f", {_times(of['driven_to_idle_rate'], 'with the test signal', 'without')}"
        elif of["goes_with"] == "warmth":
            words += f", {_times(of['warm_to_cold_rate'], 'warm', 'cold')}"
        found.append(words + ".")
    return found


def _times(ratio: float | None, there: str, elsewhere: str) -> str:
    return f"only {there}" if ratio is None else f"{_figure(ratio)} times as often {there} as {elsewhere}"


def _margin_reasons(margins: Mapping[str, Margin]) -> list[str]:
    near = _nearest(margins)
    if near is None:
        return []
    name, margin = near
    stage = (
        f" in stage \N{LEFT DOUBLE QUOTATION MARK}{margin.stage}\N{RIGHT DOUBLE QUOTATION MARK}" if margin.stage else ""
    )
    return [f"Closest to a limit: {_label(name)}, {_percent(margin.share)} used{stage}."]


def _nearest(margins: Mapping[str, Margin]) -> tuple[str, Margin] | None:
    # How far a transformer is turned up is the person's doing and not the set's.
    own = [item for item in margins.items() if item[1].cause != "operator"]
    return max(own, key=lambda item: item[1].share, default=None)


def _label(name: str) -> str:
    """Return a channel's label so that it stands within a sentence: "Bias drop, left" becomes "left bias drop"."""
    thing, _, side = CHANNEL[name].label.partition(", ")
    thing = thing[:1].lower() + thing[1:] if thing[1:2].islower() else thing
    return f"{side} {thing}".strip()


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def _plural(word: str, count: int) -> str:
    return word if count == 1 else word + "s"


def _figure(value: float | None) -> str:
    """Return three significant digits, without an exponent for what a bench shows."""
    if value is None:
        return "unknown"
    if value == 0.0:
        return "0"
    decimals = min(max(2 - math.floor(math.log10(abs(value))), 0), 3)
    shown = f"{value:.{decimals}f}"
    return (shown.lstrip("-") if float(shown) == 0.0 else shown).replace("-", "\N{MINUS SIGN}")


def _upward(value: float) -> str:
    """Return a bound with two digits, never smaller than it is, and no finer than a hundredth."""
    if value <= 0.01:
        return "0.01"
    scale = 10.0 ** (1 - math.floor(math.log10(value)))
    scale = min(scale, 100.0)
    return f"{math.ceil(value * scale - 1e-9) / scale:g}"


def _span(seconds: float) -> str:
    """Return a duration in words: 0.4 s, 42 s, 13 min, 3 h 10 min, 2 d 4 h."""
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    if minutes < 90:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes:02d} min"
    return f"{hours // 24} d {hours % 24} h"
