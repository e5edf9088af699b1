"""Calibrating a board as a guided procedure: questions, readings, a fit, a record.

A pure step machine (core/procedure.py): it yields questions, and the work in
Measure, KeepDraft, WriteRecord and StoreRecord; whoever drives it has the board
and the disk. The relay stays open throughout: a bench supply or a calibrator
drives one sense input at a time.

Every setting is read before and after the person reads the meter, so that a
setting that creeps meanwhile is noticed, and its movement is in the uncertainty.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, TypeVar

import numpy as np

from benchwarden.analysis.calibration_check import absurd, clipped, most_offset, steady, surprising, text, unlike
from benchwarden.analysis.calibration_fit import Fit, Point, fit_line, fit_offset
from benchwarden.analysis.reference import Accuracy, read_accuracy
from benchwarden.core.calibration import MANY, Calibration, Entry, u_gain_of_parts, u_linearity_of_parts, uncertainty
from benchwarden.core.channels import CHANNEL, CHANNELS, INDEX
from benchwarden.core.procedure import ASK_AT_MOST, YES, Ask, Procedure, Stopped, Tell, number
from benchwarden.core.samples import FloatArray, SampleBlock
from benchwarden.errors import BoardFault, PlanError
from wardenfw import wire

Parsed = TypeVar("Parsed")

KIND = "calibration"
# Three seconds on either side of reading the meter.
FRAMES = 30
DUE_DAYS = 365
# Room in the board's record, less what "and others" needs.
_REFERENCE_CHARS = 48
READY, ENOUGH, LEAVE_OUT, STOP, AGAIN, SAME = "ready", "enough", "leave out", "stop", "again", "same"

# What to set, in order, SI units; the first is the zero, nothing applied. High
# first: what is wrong shows there. Rails stay below what a bench supply of
# extra-low voltage gives. One temperature near those of use corrects what most
# sensors are off by; their slope is known better than two baths tell it.
SUGGESTED = {
    "rail current": (0.0, 3.0, 1.5),
    "rail voltage": (0.0, 28.0, 14.0),
    "offset": (0.0, 10.0, -10.0),
    "bias": (0.0, 0.2, 0.1),
    "temperature": (50.0,),
    "hf": (0.0, 10.0, 2.0),
}
_HOW = {
    "rail current": "Put bench supply, a load and the meter in series through S+ and S- of the module. "
    "Not through the mains relay: it stays open.",
    "rail voltage": "Put bench supply and meter between the module's voltage sense and the amplifier 0 V terminal.",
    "offset": "Put the bench supply and the meter between the module's output terminal and its amplifier 0 V lead.",
    "bias": "Put some tens of millivolts (supply and divider) and the meter across the emitter resistor's two leads.",
    "temperature": "Put sensor and thermometer together, in stirred water or clamped to one block, and wait.",
    "hf": "Put a generator at 1 MHz and an oscilloscope between output terminal and amplifier 0 V lead; "
    "the reading is the peak, not peak to peak.",
}
_ZERO = "Take everything off {channel} and short its input: nothing applied, {value}."
_ZERO_CURRENT = "Leave {channel}'s shunt without any current: {value}."


@dataclass(frozen=True)
class Measure:
    """Take this many fresh frames; answered with a SampleBlock."""

    frames: int


@dataclass(frozen=True)
class KeepDraft:
    """Keep what was taken so far on disk; answered with None."""

    draft: dict[str, Any]


@dataclass(frozen=True)
class WriteRecord:
    """Store a calibration record on the board; answered with the record it then has in force."""

    record: bytes


@dataclass(frozen=True)
class StoreRecord:
    """Keep the finished calibration in the board's records; answered with the path as text."""

    record: dict[str, Any]


@dataclass(frozen=True)
class Situation:
    """What the procedure starts from.

    Attributes:
        facts: the board as its hello tells (messages.Hello.facts).
        in_force: the calibration the board measures with now.
        earlier: this board's calibrations on record, oldest first.
        channels: what to calibrate; empty asks.
        due_days: until the next one.
        draft: what an interrupted procedure of this board had taken.
        now: gives the time in UTC, ISO form.
        virtual: the board is a model's.
    """

    facts: dict[str, Any]
    in_force: Calibration | None
    now: Callable[[], str]
    earlier: tuple[dict[str, Any], ...] = ()
    channels: tuple[str, ...] = ()
    due_days: int = DUE_DAYS
    draft: dict[str, Any] | None = None
    virtual: bool = False


@dataclass(frozen=True)
class Taken:
    """One setting that was taken.

    Attributes:
        value: by the reference, exact: nothing was applied, no reference needed.
        reading: what an uncalibrated board says, shown: what this one said.
        sd, n, u_setting: see calibration_check.Steady.
        everything: all channels at that time, uncalibrated, None where missing.
    """

    utc: str
    value: float
    exact: bool
    reading: float
    shown: float
    sd: float
    n: int
    u_setting: float
    everything: tuple[float | None, ...]

    def point(self, channel: str) -> Point:
        own = math.hypot(self.u_setting, u_linearity_of_parts(channel))
        return Point(self.reading, self.sd, self.n, self.value, self.exact, own)


@dataclass(frozen=True)
class Result:
    """What one channel came to."""

    channel: str
    accuracy: Accuracy
    taken: tuple[Taken, ...]
    fit: Fit
    entry: Entry


@dataclass(frozen=True)
class Outcome:
    """How it ended: `path` is "" when nothing was written to the board."""

    path: str
    calibration: Calibration | None
    results: tuple[Result, ...]


def calibrate(situation: Situation) -> Procedure[Outcome]:
    """Guide a person through a calibration; see the module's docstring.

    Raises:
        Stopped: the person ended it; what was taken is in the draft.
        BoardFault: the board refused the record or does not hold it; the same.
    """
    facts = situation.facts
    yield Tell(f"Board {facts['board']}, firmware {facts['fw']}: {facts['cal']}.")
    draft = yield from _draft(situation)
    if not draft:
        operator = yield Ask("operator", "Who calibrates?", "text")
        reference = yield Ask("reference", "Which reference (name and number of the meter)?", "text")
        draft = {
            "format": 1,
            "board": facts["board"],
            "begun": situation.now(),
            "operator": operator,
            "reference": reference,
            "channels": {},
        }
    chosen = yield from _channels(situation, draft)
    results: list[Result] = []
    words: dict[str, str] = {}
    for channel in chosen:
        result = yield from _channel(situation, draft, channel, words)
        if result is not None:
            results.append(result)
            words[CHANNEL[channel].group] = result.accuracy.words
    if not results:
        yield Tell("No channel was calibrated; nothing is written.")
        return Outcome("", None, ())
    calibration, dates = _merged(situation, draft, results)
    yield Tell(_table(calibration, results, dates))
    if (yield Ask("write", "Write this to the board?", "confirm")) != YES:
        yield Tell("Nothing was written; the points are kept, start again to go on from them.")
        return Outcome("", None, tuple(results))
    record = calibration.pack()
    held = yield WriteRecord(record)
    if held != record:
        raise BoardFault(
            f"the board holds {len(held)} bytes of calibration that are not the {len(record)} written; "
            "it tells what it measures with in its hello; the points are kept, start again to go on from them"
        )
    path = yield StoreRecord(_record(situation, draft, calibration, results, dates))
    yield Tell(f"The board measures with it now, and holds what was written. Record: {path}")
    return Outcome(str(path), calibration, tuple(results))


def _draft(situation: Situation) -> Procedure[dict[str, Any]]:
    draft = situation.draft
    if not draft or draft.get("board") != situation.facts["board"]:
        return {}
    if not any(work["points"] for work in draft["channels"].values()):
        # Every channel was left out: nothing to go on from.
        return {}
    taken = {name: len(work["points"]) for name, work in draft["channels"].items()}
    said = ", ".join(f"{name}: {count} settings" for name, count in taken.items()) or "no settings yet"
    question = (
        f"A calibration of this board was begun {draft['begun']} by {draft['operator']} with {draft['reference']} "
        f"and not finished ({said}). Go on from there? Only with the same reference; no begins anew and drops it."
    )
    answer = yield Ask("resume", question, "confirm")
    return draft if answer == YES else {}


def _channels(situation: Situation, draft: dict[str, Any]) -> Procedure[tuple[str, ...]]:
    if situation.channels:
        return situation.channels
    begun = tuple(draft["channels"])
    question = f"Which channels? Names with spaces between, or all: {' '.join(CHANNELS)}."
    if begun:
        question = f"{question} Begun: {' '.join(begun)}."
    chosen: tuple[str, ...] = yield from _understood(Ask("channels", question, "text"), read_channels)
    return chosen


def read_channels(words: str) -> tuple[str, ...]:
    """Return the channels named, in CHANNELS order.

    Raises:
        PlanError: an unknown name; says what is allowed.
    """
    names = words.replace(",", " ").split()
    if [name.lower() for name in names] == ["all"]:
        return CHANNELS
    unknown = [name for name in names if name not in CHANNELS]
    if unknown or not names:
        raise PlanError(f"channel {' '.join(unknown) or words!r}; allowed: all, {', '.join(CHANNELS)}")
    return tuple(name for name in CHANNELS if name in names)


def _understood(ask: Ask, read: Callable[[str], Parsed]) -> Procedure[Parsed]:
    for _ in range(ASK_AT_MOST):
        answer = yield ask
        try:
            return read(answer)
        except PlanError as error:
            yield Tell(f"Not understood: {error}.")
    raise Stopped(f"no allowed answer to {ask.id!r} in {ASK_AT_MOST} tries")


def _channel(
    situation: Situation, draft: dict[str, Any], channel: str, words: dict[str, str]
) -> Procedure[Result | None]:
    """Take the settings of one channel and fit them; None when it is left out."""
    about = CHANNEL[channel]
    work = draft["channels"].setdefault(channel, {"accuracy": "", "points": []})
    taken = [Taken(**{**point, "everything": tuple(point["everything"])}) for point in work["points"]]
    yield Tell(f"\n{channel} ({about.label}). {_HOW[about.group]}")
    if not work["accuracy"]:
        work["accuracy"] = yield from _accuracy(channel, words.get(about.group, ""))
    accuracy = read_accuracy(work["accuracy"], about.unit)
    while True:
        answer = yield _next_setting(channel, len(taken))
        if answer == READY:
            point = yield from _setting(situation, channel, taken)
            if point is not None:
                taken.append(point)
                work["points"] = [asdict(one) for one in taken]
                yield KeepDraft(draft)
            continue
        if answer == ENOUGH:
            result, why = _fitted(channel, accuracy, taken)
            if result is not None:
                yield Tell(_said(result))
                return result
            yield Tell("Refused:\n" + "\n".join(f"  {reason}." for reason in why))
            answer = yield Ask(
                f"{channel}.refused", "Take its settings again, leave the channel out, or stop?", "choice",
                choices=(AGAIN, LEAVE_OUT, STOP),
            )  # fmt: skip
            if answer == AGAIN:
                taken, work["points"] = [], []
                continue
        if answer == STOP:
            raise Stopped("stopped; the settings taken are kept, start again to go on from them")
        del draft["channels"][channel]
        yield KeepDraft(draft)
        return None


def _accuracy(channel: str, before: str) -> Procedure[str]:
    about = CHANNEL[channel]
    again = f" ({SAME}: {before})" if before else ""
    question = (
        f"How accurate is the reference here, by its data sheet? For example `0.5 % + 3 digits of 0.01 {about.unit}`, "
        f"`0.1 % + 0.05 % of 20 {about.unit}`, `0.5 {about.unit}`{again}:"
    )

    def read(words: str) -> str:
        given = before if before and words.strip().lower() == SAME else words
        read_accuracy(given, about.unit)
        return given

    words: str = yield from _understood(Ask(f"{channel}.accuracy", question, "text"), read)
    return words


def suggested(channel: str) -> tuple[float, ...]:
    """Return the settings proposed for a channel, SI, in order; the first is the zero where there is one."""
    values = SUGGESTED[CHANNEL[channel].group]
    return tuple(-value for value in values) if channel == "rail_neg_v" else values


def has_zero(channel: str) -> bool:
    """Tell whether nothing applied is an exact setting of the channel; a temperature has none."""
    return CHANNEL[channel].group != "temperature"


def _next_setting(channel: str, done: int) -> Ask:
    if done == 0 and has_zero(channel):
        zero = _ZERO_CURRENT if channel.endswith("_a") else _ZERO
        question = zero.format(channel=channel, value=text(channel, 0.0))
    else:
        values = suggested(channel)
        about = f"about {text(channel, values[done])}" if done < len(values) else "any other value"
        question = f"Set {channel} to {about} and let it settle."
    choices = (READY, ENOUGH, LEAVE_OUT, STOP) if done else (READY, LEAVE_OUT, STOP)
    if done == 1:
        question += f" ({ENOUGH}: correct the offset alone.)"
    return Ask(f"{channel}.{done}.ready", question, "choice", choices=choices)


def _setting(situation: Situation, channel: str, taken: Sequence[Taken]) -> Procedure[Taken | None]:
    """Take one setting; None after telling why it cannot be taken."""
    exact = not taken and has_zero(channel)
    i, ceiling = INDEX[channel], wire.CEILINGS[INDEX[channel]]
    before: SampleBlock = yield Measure(FRAMES)
    value = 0.0
    if not exact:
        about = CHANNEL[channel]
        sign = ", with its sign" if channel == "rail_neg_v" or about.group == "offset" else ""
        question = f"The board reads {text(channel, _mean(before)[i])}. What does the reference read{sign}?"
        answer = yield Ask(f"{channel}.{len(taken)}.reference", question, "number", about.unit, -ceiling, ceiling)
        value = number(answer)
    after: SampleBlock = yield Measure(FRAMES)
    seen = steady(channel, before.mean[:, i].astype(np.float64), after.mean[:, i].astype(np.float64))
    if isinstance(seen, str):
        yield Tell(f"Not taken: {seen}.")
        return None
    everything = _uncorrected(situation.in_force, _mean(before, after))
    reading = float(everything[i])
    why = clipped(
        channel, np.concatenate([before.minimum[:, i], after.minimum[:, i]]).astype(np.float64),
        np.concatenate([before.maximum[:, i], after.maximum[:, i]]).astype(np.float64),
    )  # fmt: skip
    if not why and exact and abs(reading) > most_offset(channel):
        allowed = text(channel, most_offset(channel))
        why = f"{channel} reads {text(channel, reading)} with nothing applied; allowed: {allowed} either way"
    if not why and taken:
        first = taken[0]
        was = np.array([math.nan if one is None else one for one in first.everything])
        why = unlike(channel, value - first.value, everything - was)
    if why:
        yield Tell(f"Not taken: {why}.")
        return None
    scale = _gain(situation.in_force, channel)
    return Taken(
        utc=situation.now(),
        value=value,
        exact=exact,
        reading=reading,
        shown=seen.mean,
        sd=seen.sd / scale,
        n=seen.n,
        u_setting=seen.u_setting / scale,
        everything=tuple(None if math.isnan(one) else float(one) for one in everything),
    )


def _mean(*blocks: SampleBlock) -> FloatArray:
    rows: FloatArray = np.concatenate([block.mean for block in blocks]).astype(np.float64)
    mean: FloatArray = rows.mean(axis=0)
    return mean


def _uncorrected(calibration: Calibration | None, values: FloatArray) -> FloatArray:
    """Return what an uncalibrated board would have said, shape (channels,)."""
    raw = values.copy()
    for entry in calibration.entries if calibration else ():
        raw[INDEX[entry.channel]] = entry.uncorrected(float(values[INDEX[entry.channel]]))
    return raw


def _gain(calibration: Calibration | None, channel: str) -> float:
    entry = calibration.entry(channel) if calibration else None
    return entry.gain if entry else 1.0


def _fitted(channel: str, accuracy: Accuracy, taken: Sequence[Taken]) -> tuple[Result | None, list[str]]:
    points, error = [one.point(channel) for one in taken], accuracy.error()
    try:
        fit = (
            fit_offset(points[0], error, 1.0, u_gain_of_parts(channel)) if len(points) == 1 else fit_line(points, error)
        )
    except ValueError as refused:
        return None, [f"{channel}: {refused}"]
    dof = MANY if not math.isfinite(fit.dof) else max(1, min(MANY, math.floor(fit.dof)))
    entry = Entry(channel, min(len(points), 255), dof, fit.gain, fit.offset, fit.centre, fit.u_a, fit.u_b)
    top = max(points, key=lambda point: abs(point.value))
    why = absurd(
        channel, points, fit, error, uncertainty(channel, top.value), uncertainty(channel, top.value, _alone(entry))
    )
    return (None, why) if why else (Result(channel, accuracy, tuple(taken), fit, entry), [])


def _alone(entry: Entry) -> Calibration:
    return Calibration("", dt.date(2000, 1, 1), 0, 0, "", (entry,))


def _said(result: Result) -> str:
    """Return a channel's settings before and after correction, in words."""
    channel, fit = result.channel, result.fit
    lines = [f"{channel}: reading x {fit.gain:.5f} {'+' if fit.offset >= 0 else '-'} {text(channel, abs(fit.offset))}"]
    digits, unit = CHANNEL[channel].decimals + 1, CHANNEL[channel].unit
    for one in result.taken:
        corrected = result.entry.corrected(one.reading)
        half = uncertainty(channel, one.value, _alone(result.entry)).half_width
        raw = uncertainty(channel, one.value).half_width
        lines.append(
            f"  reference {one.value:.{digits}f}, uncalibrated {one.reading:.{digits}f} (U {raw:.2g}), "
            f"corrected {corrected:.{digits}f} (U {half:.2g}) {unit}"
        )
    spare = len(result.taken) - 2
    if spare == -1:
        lines.append("  One setting: the offset is corrected, the gain stays as uncertain as its parts.")
    elif spare == 0:
        lines.append("  Two settings fix the line and leave nothing to test it with; a third would.")
    else:
        lines.append(f"  The settings lie on a line (chance of a worse fit {fit.chance:.2g}).")
    points, error = [one.point(channel) for one in result.taken], result.accuracy.error()
    u_board = [uncertainty(channel, p.value).half_width / uncertainty(channel, p.value).k for p in points]
    if odd := surprising(channel, points, error, u_board):
        lines.append(f"  Caution: {odd}.")
    return "\n".join(lines)


def _merged(
    situation: Situation, draft: dict[str, Any], results: Sequence[Result]
) -> tuple[Calibration, dict[str, dict[str, Any]]]:
    """Return the record for the board, and each channel's own dates.

    Channels that were not calibrated this time keep their entries; the board's
    one due date is the earliest of all.
    """
    today = dt.date.fromisoformat(situation.now()[:10])
    due = today + dt.timedelta(days=situation.due_days)
    new = {result.channel: result.entry for result in results}
    dates: dict[str, dict[str, Any]] = {
        name: {"date": str(today), "due": str(due), "reference": draft["reference"], "kept": False} for name in new
    }
    old, number = situation.in_force, 0
    if old is not None:
        number = old.number
        known = _known_dates(situation.earlier, old.crc)
        for entry in old.entries:
            if entry.channel not in new:
                own = {"date": str(old.date), "due": str(old.due), "reference": old.reference}
                dates[entry.channel] = {**own, **known.get(entry.channel, {}), "kept": True}
                new[entry.channel] = entry
    number = max([number, *(int(record.get("number", 0)) for record in situation.earlier)]) + 1
    first_due = min(dt.date.fromisoformat(one["due"]) for one in dates.values())
    others = {one["reference"] for one in dates.values()} - {draft["reference"]}
    reference = draft["reference"][:_REFERENCE_CHARS] + (" and others" if others else "")
    calibration = Calibration(
        board=situation.facts["board"],
        date=today,
        due_days=max(0, (first_due - today).days),
        number=number,
        reference=reference,
        entries=tuple(new[name] for name in CHANNELS if name in new),
    )
    return calibration, dates


def _known_dates(earlier: Sequence[dict[str, Any]], crc: str) -> dict[str, dict[str, Any]]:
    """Return the channels' own dates from the record of the calibration in force, if the host has it."""
    for record in reversed(earlier):
        if record.get("crc") == crc:
            keys = ("date", "due", "reference")
            channels = record.get("channels", {})
            return {name: {key: one[key] for key in keys if key in one} for name, one in channels.items()}
    return {}


def _table(calibration: Calibration, results: Sequence[Result], dates: dict[str, dict[str, Any]]) -> str:
    kept = [name for name, one in dates.items() if one["kept"]]
    lines = [f"\nCalibration number {calibration.number}, due {calibration.due}:"]
    lines += [
        f"  {result.channel}: gain {result.fit.gain:.5f}, offset {text(result.channel, result.fit.offset)}"
        for result in results
    ]
    lines += [f"  {name}: kept, of {dates[name]['date']}, due {dates[name]['due']}" for name in kept]
    missing = [name for name in CHANNELS if name not in dates]
    if missing:
        lines.append(f"  uncalibrated: {', '.join(missing)}")
    return "\n".join(lines)


def _record(
    situation: Situation,
    draft: dict[str, Any],
    calibration: Calibration,
    results: Sequence[Result],
    dates: dict[str, dict[str, Any]],
) -> dict[str, Any]:
    facts = situation.facts
    channels: dict[str, Any] = {name: dict(one) for name, one in dates.items()}
    for entry in calibration.entries:
        channels[entry.channel]["entry"] = asdict(entry)
    for result in results:
        channels[result.channel].update(
            accuracy=result.accuracy.words,
            points=[asdict(one) for one in result.taken],
            fit=_plain(asdict(result.fit)),
        )
    return {
        "format": 1,
        "kind": KIND,
        "virtual": situation.virtual,
        "board": facts["board"],
        "fw": facts["fw"],
        "wire": facts["wire"],
        "mpy": facts["mpy"],
        "program": facts["program"],
        "utc": situation.now(),
        "begun": draft["begun"],
        "operator": draft["operator"],
        "reference": draft["reference"],
        "date": str(calibration.date),
        "due": str(calibration.due),
        "number": calibration.number,
        "crc": calibration.crc,
        "record": calibration.pack().hex(),
        "channels": channels,
    }


def _plain(table: dict[str, Any]) -> dict[str, Any]:
    """Replace NaN and infinity by null: JSON has no other word for them."""
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in table.items()}
