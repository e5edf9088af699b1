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
from benchwarden.report.wording import ENGLISH, N_, Wording

# The fixed causes as a customer reads them.
CAUSE_WORDS = {
    "over-current": N_("too much rail current"),
    "dc-offset": N_("DC voltage on the loudspeaker terminals"),
    "over-temperature": N_("a heatsink that got too hot"),
    "thermal-runaway": N_("a bias current that kept raising itself (thermal runaway)"),
    "oscillation": N_("oscillation above the audio band"),
    "rail-imbalance": N_("rail currents that do not add up"),
    "rail-missing": N_("a supply rail that is missing"),
    "bias-unstable": N_("an unstable bias"),
    "sensor-fault": N_("a sensor that cannot be trusted"),
    "relay-fault": N_("a mains relay that did not do as told"),
    "host-silent": N_("silence from the supervising computer"),
    "operator": N_("the operator"),
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


def cause_words(cause: str, say: Wording = ENGLISH) -> str:
    """Return one of the fixed causes as a customer reads it; any other as it is."""
    return say(CAUSE_WORDS.get(cause, cause))


def trip_words(trip: BoardTrip, say: Wording = ENGLISH) -> str:
    """Return cause, place and figures of a trip in words."""
    words = cause_words(trip.cause, say)
    if not trip.channel:
        return words
    where = channel_label(trip.channel, say)
    if trip.value != trip.value:
        return f"{words} ({where})"
    value = channel_text(trip.channel, trip.value, say=say)
    if trip.limit != trip.limit:
        return say("{cause} ({where} read {value})", cause=words, where=where, value=value)
    limit = channel_text(trip.channel, trip.limit, say=say)
    return say("{cause} ({where} read {value}, limit {limit})", cause=words, where=where, value=value, limit=limit)


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


_MISSING = {
    "waiting": N_("Stage \N{LEFT DOUBLE QUOTATION MARK}{name}\N{RIGHT DOUBLE QUOTATION MARK} was not reached"),
    "now": N_("Stage \N{LEFT DOUBLE QUOTATION MARK}{name}\N{RIGHT DOUBLE QUOTATION MARK} was under way"),
    "skipped": N_("Stage \N{LEFT DOUBLE QUOTATION MARK}{name}\N{RIGHT DOUBLE QUOTATION MARK} was skipped"),
    "tripped": N_("Stage \N{LEFT DOUBLE QUOTATION MARK}{name}\N{RIGHT DOUBLE QUOTATION MARK} tripped"),
}
_STAGE = N_("Stage \N{LEFT DOUBLE QUOTATION MARK}{name}\N{RIGHT DOUBLE QUOTATION MARK}: {status}")


def _missing_stages(stages: Sequence[StageEnd], say: Wording) -> list[str]:
    out = []
    for stage in stages:
        if stage.status != "passed":
            # Why a stage tripped is the sentence above the reasons already.
            why = f": {stage.why.rstrip('.')}" if stage.why and stage.status != "tripped" else ""
            words = _MISSING.get(stage.status)
            said = say(words, name=stage.name) if words else say(_STAGE, name=stage.name, status=stage.status)
            out.append(f"{said}{why}.")
    return out


@dataclass(frozen=True)
class _Told:
    """What the analysis has said: its verdict, its sentence, the trips it asked for, its reasons and warnings."""

    verdict: str
    words: str
    trips: list[dict[str, Any]]
    reasons: list[str]
    warnings: list[Any]


def _told(verdict: dict[str, Any] | None) -> _Told:
    said = verdict or {}
    figures = said.get("metrics")
    metrics = figures if isinstance(figures, dict) else {}
    trips, warnings = said.get("trips"), said.get("warnings")
    return _Told(
        str(said.get("verdict", "")),
        str(metrics.get("sentence") or ""),
        [t for t in trips if isinstance(t, dict)] if isinstance(trips, list) else [],
        [reason for reason in _why_list(metrics.get("reasons")) if not reason.endswith(_COUNTED_HERE)],
        warnings if isinstance(warnings, list) else [],
    )


def result_of(
    verdict: dict[str, Any] | None,
    trips: Sequence[BoardTrip],
    stages: Sequence[StageEnd],
    record_s: float,
    powered_s: float,
    losses: Sequence[str],
    say: Wording = ENGLISH,
) -> Result:
    """Return the result of a run.

    Args:
        verdict: of the analysis; None when the run never came to one.
        trips: by the board, oldest first.
        stages: in planned order.
        record_s: run time of the last frame held, seconds; NaN without frames.
        powered_s: time under power, seconds.
        losses: what the record lacks, in sentences.
        say: what is not the analysis' own is put in this language.
    """
    told = _told(verdict)
    missing = _missing_stages(stages, say)
    by_hand = [trip for trip in trips if trip.cause == "operator"]
    by_rule = [trip for trip in trips if trip.cause != "operator"]
    reasons: list[str] = []
    if by_rule:
        kind = "tripped"
        first = trips[0] if trips[0].cause != "operator" else by_rule[0]
        sentence, reasons = _tripped_by_board(first, told, say)
    elif told.verdict == "trip":
        kind = "tripped"
        sentence, reasons = _tripped_by_analysis(told, say)
    elif by_hand:
        kind = "stopped"
        after = span_text(by_hand[0].t_s, say)
        sentence = say("The operator stopped the run after {after}; nothing is proven beyond that.", after=after)
    elif not verdict:
        kind = "no result"
        sentence = _cut_off(record_s, say)
    elif told.verdict == "pass" and not missing:
        kind = "passed"
        sentence = _held(len(stages), powered_s, say)
        if told.words:
            reasons.append(sentence)
            sentence = _capitalised(told.words.removeprefix("Passed: "))
    else:
        kind = "incomplete"
        sentence = say("The run ended before everything planned was done; what was done is on record.")
        if told.verdict == "pass":
            reasons.append(say("The analysis found nothing in the readings there are, but stages are missing."))
        elif told.words:
            reasons.append(told.words)
    if kind == "tripped":
        reasons += [
            str(t["why"])
            for t in told.trips
            if t.get("why") and not t.get("after_open") and str(t["why"]).rstrip(".") not in told.words
        ]
    if kind != "passed":
        reasons += missing
    reasons += told.reasons
    if told.warnings:
        if kind == "incomplete" and not told.words:
            reasons += [why for why in _why_list(told.warnings) if why.startswith("incomplete: ")]
        reasons.append(
            say.plural(
                "{n} warning, listed under findings.", "{n} warnings, listed under findings.", len(told.warnings)
            )
        )
    reasons += losses
    unique: list[str] = []
    for reason in reasons:
        sentence_end = reason if reason.endswith((".", "!", "?")) else reason + "."
        if sentence_end not in unique:
            unique.append(sentence_end)
    return Result(kind, sentence, tuple(unique))


def _tripped_by_board(first: BoardTrip, told: _Told, say: Wording) -> tuple[str, list[str]]:
    reasons = []
    if first.t_s == first.t_s:
        said = N_("The mains relay opened {after} into the run because of {cause}.")
    else:
        said = N_("The mains relay opened at an unknown time because of {cause}.")
    sentence = say(said, after=span_text(first.t_s, say), cause=trip_words(first, say))
    if told.verdict == "pass":
        reasons.append(say("The analysis found nothing in the readings, but the board tripped; the trip counts."))
    # What the analysis asked for comes back from the board in the same words.
    if first.text and first.text.rstrip(".") not in told.words:
        reasons.append(say("The board adds: {text}", text=first.text))
    if told.verdict == "trip" and told.words and not told.words.startswith("Stopped by the board"):
        reasons.append(say("The analysis says: {words}", words=_decapitalised(told.words)))
    return sentence, reasons


def _tripped_by_analysis(told: _Told, say: Wording) -> tuple[str, list[str]]:
    if not told.trips:
        return say("The analysis of the readings found a reason to open the mains relay."), []
    first = told.trips[0]
    channel = str(first.get("channel", ""))
    cause = cause_words(str(first.get("cause", "")), say) + (f", {channel_label(channel, say)}" if channel else "")
    t_s = first.get("t_s")
    if isinstance(t_s, (int, float)):
        said = N_("The analysis asked for the mains relay to open {after} into the run because of {cause}.")
        sentence = say(said, after=span_text(float(t_s), say), cause=cause)
    else:
        sentence = say("The analysis asked for the mains relay to open because of {cause}.", cause=cause)
    return sentence, [told.words] if told.words else []


def _cut_off(record_s: float, say: Wording) -> str:
    if record_s != record_s:
        return say(
            "The record ends without a verdict. What it holds was recorded as it happened, but the run was not "
            "brought to its end and proves nothing about the set."
        )
    return say(
        "The record ends at {at} without a verdict. What it holds was recorded as it happened, but the run was not "
        "brought to its end and proves nothing about the set.",
        at=span_text(record_s, say),
    )


def _held(stages: int, powered_s: float, say: Wording) -> str:
    power = span_text(powered_s, say)
    if not stages:
        return say(
            "The run was held to its end, {power} under power, and no reading called for the mains relay to open.",
            power=power,
        )
    return say.plural(
        "The only stage was held, {power} under power, and no reading called for the mains relay to open.",
        "All {n} stages were held, {power} under power, and no reading called for the mains relay to open.",
        stages,
        power=power,
    )
