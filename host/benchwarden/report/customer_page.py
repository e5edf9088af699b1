"""Page one, for the customer: what was repaired, how it was proven, what came out, what it does not promise."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchwarden.core.channels import INDEX
from benchwarden.core.job import FittedPart, Job
from benchwarden.report.brief import brief, name_in
from benchwarden.report.content import dated, result_in, verdict_of
from benchwarden.report.event_rows import board_trips
from benchwarden.report.identity import board_of
from benchwarden.report.job_papers import JobPapers
from benchwarden.report.lenient import as_dict, as_list, as_number, as_text
from benchwarden.report.printable import channel_text, general_text, number_text
from benchwarden.report.result import CAUSE_WORDS, Result
from benchwarden.report.source import Material
from benchwarden.report.wording import N_, Wording

Row = tuple[str, ...]
_WORK_ROOM, _COMPLAINT_ROOM, _NAME_ROOM = 420, 160, 56
_MOST_PARTS = 5
_SIDES = ("left", "right")
TITLES = {"power-up": N_("First power-up after repair"), "burn-in": N_("Burn-in after repair")}
WORDS = {
    "passed": N_("Passed"),
    "tripped": N_("Not passed: switched off for safety"),
    "stopped": N_("Not passed: ended early"),
    "incomplete": N_("Not passed: not completed"),
    "no result": N_("No result"),
}
_NOT_PROMISED = (
    N_("How long the set will last: parts age, and any part may fail at any time."),
    N_("How it behaves with other loudspeakers, at another mains voltage, or where the warm air cannot get out."),
    N_("That the parts fitted are genuine, or that the set meets a safety standard."),
    N_("Anything that was not measured: the readings are those of the points and the time stated here."),
)
_CAUTIONS = (
    N_(
        "Do not open the set. There is mains inside, and its capacitors stay charged after the plug is pulled: both "
        "can kill. Repairs are for people qualified for them by the rules of your country."
    ),
    N_("Should it smell, smoke, hum loudly or get very hot: switch off, pull the plug, and have it looked at."),
    N_("Keep its vents free, and never bridge a fuse or fit a larger one."),
    N_("The test equipment is not a certified protective device, and this page is no certificate of safety."),
)


@dataclass(frozen=True)
class CustomerPage:
    """Page one in words.

    Attributes:
        facts: (what, which) of customer, set, job and date; what is not known is left out.
        kind: of the result, as report.result has it.
        sentences: the result in plain words.
        measured: rows of quantity, left, right, what it means.
        watched: with what and how it was measured.
    """

    title: str
    facts: tuple[Row, ...]
    kind: str
    word: str
    sentences: tuple[str, ...]
    work: str
    complaint: str
    parts: tuple[str, ...]
    proven: tuple[str, ...]
    measured: tuple[Row, ...]
    watched: str
    not_promised: tuple[str, ...]
    cautions: tuple[str, ...]


def customer_page(material: Material, papers: JobPapers, say: Wording) -> CustomerPage:
    """Return page one of a run's record."""
    job, unit = papers.job, as_dict(material.header.get("unit"))
    metrics = as_dict(as_dict(verdict_of(material)).get("metrics"))
    result = result_in(material, say)
    run_type = as_text(material.header.get("run_type") or material.status.get("run_type"))
    board = board_of(material)
    watched = say("Measured with instrument {board}", board=name_in(as_text(board.get("board")) or "\N{EN DASH}", 40))
    return CustomerPage(
        title=say(TITLES.get(run_type, N_("Test after repair"))),
        facts=set_facts(material, job, say),
        kind=result.kind,
        word=say(WORDS[result.kind]),
        sentences=result_sentences(material, result, metrics, say),
        work=brief(job.work, _WORK_ROOM, say) if job else "",
        complaint=brief(job.complaint, _COMPLAINT_ROOM, say) if job else "",
        parts=_parts(job.parts_fitted if job else (), say),
        proven=_proven(material, papers, metrics, unit, say),
        measured=_measured(material, metrics, unit, say),
        watched=watched,
        not_promised=tuple(say(words) for words in _NOT_PROMISED),
        cautions=tuple(say(words) for words in _CAUTIONS),
    )


def set_facts(material: Material, job: Job | None, say: Wording) -> tuple[Row, ...]:
    """Return (what, which) of customer, set, serial, job, date and technician, as far as they are known."""
    unit = as_dict(material.header.get("unit"))

    def known(key: str) -> str:
        return as_text(unit.get(key) or material.status.get(key))

    amplifier = job.amplifier if job else None
    model = " ".join(part for part in (amplifier.maker, amplifier.model) if part) if amplifier else ""
    rows = (
        (say("Customer"), (job.customer if job else "") or known("customer")),
        (say("Set"), model or known("model")),
        (say("Serial"), (amplifier.serial if amplifier else "") or known("serial")),
        (say("Job"), job.number if job else ""),
        (say("Date"), dated(material, say)),
        (say("Technician"), (job.technician if job else "") or known("technician")),
    )
    return tuple((what, name_in(which, _NAME_ROOM)) for what, which in rows if which.strip())


def result_sentences(material: Material, result: Result, metrics: dict[str, Any], say: Wording) -> tuple[str, ...]:
    """Return how the run ended, for somebody who is no technician."""
    if result.kind == "passed":
        return _passed(metrics, verdict_of(material), say)
    if result.kind == "tripped":
        return _tripped(material, say)
    if result.kind == "stopped":
        return (
            say("The run was ended by hand before its time. What was seen until then is on the following pages."),
            say("It does not show that the set is in order."),
        )
    if result.kind == "incomplete":
        return (
            say("Not everything that was planned was done. What was done is on the following pages."),
            say("It does not show that the set is in order."),
        )
    return (say("The record ends before the run did. It proves nothing about the set."),)


def _passed(metrics: dict[str, Any], verdict: dict[str, Any] | None, say: Wording) -> tuple[str, ...]:
    out = [say("The set was held under power as planned, and nothing that was watched called for the mains to be cut.")]
    settled = [as_dict(metrics.get(side)).get("settled") for side in _SIDES]
    if False in settled:
        out.append(
            say(
                "Its resting current had not come to rest by the end of the run; the figures below are those of that "
                "moment."
            )
        )
    if as_list(as_dict(verdict).get("warnings")):
        out.append(say("There are remarks on it on the following pages."))
    return tuple(out)


def _tripped(material: Material, say: Wording) -> tuple[str, ...]:
    t_s, cause = math.nan, ""
    trips = [trip for trip in board_trips(material.events) if trip.cause != "operator"]
    if trips:
        t_s, cause = trips[0].t_s, trips[0].cause
    else:
        judged = [as_dict(row) for row in as_list(as_dict(verdict_of(material)).get("trips"))]
        if judged:
            t_s, cause = as_number(judged[0].get("t_s")), as_text(judged[0].get("cause"))
    words = say(CAUSE_WORDS[cause]) if cause in CAUSE_WORDS else say("what is told on the following pages")
    if math.isfinite(t_s):
        first = say("After {span} the mains was switched off, because of {cause}.", span=say.span(t_s), cause=words)
    else:
        first = say("The mains was switched off, because of {cause}.", cause=words)
    return (
        first,
        say("The set did not pass. It should not be used before it has been looked at again."),
    )


def _parts(parts: tuple[FittedPart, ...], say: Wording) -> tuple[str, ...]:
    rows = []
    for part in parts[:_MOST_PARTS]:
        side = f", {say(part.side)}" if part.side else ""
        before = say(" (was {marking})", marking=name_in(part.replaced, 24)) if part.replaced else ""
        rows.append(f"{name_in(part.position, 24)}{side}: {name_in(part.marking, 30)}{before}")
    if len(parts) > _MOST_PARTS:
        rows.append(
            say.plural(
                "and {n} more part, told on the following pages",
                "and {n} more parts, told on the following pages",
                len(parts) - _MOST_PARTS,
            )
        )
    return tuple(rows)


def _proven(
    material: Material, papers: JobPapers, metrics: dict[str, Any], unit: dict[str, Any], say: Wording
) -> tuple[str, ...]:
    passed = [s for s in material.stages if s.get("status") == "passed" and s.get("energised") is not False]
    lamps = [s for s in passed if s.get("limiter_in")]
    out = _checked(papers, say)
    if lamps:
        out.append(
            say.plural(
                "Mains was given in {n} step through a lamp in series, which limits the current where something is "
                "still wrong.",
                "Mains was given in {n} steps through a lamp in series, which limits the current where something is "
                "still wrong.",
                len(lamps),
            )
        )
    full_s = as_number(metrics.get("full_mains_s"))
    if len(passed) > len(lamps):
        if full_s > 0:
            out.append(say("Then the lamp was taken out. At full mains the set ran for {span}.", span=say.span(full_s)))
        else:
            out.append(say("Then the lamp was taken out and the set ran at full mains."))
    driven_s = as_number(metrics.get("driven_s"))
    if driven_s > 0:
        load = N_("For {span} of that it played a test signal into a load.")
        bare = N_("For {span} of that a test signal went through it.")
        out.append(say(load if unit.get("load_connected") else bare, span=say.span(driven_s)))
    env = material.envelope
    if env.frames and env.values[[INDEX["bias_left_v"], INDEX["bias_right_v"]]].any():
        out.append(
            say(
                "All the while the resting current of both channels (the bias) was watched as the set warmed up, with "
                "its heatsinks, its supply, the voltage at the loudspeaker terminals, and oscillation beyond hearing. "
                "What exceeds its limit switches the mains off by itself."
            )
        )
    if env.mains_on_s > 0:
        out.append(say("Under power for {span} in all.", span=say.span(env.mains_on_s)))
    return tuple(out) or (say("The set was not put under power."),)


def _checked(papers: JobPapers, say: Wording) -> list[str]:
    if not papers.checks:
        return []
    made = [note for note in papers.checks if note.state in ("passed", "failed")]
    open_ = len([note for note in papers.checks if note.state != "passed"])
    out = []
    if made:
        out.append(
            say.plural(
                "Before any power, {n} check was made with the plug out.",
                "Before any power, {n} checks were made with the plug out.",
                len(made),
            )
        )
    if open_:
        out.append(
            say.plural(
                "{n} check was failed or left out for a reason told on the following pages.",
                "{n} checks were failed or left out for reasons told on the following pages.",
                open_,
            )
        )
    return out


def _measured(material: Material, metrics: dict[str, Any], unit: dict[str, Any], say: Wording) -> tuple[Row, ...]:
    sides = [as_dict(metrics.get(side)) for side in _SIDES]

    def pair(texts: list[str]) -> list[str] | None:
        return [text or "\N{EN DASH}" for text in texts] if any(texts) else None

    target_mv = as_number(unit.get("target_bias_drop_mv"))
    target = say("set to {value}", value=f"{general_text(target_mv, say)}\u00a0mV") if math.isfinite(target_mv) else ""
    rows = (
        (
            say("Resting current (bias) at the end"),
            pair([_mv(side.get("bias_end_mv"), say) for side in sides]),
            f"{say('too little sounds rough, too much overheats')}{f'; {target}' if target else ''}",
        ),
        (
            say("How steady it was"),
            pair([_steady(side, say) for side in sides]),
            say("how far it still moves in an hour, at the end of the run"),
        ),
        (
            say("Hottest heatsink"),
            pair([_worst(material, f"sink_{side}_c", found.get("sink_worst_c"), say) for side, found in _named(sides)]),
            say("carries the heat of the output transistors away"),
        ),
        (
            say("DC at the loudspeaker terminals"),
            pair(
                [
                    _worst(material, f"offset_{side}_v", found.get("offset_worst_v"), say)
                    for side, found in _named(sides)
                ]
            ),
            say("the most that was seen; near zero is right, it would heat a loudspeaker"),
        ),
        (
            say("Oscillation"),
            pair([_oscillation(material, side, found, say) for side, found in _named(sides)]),
            say("cannot be heard, and destroys transistors"),
        ),
    )
    return tuple((name, *values, meaning) for name, values, meaning in rows if values)


def _named(sides: list[dict[str, Any]]) -> list[tuple[str, dict[str, Any]]]:
    return list(zip(_SIDES, sides, strict=True))


def _mv(found: Any, say: Wording) -> str:
    value = as_number(found)
    return f"{number_text(value, 1, say)}\u00a0mV" if math.isfinite(value) else ""


def _steady(side: dict[str, Any], say: Wording) -> str:
    """Return whether the bias came to rest, with its drift."""
    drift, settled = as_number(side.get("drift_mv_per_h")), side.get("settled")
    words = say("steady") if settled is True else (say("moving") if settled is False else "")
    if not math.isfinite(drift):
        return words
    sign = "+" if drift > 0 else ""
    return f"{words} {sign}{number_text(drift, 2 if abs(drift) < 1 else 1, say)}\u00a0mV".strip()


def _worst(material: Material, channel: str, found: Any, say: Wording) -> str:
    """Return the largest reading that the verdict tells, else the record's own, "" where nothing was read."""
    value, env, k = as_number(found), material.envelope, INDEX[channel]
    if not math.isfinite(value) and env.frames and env.values[k]:
        low, high = float(np.fmin.reduce(env.low[:, k])), float(np.fmax.reduce(env.high[:, k]))
        value = max(abs(low), abs(high)) if channel.startswith("offset") else high
    return channel_text(channel, value, say=say) if math.isfinite(value) else ""


def _oscillation(material: Material, side: str, found: dict[str, Any], say: Wording) -> str:
    env = material.envelope
    if not env.frames or not env.values[INDEX[f"hf_{side}_v"]]:
        return say("not watched")
    events = as_number(as_dict(found.get("oscillation")).get("events"))
    tripped = any(t.cause == "oscillation" and t.channel in ("", f"hf_{side}_v") for t in board_trips(material.events))
    if tripped or events > 0:
        return say("seen, see the pages that follow")
    return say("none seen") if events == 0 else say("watched for")
