"""How the run ended, in one plain sentence with its reasons.

The record never says more than the run shows: a verdict of "pass" is not
repeated when the board tripped, when a planned stage is missing or when the
journal ends before the run did.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from benchwarden.report.printable import channel_label, channel_text, span_text

# The fixed causes as a customer reads them.
CAUSE_WORDS = {
    "over-current": "too much rail current",
    "dc-offset": "DC voltage on the loudspeaker terminals",
    "over-temperature": "a heatsink that got too hot",
    "thermal-runaway": "a bias current that kept raising itself (thermal runaway)",
    "oscillation": "oscillation above the audio band",
    "rail-imbalance": "rail currents that do not add up",
    "rail-missing": "a supply rail that is missing",
    "bias-unstable": "an unstable bias",
    "sensor-fault": "a sensor that cannot be trusted",
    "relay-fault": "a mains relay that did not do as told",
    "host-silent": "silence from the supervising computer",
    "operator": "the operator",
}


# The analysis counts its warnings too; the record says where they are.
_COUNTED_HERE = "in the list of warnings."


@dataclass(frozen=True)
class BoardTrip:
    """A trip as the board reported it; value and limit in SI units, NaN where there is none."""

    t_s: float
    cause: str
    channel: str
    value: float
    limit: float
    text: str


@dataclass(frozen=True)
class StageEnd:
    """What became of one planned stage."""

    name: str
    status: str
    why: str


@dataclass(frozen=True)
class Result:
    """One of "passed", "tripped", "stopped", "incomplete", "no result", with words."""

    kind: str
    sentence: str
    reasons: tuple[str, ...]


def trip_words(trip: BoardTrip) -> str:
    """Return cause, place and figures of a trip in words."""
    words = CAUSE_WORDS.get(trip.cause, trip.cause)
    if trip.channel:
        words += f" ({channel_label(trip.channel)}"
        if trip.value == trip.value:
            words += f" read {channel_text(trip.channel, trip.value)}"
            if trip.limit == trip.limit:
                words += f", limit {channel_text(trip.channel, trip.limit)}"
        words += ")"
    return words


def _why_list(found: Any) -> list[str]:
    if isinstance(found, str):
        return [found]
    if isinstance(found, (list, tuple)):
        return [item if isinstance(item, str) else str(item.get("why", item)) for item in map(_plain, found)]
    return []


def _plain(item: Any) -> Any:
    return item if isinstance(item, (str, dict)) else str(item)


def _capitalised(words: str) -> str:
    return words[:1].upper() + words[1:]


def _decapitalised(words: str) -> str:
    return words[:1].lower() + words[1:]


def _missing_stages(stages: Sequence[StageEnd]) -> list[str]:
    words = {"waiting": "was not reached", "now": "was under way", "skipped": "was skipped", "tripped": "tripped"}
    out = []
    for stage in stages:
        if stage.status != "passed":
            # Why a stage tripped is the sentence above the reasons already.
            why = f": {stage.why.rstrip('.')}" if stage.why and stage.status != "tripped" else ""
            out.append(
                f"Stage \N{LEFT DOUBLE QUOTATION MARK}{stage.name}\N{RIGHT DOUBLE QUOTATION MARK} "
                f"{words.get(stage.status, stage.status)}{why}."
            )
    return out


def result_of(
    verdict: dict[str, Any] | None,
    trips: Sequence[BoardTrip],
    stages: Sequence[StageEnd],
    record_s: float,
    powered_s: float,
    losses: Sequence[str],
) -> Result:
    """Return the result of a run.

    Args:
        verdict: of the analysis; None when the run never came to one.
        trips: by the board, oldest first.
        stages: in planned order.
        record_s: run time of the last frame held, seconds; NaN without frames.
        powered_s: time under power, seconds.
        losses: what the record lacks, in sentences.
    """
    said = str(verdict.get("verdict", "")) if verdict else ""
    missing = _missing_stages(stages)
    reasons: list[str] = []
    found_trips = verdict.get("trips") if verdict else None
    judged = [t for t in found_trips if isinstance(t, dict)] if isinstance(found_trips, list) else []
    figures = verdict.get("metrics") if verdict else None
    told = figures if isinstance(figures, dict) else {}
    words = str(told.get("sentence") or "")
    by_hand = [trip for trip in trips if trip.cause == "operator"]
    by_rule = [trip for trip in trips if trip.cause != "operator"]
    if by_rule:
        first = trips[0] if trips[0].cause != "operator" else by_rule[0]
        kind = "tripped"
        when = f"{span_text(first.t_s)} into the run" if first.t_s == first.t_s else "at an unknown time"
        sentence = f"The mains relay opened {when} because of {trip_words(first)}."
        if said == "pass":
            reasons.append("The analysis found nothing in the readings, but the board tripped; the trip counts.")
        # What the analysis asked for comes back from the board in the same words.
        if first.text and first.text.rstrip(".") not in words:
            reasons.append(f"The board adds: {first.text}")
        if said == "trip" and words and not words.startswith("Stopped by the board"):
            reasons.append(f"The analysis says: {_decapitalised(words)}")
    elif said == "trip":
        kind = "tripped"
        sentence = "The analysis of the readings found a reason to open the mains relay."
        if judged:
            first_judged = judged[0]
            cause = str(first_judged.get("cause", ""))
            channel = str(first_judged.get("channel", ""))
            where = f", {channel_label(channel)}" if channel else ""
            t_s = first_judged.get("t_s")
            at = f" {span_text(float(t_s))} into the run" if isinstance(t_s, (int, float)) else ""
            sentence = (
                f"The analysis asked for the mains relay to open{at} because of {CAUSE_WORDS.get(cause, cause)}{where}."
            )
            if words:
                reasons.append(words)
    elif by_hand:
        kind = "stopped"
        sentence = f"The operator stopped the run after {span_text(by_hand[0].t_s)}; nothing is proven beyond that."
    elif not verdict:
        kind = "no result"
        at = f" at {span_text(record_s)}" if record_s == record_s else ""
        sentence = (
            f"The record ends{at} without a verdict. What it holds was recorded as it happened, "
            "but the run was not brought to its end and proves nothing about the set."
        )
    elif said == "pass" and not missing:
        kind = "passed"
        held = f"All {len(stages)} stages were held" if stages else "The run was held to its end"
        power = span_text(powered_s)
        sentence = f"{held}, {power} under power, and no reading called for the mains relay to open."
        if words:
            reasons.append(sentence)
            sentence = _capitalised(words.removeprefix("Passed: "))
    else:
        kind = "incomplete"
        sentence = "The run ended before everything planned was done; what was done is on record."
        if said == "pass":
            reasons.append("The analysis found nothing in the readings there are, but stages are missing.")
        elif words:
            reasons.append(words)
    if kind == "tripped":
        reasons += [
            str(t["why"])
            for t in judged
            if t.get("why") and not t.get("after_open") and str(t["why"]).rstrip(".") not in words
        ]
    if kind != "passed":
        reasons += missing
    reasons += [reason for reason in _why_list(told.get("reasons")) if not reason.endswith(_COUNTED_HERE)]
    warnings = verdict.get("warnings") if verdict else None
    if isinstance(warnings, list) and warnings:
        if kind == "incomplete" and not words:
            reasons += [why for why in _why_list(warnings) if why.startswith("incomplete: ")]
        reasons.append(f"{len(warnings)} warning{'s' if len(warnings) > 1 else ''}, listed under findings.")
    reasons += losses
    unique: list[str] = []
    for reason in reasons:
        sentence_end = reason if reason.endswith((".", "!", "?")) else reason + "."
        if sentence_end not in unique:
            unique.append(sentence_end)
    return Result(kind, sentence, tuple(unique))
