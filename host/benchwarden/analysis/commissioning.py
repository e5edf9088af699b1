"""How long did an opening take, and was it as required? From events and full-rate records.

A record of the board holds one scan every 10 ms, so no time comes out as one
number: each lies between two bounds. The cause may have come right after the
last sample that did not show it; the contact opened between the last record
that reads closed and the first that reads open. A test passes when the upper
bound is within what is required, so the coarse clock never helps a board.

The pins (contact, coil, emergency stop, button) are read at the end of a scan,
at the record's time; the converters up to three slots of 2.5 ms earlier.
Source: firmware app.py and stage.py. The board's milliseconds are held against
a second oscillator to within 5 % by its self-test; the crystal itself is far
better.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from benchwarden.core.commissioning import Finding, Measure, Opening, Requirement, Scans
from wardenfw import wire

SAMPLE_AGE_MS = 7.5
# Currents below this share of what flowed before are gone; so is one below 20 mA,
# which the shunt amplifier's offset may feign.
GONE_SHARE = 0.05
GONE_A = 0.02

# What the parts of an opening may take, milliseconds.
SCAN_MS = 12.5
RELEASE_MS = 20.0
PUMP_MS = 60.0
RECORD_MS = 12.5
SENSOR_MS = 100.0
BUTTON_SCANS_MS = 20.0
HOST_MARGIN_MS = 200.0
# What a board tells of a stall that the contact did not follow. Source: firmware stall.py.
STALL_NOT_OPENED = 0xFFFF
COIL_DROPPED, CONTACT_OPEN = "coil dropped", "contact open"

BoolArray = npt.NDArray[np.bool_]


def onset(shows: BoolArray, at: int) -> int | None:
    """Return the first record of the unbroken stretch that shows the cause and holds record `at`.

    Args:
        shows: whether each record shows the cause, shape (n,).

    Returns:
        None when record `at` does not show it, or when all records before do, so
        that nobody knows when it began.
    """
    if not 0 <= at < len(shows) or not shows[at]:
        return None
    before = np.flatnonzero(~shows[:at])
    return int(before[-1]) + 1 if len(before) else None


def last_of(shows: BoolArray) -> int | None:
    """Return the index of the last record that shows it, None when none does."""
    found = np.flatnonzero(shows)
    return int(found[-1]) if len(found) else None


def outside(scans: Scans, channel: str, low: float, high: float) -> BoolArray:
    """Return in which records a channel's sample is beyond a limit; a missing one is not. NaN: unbounded."""
    samples = scans.channel(channel)
    # Comparisons with NaN are False, on either side.
    return np.asarray((samples < low) | (samples > high))


def missing(scans: Scans, channel: str) -> BoolArray:
    """Return in which records a channel's sample is missing."""
    return np.asarray(np.isnan(scans.channel(channel)))


def between(
    scans: Scans, cause: int, done: int, since: str, until: str, cause_age_ms: float, done_age_ms: float
) -> Measure:
    """Return the time from a cause to what it brought about.

    Args:
        cause: first record that shows the cause.
        done: first record that shows the effect.
        cause_age_ms, done_age_ms: how much older than its record what is looked at may be.
    """
    t = scans.t_ms
    before_cause = float(t[max(0, cause - 1)]) - cause_age_ms
    before_done = float(t[max(0, done - 1)]) - done_age_ms
    low = max(0.0, before_done - float(t[cause]))
    return Measure(since, until, low, float(t[done]) - before_cause)


def contact_open(scans: Scans) -> int | None:
    """Return the first record from which on the contact reads open; chatter counts as closed.

    Returns:
        None when it never was closed, or never opened.
    """
    closed = last_of(scans.has(wire.MAINS_ON))
    return None if closed is None or closed + 1 >= len(scans) else closed + 1


def coil_off(scans: Scans) -> int | None:
    """Return the first record from which on the board does not hold the coil."""
    held = last_of(scans.has(wire.COIL_ON))
    return None if held is None or held + 1 >= len(scans) else held + 1


def current_gone(scans: Scans, channel: str, flowing_a: float) -> int | None:
    """Return the first record from which on no current flows; None when it goes on flowing.

    Args:
        flowing_a: what flowed before, amperes.
    """
    floor_a = max(GONE_A, GONE_SHARE * abs(flowing_a))
    samples = scans.channel(channel)
    flows = last_of(np.asarray(~(np.abs(samples) <= floor_a)))
    return None if flows is None or flows + 1 >= len(scans) else flows + 1


def opening_measures(
    scans: Scans, cause: int, words: str, cause_age_ms: float, rail: str, flowing_a: float
) -> tuple[tuple[Measure, ...], str, str]:
    """Return (times from the cause, what is wrong in words, the part to look at).

    The time to the open contact comes first. `rail` is the current channel to
    look at; one that is itself missing is passed as "".
    """
    opened = contact_open(scans)
    if opened is None:
        why = "the mirror contact of the mains relay never read open after the trip"
        return (), why, "mains relay (welded contact?) or the wire of its mirror contact"
    found = [between(scans, cause, opened, words, CONTACT_OPEN, cause_age_ms, 0.0)]
    dropped = coil_off(scans)
    if dropped is not None and words != COIL_DROPPED:
        found.append(between(scans, cause, dropped, words, COIL_DROPPED, cause_age_ms, 0.0))
    if rail:
        gone = current_gone(scans, rail, flowing_a)
        if gone is None:
            last_a = float(scans.channel(rail)[-1])
            why = f"{rail} still reads {last_a:.3f} A at the end of the record, expected none: the contact reads open"
            return tuple(found), why, "mains relay: main contact and mirror contact disagree, or the rig bypasses it"
        found.append(between(scans, cause, gone, words, "current gone", cause_age_ms, SAMPLE_AGE_MS))
    return tuple(found), "", ""


def in_time(measures: tuple[Measure, ...], requirement: Requirement) -> str:
    """Return what is wrong with the first measure, "" when it is within what is required."""
    if requirement.at_most_ms is None or not measures:
        return ""
    first = measures[0]
    if first.high_ms <= requirement.at_most_ms:
        return ""
    sure = "took" if first.low_ms is not None and first.low_ms > requirement.at_most_ms else "may have taken"
    return (
        f"from {first.since} to {first.until} {sure} {first.words()}, expected at most {requirement.at_most_ms:.0f} ms"
    )


def wrong_trip(opening: Opening, cause: str, channel: str, text: str = "") -> str:
    """Return how a trip differs from the one expected, "" when it is that one.

    Args:
        channel: "" where the trip has none.
        text: how the event's text begins; "" for any.
    """
    trip = opening.tripped
    if trip is None:
        return "the relay opened without a trip on record"
    told = f"{trip.cause}" + (f" of {trip.channel}" if trip.channel else "") + (f" ({trip.text})" if trip.text else "")
    expected = cause + (f" of {channel}" if channel else "") + (f" ({text})" if text else "")
    if trip.cause != cause or trip.channel != channel or not trip.text.startswith(text):
        return f"the board tripped for {told}, expected {expected}"
    return ""


def _judged(
    scans: Scans, cause: int, words: str, age_ms: float, requirement: Requirement, rail: str, flowing_a: float
) -> Finding:
    measures, why, part = opening_measures(scans, cause, words, age_ms, rail, flowing_a)
    if not why and (late := in_time(measures, requirement)):
        why, part = late, "mains relay (release time, coil suppression)"
    return Finding(not why, measures, why=why, part=part)


def _no_record(what: str) -> Finding:
    return Finding(False, why=f"the full-rate record does not show {what}", part="board firmware or link")


def judge_limit(
    opening: Opening,
    requirement: Requirement,
    channel: str,
    low: float,
    high: float,
    cause: str,
    rail: str,
    flowing_a: float,
) -> Finding:
    """Judge a trip by a software limit: first sample beyond it, to contact open, to current gone.

    Args:
        low, high: the limit, SI units; NaN leaves a side unbounded.
        rail: current channel that has to fall to nothing.
        flowing_a: what flowed in it before, amperes.
    """
    if wrong := wrong_trip(opening, cause, channel):
        return Finding(False, why=wrong, part=f"limit of {channel}")
    if opening.scans is None:
        return _no_record("anything")
    scans = opening.scans
    at = onset(outside(scans, channel, low, high), scans.trip)
    if at is None:
        return _no_record(f"when {channel} went beyond its limit")
    found = _judged(scans, at, "the last sample inside the limit", SAMPLE_AGE_MS, requirement, rail, flowing_a)
    value = float(scans.channel(channel)[at])
    return _and_seen(found, f"first sample beyond the limit: {value:.4g}, limit {low if value < low else high:.4g}")


def judge_pin(
    opening: Opening, requirement: Requirement, shows: BoolArray | None, text: str, words: str, flowing_a: float
) -> Finding:
    """Judge a trip by a pin (emergency stop, button): last record without it, to contact open.

    Args:
        shows: in which records the pin shows it.
        text: what the trip's event says.
        words: the pin's act, for the measure.
    """
    if wrong := wrong_trip(opening, "operator", "", text):
        return Finding(False, why=wrong, part=text)
    if opening.scans is None or shows is None:
        return _no_record("anything")
    at = onset(shows, opening.scans.trip)
    if at is None:
        return _no_record(f"when the {text} began")
    return _judged(opening.scans, at, words, 0.0, requirement, "rail_pos_a", flowing_a)


def judge_alert(opening: Opening, requirement: Requirement, channel: str, set_ms: int, flowing_a: float) -> Finding:
    """Judge a trip by the alert line: threshold moved below the flowing current, to contact open.

    Args:
        channel: current channel whose monitor was given the threshold.
        set_ms: board time of the event that tells of the new threshold; the
            write itself came up to one slot of 2.5 ms before.
    """
    if wrong := wrong_trip(opening, "over-current", channel, "alert line"):
        return Finding(False, why=wrong, part=f"alert line of {channel.removesuffix('_a')}")
    scans = opening.scans
    if scans is None:
        return _no_record("anything")
    cause = int(np.searchsorted(scans.t_ms, set_ms))
    if cause >= len(scans):
        return _no_record("when the threshold was moved")
    measures, why, part = opening_measures(scans, cause, "moving the threshold", 0.0, channel, flowing_a)
    # The event's own time is finer than the records'.
    exact = tuple(_from_event(scans, measure, cause, set_ms) for measure in measures)
    if not why and (late := in_time(exact, requirement)):
        why, part = late, "alert line, or the mains relay's release"
    seen = ("alert latch read set",) if bool(np.any(scans.has(wire.LATCH_SET))) else ()
    return Finding(not why, exact, seen, why, part)


def _from_event(scans: Scans, measure: Measure, cause: int, set_ms: int) -> Measure:
    before_ms = float(scans.t_ms[max(0, cause - 1)])
    low = measure.low_ms + float(scans.t_ms[cause]) - set_ms if measure.low_ms else 0.0
    return Measure(measure.since, measure.until, low, measure.high_ms + before_ms - set_ms + 2.5)


def judge_silence(opening: Opening, requirement: Requirement, acked_ms: int, flowing_a: float) -> Finding:
    """Judge a trip for want of a host: last frame acknowledged, to contact open.

    Args:
        acked_ms: board time of the newest frame the host acknowledged; its
            acknowledgement reached the board later, so this is an upper bound.
    """
    if wrong := wrong_trip(opening, "host-silent", "", "lease ended"):
        return Finding(False, why=wrong, part="host lease")
    scans = opening.scans
    if scans is None:
        return _no_record("anything")
    measures, why, part = opening_measures(scans, scans.trip, "", 0.0, "rail_pos_a", flowing_a)
    if why:
        return Finding(False, measures, why=why, part=part)
    opened = contact_open(scans)
    assert opened is not None  # or `why` would tell
    whole = Measure("the last acknowledged frame", CONTACT_OPEN, None, float(scans.t_ms[opened]) - acked_ms)
    why = in_time((whole,), requirement)
    return Finding(not why, (whole,), why=why, part="host lease" if why else "")


def judge_unplugged(
    opening: Opening, requirement: Requirement, channel: str, rail: str, flowing_a: float, may_alert: bool
) -> Finding:
    """Judge the trip of a sensor that was unplugged: last sample there, to contact open.

    Args:
        channel: one that the sensor gives.
        may_alert: a rail module without supply also pulls the alert line, which is quicker.
    """
    trip = opening.tripped
    by_alert = may_alert and trip is not None and trip.text.startswith("alert line")
    # A plug that bounces answers again when the board asks who pulled the line.
    nameless = by_alert and trip is not None and (trip.cause, trip.channel) == ("over-current", "")
    wrong = "" if nameless else wrong_trip(opening, "sensor-fault", trip.channel if trip else "")
    if not wrong and trip is not None and trip.text.startswith("alert line") and not may_alert:
        wrong = f"the board tripped by the alert line, which a sensor of {channel} does not pull"
    if wrong:
        return Finding(False, why=wrong, part=f"sensor of {channel}")
    scans = opening.scans
    if scans is None:
        return _no_record("anything")
    gone = missing(scans, channel)
    at = onset(gone, scans.trip)
    if at is None and by_alert:
        # The line is quicker than the next reading.
        later = np.flatnonzero(gone[scans.trip :])
        at = scans.trip if len(later) else None
    if at is None:
        lost = ", ".join(name for name in wire.CHANNELS if missing(scans, name)[-1] or missing(scans, name)[scans.trip])
        why = f"{channel} was not missing from the record when it tripped; missing: {lost or 'nothing'}"
        return Finding(False, why=why, part=f"{channel}: plug of another sensor, or sensors exchanged")
    found = _judged(scans, at, "the last sample of the sensor", SAMPLE_AGE_MS, requirement, rail, flowing_a)
    return _and_seen(found, "opened by the alert line, before the reading was missed" if by_alert else "")


def judge_stall(ms: float, requirement: Requirement) -> Finding:
    """Judge a stalled loop: the last pulse to contact open, as the board counted while it hung.

    Args:
        ms: what the board told after its restart: 0 when it knows of no stall,
            STALL_NOT_OPENED when the contact did not open before the reset.
    """
    if not ms > 0:
        return Finding(False, why="the board restarted and knows of no stall", part="board firmware or its supply")
    if ms >= STALL_NOT_OPENED:
        why = "the contact did not open while the loop stood still; only the watchdog's reset opened it"
        return Finding(False, why=why, part="charge pump (dead man)")
    measure = Measure("the last pulse", CONTACT_OPEN, max(0.0, ms - 1.0), ms + 1.0)
    why = in_time((measure,), requirement)
    return Finding(not why, (measure,), why=why, part="charge pump (dead man)" if why else "")


def judge_command(opening: Opening, requirement: Requirement, flowing_a: float) -> Finding:
    """Judge an opening that the host asked for: coil dropped, to contact open."""
    scans = opening.scans
    if scans is None:
        return _no_record("anything")
    dropped = coil_off(scans)
    if dropped is None:
        return _no_record("when the coil was dropped")
    return _judged(scans, dropped, COIL_DROPPED, 0.0, requirement, "rail_pos_a", flowing_a)


def _and_seen(found: Finding, words: str) -> Finding:
    return Finding(found.ok, found.measures, (*found.seen, words) if words else found.seen, found.why, found.part)


def wrong_currents(values: dict[str, float], expected_a: float, share: float = 0.1) -> tuple[str, str]:
    """Return (what is wrong with the two rail currents of one loop, the part to look at); both "" when nothing is.

    The same current flows through both modules, so each must read it, positive,
    and both must agree.

    Args:
        values: readings by channel, amperes.
        expected_a: supply voltage by resistance.
        share: how far supply, resistor and leads may be from what was said.
    """
    for name in ("rail_pos_a", "rail_neg_a"):
        seen = values.get(name, math.nan)
        module = name.removesuffix("_a")
        if math.isnan(seen):
            return f"{name} is missing", f"rail module {module}"
        if seen < -0.2 * expected_a:
            return (
                f"{name} reads {seen:.3f} A, expected +{expected_a:.3f} A: the current has the wrong sign",
                f"shunt reversed: S+ and S- of {module}",
            )
        if not abs(seen - expected_a) <= share * expected_a:
            return f"{name} reads {seen:.3f} A, expected {expected_a:.3f} A within {share:.0%}", f"{module} or the rig"
    pos, neg = values["rail_pos_a"], values["rail_neg_a"]
    # Shunt 0.5 %, amplifier and two modules: 2 % is four times what parts may do.
    if abs(pos - neg) > max(0.02 * expected_a, 0.01):
        return f"the two modules read {pos:.4f} A and {neg:.4f} A, expected the same current", "shunt of a rail module"
    return "", ""
