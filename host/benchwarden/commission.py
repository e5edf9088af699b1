"""Proves every trip path of one board, step by step: what is asked, what is done, what has to come of it.

A pure procedure (see core.procedure): it yields questions for a person and work
for a driver, and is sent what came of them. Nothing in here waits, prints or
knows a port. The relay closes only by `_close`: a person's yes to a question
that says so, then stage, arming and the challenge given back. Whoever drives it
opens the relay when it ends, however it ends.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from typing import Any

from benchwarden.analysis import commissioning as judge
from benchwarden.commission_work import (
    LEASE_MS,
    AwaitEvent,
    AwaitLoss,
    AwaitOpening,
    AwaitRestart,
    Began,
    Command,
    Ended,
    FallSilent,
    MakeOpen,
    Now,
    Read,
    SelfTest,
    UsesRig,
)
from benchwarden.core.channels import CHANNELS
from benchwarden.core.commissioning import (
    LEAST_V,
    MOST_V,
    Finding,
    Hand,
    NotDone,
    Opening,
    Readings,
    Requirement,
    Rig,
    TestResult,
    Told,
    checked_rig,
)
from benchwarden.core.procedure import YES, Ask, Procedure, Tell, number
from benchwarden.errors import BenchwardenError, BoardFault, LinkError, PlanError
from wardenfw import wire

# Twice the watchdog's time: the board must be reset before, or its watchdog does not work.
STALL_MS = 2000
# How long a person has for what is asked of them with the relay closed, seconds.
ACT_S = 60.0
WARM_S = 150.0
# The rig is no amplifier: nothing is near these, and they end what goes astray.
MOST_RAIL_V = 33.0
MOST_OFFSET_V = 20.0
CELL_LIMIT_V = 1.0
WARM_BY_C = 1.5
TRIPPED_OR_WORSE = (wire.TRIPPED, wire.FAULT)

CAUTIONS = (
    "Commissioning uses a bench supply of at most 30 V and a power resistor. Never connect mains or an amplifier's "
    "rails for it.",
    "The resistor gets hot. Put it on something that does not burn and keep your hands off it.",
    "The mains relay closes only after you confirm that it may. Whatever goes wrong: press the emergency stop.",
    "What is proven here is how this board behaved today. It is not a certified protective device.",
)


class Failed(Exception):
    """A test cannot go on: what it found so far says why."""

    def __init__(self, why: str, part: str, seen: tuple[str, ...] = ()) -> None:
        super().__init__(why)
        self.finding = Finding(False, why=why, part=part, seen=seen)


Steps = Generator[Any, Any, Finding]


@dataclass(frozen=True)
class Test:
    """One test of the procedure.

    Attributes:
        run: makes its steps from the rig and its id.
        gate: when it does not pass, nothing after it is tried.
    """

    __test__ = False  # not one of pytest's

    id: str
    title: str
    requirement: Requirement
    run: Callable[[Rig, Test], Steps]
    gate: bool = False


# Stages


@dataclass(frozen=True)
class Bound:
    """The one tight limit of a stage."""

    channel: str
    low: float
    high: float
    cause: str


def stage_payload(
    rig: Rig, bound: Bound | None = None, alert_a: tuple[float, float] | None = None, limiter_in: bool = False
) -> bytes:
    """Return a STAGE payload for the rig: every limit wide but the one that is tested.

    Args:
        alert_a: thresholds of the positive and the negative monitor; by default
            twice what the rig can draw.
    """
    wide_a = 2.0 * rig.amps
    nan = math.nan
    limits = {
        "rail_pos_a": (nan, wide_a, "over-current"),
        "rail_neg_a": (nan, wide_a, "over-current"),
        "rail_pos_v": (nan, MOST_RAIL_V, "rail-imbalance"),
        "rail_neg_v": (-MOST_RAIL_V, nan, "rail-imbalance"),
        "offset_left_v": (-MOST_OFFSET_V, MOST_OFFSET_V, "dc-offset"),
        "offset_right_v": (-MOST_OFFSET_V, MOST_OFFSET_V, "dc-offset"),
        "bias_left_v": (nan, 0.25, "bias-unstable"),
        "bias_right_v": (nan, 0.25, "bias-unstable"),
        "sink_left_c": (nan, 100.0, "over-temperature"),
        "sink_right_c": (nan, 100.0, "over-temperature"),
    }
    if bound is not None:
        limits[bound.channel] = (bound.low, bound.high, bound.cause)
    rows = [
        (CHANNELS.index(name), wire.VALUE, wire.CAUSES.index(cause), low, high, 0, 0)
        for name, (low, high, cause) in limits.items()
    ]
    alert_pos_a, alert_neg_a = alert_a or (wide_a, wide_a)
    payload: bytes = wire.pack_stage(wire.COMMISSION_STAGE, limiter_in, False, rows, alert_pos_a, alert_neg_a)
    return payload


# What several tests share


def _agreed(ask: Ask) -> Generator[Any, Any, None]:
    if (yield ask) != YES:
        raise NotDone("the person said no")


def _by_hand(test: Test, hand: Hand) -> Generator[Any, Any, None]:
    """Have the person do something with the relay open, and say so."""
    yield hand
    yield from _agreed(Ask(f"{test.id}.{hand.do}", "Done?", "confirm"))


def _done(kind: int, payload: bytes = b"", part: str = "") -> Generator[Any, Any, Any]:
    reply = yield Command(kind, payload)
    if not reply.done:
        raise Failed(f"the board refuses {wire.KIND_NAMES[kind]}: {reply.why}", part or _part_of(reply.text))
    return reply


def _part_of(text: str) -> str:
    """Return the part a refusal names, as far as it does."""
    return text.removeprefix("self-test: ").split(",")[0].split(" reads ")[0] or "board"


def _close(rig: Rig, test: Test, payload: bytes, volts: float, words: str = "") -> Generator[Any, Any, Readings]:
    """Close the relay after a person's yes, and return what flows.

    Args:
        volts: what the supply is set to; the currents have to fit it unless 0.

    Raises:
        Failed: the board does not close, or what flows is not what the rig should draw.
        NotDone: the person said no.
    """
    before: Readings = yield Read(0.5)
    if before.contact_closed:
        raise Failed("the mirror contact reads closed before closing, expected open", "mains relay or mirror contact")
    lost = [name for name in CHANNELS if math.isnan(before.values[name]) and name in wire.MUST_LIMIT]
    if lost:
        raise Failed(f"no reading from {', '.join(lost)}", lost[0])
    for name in ("rail_pos_a", "rail_neg_a"):
        if abs(before.values[name]) > 0.05 * rig.low_amps + 0.01:
            why = f"{name} reads {before.values[name]:.3f} A with the relay open, expected none"
            raise Failed(why, "mains relay contact, or the rig's wiring around it")
    text = f"{words} Hands off the rig, then confirm: the mains relay will close.".strip()
    yield from _agreed(Ask(f"{test.id}.close", text, "confirm"))
    yield from _done(wire.STAGE, payload)
    armed = yield from _done(wire.ARM)
    if not armed.text.isdigit():
        raise Failed(f"arming was answered without a challenge: {armed.text!r}", "board firmware")
    yield from _done(wire.GO, wire.pack_u32(int(armed.text)))
    closed: Told | None = yield AwaitEvent(wire.EV_CLOSED, 2.0)
    if closed is None:
        raise Failed("the mirror contact did not read closed after the coil was driven", "mains relay or coil supply")
    readings: Readings = yield Read(0.5)
    if readings.state != wire.CLOSED:
        raise Failed(f"the board is {readings.state_name} right after closing, expected closed", "see the events")
    if volts:
        why, part = judge.wrong_currents(readings.values, volts / rig.ohms)
        if why:
            raise Failed(why, part)
    return readings


def _opened(timeout_s: float, what: str, part: str) -> Generator[Any, Any, Opening]:
    opening: Opening | None = yield AwaitOpening(timeout_s)
    if opening is None:
        yield MakeOpen()
        acted = yield Ask("did-act", f"Nothing opened the relay within {timeout_s:.0f} s. Did you do it?", "confirm")
        if acted != YES:
            raise NotDone(f"{what}: not done by the person")
        raise Failed(f"{what}: the relay stayed closed for {timeout_s:.0f} s", part)
    return opening


def _rest(test: Test, hand: Hand | None) -> Generator[Any, Any, str]:
    """Have the person undo and reset; return what is wrong with the relay's staying open, "" when nothing is."""
    before: Readings = yield Read(0.5)
    if hand is not None:
        yield hand
    words = "Put it back as described, then confirm" if hand is not None else "Confirm"
    yield from _agreed(Ask(f"{test.id}.reset", f"{words}: the trip will be reset. The relay stays open.", "confirm"))
    between: Readings = yield Read(0.5)
    if between.state in TRIPPED_OR_WORSE:
        reply = yield Command(wire.RESET)
        if not reply.done:
            return f"the board refuses the reset: {reply.why}"
    after: Readings = yield Read(1.0)
    for readings, when in ((before, "after the trip"), (between, "with the cause gone"), (after, "after the reset")):
        if readings.contact_closed:
            return f"the mirror contact reads closed {when}, expected open"
    if after.state != wire.SAFE:
        return f"the board is {after.state_name} after the reset, expected safe"
    return ""


def _and_rest(test: Test, found: Finding, hand: Hand | None = None) -> Steps:
    wrong = yield from _rest(test, hand)
    if wrong and found.ok:
        return Finding(False, found.measures, found.seen, wrong, "mains relay, or what holds it")
    return found


# The tests


# The parts without which the relay chain is not proven.
CHAIN_PARTS = (
    "relay_contact",
    "coil_pump",
    "coil_enable",
    "alert_pos",
    "alert_neg",
    "alert_latch",
)


def _self_test(rig: Rig, test: Test) -> Steps:
    parts: dict[str, str] = yield SelfTest()
    bad = {part: said for part, said in parts.items() if said != "ok"}
    seen = (f"{len(parts)} parts tested, {len(parts) - len(bad)} ok",)
    if bad:
        # What was not tested because of another part is not what to look at.
        causes = {part: said for part, said in bad.items() if not said.startswith("not tested")} or bad
        why = "; ".join(f"{part}: {said}" for part, said in causes.items())
        rest = len(bad) - len(causes)
        return Finding(
            False, seen=seen, why=why + (f"; {rest} more not tested" if rest else ""), part=", ".join(causes)
        )
    untested = [part for part in CHAIN_PARTS if part not in parts]
    if untested:
        return Finding(False, seen=seen, why="not tested by this firmware", part=", ".join(untested))
    readings: Readings = yield Read(1.0)
    missing = [name for name in CHANNELS if math.isnan(readings.values[name])]
    if missing:
        return Finding(False, seen=seen, why=f"no reading from {', '.join(missing)}", part=missing[0])
    if readings.contact_closed:
        return Finding(False, seen=seen, why="the mirror contact reads closed, expected open", part="mains relay")
    return Finding(True, seen=(*seen, "relay chain: " + ", ".join(f"{part} ok" for part in CHAIN_PARTS)))


def _loop(rig: Rig, test: Test) -> Steps:
    readings = yield from _close(rig, test, stage_payload(rig), rig.low_volts)
    pos, neg = readings.values["rail_pos_a"], readings.values["rail_neg_a"]
    seen = (
        f"rail_pos_a {pos:.4f} A, rail_neg_a {neg:.4f} A at {rig.low_volts:g} V, expected {rig.low_amps:.3f} A",
        f"rail_pos_v {readings.values['rail_pos_v']:.2f} V, rail_neg_v {readings.values['rail_neg_v']:.2f} V",
    )
    yield from _done(wire.OPEN, wire.pack_open(wire.CAUSES.index("operator"), "commissioning: asked to open"))
    opening: Opening | None = yield AwaitOpening(3.0)
    if opening is None:
        return Finding(False, seen=seen, why="the relay did not open when asked", part="mains relay (welded contact?)")
    found = judge.judge_command(opening, test.requirement, pos)
    found = Finding(found.ok, found.measures, (*seen, *found.seen), found.why, found.part)
    return (yield from _and_rest(test, found))


OPEN, CLOSED = "open", "closed"


def _bypass(rig: Rig, test: Test) -> Steps:
    seen: list[str] = []
    for moment, words, expected, part in (
        (
            "before",
            "bypass seen before",
            OPEN,
            "bypass relay (stuck closed?), or something bridges the limiter's socket",
        ),
        ("closed", "with the limiter bypassed", CLOSED, "bypass relay, its driver or the coil supply"),
        ("after", "after opening", OPEN, "bypass relay (does not fall back)"),
    ):
        if moment == "closed":
            yield from _close(rig, test, stage_payload(rig), rig.low_volts, "The bypass relay closes with it.")
        if moment == "after":
            yield from _done(wire.OPEN, wire.pack_open(0, "commissioning: bypass seen"))
            if (yield AwaitOpening(3.0)) is None:
                return Finding(False, seen=tuple(seen), why="the relay did not open when asked", part="mains relay")
        found = yield Ask(
            f"{test.id}.{moment}",
            "Take lamp or link out of the limiter's socket and lay a continuity tester across its contacts. It shows",
            "choice",
            choices=(OPEN, CLOSED),
        )
        seen.append(f"{words}: {found}")
        if found != expected:
            why = f"{words}: the contact is {found}, expected {expected}"
            return Finding(False, seen=tuple(seen), why=why, part=part)
    return Finding(True, seen=tuple(seen))


def _over_current(channel: str) -> Callable[[Rig, Test], Steps]:
    def steps(rig: Rig, test: Test) -> Steps:
        limit_a = 0.5 * (rig.low_amps + rig.amps)
        payload = stage_payload(rig, Bound(channel, math.nan, limit_a, "over-current"))
        readings = yield from _close(rig, test, payload, rig.low_volts)
        yield Hand(
            f"Now turn the supply up from {rig.low_volts:g} V to {rig.volts:g} V. The relay opens on the way.",
            "supply",
            value=rig.volts,
        )
        opening = yield from _opened(ACT_S, f"current beyond {limit_a:.3f} A", f"limit of {channel}")
        found = judge.judge_limit(
            opening, test.requirement, channel, math.nan, limit_a, "over-current", channel, readings.values[channel]
        )
        back = Hand(f"Turn the supply back to {rig.low_volts:g} V.", "supply", value=rig.low_volts)
        return (yield from _and_rest(test, found, back))

    return steps


def _alert(channel: str) -> Callable[[Rig, Test], Steps]:
    def steps(rig: Rig, test: Test) -> Steps:
        readings = yield from _close(rig, test, stage_payload(rig), rig.low_volts)
        high, low = 2.0 * rig.amps, 0.5 * rig.low_amps
        alert_a = (low, high) if channel == "rail_pos_a" else (high, low)
        yield from _done(wire.STAGE, stage_payload(rig, alert_a=alert_a))
        moved: Told | None = yield AwaitEvent(wire.EV_STAGE, 2.0)
        opening: Opening | None = yield AwaitOpening(3.0)
        if opening is None or moved is None:
            yield MakeOpen()
            why = f"the relay stayed closed with the alert threshold at {low:.3f} A and the current above it"
            return Finding(False, why=why, part=f"alert line of {channel.removesuffix('_a')}")
        found = judge.judge_alert(opening, test.requirement, channel, moved.t_ms, readings.values[channel])
        return (yield from _and_rest(test, found))

    return steps


def _cell(side: str) -> Callable[[Rig, Test], Steps]:
    channel, other = f"offset_{side}_v", f"offset_{'right' if side == 'left' else 'left'}_v"

    def steps(rig: Rig, test: Test) -> Steps:
        # Both sides are watched, so that the wrong one is told at once.
        wide = stage_payload(rig, Bound(channel, -CELL_LIMIT_V, CELL_LIMIT_V, "dc-offset"))
        payload = _with_limit(wide, other, -CELL_LIMIT_V, CELL_LIMIT_V)
        readings = yield from _close(rig, test, payload, rig.low_volts)
        yield Hand(
            f"Now touch the {side.upper()} output module's sense leads with a 1.5 V cell: plus to the output lead, "
            "minus to the amplifier 0 V lead. Hold it there.",
            "apply",
            channel,
            1.5,
        )
        opening = yield from _opened(ACT_S, f"cell at the {side} output lead", f"output module {side}")
        trip = opening.tripped
        let_go = Hand("Take the cell away.", "let-go", channel)
        if trip is not None and trip.channel == other:
            why = f"the cell at the {side} lead moved {other} ({trip.value:.2f} V), expected {channel}"
            found = Finding(False, why=why, part="output modules or their leads are swapped left and right")
        elif trip is not None and trip.channel == channel and trip.value < 0:
            why = f"{channel} reads {trip.value:.2f} V, expected plus: the sign is wrong"
            found = Finding(False, why=why, part=f"output module {side}: output lead and 0 V lead are exchanged")
        else:
            flowing = readings.values["rail_pos_a"]
            found = judge.judge_limit(
                opening, test.requirement, channel, -CELL_LIMIT_V, CELL_LIMIT_V, "dc-offset", "rail_pos_a", flowing
            )
            if found.ok:
                found = Finding(True, found.measures, (*found.seen, f"only {channel} moved, with the right sign"))
        return (yield from _and_rest(test, found, let_go))

    return steps


def _with_limit(payload: bytes, channel: str, low: float, high: float) -> bytes:
    stage_id, limiter_in, drive_on, limits, alert_pos_a, alert_neg_a = wire.unpack_stage(payload)
    number_of = CHANNELS.index(channel)
    rows = [(c, kind, cause, low, high, *rest) if c == number_of else (c, kind, cause, was_low, was_high, *rest)
            for c, kind, cause, was_low, was_high, *rest in limits]  # fmt: skip
    changed: bytes = wire.pack_stage(stage_id, limiter_in, drive_on, rows, alert_pos_a, alert_neg_a)
    return changed


def _warmed(side: str) -> Callable[[Rig, Test], Steps]:
    channel, other = f"sink_{side}_c", f"sink_{'right' if side == 'left' else 'left'}_c"

    def steps(rig: Rig, test: Test) -> Steps:
        cold: Readings = yield Read(1.0)
        limits = {name: cold.values[name] + WARM_BY_C for name in (channel, other)}
        payload = stage_payload(rig, Bound(channel, math.nan, limits[channel], "over-temperature"))
        payload = _with_limit(payload, other, math.nan, limits[other])
        readings = yield from _close(rig, test, payload, rig.low_volts)
        yield Hand(
            f"Now hold the {side.upper()} heatsink sensor between two fingers until the relay opens "
            f"(it has to get {WARM_BY_C:g} K warmer; in a hot room use something warm).",
            "apply",
            channel,
            cold.values[channel] + 6.0,
        )
        opening = yield from _opened(WARM_S, f"warming the {side} sensor", f"heatsink sensor {side}")
        trip = opening.tripped
        let_go = Hand("Let the sensor go.", "let-go", channel)
        if trip is not None and trip.channel == other:
            why = f"warming the {side} sensor moved {other} ({trip.value:.1f} °C), expected {channel}"
            found = Finding(False, why=why, part="heatsink sensors are swapped left and right")
        else:
            flowing = readings.values["rail_pos_a"]
            found = judge.judge_limit(
                opening, test.requirement, channel, math.nan, limits[channel], "over-temperature", "rail_pos_a", flowing
            )
            if found.ok:
                found = Finding(True, found.measures, (*found.seen, f"only {channel} moved"))
        return (yield from _and_rest(test, found, let_go))

    return steps


def _silence(rig: Rig, test: Test) -> Steps:
    readings = yield from _close(rig, test, stage_payload(rig), rig.low_volts)
    yield Tell("The program now falls silent; the board has to open by itself. Nothing for you to do.")
    opening, acked_ms = yield FallSilent(LEASE_MS / 1000.0 + 10.0)
    if opening is None:
        yield MakeOpen()
        return Finding(False, why="the relay stayed closed without a host", part="host lease")
    found = judge.judge_silence(opening, test.requirement, acked_ms, readings.values["rail_pos_a"])
    return (yield from _and_rest(test, found))


def _unplugged(part: str, what: str, channel: str, may_alert: bool) -> Callable[[Rig, Test], Steps]:
    # The same current flows through the other module, which stays in place.
    rail = "rail_neg_a" if channel == "rail_pos_a" else "rail_pos_a"

    def steps(rig: Rig, test: Test) -> Steps:
        readings = yield from _close(rig, test, stage_payload(rig), rig.low_volts)
        yield Hand(f"Now pull {what}.", "part-out", part)
        opening = yield from _opened(ACT_S, f"{part} unplugged", part)
        flowing = readings.values["rail_pos_a"]
        found = judge.judge_unplugged(opening, test.requirement, channel, rail, flowing, may_alert)
        return (yield from _and_rest(test, found, Hand(f"Plug {what} in again.", "part-in", part)))

    return steps


def _emergency_stop(rig: Rig, test: Test) -> Steps:
    readings = yield from _close(rig, test, stage_payload(rig), rig.low_volts)
    yield Hand("Now press the emergency stop and leave it pressed.", "estop", value=1.0)
    opening = yield from _opened(ACT_S, "emergency stop pressed", "emergency stop")
    shows = None if opening.scans is None else ~opening.scans.has(wire.ESTOP_OK)
    flowing = readings.values["rail_pos_a"]
    found = judge.judge_pin(opening, test.requirement, shows, "emergency stop", "pressing the stop", flowing)
    if found.ok:
        armed = yield Command(wire.ARM)
        if armed.done:
            found = Finding(False, found.measures, why="the board arms with the stop pressed", part="emergency stop")
    return (yield from _and_rest(test, found, Hand("Release the emergency stop.", "estop", value=0.0)))


def _button(rig: Rig, test: Test) -> Steps:
    readings = yield from _close(rig, test, stage_payload(rig), rig.low_volts)
    yield Hand("Now press the go/stop button once.", "button")
    opening = yield from _opened(ACT_S, "go/stop button pressed", "go/stop button")
    shows = None if opening.scans is None else opening.scans.has(wire.BUTTON)
    flowing = readings.values["rail_pos_a"]
    found = judge.judge_pin(opening, test.requirement, shows, "button", "pressing the button", flowing)
    return (yield from _and_rest(test, found))


def _stalled(rig: Rig, test: Test) -> Steps:
    yield from _close(rig, test, stage_payload(rig), rig.low_volts)
    yield Tell("The board's loop now stands still; the charge pump alone has to let go. Nothing for you to do.")
    reply = yield Command(wire.STALL, wire.pack_u32(STALL_MS))
    if reply is not None and not reply.done:
        yield MakeOpen()
        return Finding(False, why=f"the board refuses to stall: {reply.why}", part="board firmware")
    boot: Told | None = yield AwaitRestart(20.0)
    if boot is None:
        return Finding(False, why="the watchdog did not restart the board within 20 s", part="hardware watchdog")
    found = judge.judge_stall(boot.value, test.requirement)
    found = Finding(found.ok, found.measures, (f"restarted: {boot.text}",), found.why, found.part)
    return (yield from _and_rest(test, found))


def _usb(rig: Rig, test: Test) -> Steps:
    yield from _close(rig, test, stage_payload(rig), rig.low_volts)
    yield Hand("Now pull the board's USB plug, and look at the bench supply's ammeter.", "usb-out")
    if not (yield AwaitLoss(ACT_S)):
        yield MakeOpen()
        raise NotDone("USB plug not pulled by the person")
    flows = yield Ask(
        "usb-unplugged.current",
        "The board is gone. What does the supply's ammeter say now, with the plug out?",
        "choice",
        choices=("none", "flows"),
    )
    yield Hand("Plug the board in again.", "usb-in")
    boot: Told | None = yield AwaitRestart(ACT_S)
    if boot is None:
        return Finding(False, why="the board did not come back after it was plugged in", part="board or USB")
    seen = (f"current with the plug out, by the person: {flows}", f"restarted: {boot.text}")
    if flows != "none":
        why = "current went on flowing with the USB plug out"
        return Finding(False, seen=seen, why=why, part="relay chain: the coil must not hold without the board")
    return (yield from _and_rest(test, Finding(True, seen=seen)))


BUDGET = "hardware/opening-time.md"


def _required(text: str, at_most_ms: float | None, source: str) -> Requirement:
    return Requirement(text, at_most_ms, source)


_BY_LIMIT = _required(
    "contact open at most 45 ms after the last sample inside the limit",
    judge.SCAN_MS + judge.RELEASE_MS + judge.RECORD_MS,
    f"12.5 ms scan at worst + 20 ms release + 12.5 ms resolution ({BUDGET})",
)
_BY_ALERT = _required(
    "contact open at most 37.5 ms after the threshold was moved below the current",
    5.0 + judge.RELEASE_MS + judge.RECORD_MS,
    f"5 ms writing and one conversion + 20 ms release + 12.5 ms resolution ({BUDGET})",
)
_UNPLUGGED = _required(
    "contact open at most 157.5 ms after the last sample of the sensor",
    judge.SENSOR_MS + 3 * judge.SCAN_MS + judge.RELEASE_MS,
    f"100 ms without a reading + two scans + 20 ms release + 12.5 ms resolution ({BUDGET})",
)
_BY_PIN = _required(
    "contact open at most 45 ms after the stop, and no arming while it is pressed",
    judge.SCAN_MS + judge.RELEASE_MS + judge.RECORD_MS,
    f"12.5 ms scan at worst + 20 ms release + 12.5 ms resolution ({BUDGET})",
)

TESTS: tuple[Test, ...] = (
    Test(
        "self-test",
        "Self-test of every part, relay open: both coil transistors, latch, both alert lines",
        _required("every part ok, the relay chain's parts among them", None, "hardware/README.md, relay chain"),
        _self_test,
        gate=True,
    ),
    Test(
        "loop",
        "Both rail modules see the same current with the right sign; the relay opens when asked",
        _required(
            "currents within 10 % of voltage by resistance and 2 % of each other; contact open at most 32.5 ms after "
            "the coil is dropped",
            judge.RELEASE_MS + judge.RECORD_MS,
            f"Ohm's law, one loop; 20 ms release + 12.5 ms resolution ({BUDGET})",
        ),
        _loop,
        gate=True,
    ),
    Test(
        "bypass",
        "Limiter bypass relay closes, and falls back",
        _required("open before, closed with the limiter bypassed, open again after", None, "hardware/README.md, pins"),
        _bypass,
    ),
    Test("over-current-pos", "Over-current by software, positive rail", _BY_LIMIT, _over_current("rail_pos_a")),
    Test("over-current-neg", "Over-current by software, negative rail", _BY_LIMIT, _over_current("rail_neg_a")),
    Test("alert-pos", "Over-current by the alert line, positive rail", _BY_ALERT, _alert("rail_pos_a")),
    Test("alert-neg", "Over-current by the alert line, negative rail", _BY_ALERT, _alert("rail_neg_a")),
    Test("dc-offset-left", "DC at the left output, told from the right", _BY_LIMIT, _cell("left")),
    Test("dc-offset-right", "DC at the right output, told from the left", _BY_LIMIT, _cell("right")),
    Test("over-temperature-left", "Left heatsink too warm, told from the right", _BY_LIMIT, _warmed("left")),
    Test("over-temperature-right", "Right heatsink too warm, told from the left", _BY_LIMIT, _warmed("right")),
    Test(
        "host-silent",
        "The program falls silent",
        _required(
            "contact open at most 3.2 s after the last acknowledged frame",
            LEASE_MS + judge.HOST_MARGIN_MS,
            "lease of a run, 3 s, + 0.2 s for the way of a frame and of its acknowledgement",
        ),
        _silence,
    ),
    Test(
        "unplug-ntc-left",
        "Left heatsink sensor unplugged",
        _UNPLUGGED,
        _unplugged("ntc_left", "the LEFT heatsink sensor's plug", "sink_left_c", False),
    ),
    Test(
        "unplug-ntc-right",
        "Right heatsink sensor unplugged",
        _UNPLUGGED,
        _unplugged("ntc_right", "the RIGHT heatsink sensor's plug", "sink_right_c", False),
    ),
    Test(
        "unplug-rail-pos",
        "Positive rail module unplugged",
        _UNPLUGGED,
        _unplugged("rail_pos", "the POSITIVE rail module's signal plug", "rail_pos_a", True),
    ),
    Test(
        "unplug-rail-neg",
        "Negative rail module unplugged",
        _UNPLUGGED,
        _unplugged("rail_neg", "the NEGATIVE rail module's signal plug", "rail_neg_a", True),
    ),
    Test(
        "unplug-output-left",
        "Left output module unplugged",
        _UNPLUGGED,
        _unplugged("output_left", "the LEFT output module's signal plug", "offset_left_v", False),
    ),
    Test(
        "unplug-output-right",
        "Right output module unplugged",
        _UNPLUGGED,
        _unplugged("output_right", "the RIGHT output module's signal plug", "offset_right_v", False),
    ),
    Test("emergency-stop", "Emergency stop", _BY_PIN, _emergency_stop),
    Test(
        "button",
        "Go/stop button",
        _required(
            "contact open at most 65 ms after the button is pressed",
            judge.BUTTON_SCANS_MS + judge.SCAN_MS + judge.RELEASE_MS + judge.RECORD_MS,
            f"two scans pressed + 12.5 ms scan + 20 ms release + 12.5 ms resolution ({BUDGET})",
        ),
        _button,
    ),
    Test(
        "stalled-loop",
        "Stalled loop: the charge pump alone lets go",
        _required(
            "contact open at most 80 ms after the last pulse, before the watchdog's reset",
            judge.PUMP_MS + judge.RELEASE_MS,
            f"60 ms charge pump + 20 ms release ({BUDGET})",
        ),
        _stalled,
    ),
    Test(
        "usb-unplugged",
        "Board unplugged from USB",
        _required(
            "no current with the plug out; relay open and nothing armed after the restart (no time: the board is dark)",
            None,
            "hardware/README.md, what opens the mains relay",
        ),
        _usb,
    ),
)
TEST_IDS = tuple(test.id for test in TESTS)


def chosen_tests(only: Sequence[str]) -> tuple[Test, ...]:
    """Return the tests to do, in their order; all for none named. The self-test always leads.

    Raises:
        PlanError: a name is not one of those that exist.
    """
    unknown = [name for name in only if name not in TEST_IDS]
    if unknown:
        raise PlanError(f"--only {unknown[0]!r}; allowed: {', '.join(TEST_IDS)}")
    return tuple(test for test in TESTS if not only or test.id in only or test.id == "self-test")


# The whole procedure


def ask_rig() -> Generator[Any, Any, Rig]:
    """Ask for the rig's values until they are usable."""
    supply = yield Ask("rig.supply", "Which bench supply (maker, model, number)?", "text")
    resistor = yield Ask("rig.resistor", "Which power resistor (type, or what is printed on it)?", "text")
    while True:
        volts = yield Ask(
            "rig.volts", "Highest voltage to use (the lower one is two thirds of it)?", "number", "V", LEAST_V, MOST_V
        )
        ohms = yield Ask("rig.ohms", "Resistance of the power resistor?", "number", "ohm", 0.5, 100.0)
        watts = yield Ask("rig.watts", "What may it dissipate, as mounted?", "number", "W", 1.0, 2000.0)
        try:
            return checked_rig(Rig(number(volts), number(ohms), number(watts), supply, resistor))
        except PlanError as error:
            yield Tell(f"This cannot be used: {error}.")


def _set_up(rig: Rig) -> Generator[Any, Any, None]:
    yield Tell(
        "Wire the rig with everything off and no mains anywhere: supply plus through the mains relay's contact to the "
        "positive rail module, the resistor, the negative rail module, and back to supply minus. Each rail module's "
        "voltage sense goes across the resistor; nothing is in the limiter's socket. Join the sense leads of each "
        "output module. hardware/wiring.md, section 5, shows it."
    )
    yield Hand(f"The resistor in the rig: {rig.ohms:g} ohm.", "resistor", value=rig.ohms)
    yield Hand(
        f"Set the supply to {rig.low_volts:g} V, its current limit to {1.1 * rig.amps:.1f} A, and switch its "
        "output on.",
        "supply",
        value=rig.low_volts,
    )
    yield from _agreed(Ask("rig.ready", "Is the rig wired like this and the emergency stop released?", "confirm"))


def commission(tests: Sequence[Test], rig: Rig | None = None) -> Procedure[tuple[Rig | None, tuple[TestResult, ...]]]:
    """Do the tests one after the other; return the rig and what each came to.

    A test that was not reached is on the list as not done. Stops early when a
    gate does not pass or the relay cannot be made to open.
    """
    for words in CAUTIONS:
        yield Tell(words)
    results: list[TestResult] = []
    stop = ""
    for test in tests:
        if stop:
            results.append(_result(test, None, stop, ""))
            yield Ended(results[-1])
            continue
        if rig is None and test.id != "self-test":
            rig = yield from ask_rig()
            yield UsesRig(rig)
            yield from _set_up(rig)
        yield Began(test.id)
        yield Tell(f"--- {test.title}")
        finding, why = yield from _attempted(test, rig or Rig(30.0, 10.0, 100.0))
        at_utc = yield Now()
        results.append(_result(test, finding, why, at_utc))
        yield Ended(results[-1])
        stop = yield from _after(test, results[-1])
    return rig, tuple(results)


def _attempted(test: Test, rig: Rig) -> Generator[Any, Any, tuple[Finding | None, str]]:
    """Do one test; return (what it found, "") or (None, why it was not done)."""
    try:
        yield from _ready(test)
        finding = yield from test.run(rig, test)
    except Failed as failed:
        return failed.finding, ""
    except NotDone as error:
        return None, str(error)
    except LinkError as error:
        return Finding(False, why=f"the board was lost: {error}", part="link, or the board itself"), ""
    except (BoardFault, PlanError) as error:
        return Finding(False, why=str(error), part="board"), ""
    return finding, ""


def _ready(test: Test) -> Generator[Any, Any, None]:
    """Have an old trip reset by a person before a test begins; the self-test is done in any state."""
    now: Readings = yield Read(0.3)
    if now.state in TRIPPED_OR_WORSE and test.id != "self-test":
        text = f"The board holds an earlier trip ({now.state_name}). Reset it? The relay stays open."
        yield from _agreed(Ask(f"{test.id}.old-trip", text, "confirm"))
        yield from _done(wire.RESET)


def _after(test: Test, result: TestResult) -> Generator[Any, Any, str]:
    """Leave the relay open; return why nothing more should be tried, "" to go on."""
    try:
        is_open = yield MakeOpen()
    except BenchwardenError as error:
        return f"the board cannot be reached any more ({error})"
    if not is_open:
        yield Tell("THE RELAY DOES NOT READ OPEN. Switch the supply off now.")
        return f"after {test.id} the relay did not read open"
    if test.gate and result.verdict != "pass":
        return f"{test.id} did not pass"
    return ""


def _result(test: Test, finding: Finding | None, why: str, at_utc: str) -> TestResult:
    if finding is None:
        return TestResult(test.id, test.title, test.requirement, "not done", why=why, at_utc=at_utc)
    return TestResult(
        test.id,
        test.title,
        test.requirement,
        "pass" if finding.ok else "fail",
        finding.measures,
        finding.seen,
        finding.why,
        finding.part,
        at_utc,
    )
