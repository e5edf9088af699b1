"""Named faults: what goes wrong, how badly, where it shows and what it destroys.

Severity runs from 0 (barely there) to 1 (as bad as it is met). A fault acts on
the amplifier's parts, never on its readings, except for those that are faults
of a sensor. `damages` says what is destroyed if nobody opens the relay, and
the amplifier records it in `damaged` when it happens.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from benchwarden.virtual.amplifier import BOLTZMANN_V, ZERO_C_K, compensation_for_loop_gain, thermal_loop_gain

if TYPE_CHECKING:
    from benchwarden.virtual.dut import Dut

Apply = Callable[["Dut", float, float, str], None]


@dataclass(frozen=True)
class Fault:
    """One fault.

    Attributes:
        summary: what is wrong, for a person choosing it.
        severity: what 0 and 1 stand for.
        channel: what the channel argument picks.
        shows: where it appears in the channels.
        damages: what is destroyed and when, or "nothing".
        apply: makes it so: (dut, severity, t_s, channel).
    """

    name: str
    summary: str
    severity: str
    channel: str
    shows: str
    damages: str
    apply: Apply


def _device_shorted(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    if severity < 0.5:
        dut.short_device(channel, 0.25 + 2.0 * (0.5 - severity), both=False)
    else:
        dut.short_device(channel, 0.25 + 6.0 * (1.0 - severity), both=True)


def _rail_missing(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    if channel == "left":
        dut.supply.pos_open = True
    else:
        dut.supply.neg_open = True


def _bias_high(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    stage = dut.stage(channel)
    # Cold, as the technician would first see it: 1.6 to 9 times the target.
    wanted = min(stage.params.target_drop_v * (1.6 + 7.4 * severity), 0.24)
    stage.set_drop(wanted, dut.params.rail_nominal_v)


def _spreader_uncoupled(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    stage = dut.stage(channel)
    stage.heat.coupling *= 1.0 - severity
    stage.params = replace(stage.params, coupling=stage.heat.coupling)


def _runaway(gain_0: float, gain_1: float) -> Apply:
    def apply(dut: Dut, severity: float, t_s: float, channel: str) -> None:
        stage = dut.stage(channel)
        p = stage.params
        # The loop gain falls with the current: take the lower of target and
        # present drop, so that it is above one from where the stage stands. A
        # pot still at its minimum says nothing about where it will stand.
        drop = p.target_drop_v
        present = stage.drop_if_on_v()
        if 0.2 * drop < present < drop:
            drop = present
        gain = gain_0 + (gain_1 - gain_0) * severity
        wanted = compensation_for_loop_gain(
            p, dut.params.rail_nominal_v, gain, drop_v=drop, junction_c=stage.heat.junction_c + 10.0
        )
        stage.set_compensation(wanted)

    return apply


def _runaway_fast(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    stage = dut.stage(channel)
    p = stage.params
    # The device hangs loose: the part of the loop that closes through junction
    # and case alone, which no spreader on the sink can catch, gets this gain.
    at_c = stage.heat.junction_c + 10.0
    rail_v = dut.params.rail_nominal_v
    per_k = thermal_loop_gain(replace(p, rth_jc=1.0, rth_cs=0.0, rth_sa=0.0), rail_v, junction_c=at_c)
    wanted = (1.0 + 1.2 * severity) / per_k
    stage.heat.rth_cs = max(p.rth_cs, wanted - p.rth_jc)
    stage.params = replace(p, rth_cs=stage.heat.rth_cs)
    stage.changed()
    _runaway(2.0, 4.0)(dut, severity, t_s, channel)


def _weak_devices(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    stage = dut.stage(channel)
    heat = stage.heat
    heat.rth_jc *= 1.0 + 3.5 * severity
    heat.c_junction *= 1.0 - 0.7 * severity
    stage.tj_max_c -= 25.0 * severity
    # The pot was set with these devices in place: their Is shows in the
    # temperature coefficient, not in the present bias.
    factor = 1.0 + 2.0 * severity
    stage.is_factor *= factor
    stage.setting_v -= BOLTZMANN_V * (heat.junction_c + ZERO_C_K) * math.log(factor)
    stage.params = replace(stage.params, rth_jc=heat.rth_jc, ohmic_ohm=stage.params.ohmic_ohm * (1.0 + 2.0 * severity))
    stage.changed()


def _poor_interface(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    stage = dut.stage(channel)
    stage.heat.rth_cs *= 1.0 + 9.0 * severity
    stage.params = replace(stage.params, rth_cs=stage.heat.rth_cs)
    stage.changed()


def _oscillation_small(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    dut.stage(channel).hf_fault_v = 0.15 + 1.05 * severity


def _oscillation_gross(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    dut.stage(channel).hf_fault_v = 12.0 + 30.0 * severity


def _oscillation_burst(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    rng = dut.rng_for("oscillation-burst")
    until_s = [t_s + rng.uniform(0.5, 4.0)]
    burning = [False]

    def process(dut: Dut, dt_s: float) -> None:
        if dut.t_s < until_s[0]:
            return
        stage = dut.stage(channel)
        burning[0] = not burning[0]
        if burning[0]:
            stage.hf_fault_v = (1.0 + 8.0 * severity) * rng.uniform(0.6, 1.3)
            until_s[0] = dut.t_s + rng.uniform(0.02, 0.1 + 0.4 * severity)
        else:
            stage.hf_fault_v = 0.0
            until_s[0] = dut.t_s + rng.expovariate(1.0 / (12.0 - 9.0 * severity))

    dut.processes.append(process)


def _offset_jump(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    sign = 1.0 if dut.rng_for("offset-jump").random() < 0.5 else -1.0
    # Ten to one per half of the range: 0.1 V, 2 V, 40 V.
    dut.stage(channel).offset_shift_v += sign * 0.1 * 400.0**severity


def _offset_creep(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    sign = 1.0 if dut.rng_for("offset-creep").random() < 0.5 else -1.0
    per_s = sign * 2e-5 * 100.0**severity
    stage = dut.stage(channel)

    def process(dut: Dut, dt_s: float) -> None:
        if dut.supply.pos_v > 5.0:
            stage.offset_shift_v += per_s * dt_s

    dut.processes.append(process)


def _leaky_device(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    dut.stage(channel).leak_a = 2e-3 * 40.0**severity


def _bias_intermittent(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    rng = dut.rng_for("bias-intermittent")
    stage = dut.stage(channel)
    until_s = [t_s]

    def process(dut: Dut, dt_s: float) -> None:
        if dut.t_s < until_s[0]:
            return
        if stage.bias_shift_v or rng.random() < 0.3:
            stage.bias_shift_v = 0.0
            until_s[0] = dut.t_s + rng.expovariate(1.0 / (20.0 - 16.0 * severity))
        else:
            stage.bias_shift_v = (0.002 + 0.03 * severity) * rng.uniform(0.4, 1.0) * rng.choice((-1.0, 1.0))
            until_s[0] = dut.t_s + rng.expovariate(1.0 / 0.6)

    dut.processes.append(process)


def _airflow_blocked(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    stage = dut.stage(channel)
    stage.heat.rth_sa *= 1.0 + 2.0 * severity
    stage.params = replace(stage.params, rth_sa=stage.heat.rth_sa)
    stage.changed()


def _sensor_off(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    stage = dut.stage(channel)
    # Hanging in the air beside the sink it still feels a little of it.
    feels = 0.25 * (1.0 - severity)
    seen = [stage.heat.sensor_c]

    def process(dut: Dut, dt_s: float) -> None:
        ambient = dut.wander.ambient_c
        end = ambient + feels * (stage.heat.sink_c - ambient)
        seen[0] += (end - seen[0]) * (1.0 - math.exp(-dt_s / 20.0))

    dut.processes.append(process)
    dut.sensor[f"sink_{channel}_c"] = lambda true_c: seen[0]


def _sensor_open(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    dut.sensor[f"sink_{channel}_c"] = "open"


def _sensor_short(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    dut.sensor[f"sink_{channel}_c"] = "short"


def _hf_probe_unplugged(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    dut.sensor[f"hf_{channel}_v"] = lambda true_v: 0.0


def _board(name: str) -> Apply:
    def apply(dut: Dut, severity: float, t_s: float, channel: str) -> None:
        dut.board_faults.add(name)

    return apply


_ONE = "no effect: it is there or not"
_SIDE = "the amplifier channel"
_ALL = (
    Fault(
        "device-shorted",
        "output device shorted collector to emitter",
        "below 0.5 one device, the other half fights it; from 0.5 both; residual resistance falls to 0.25 ohm at 1",
        _SIDE,
        "rail currents up to what lamp and supply give, rails low; offset at the positive rail if one device only",
        "without the limiter the emitter resistor within about a second, and the surviving device",
        _device_shorted,
    ),
    Fault(
        "rail-missing",
        "one rail has no supply (fuse, winding, rectifier)",
        _ONE,
        "left: the positive rail, right: the negative",
        "that rail's voltage falls to nothing, both offsets swing to the other rail, bias collapses",
        "a connected load, by DC, within a second or two",
        _rail_missing,
    ),
    Fault(
        "bias-high",
        "bias set far too high (open pot, wrong resistor)",
        "cold drop 1.6 to 9 times the target",
        _SIDE,
        "bias drop and rail currents high from the start, sink climbs",
        "output devices by heat at higher severities, after minutes",
        _bias_high,
    ),
    Fault(
        "spreader-uncoupled",
        "bias spreader no longer touches the heatsink",
        "share of the coupling that is lost",
        _SIDE,
        "bias drop follows the sink upwards; runs away where the loop gain passes one",
        "output devices if the loop gain passes one",
        _spreader_uncoupled,
    ),
    Fault(
        "runaway-slow",
        "thermal loop gain somewhat above one",
        "loop gain 1.1 to 1.8 at the bias it starts from",
        _SIDE,
        "bias drop, rail currents and sink rise together, faster and faster, over many minutes",
        "output devices by heat",
        _runaway(1.1, 1.8),
    ),
    Fault(
        "runaway-fast",
        "output devices loose on the heatsink: the loop closes through junction and case alone",
        "gain of that inner loop 1.0 to 2.2, of the whole loop 2 to 4, at the bias it starts from",
        _SIDE,
        "bias drop and rail currents climb faster and faster within a minute or a few, sink hardly moves",
        "output devices by heat",
        _runaway_fast,
    ),
    Fault(
        "weak-devices",
        "devices are not what their marking says: small die",
        "junction resistance up to 4.5 times, heat capacity down to 0.3, rating 25 K lower",
        _SIDE,
        "idle bias drop climbs a little more with its own heat; looks normal otherwise",
        "output devices when driven, with the sink still acceptable",
        _weak_devices,
    ),
    Fault(
        "poor-interface",
        "no compound or a crooked insulator between case and sink",
        "case to sink resistance 1 to 10 times",
        _SIDE,
        "bias drop climbs within seconds of heating while the sink stays cool; little recovery with the spreader",
        "output devices when driven",
        _poor_interface,
    ),
    Fault(
        "oscillation-small",
        "steady oscillation of a volt or less, far above audio",
        "0.15 to 1.2 V peak",
        _SIDE,
        "HF level above its floor, rail currents and bias drop up by milliamperes",
        "nothing at once",
        _oscillation_small,
    ),
    Fault(
        "oscillation-burst",
        "oscillation in bursts",
        "1 to 9 V peak, longer and more frequent with severity",
        _SIDE,
        "HF maximum jumps for tens to hundreds of milliseconds, rail current with it",
        "nothing, or the output network's resistor at the worst",
        _oscillation_burst,
    ),
    Fault(
        "oscillation-gross",
        "oscillation over much of the rail",
        "12 to 42 V peak, at most 0.7 of the rail",
        _SIDE,
        "HF level tens of volts, rail currents up by a good part of an ampere, offset shifts, sink heats",
        "output network's resistor within seconds, devices later",
        _oscillation_gross,
    ),
    Fault(
        "offset-jump",
        "DC appears at the output at once",
        "0.1 V at 0, 2 V at 0.5, 40 V (or the rail) at 1",
        _SIDE,
        "offset steps; with a load one rail's current too",
        "a connected load above some 9 V (8 ohm)",
        _offset_jump,
    ),
    Fault(
        "offset-creep",
        "DC at the output grows (leaking input or feedback capacitor)",
        "20 uV/s to 2 mV/s",
        _SIDE,
        "offset ramps while powered",
        "a connected load above some 9 V (8 ohm)",
        _offset_creep,
    ),
    Fault(
        "leaky-device",
        "output device leaks collector to emitter, doubling every 10 K",
        "2 mA to 80 mA at 25 C and full rail",
        _SIDE,
        "bias drop and rail currents too high and rising with temperature whatever the pot does",
        "output devices by heat at higher severities",
        _leaky_device,
    ),
    Fault(
        "bias-intermittent",
        "bias pot's wiper crackles",
        "jumps of 2 to 32 mV in the bias voltage, every 20 s down to every 4 s",
        _SIDE,
        "bias drop and rail currents step for tenths of a second and return",
        "nothing by itself",
        _bias_intermittent,
    ),
    Fault(
        "airflow-blocked",
        "heatsink covered",
        "sink to air resistance 1 to 3 times",
        _SIDE,
        "sink drifts to a higher end value, bias with it as far as its loop gain says",
        "devices only when driven hard",
        _airflow_blocked,
    ),
    Fault(
        "sensor-off",
        "sink sensor fell off and hangs in the air",
        "at 0 it still feels a quarter of the rise, at 1 nothing",
        _SIDE,
        "sink reading decays to ambient while the sink stays hot",
        "nothing by itself",
        _sensor_off,
    ),
    Fault("sensor-open", "sink sensor's wire broken", _ONE, _SIDE, "no sink reading", "nothing", _sensor_open),
    Fault("sensor-short", "sink sensor's wires touch", _ONE, _SIDE, "no sink reading", "nothing", _sensor_short),
    Fault(
        "hf-probe-unplugged",
        "HF input hangs loose",
        _ONE,
        _SIDE,
        "HF level exactly at zero, below its usual floor",
        "nothing",
        _hf_probe_unplugged,
    ),
    Fault(
        "relay-welded",
        "mains relay's contact does not open",
        _ONE,
        "no effect",
        "mains_on stays; acted on by the bench's server",
        "whatever the relay should have prevented",
        _board("relay-welded"),
    ),
    Fault(
        "board-hang",
        "board's program stops",
        _ONE,
        "no effect",
        "frames stop, pulses stop, relay drops; acted on by the bench's server",
        "nothing",
        _board("board-hang"),
    ),
    Fault(
        "usb-unplugged",
        "cable to the host pulled",
        _ONE,
        "no effect",
        "host hears nothing; acted on by the bench's server",
        "nothing",
        _board("usb-unplugged"),
    ),
)

FAULTS: dict[str, Fault] = {fault.name: fault for fault in _ALL}


def _pick_up(dut: Dut, left_v: float, right_v: float) -> None:
    dut.left.hf_pickup_v = left_v
    dut.right.hf_pickup_v = right_v


def _phone_burst(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    rng = dut.rng_for("phone-burst")
    next_s = [t_s]
    until_s = [t_s]
    level = [0.0, 0.0]

    def process(dut: Dut, dt_s: float) -> None:
        if dut.t_s >= next_s[0]:
            until_s[0] = dut.t_s + rng.uniform(0.5, 2.5)
            next_s[0] = until_s[0] + rng.expovariate(1.0 / 90.0)
            level[0] = (0.1 + 1.4 * severity) * rng.uniform(0.5, 1.0)
            level[1] = level[0] * rng.uniform(0.3, 1.0)
        if dut.t_s < until_s[0]:
            # A time slot is on for an eighth of its frame: what a scan meets is chance.
            on = rng.random() < 0.4
            _pick_up(dut, level[0] if on else 0.0, level[1] if on else 0.0)
        else:
            _pick_up(dut, 0.0, 0.0)

    dut.processes.append(process)


def _transmitter(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    rng = dut.rng_for("transmitter")
    turn_s = [t_s]
    on = [False]
    share = rng.uniform(0.5, 1.0)

    def process(dut: Dut, dt_s: float) -> None:
        if dut.t_s < turn_s[0]:
            return
        on[0] = not on[0]
        level = (0.05 + 0.75 * severity) if on[0] else 0.0
        _pick_up(dut, level, level * share)
        turn_s[0] = dut.t_s + (rng.uniform(30.0, 240.0) if on[0] else rng.expovariate(1.0 / 300.0))

    dut.processes.append(process)


def _switch_click(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    rng = dut.rng_for("switch-click")
    next_s = [t_s]

    def process(dut: Dut, dt_s: float) -> None:
        if dut.t_s >= next_s[0]:
            level = (0.5 + 9.5 * severity) * rng.uniform(0.3, 1.0)
            _pick_up(dut, level, level * rng.uniform(0.6, 1.0))
            next_s[0] = dut.t_s + 0.02 + rng.expovariate(1.0 / 60.0)
        else:
            _pick_up(dut, 0.0, 0.0)

    dut.processes.append(process)


def _mains_dip(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    rng = dut.rng_for("mains-dip")
    end_s = t_s + rng.uniform(0.1, 1.5)
    depth = 0.1 + 0.3 * severity
    dut.wander.dip = 1.0 - depth

    def process(dut: Dut, dt_s: float) -> None:
        if dut.t_s >= end_s:
            dut.wander.dip = 1.0

    dut.processes.append(process)


def _draught(dut: Dut, severity: float, t_s: float, channel: str) -> None:
    dut.wander.shift_ambient(-2.0 - 6.0 * severity)


_HARMLESS = (
    Fault(
        "phone-burst",
        "a telephone beside the bench",
        "0.1 to 1.5 V of pick-up",
        "no effect: both channels hear it",
        "HF level of both channels in tattered bursts of a second or two; no rail current with it",
        "nothing",
        _phone_burst,
    ),
    Fault(
        "transmitter",
        "a transmitter in the neighbourhood keys for minutes",
        "0.05 to 0.8 V of pick-up",
        "no effect: both channels hear it",
        "HF level of both channels steps up for half a minute to four minutes; no rail current with it",
        "nothing",
        _transmitter,
    ),
    Fault(
        "switch-click",
        "a switch or thermostat on the same mains",
        "0.5 to 10 V of pick-up",
        "no effect: both channels hear it",
        "HF level of both channels for one scan, about once a minute",
        "nothing",
        _switch_click,
    ),
    Fault(
        "mains-dip",
        "mains sags for up to a second and a half",
        "10 to 40 % deep",
        "no effect",
        "both rails sag together and come back with a charging surge",
        "nothing",
        _mains_dip,
    ),
    Fault(
        "draught",
        "a window opens",
        "ambient falls by 2 to 8 K",
        "no effect",
        "ambient steps down, sinks and bias follow slowly",
        "nothing",
        _draught,
    ),
)

# What looks like a fault and is none; accepted wherever a fault is.
LOOK_ALIKES: dict[str, Fault] = {fault.name: fault for fault in _HARMLESS}

_BOARD = "no effect on the amplifier"
_OF_BOARD = (
    Fault(
        "shunt-reversed",
        "a rail module's shunt leads are swapped",
        _ONE,
        "left: the positive rail module, right: the negative",
        "that rail's current reads negative",
        "nothing",
        _board("shunt-reversed"),
    ),
    Fault(
        "modules-swapped",
        "left and right output modules sit on each other's channel",
        _ONE,
        "no effect: it takes both",
        "left readings are the right channel's and the other way round; the heatsinks are as they should",
        "nothing",
        _board("modules-swapped"),
    ),
    Fault(
        "wrong-address",
        "a module answers at an address where nobody asks",
        "below 0.5 an output module, from 0.5 a rail module",
        "left: positive rail or left output, right: the other",
        "that module's readings are missing",
        "nothing",
        _board("wrong-address"),
    ),
    Fault(
        "module-missing",
        "a sense module is not plugged in",
        "below 0.5 an output module, from 0.5 a rail module",
        "left: positive rail or left output, right: the other",
        "that module's readings are missing",
        "nothing",
        _board("module-missing"),
    ),
    Fault(
        "flash-worn",
        "cells of the board's flash do not take what is written",
        "below 0.5 a write is refused, from 0.5 a bit of it is lost silently",
        _BOARD,
        "nothing until something is stored",
        "nothing",
        _board("flash-worn"),
    ),
    Fault(
        "brown-out-in-write",
        "the board's supply dips during its next write to flash",
        "share of that write that is done",
        _BOARD,
        "the board boots anew; a file holds the beginning of what was written",
        "nothing",
        _board("brown-out-in-write"),
    ),
    Fault(
        "program-edited",
        "the board's program is not as it was installed",
        "below 0.5 a file was added, from 0.5 one bit of a file differs",
        _BOARD,
        "nothing in the readings",
        "nothing by itself",
        _board("program-edited"),
    ),
    Fault(
        "pump-fet-shorted",
        "the transistor behind the charge pump conducts for ever",
        _ONE,
        _BOARD,
        "coil sense high with everything off; enable alone closes the relay",
        "nothing by itself: the dead man is gone",
        _board("pump-fet-shorted"),
    ),
    Fault(
        "enable-fet-shorted",
        "the enable transistor conducts for ever",
        _ONE,
        _BOARD,
        "coil sense low with everything off; pulses alone close the relay",
        "nothing by itself",
        _board("enable-fet-shorted"),
    ),
    Fault(
        "latch-stuck",
        "the alert latch does not change its state",
        "below 0.5 it holds the pulses back for ever, from 0.5 it never does",
        _BOARD,
        "latch sense steady whatever the alert line does",
        "nothing by itself: an over-current is left to the interrupt",
        _board("latch-stuck"),
    ),
    Fault(
        "alert-stuck-high",
        "the alert line does not reach the board",
        _ONE,
        _BOARD,
        "a rail monitor's alert is not seen",
        "nothing by itself: an over-current is left to the software",
        _board("alert-stuck-high"),
    ),
    Fault(
        "coil-supply-missing",
        "the 12 V of the relay coils is missing",
        _ONE,
        _BOARD,
        "the relay opens, or does not close",
        "nothing",
        _board("coil-supply-missing"),
    ),
)

# Faults of board, modules and relay chain, for the amplifier's bench and the rig alike.
BOARD_FAULTS: dict[str, Fault] = {fault.name: fault for fault in _OF_BOARD} | {
    name: FAULTS[name] for name in ("relay-welded", "board-hang", "usb-unplugged")
}
