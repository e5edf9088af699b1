"""What does each output device dissipate, and how hot does that make it: idle, at 1/8, at 1/3, at worst?

Sine signal, resistive load, rails that do not sag, heat spread evenly over the
devices of a channel and over the cycle. Not covered: reactive loads (their heat is
told for orientation), loads below load_ohm, music, and low frequencies, where a
junction follows the signal and peaks above its mean.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.analysis import dissipation, thermal_chain
from benchwarden.core.unit import Unit

# Room in which a sink's temperature is foretold, Celsius: at least this warm for
# preconditioning by 16 CFR 432.3, edition of 1 January 2006.
ROOM_C = 25.0
# Phase of a loudspeaker at its worst, degrees. Source: common practice, no source.
LOUDSPEAKER_PHASE_DEG = 60.0


@dataclass(frozen=True)
class HeatCase:
    """One level of the test signal on one channel, settled.

    Attributes:
        name: of the level.
        peak_v: output sine, volts peak; 0 at idle.
        class_b_w: heat of the channel by the class-B formula, 0 at idle.
        channel_w, device_w: heat of the channel with its idle current, and of one device.
        sink_c, junction_c: settled in a room at ROOM_C.
        safe_sink_c: hottest sink at which the junction stays clear of its rating.
    """

    name: str
    peak_v: float
    class_b_w: float
    channel_w: float
    device_w: float
    sink_c: float
    junction_c: float
    safe_sink_c: float


def device_idle_a(unit: Unit) -> float:
    """Return one output device's idle current at the target bias, amperes."""
    return unit.target_bias_drop_mv / 1000.0 / unit.emitter_resistor_ohm


def heat_cases(unit: Unit) -> tuple[HeatCase, ...]:
    """Return idle, 1/8 and 1/3 of rated power, and the worst sine level."""
    rail_v, load = unit.rail_nominal_v, unit.load_ohm
    levels = [("idle", 0.0)]
    for label, share in (
        ("1/8 of rated power", dissipation.PRECONDITIONING_SHARE),
        ("1/3 of rated power", dissipation.OLD_PRECONDITIONING_SHARE),
    ):
        # No sine is larger than the rails that carry it.
        levels.append((label, min(dissipation.peak_v_at(unit.rated_power_w * share, load), rail_v)))
    levels.append(("the worst sine level", dissipation.worst_peak_v(rail_v)))
    return tuple(_case(unit, name, peak_v) for name, peak_v in levels)


def _case(unit: Unit, name: str, peak_v: float) -> HeatCase:
    package = thermal_chain.package_of(unit)
    idle_a = unit.output_pairs * device_idle_a(unit)
    channel_w = dissipation.class_ab_w(unit.rail_nominal_v, peak_v, unit.load_ohm, idle_a)
    device_w = channel_w / (2 * unit.output_pairs)
    sink_c = ROOM_C + channel_w * thermal_chain.sink_k_per_w(unit)
    return HeatCase(
        name,
        peak_v,
        dissipation.dissipation_w(unit.rail_nominal_v, peak_v, unit.load_ohm),
        channel_w,
        device_w,
        sink_c,
        thermal_chain.junction_c(package, sink_c, device_w),
        thermal_chain.sink_limit_c(package, device_w),
    )
