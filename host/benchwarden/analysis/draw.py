"""What does one rail carry at a setting: healthy at least and at most, and shorted?"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from benchwarden.analysis import dissipation, thermal_chain
from benchwarden.analysis.lamp_limiter import POWER_TOLERANCE, Lamp
from benchwarden.analysis.operating_point import SHORT_OHM, Supply, idle_load, output_idle_a, resistor, settled
from benchwarden.analysis.stage_sheet import PRACTICE, Notes, Setting
from benchwarden.core.channels import INDEX
from benchwarden.core.unit import Unit
from wardenfw import wire

# Idle current of a healthy set against its target: resistor tolerance, a pot a
# little high, a warm set. Source: common practice, no source.
IDLE_SPREAD = 1.25
OTHER_SPREAD = 2.0
# A reservoir that stood for years takes this much while it forms again, amperes
# per microfarad and volt, electrolytic leakage I = 0.01 C V at the start.
# Source: makers' leakage limits for large cans, from memory.
FORMING_A_PER_UF_V = 0.01e-6
# Healthy and shorted must differ by this factor before a limit can stand between
# them: the geometric mean then clears both by 14 %.
SEPARABLE = 1.3
# An output stage counts as over-biased beyond this multiple of its target.
BIAS_LIMIT = 2.0
# The converter behind the bias channel covers 256 mV; the board's ceiling is 250.
BIAS_CEILING_V = wire.CEILINGS[INDEX["bias_left_v"]]
BIAS_TONE_SPREAD = 1.4
# The rail monitor reads current in four conversions of 540 us, each followed by one
# of voltage: that is what pulses look like to it. Source: the board's setting of the part.
SHUNT_OPEN_S = 4 * 540e-6
SHUNT_SPAN_S = 8 * 540e-6
# Half waves of a 1 kHz tone seen that way can read up to this multiple of their
# mean, for as long as tone and scan keep step. Source: computed over all phases,
# with the part's clock 10 % off either way.
TONE_SEEN = 2.1
# Ripple of a rectified sine without a reservoir: 2/3 of the mean at twice the mains
# frequency and 2/15 at four times. Source: Fourier series of |sin|.
FULL_WAVE_RIPPLE = 2.0 / 3.0 + 2.0 / 15.0


@dataclass(frozen=True)
class Draw:
    """One rail's current in the cases that matter, amperes.

    Attributes:
        light: mean with bias pots at minimum, everything else half of its estimate.
        nominal: mean with the bias at its target.
        steady: the highest mean of a healthy set without the test signal, forming included.
        heavy: the same with the test signal.
        healthy: the most the monitor reads of it, pulses included.
        drive: the part of the nominal figure the test signal makes.
        shorted: the least the monitor reads with a shorted output stage, ripple included.
        shorted_case: which short that is, in words.
        shorted_rail_v: the rail then.
    """

    light: float
    nominal: float
    steady: float
    heavy: float
    healthy: float
    drive: float
    shorted: float
    shorted_case: str
    shorted_rail_v: float


def drive_share(unit: Unit) -> float:
    """Return the share of rated power the test signal is set to.

    One eighth, or less where one emitter resistor's mean drop would leave the
    range of the bias channel and blind it.
    """
    room_v = 0.98 * BIAS_CEILING_V - BIAS_LIMIT * unit.target_bias_drop_mv / 1000.0
    peak_a = max(room_v, 0.0) / BIAS_TONE_SPREAD * math.pi * unit.output_pairs / unit.emitter_resistor_ohm
    allowed_w = peak_a**2 * unit.load_ohm / 2.0
    return min(dissipation.PRECONDITIONING_SHARE, allowed_w / unit.rated_power_w)


def hot_idle_a(setting: Setting) -> float:
    """Return what the signal's warmth can add to one device's idle current, amperes; 0 for a cool set."""
    if not (setting.hot or setting.drive_on):
        return 0.0
    unit = setting.unit
    peak_v = dissipation.peak_v_at(unit.rated_power_w * drive_share(unit), unit.load_ohm)
    heat_w = dissipation.dissipation_w(unit.rail_nominal_v, min(peak_v, unit.rail_nominal_v), unit.load_ohm)
    return thermal_chain.hot_idle_extra_a(unit, heat_w)


def tone_a(setting: Setting) -> tuple[float, float]:
    """Return the mean and peak current the test signal draws from one rail, both channels."""
    unit = setting.unit
    if not setting.drive_on:
        return 0.0, 0.0
    peak_v = dissipation.peak_v_at(unit.rated_power_w * drive_share(unit), unit.load_ohm)
    # The signal cannot be larger than the rails that carry it.
    peak_v = min(peak_v, setting.supply.peak_v(setting.mains_pct))
    return 2.0 * dissipation.rail_mean_a(peak_v, unit.load_ohm), 2.0 * peak_v / unit.load_ohm


def draw_of(setting: Setting, notes: Notes, supply: Supply | None = None) -> Draw:
    """Return what one rail carries at this setting, healthy and shorted, with its working.

    Args:
        supply: another than the unit's own, to try another lamp.
    """
    unit, mains_pct, limiter_in, drive_on = setting.unit, setting.mains_pct, setting.limiter_in, setting.drive_on
    supply = supply or setting.supply
    idle_a = output_idle_a(unit)
    other_a = unit.quiescent_other_a
    drive_a, _ = tone_a(setting)
    forming_a = FORMING_A_PER_UF_V * unit.reservoir_uf * unit.rail_nominal_v * mains_pct / 100.0
    if unit.shunt_position == "rail-fuse":
        # The reservoirs form on the other side of the shunt.
        forming_a = 0.0
    light_a = 0.5 * other_a + 0.7 * drive_a
    hot_a = 2.0 * unit.output_pairs * hot_idle_a(setting)
    if hot_a > 0.0:
        notes.add(
            "What the signal's warmth can add to the idle current, both channels",
            "2 x pairs x sink rise / (Vcc x Rth junction to ambient): thermal loop gain 1, the edge of stability",
            f"2 x {unit.output_pairs} x {hot_idle_a(setting):.3f} A",
            hot_a,
            "A",
            "stable if dP/dTj < 1/Rth, textbook relation",
        )
    steady_a = IDLE_SPREAD * idle_a + OTHER_SPREAD * other_a + forming_a + hot_a + 0.02
    heavy_a = steady_a + 1.15 * drive_a
    notes.add(
        "Idle current of both output stages from one rail",
        "2 channels x pairs x bias drop / emitter resistor",
        f"2 x {unit.output_pairs} x {unit.target_bias_drop_mv:g} mV / {unit.emitter_resistor_ohm:g} ohm",
        idle_a,
        "A",
        "Ohm's law on the unit's facts",
    )
    if drive_on:
        share = drive_share(unit)
        why = (
            "1/8 of rated power"
            if share == dissipation.PRECONDITIONING_SHARE
            else "limited by the bias channel's range"
        )
        notes.add(
            "Rail current of the test signal, both channels",
            "2 x Vpeak / (pi RL), Vpeak = sqrt(2 x share x P x RL)",
            f"share {share:.4f} ({why}), P {unit.rated_power_w:g} W, RL {unit.load_ohm:g} ohm",
            drive_a,
            "A",
            "class B; preconditioning share of 16 CFR 432.3, edition of 2006",
        )
    notes.add(
        "Most a healthy set draws from one rail here, mean",
        "1.25 x idle + 2 x other + forming + warmth + 1.15 x drive + 20 mA",
        f"1.25 x {idle_a:.3f} + 2 x {other_a:.3f} + {forming_a:.3f} + {hot_a:.3f} + 1.15 x {drive_a:.3f} + 0.020 A",
        heavy_a,
        "A",
        "spreads: " + PRACTICE,
    )
    healthy_a = steady_a + TONE_SEEN * drive_a
    if unit.shunt_position == "before-reservoir":
        load = idle_load(heavy_a, unit.rail_nominal_v)
        pulse_a = settled(supply, setting.high_pct, limiter_in, load).peak_a
        packed_a = heavy_a / (2.0 * supply.mains_hz * SHUNT_OPEN_S)
        healthy_a = max(min(pulse_a, packed_a), heavy_a)
        notes.add(
            "Most the monitor reads of it, charging pulses going through the shunt",
            "peak of the pulses, at most the whole half cycle's charge within one reading",
            f"peak {pulse_a:.3f} A; {heavy_a:.3f} A x {500.0 / supply.mains_hz:.1f} ms / {SHUNT_OPEN_S * 1000:.2f} ms",
            healthy_a,
            "A",
            "scan and mains can keep step; the board's setting of the monitor",
        )
    elif drive_on:
        notes.add(
            "Most the monitor reads of it",
            f"steady part + {TONE_SEEN:g} x drive",
            f"{steady_a:.3f} + {TONE_SEEN:g} x {drive_a:.3f} A: half waves of 1 kHz in step with the scan",
            healthy_a,
            "A",
            "computed over all phases; the board's setting of the monitor",
        )
    shorted_a, case, rail_v, mean_a = _shorted(setting, supply)
    through = "through the lamp" if limiter_in else "without the lamp"
    notes.add(
        f"Least a shorted output stage draws from one rail {through}",
        "steady point of lamp, transformer and rectifier into the short, mains -10 %, lamp -10 %, less its ripple",
        f"{case}: mean {mean_a:.3f} A, the rail then stands at {rail_v:.2f} V",
        shorted_a,
        "A",
        "lamp: R(T) Forsythe and Worthing 1925, loss S(T^4-T0^4)+k(T-T0) Carla 2013; rectifier: Schade 1943",
    )
    nominal_a = idle_a + other_a + drive_a
    return Draw(light_a, nominal_a, steady_a, heavy_a, healthy_a, drive_a, shorted_a, case, rail_v)


def _ripple_left(unit: Unit, supply: Supply, fault_ohm: float) -> float:
    """Return the share of a shorted rail's mean current that its ripple can take off a reading.

    The reservoir and the fault smooth the half waves where the shunt is behind the
    reservoir; one reading averages over SHUNT_SPAN_S.
    """
    ripple_hz = 2.0 * supply.mains_hz
    angle = math.pi * ripple_hz * SHUNT_SPAN_S
    left = FULL_WAVE_RIPPLE * math.sin(angle) / angle
    if unit.shunt_position == "rail-fuse":
        left /= math.hypot(1.0, 2.0 * math.pi * ripple_hz * fault_ohm * supply.reservoir_f)
    return left


def _shorted(setting: Setting, supply: Supply) -> tuple[float, str, float, float]:
    """Return the least reading of a shorted stage, which short, the rail then, and the mean current."""
    unit = setting.unit
    weak = _with_lamp(supply, (1.0 - POWER_TOLERANCE) * supply.lamp.rated_w)
    bridge_ohm = unit.emitter_resistor_ohm / unit.output_pairs + SHORT_OHM
    cases = [
        ("both devices of a pair shorted, rail to rail", bridge_ohm, 2),
        ("one rail to ground", bridge_ohm, 1),
    ]
    if unit.load_connected or setting.drive_on:
        cases.append(("one device shorted, rail to load", bridge_ohm + unit.load_ohm, 1))
    least = (math.inf, "", 0.0, 0.0)
    for name, ohm, rails in cases:
        point = settled(weak, setting.low_pct, setting.limiter_in, resistor(ohm), rails)
        seen_a = point.rail_a * (1.0 - _ripple_left(unit, supply, ohm))
        if seen_a < least[0]:
            least = (seen_a, name, point.rail_v, point.rail_a)
    return least


def _with_lamp(supply: Supply, watts: float) -> Supply:
    return replace(supply, lamp=Lamp(watts, supply.lamp.rated_v))


def lamp_that_separates(unit: Unit, mains_pct: float, drive_on: bool) -> float | None:
    """Return the smallest common lamp through which healthy and shorted differ enough, watts, or None."""
    setting = Setting(unit, mains_pct, True, drive_on)
    for watts in (25.0, 40.0, 60.0, 75.0, 100.0, 150.0, 200.0, 300.0, 500.0):
        draw = draw_of(setting, Notes(), _with_lamp(setting.supply, watts))
        if draw.shorted >= SEPARABLE * draw.healthy:
            return watts
    return None
