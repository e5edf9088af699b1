"""Every test of a commissioning: what it does, what is required, and where that comes from."""

from __future__ import annotations

import math
from collections.abc import Callable

from benchwarden.analysis import commissioning as judge
from benchwarden.commission_moves import (
    Bound,
    Steps,
    Test,
    and_rest,
    close_relay,
    done,
    opened,
    stage_payload,
    with_limit,
)
from benchwarden.commission_work import (
    LEASE_MS,
    AwaitEvent,
    AwaitLoss,
    AwaitOpening,
    AwaitRestart,
    Command,
    FallSilent,
    MakeOpen,
    Read,
    SelfTest,
)
from benchwarden.core.channels import CHANNELS
from benchwarden.core.commissioning import (
    Finding,
    Hand,
    NotDone,
    Opening,
    Readings,
    Requirement,
    Rig,
    Told,
)
from benchwarden.core.procedure import Ask, Tell
from wardenfw import wire

# Twice the watchdog's time: the board must be reset before, or its watchdog does not work.
STALL_MS = 2000
# How long a person has for what is asked of them with the relay closed, seconds.
ACT_S = 60.0
WARM_S = 150.0
CELL_LIMIT_V = 1.0
WARM_BY_C = 1.5


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
    readings = yield from close_relay(rig, test, stage_payload(rig), rig.low_volts)
    pos, neg = readings.values["rail_pos_a"], readings.values["rail_neg_a"]
    seen = (
        f"rail_pos_a {pos:.4f} A, rail_neg_a {neg:.4f} A at {rig.low_volts:g} V, expected {rig.low_amps:.3f} A",
        f"rail_pos_v {readings.values['rail_pos_v']:.2f} V, rail_neg_v {readings.values['rail_neg_v']:.2f} V",
    )
    yield from done(wire.OPEN, wire.pack_open(wire.CAUSES.index("operator"), "commissioning: asked to open"))
    opening: Opening | None = yield AwaitOpening(3.0)
    if opening is None:
        return Finding(False, seen=seen, why="the relay did not open when asked", part="mains relay (welded contact?)")
    found = judge.judge_command(opening, test.requirement, pos)
    found = Finding(found.ok, found.measures, (*seen, *found.seen), found.why, found.part)
    return (yield from and_rest(test, found))


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
            yield from close_relay(rig, test, stage_payload(rig), rig.low_volts, "The bypass relay closes with it.")
        if moment == "after":
            yield from done(wire.OPEN, wire.pack_open(0, "commissioning: bypass seen"))
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
        readings = yield from close_relay(rig, test, payload, rig.low_volts)
        yield Hand(
            f"Now turn the supply up from {rig.low_volts:g} V to {rig.volts:g} V. The relay opens on the way.",
            "supply",
            value=rig.volts,
        )
        opening = yield from opened(ACT_S, f"current beyond {limit_a:.3f} A", f"limit of {channel}")
        found = judge.judge_limit(
            opening, test.requirement, channel, math.nan, limit_a, "over-current", channel, readings.values[channel]
        )
        back = Hand(f"Turn the supply back to {rig.low_volts:g} V.", "supply", value=rig.low_volts)
        return (yield from and_rest(test, found, back))

    return steps


def _alert(channel: str) -> Callable[[Rig, Test], Steps]:
    def steps(rig: Rig, test: Test) -> Steps:
        readings = yield from close_relay(rig, test, stage_payload(rig), rig.low_volts)
        high, low = 2.0 * rig.amps, 0.5 * rig.low_amps
        alert_a = (low, high) if channel == "rail_pos_a" else (high, low)
        yield from done(wire.STAGE, stage_payload(rig, alert_a=alert_a))
        moved: Told | None = yield AwaitEvent(wire.EV_STAGE, 2.0)
        opening: Opening | None = yield AwaitOpening(3.0)
        if opening is None or moved is None:
            yield MakeOpen()
            why = f"the relay stayed closed with the alert threshold at {low:.3f} A and the current above it"
            return Finding(False, why=why, part=f"alert line of {channel.removesuffix('_a')}")
        found = judge.judge_alert(opening, test.requirement, channel, moved.t_ms, readings.values[channel])
        return (yield from and_rest(test, found))

    return steps


def _cell(side: str) -> Callable[[Rig, Test], Steps]:
    channel, other = f"offset_{side}_v", f"offset_{'right' if side == 'left' else 'left'}_v"

    def steps(rig: Rig, test: Test) -> Steps:
        # Both sides are watched, so that the wrong one is told at once.
        wide = stage_payload(rig, Bound(channel, -CELL_LIMIT_V, CELL_LIMIT_V, "dc-offset"))
        payload = with_limit(wide, other, -CELL_LIMIT_V, CELL_LIMIT_V)
        readings = yield from close_relay(rig, test, payload, rig.low_volts)
        yield Hand(
            f"Now touch the {side.upper()} output module's sense leads with a 1.5 V cell: plus to the output lead, "
            "minus to the amplifier 0 V lead. Hold it there.",
            "apply",
            channel,
            1.5,
        )
        opening = yield from opened(ACT_S, f"cell at the {side} output lead", f"output module {side}")
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
        return (yield from and_rest(test, found, let_go))

    return steps


def _warmed(side: str) -> Callable[[Rig, Test], Steps]:
    channel, other = f"sink_{side}_c", f"sink_{'right' if side == 'left' else 'left'}_c"

    def steps(rig: Rig, test: Test) -> Steps:
        cold: Readings = yield Read(1.0)
        limits = {name: cold.values[name] + WARM_BY_C for name in (channel, other)}
        payload = stage_payload(rig, Bound(channel, math.nan, limits[channel], "over-temperature"))
        payload = with_limit(payload, other, math.nan, limits[other])
        readings = yield from close_relay(rig, test, payload, rig.low_volts)
        yield Hand(
            f"Now hold the {side.upper()} heatsink sensor between two fingers until the relay opens "
            f"(it has to get {WARM_BY_C:g} K warmer; in a hot room use something warm).",
            "apply",
            channel,
            cold.values[channel] + 6.0,
        )
        opening = yield from opened(WARM_S, f"warming the {side} sensor", f"heatsink sensor {side}")
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
        return (yield from and_rest(test, found, let_go))

    return steps


def _silence(rig: Rig, test: Test) -> Steps:
    readings = yield from close_relay(rig, test, stage_payload(rig), rig.low_volts)
    yield Tell("The program now falls silent; the board has to open by itself. Nothing for you to do.")
    opening, acked_ms = yield FallSilent(LEASE_MS / 1000.0 + 10.0)
    if opening is None:
        yield MakeOpen()
        return Finding(False, why="the relay stayed closed without a host", part="host lease")
    found = judge.judge_silence(opening, test.requirement, acked_ms, readings.values["rail_pos_a"])
    return (yield from and_rest(test, found))


def _unplugged(part: str, what: str, channel: str, may_alert: bool) -> Callable[[Rig, Test], Steps]:
    # The same current flows through the other module, which stays in place.
    rail = "rail_neg_a" if channel == "rail_pos_a" else "rail_pos_a"

    def steps(rig: Rig, test: Test) -> Steps:
        readings = yield from close_relay(rig, test, stage_payload(rig), rig.low_volts)
        yield Hand(f"Now pull {what}.", "part-out", part)
        opening = yield from opened(ACT_S, f"{part} unplugged", part)
        flowing = readings.values["rail_pos_a"]
        found = judge.judge_unplugged(opening, test.requirement, channel, rail, flowing, may_alert)
        return (yield from and_rest(test, found, Hand(f"Plug {what} in again.", "part-in", part)))

    return steps


def _emergency_stop(rig: Rig, test: Test) -> Steps:
    readings = yield from close_relay(rig, test, stage_payload(rig), rig.low_volts)
    yield Hand("Now press the emergency stop and leave it pressed.", "estop", value=1.0)
    opening = yield from opened(ACT_S, "emergency stop pressed", "emergency stop")
    shows = None if opening.scans is None else ~opening.scans.has(wire.ESTOP_OK)
    flowing = readings.values["rail_pos_a"]
    found = judge.judge_pin(opening, test.requirement, shows, "emergency stop", "pressing the stop", flowing)
    if found.ok:
        armed = yield Command(wire.ARM)
        if armed.done:
            found = Finding(False, found.measures, why="the board arms with the stop pressed", part="emergency stop")
    return (yield from and_rest(test, found, Hand("Release the emergency stop.", "estop", value=0.0)))


def _button(rig: Rig, test: Test) -> Steps:
    readings = yield from close_relay(rig, test, stage_payload(rig), rig.low_volts)
    yield Hand("Now press the go/stop button once.", "button")
    opening = yield from opened(ACT_S, "go/stop button pressed", "go/stop button")
    shows = None if opening.scans is None else opening.scans.has(wire.BUTTON)
    flowing = readings.values["rail_pos_a"]
    found = judge.judge_pin(opening, test.requirement, shows, "button", "pressing the button", flowing)
    return (yield from and_rest(test, found))


def _stalled(rig: Rig, test: Test) -> Steps:
    yield from close_relay(rig, test, stage_payload(rig), rig.low_volts)
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
    return (yield from and_rest(test, found))


def _usb(rig: Rig, test: Test) -> Steps:
    yield from close_relay(rig, test, stage_payload(rig), rig.low_volts)
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
    return (yield from and_rest(test, Finding(True, seen=seen)))


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
