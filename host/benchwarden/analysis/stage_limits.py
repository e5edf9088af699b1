"""What does a healthy set read at one transformer setting, and where do the board's limits go?

Every figure comes with its working. A limit lies above everything a healthy set
does at that setting, mains wander and charging included, and below what a
shorted one draws; where the lamp leaves no room between the two, the working
says so and the limit stays close to the healthy figure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

from benchwarden.analysis import dissipation, thermal_chain
from benchwarden.analysis.lamp_limiter import POWER_TOLERANCE, Lamp
from benchwarden.analysis.operating_point import (
    SHORT_OHM,
    Supply,
    charging_s,
    idle_load,
    inrush_a,
    output_idle_a,
    resistor,
    settled,
    supply_of,
)
from benchwarden.core.channels import INDEX
from benchwarden.core.plan import Expected, Limit, StageFigures, Working
from benchwarden.core.unit import Unit
from wardenfw import wire

PRACTICE = "common practice, no source"
NAN = math.nan

# Mains wander that must neither trip a healthy set nor leave its window.
# Source: EN 50160 allows +-10 % over the week (from memory).
MAINS_WANDER = 0.10
# Steps of the transformer in a plan, percent of full mains.
LADDER_PCT = (25.0, 50.0, 75.0, 100.0)
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
# Where a short draws far more, the limit need not be further out than this.
LIMIT_OVER_HEALTHY = 3.0
# An output stage counts as over-biased beyond this multiple of its target.
BIAS_LIMIT = 2.0
# The converter behind the bias channel covers 256 mV; the board's ceiling is 250.
BIAS_CEILING_V = wire.CEILINGS[INDEX["bias_left_v"]]
# One conversion of the output module lasts 1/860 s, give or take 10 %: of a 1 kHz
# tone at most sin(pi n)/(pi n) of the peak is left in it, n = 1.05 to 1.29 periods.
# Source: ADS1115 data rate and tolerance, from memory; the rest is arithmetic.
TONE_LEFT = 0.2
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
# The board's own rail voltage readings may be this far off uncalibrated.
VOLT_MARGIN = 0.05
RATE_WINDOW_MS = 5000
SLOW_WINDOW_MS = 10000


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


class Notes:
    """Collects working as it is computed."""

    def __init__(self) -> None:
        self.items: list[Working] = []

    def add(self, quantity: str, formula: str, numbers: str, value: float, unit: str, source: str) -> None:
        self.items.append(Working(quantity, formula, numbers, value, unit, source))


def stage_figures(
    unit: Unit, mains_pct: float, limiter_in: bool, drive_on: bool, *, hands_off: bool = False
) -> StageFigures:
    """Return readings to expect, limits and working for one setting.

    Args:
        mains_pct: transformer setting, percent of nominal mains.
        limiter_in: the series lamp carries the mains current.
        drive_on: the 1 kHz test signal is applied, into load_ohm on both channels.
        hands_off: nobody turns anything during the stage, so that readings that
            climb by themselves are judged more strictly.
    """
    return _figures(unit, float(mains_pct), bool(limiter_in), bool(drive_on), bool(hands_off))


def drive_share(unit: Unit) -> float:
    """Return the share of rated power the test signal is set to.

    One eighth, or less where one emitter resistor's mean drop would leave the
    range of the bias channel and blind it.
    """
    room_v = 0.98 * BIAS_CEILING_V - BIAS_LIMIT * unit.target_bias_drop_mv / 1000.0
    peak_a = max(room_v, 0.0) / BIAS_TONE_SPREAD * math.pi * unit.output_pairs / unit.emitter_resistor_ohm
    allowed_w = peak_a**2 * unit.load_ohm / 2.0
    return min(dissipation.PRECONDITIONING_SHARE, allowed_w / unit.rated_power_w)


def bias_limit_v(unit: Unit) -> float:
    """Return the drop over one emitter resistor beyond which the idle bias is wrong, volts."""
    target_v = unit.target_bias_drop_mv / 1000.0
    return min(max(BIAS_LIMIT * target_v, target_v + 0.005), BIAS_CEILING_V)


@lru_cache(maxsize=256)
def _figures(unit: Unit, mains_pct: float, limiter_in: bool, drive_on: bool, hands_off: bool) -> StageFigures:
    notes = Notes()
    supply = supply_of(unit)
    draw = _draw(unit, supply, mains_pct, limiter_in, drive_on, notes)
    expected: dict[str, Expected] = {}
    limits: list[Limit] = []
    alert_a = _currents(unit, supply, mains_pct, limiter_in, draw, hands_off, expected, limits, notes)
    _rails(unit, supply, mains_pct, limiter_in, draw, expected, limits, notes)
    _offsets(unit, supply, mains_pct, limiter_in, drive_on, hands_off, expected, limits, notes)
    _bias(unit, drive_on, hands_off, expected, limits, notes)
    _temperatures(unit, mains_pct, drive_on, expected, limits, notes)
    _oscillation(unit, drive_on, expected, limits, notes)
    return StageFigures(expected, tuple(limits), alert_a, alert_a, tuple(notes.items))


def _drive_a(unit: Unit, supply: Supply, mains_pct: float, drive_on: bool) -> tuple[float, float]:
    """Return the mean and peak current the test signal draws from one rail, both channels."""
    if not drive_on:
        return 0.0, 0.0
    peak_v = dissipation.peak_v_at(unit.rated_power_w * drive_share(unit), unit.load_ohm)
    # The signal cannot be larger than the rails that carry it.
    peak_v = min(peak_v, supply.peak_v(mains_pct))
    return 2.0 * dissipation.rail_mean_a(peak_v, unit.load_ohm), 2.0 * peak_v / unit.load_ohm


def _draw(unit: Unit, supply: Supply, mains_pct: float, limiter_in: bool, drive_on: bool, notes: Notes) -> Draw:
    idle_a = output_idle_a(unit)
    other_a = unit.quiescent_other_a
    drive_a, _ = _drive_a(unit, supply, mains_pct, drive_on)
    forming_a = FORMING_A_PER_UF_V * unit.reservoir_uf * unit.rail_nominal_v * mains_pct / 100.0
    if unit.shunt_position == "rail-fuse":
        # The reservoirs form on the other side of the shunt.
        forming_a = 0.0
    light_a = 0.5 * other_a + 0.7 * drive_a
    steady_a = IDLE_SPREAD * idle_a + OTHER_SPREAD * other_a + forming_a + 0.02
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
        "1.25 x idle + 2 x other + forming + 1.15 x drive + 20 mA",
        f"1.25 x {idle_a:.3f} + 2 x {other_a:.3f} + {forming_a:.3f} + 1.15 x {drive_a:.3f} + 0.020 A",
        heavy_a,
        "A",
        "spreads: " + PRACTICE,
    )
    healthy_a = steady_a + TONE_SEEN * drive_a
    if unit.shunt_position == "before-reservoir":
        load = idle_load(heavy_a, unit.rail_nominal_v)
        pulse_a = settled(supply, mains_pct * (1.0 + MAINS_WANDER), limiter_in, load).peak_a
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
    shorted_a, case, rail_v, mean_a = _shorted(unit, supply, mains_pct, limiter_in, drive_on)
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


def _shorted(
    unit: Unit, supply: Supply, mains_pct: float, limiter_in: bool, drive_on: bool
) -> tuple[float, str, float, float]:
    """Return the least reading of a shorted stage, which short, the rail then, and the mean current."""
    low_pct = mains_pct * (1.0 - MAINS_WANDER)
    weak = _with_lamp(supply, (1.0 - POWER_TOLERANCE) * supply.lamp.rated_w)
    bridge_ohm = unit.emitter_resistor_ohm / unit.output_pairs + SHORT_OHM
    cases = [
        ("both devices of a pair shorted, rail to rail", bridge_ohm, 2),
        ("one rail to ground", bridge_ohm, 1),
    ]
    if unit.load_connected or drive_on:
        cases.append(("one device shorted, rail to load", bridge_ohm + unit.load_ohm, 1))
    least = (math.inf, "", 0.0, 0.0)
    for name, ohm, rails in cases:
        point = settled(weak, low_pct, limiter_in, resistor(ohm), rails)
        seen_a = point.rail_a * (1.0 - _ripple_left(unit, supply, ohm))
        if seen_a < least[0]:
            least = (seen_a, name, point.rail_v, point.rail_a)
    return least


def _with_lamp(supply: Supply, watts: float) -> Supply:
    return replace(supply, lamp=Lamp(watts, supply.lamp.rated_v))


def lamp_that_separates(unit: Unit, mains_pct: float, drive_on: bool) -> float | None:
    """Return the smallest common lamp through which healthy and shorted differ enough, watts, or None."""
    supply = supply_of(unit)
    notes = Notes()
    for watts in (25.0, 40.0, 60.0, 75.0, 100.0, 150.0, 200.0, 300.0, 500.0):
        draw = _draw(unit, _with_lamp(supply, watts), mains_pct, True, drive_on, notes)
        if draw.shorted >= SEPARABLE * draw.healthy:
            return watts
    return None


def _currents(
    unit: Unit,
    supply: Supply,
    mains_pct: float,
    limiter_in: bool,
    draw: Draw,
    hands_off: bool,
    expected: dict[str, Expected],
    limits: list[Limit],
    notes: Notes,
) -> float:
    """Add the rail current figures; return the alert line's amperes."""
    ceiling_a = wire.CEILINGS[INDEX["rail_pos_a"]]
    ratio = draw.shorted / draw.healthy
    if ratio >= SEPARABLE:
        limit_a = min(math.sqrt(draw.healthy * draw.shorted), LIMIT_OVER_HEALTHY * draw.healthy)
        verdict = f"a short draws {ratio:.1f} times the most a healthy set does: the limit stands between them"
        formula = "geometric mean of healthy and shorted, at most 3 x healthy"
    else:
        limit_a = 1.15 * draw.healthy
        better = lamp_that_separates(unit, mains_pct, draw.drive > 0.0) if limiter_in else None
        advice = f"a {better:g} W lamp would separate them" if better else "no common lamp would"
        verdict = (
            f"NOT SEPARABLE by current: a short draws {draw.shorted:.2f} A, a healthy set up to {draw.healthy:.2f} A; "
            f"{advice if limiter_in else 'judge by offset and rail voltage'}. "
            f"The limit stays 15 % above healthy; a short shows as a rail near {draw.shorted_rail_v:.1f} V"
        )
        formula = "1.15 x healthy"
    clipped = min(limit_a, ceiling_a)
    notes.add(
        "Over-current limit of each rail",
        formula,
        f"healthy {draw.healthy:.3f} A, shorted {draw.shorted:.3f} A; {verdict}",
        clipped,
        "A",
        "computed from the two figures above",
    )
    for_ms, peak_a = _inrush(unit, supply, mains_pct, limiter_in, draw, clipped, notes)
    alert_a = min(max(1.25 * clipped, 1.5 * peak_a), ceiling_a)
    notes.add(
        "Alert line of each rail monitor (hardware, no software in the way)",
        "1.25 x limit, at least 1.5 x the highest healthy peak, at most the monitor's range",
        f"limit {clipped:.3f} A, healthy peak {peak_a:.3f} A, range {ceiling_a:g} A",
        alert_a,
        "A",
        "factors: " + PRACTICE,
    )
    reverse_a = -max(0.1, 0.25 * clipped)
    rate_why = "rises faster than any step a healthy set makes here"
    rate_a_per_s = 1.5 * draw.healthy / (RATE_WINDOW_MS / 1000.0)
    if hands_off:
        rate_a_per_s = (0.5 * draw.heavy + 0.02) / (RATE_WINDOW_MS / 1000.0)
        rate_why = "climbs by half its healthy figure within 5 s while nobody touches anything"
    for channel in ("rail_pos_a", "rail_neg_a"):
        expected[channel] = Expected(-0.02, draw.nominal, 0.95 * clipped)
        limits.append(Limit(channel, "value", NAN, clipped, for_ms, 0, "over-current", f"{formula}: {verdict}"))
        limits.append(
            Limit(channel, "value", reverse_a, NAN, 1000, 0, "sensor-fault", "current flows backwards: shunt reversed")
        )
        # Charging pulses through the shunt make slopes of their own at every change.
        if unit.shunt_position == "rail-fuse":
            limits.append(Limit(channel, "rate", NAN, rate_a_per_s, 500, RATE_WINDOW_MS, "over-current", rate_why))
    return alert_a


def _inrush(
    unit: Unit, supply: Supply, mains_pct: float, limiter_in: bool, draw: Draw, limit_a: float, notes: Notes
) -> tuple[int, float]:
    """Return how long the current limit must wait, and the highest peak a healthy set shows."""
    high_pct = mains_pct * (1.0 + MAINS_WANDER)
    # The signal comes on later than the mains.
    load = idle_load(draw.steady, unit.rail_nominal_v)
    _, tone_peak_a = _drive_a(unit, supply, mains_pct, draw.drive > 0.0)
    if limiter_in:
        from_v, event = 0.0, "mains closing on empty reservoirs, lamp cold"
        slow_pct = mains_pct * (1.0 - MAINS_WANDER)
    else:
        from_v = settled(supply, high_pct, True, load).rail_v
        event = f"the lamp being bypassed with the rail at {from_v:.1f} V"
        slow_pct = high_pct
    peak_a = inrush_a(supply, high_pct, limiter_in, from_v)
    charge_s = charging_s(supply, slow_pct, limiter_in, load, from_v)
    # As long again: capacitors are sold up to 20 % large and the lamp is a sample.
    wait_ms = min(round(1500.0 * charge_s) + 100, wire.MAX_FOR_MS)
    notes.add(
        "Charging time of the reservoirs",
        "integral of C dV / (charging current - healthy draw), lamp always as hot as it would settle",
        f"{unit.reservoir_uf:g} uF, {event}",
        charge_s,
        "s",
        "same circuit as above; upper bound",
    )
    notes.add(
        "Highest charging peak into one reservoir",
        "(Vpeak - diode - Vrail) / (winding + 2 n^2 (lamp cold + primary + mains))",
        event,
        peak_a,
        "A",
        "same circuit as above",
    )
    if unit.shunt_position == "before-reservoir":
        ceiling_a = wire.CEILINGS[INDEX["rail_pos_a"]]
        if 1.5 * peak_a > ceiling_a:
            notes.add(
                "Charging peak against the monitor's range",
                "peak x 1.5 <= range",
                f"{peak_a:.1f} A x 1.5 against {ceiling_a:g} A: do not close the relay at this setting; "
                "close it lower and turn up",
                peak_a,
                "A",
                "computed",
            )
        return wait_ms, max(peak_a, tone_peak_a + draw.healthy)
    # Behind the fuse only the amplifier boards' own capacitors charge.
    local_a = peak_a * supply.local_f / (supply.local_f + supply.reservoir_f)
    local_peak_a = draw.steady + local_a + tone_peak_a
    # A short pulls the reservoir down to rectified half waves, and the scan can beat
    # with them: a limit that waits longer than three scans could be broken off each time.
    for_ms = 30 if 1.1 * (draw.steady + local_a) < limit_a else wait_ms
    notes.add(
        "Charging peak behind the rail fuse",
        "peak x C boards / (C boards + C reservoir)",
        f"{peak_a:.2f} A x {supply.local_f * 1e6:.0f} / {(supply.local_f + supply.reservoir_f) * 1e6:.0f} uF; "
        f"the limit waits {for_ms} ms",
        local_a,
        "A",
        "board capacitance: " + PRACTICE,
    )
    return for_ms, local_peak_a


def rail_span_v(unit: Unit, mains_pct: float, limiter_in: bool, drive_on: bool) -> tuple[float, float, float]:
    """Return the lowest, middle and highest rail a healthy set shows at nominal mains, volts."""
    supply = supply_of(unit)
    draw = _draw(unit, supply, mains_pct, limiter_in, drive_on, Notes())
    heavy, middle, light = (
        settled(supply, mains_pct, limiter_in, idle_load(amps, unit.rail_nominal_v)).rail_v
        for amps in (draw.heavy, draw.nominal, draw.light)
    )
    return heavy, middle, light


def _wandering_span_v(
    unit: Unit, supply: Supply, mains_pct: float, limiter_in: bool, draw: Draw
) -> tuple[float, float]:
    heavy = idle_load(draw.heavy, unit.rail_nominal_v)
    light = idle_load(draw.light, unit.rail_nominal_v)
    low_v = settled(supply, mains_pct * (1.0 - MAINS_WANDER), limiter_in, heavy).rail_v
    high_v = settled(supply, mains_pct * (1.0 + MAINS_WANDER), limiter_in, light).rail_v
    return low_v, high_v


def _rails(
    unit: Unit,
    supply: Supply,
    mains_pct: float,
    limiter_in: bool,
    draw: Draw,
    expected: dict[str, Expected],
    limits: list[Limit],
    notes: Notes,
) -> None:
    drive_on = draw.drive > 0.0
    heavy_v, middle_v, light_v = rail_span_v(unit, mains_pct, limiter_in, drive_on)
    low_v, high_v = _wandering_span_v(unit, supply, mains_pct, limiter_in, draw)
    below = rail_span_v(unit, mains_pct - 25.0, limiter_in, drive_on)[1] if mains_pct > 25.0 else 0.0
    above = rail_span_v(unit, mains_pct + 25.0, limiter_in, drive_on)[1]
    low_bound, high_bound = (below + middle_v) / 2.0, (above + middle_v) / 2.0
    window_low, window_high = max(low_v, low_bound), min(high_v, high_bound)
    narrowed = window_low > low_v or window_high < high_v
    text = (
        f"draw {draw.light:.3f} to {draw.heavy:.3f} A gives {heavy_v:.2f} to {light_v:.2f} V at nominal mains, "
        f"{low_v:.2f} to {high_v:.2f} V with wander; 25 points lower is {below:.2f} V, higher {above:.2f} V"
    )
    if narrowed:
        text += "; narrowed so that a neighbouring setting stays outside"
    notes.add(
        "Rail voltage that proves the transformer setting, lower end",
        "rail at the heaviest healthy draw, mains -10 %, never past half way to the setting below",
        text,
        window_low,
        "V",
        "steady point of lamp, transformer and rectifier",
    )
    notes.add(
        "Rail voltage that proves the transformer setting, upper end",
        "rail at the lightest draw, mains +10 %, never past half way to the setting above",
        text,
        window_high,
        "V",
        "same",
    )
    if draw.shorted_rail_v >= window_low:
        notes.add(
            "Rail while shorted against that window",
            "shorted rail below the window",
            f"{draw.shorted_case}: {draw.shorted_rail_v:.2f} V is NOT below {window_low:.2f} V; "
            "the rail alone does not show this short",
            draw.shorted_rail_v,
            "V",
            "computed",
        )
    ceiling_v = wire.CEILINGS[INDEX["rail_pos_v"]]
    # The limit is in force before the signal is applied and after it is taken off.
    top_v = max(high_v, window_high)
    if drive_on:
        quiet = _draw(unit, supply, mains_pct, limiter_in, False, Notes())
        top_v = max(top_v, _wandering_span_v(unit, supply, mains_pct, limiter_in, quiet)[1])
    limit_v = min(top_v * (1.0 + VOLT_MARGIN) + 0.3, ceiling_v)
    notes.add(
        "Rail voltage limit",
        "highest healthy rail x 1.05 + 0.3 V, at most the monitor's range",
        f"{top_v:.2f} V x 1.05 + 0.3 V, range {ceiling_v:g} V",
        limit_v,
        "V",
        "margin for an uncalibrated board: " + PRACTICE,
    )
    why = "transformer turned too far: above anything this setting gives at mains +10 %"
    expected["rail_pos_v"] = Expected(window_low, middle_v, window_high)
    expected["rail_neg_v"] = Expected(-window_high, -middle_v, -window_low)
    limits.append(Limit("rail_pos_v", "value", NAN, limit_v, 200, 0, "operator", why))
    limits.append(Limit("rail_neg_v", "value", -limit_v, NAN, 200, 0, "operator", why))


def _offsets(
    unit: Unit,
    supply: Supply,
    mains_pct: float,
    limiter_in: bool,
    drive_on: bool,
    hands_off: bool,
    expected: dict[str, Expected],
    limits: list[Limit],
    notes: Notes,
) -> None:
    rail_v = rail_span_v(unit, mains_pct, limiter_in, False)[1]
    for_ms = 300
    if mains_pct < 40.0:
        limit_v = max(0.5 * rail_v, 0.5)
        why = "half the rail: below 40 % the feedback may not yet work, a shorted device brings nearly the whole rail"
    elif mains_pct < 70.0:
        limit_v = max(0.25 * rail_v, 1.0)
        why = "a quarter of the rail: feedback has to work, its trimming does not"
    elif limiter_in:
        limit_v, why = 2.0, "2 V through the lamp: nobody has trimmed it yet, a fault brings tens of volts"
    elif hands_off:
        limit_v, why = 0.5, "0.5 V once the set runs by itself: a good set holds 0.05 V, 0.5 V heats a loudspeaker"
    else:
        limit_v, why = 1.0, "1 V while somebody adjusts it"
    if limiter_in:
        load = idle_load(output_idle_a(unit) + unit.quiescent_other_a, unit.rail_nominal_v)
        charge_ms = 1500.0 * charging_s(supply, mains_pct * (1.0 - MAINS_WANDER), True, load)
        for_ms = min(500 + round(charge_ms), wire.MAX_FOR_MS)
    if drive_on:
        peak_v = dissipation.peak_v_at(unit.rated_power_w * drive_share(unit), unit.load_ohm)
        limit_v += TONE_LEFT * peak_v
        for_ms = 500
        why += f"; plus {TONE_LEFT:g} of the {peak_v:.1f} V test tone, which one conversion does not average out"
    limit_v = min(limit_v, wire.CEILINGS[INDEX["offset_left_v"]])
    notes.add("DC offset limit", why, f"rail {rail_v:.1f} V, for {for_ms} ms", limit_v, "V", PRACTICE)
    for channel in ("offset_left_v", "offset_right_v"):
        expected[channel] = Expected(-0.9 * limit_v, 0.0, 0.9 * limit_v)
        limits.append(Limit(channel, "value", -limit_v, limit_v, for_ms, 0, "dc-offset", why))


def _bias(
    unit: Unit,
    drive_on: bool,
    hands_off: bool,
    expected: dict[str, Expected],
    limits: list[Limit],
    notes: Notes,
) -> None:
    target_v = unit.target_bias_drop_mv / 1000.0
    best_v = thermal_chain.oliver_drop_v(unit.emitter_resistor_ohm, 0.05)
    idle_limit_v = bias_limit_v(unit)
    limit_v, tone_v = idle_limit_v, 0.0
    if drive_on:
        peak_v = dissipation.peak_v_at(unit.rated_power_w * drive_share(unit), unit.load_ohm)
        device_a = dissipation.rail_mean_a(peak_v, unit.load_ohm) / unit.output_pairs
        tone_v = device_a * unit.emitter_resistor_ohm
        limit_v = min(idle_limit_v + BIAS_TONE_SPREAD * tone_v, BIAS_CEILING_V)
        why = (
            "with the test tone the drop is mostly signal: "
            f"idle limit + {BIAS_TONE_SPREAD:g} x mean drop of the tone, at most the channel's range"
        )
    else:
        why = f"{BIAS_LIMIT:g} x target (at least 5 mV above it): a warm healthy set stays below"
    notes.add(
        "Bias drop limit",
        why,
        f"target {unit.target_bias_drop_mv:g} mV, tone {tone_v * 1000:.0f} mV, range {BIAS_CEILING_V * 1000:.0f} mV",
        limit_v,
        "V",
        PRACTICE,
    )
    notes.add(
        "Note: drop of least crossover distortion",
        "26 mV x Re / (Re + re + rb/hFE)",
        f"Re {unit.emitter_resistor_ohm:g} ohm, re + rb/hFE taken as 0.05 ohm; "
        f"the target is {unit.target_bias_drop_mv:g} mV",
        best_v,
        "V",
        "B. M. Oliver, Hewlett-Packard Journal, February 1971, as summarised by others",
    )
    window_s = SLOW_WINDOW_MS / 1000.0
    if hands_off:
        rate_v_per_s = (0.3 * target_v + 0.001) / window_s
        rate_why = "climbs by a third of its target within 10 s while nobody touches anything"
    else:
        # The board takes the slope from the window's ends: a pot turned from minimum
        # to the limit at once is that step over the window.
        rate_v_per_s = 1.2 * limit_v / window_s
        rate_why = "rises faster than a hand on the pot or the test signal makes it"
    # One conversion holds at least 0.77 of the tone's mean drop, and that proves it is there.
    expected_low = 0.7 * tone_v - 0.002
    for channel in ("bias_left_v", "bias_right_v"):
        expected[channel] = Expected(expected_low, target_v + tone_v, 0.95 * limit_v)
        limits.append(Limit(channel, "value", NAN, limit_v, 300, 0, "bias-unstable", why))
        limits.append(Limit(channel, "rate", NAN, rate_v_per_s, 500, SLOW_WINDOW_MS, "thermal-runaway", rate_why))
        if not drive_on:
            reverse_v = -max(0.003, 0.25 * target_v)
            limits.append(
                Limit(channel, "value", reverse_v, NAN, 1000, 0, "sensor-fault", "drop reads negative: leads reversed")
            )


def device_heat_w(unit: Unit, mains_pct: float, drive_on: bool) -> float:
    """Return the heat of one output device at this setting, bias at its limit, mains +10 %, watts."""
    rail_v = unit.rail_nominal_v * mains_pct / 100.0 * (1.0 + MAINS_WANDER)
    pair_a = bias_limit_v(unit) / unit.emitter_resistor_ohm
    heat_w = rail_v * pair_a
    if drive_on:
        peak_v = dissipation.peak_v_at(unit.rated_power_w * drive_share(unit), unit.load_ohm)
        channel_w = max(dissipation.dissipation_w(rail_v, min(peak_v, rail_v), unit.load_ohm), 0.0)
        heat_w = rail_v * unit.target_bias_drop_mv / 1000.0 / unit.emitter_resistor_ohm
        heat_w += channel_w / (2 * unit.output_pairs)
    return heat_w


def _temperatures(
    unit: Unit,
    mains_pct: float,
    drive_on: bool,
    expected: dict[str, Expected],
    limits: list[Limit],
    notes: Notes,
) -> None:
    package = thermal_chain.package_of(unit)
    device_w = device_heat_w(unit, mains_pct, drive_on)
    chain_c = thermal_chain.sink_limit_c(package, device_w)
    limit_c = min(max(chain_c, 45.0), wire.CEILINGS[INDEX["sink_left_c"]])
    notes.add(
        "Heatsink limit",
        f"Tj max - 25 K - P device x (Rth jc + Rth cs), at most {package.sink_cap_c:g} C for {unit.package} devices",
        f"{package.tj_max_c:g} - 25 - {device_w:.1f} W x ({package.rth_jc_k_per_w:.2f} + {package.rth_cs_k_per_w:.2f})"
        + ("" if chain_c >= 45.0 else "; NOT ENOUGH DEVICE for this stage: the limit is as low as a warm room allows"),
        limit_c,
        "C",
        package.source,
    )
    sink_k_per_w = thermal_chain.sink_k_per_w(unit)
    channel_w = 2 * unit.output_pairs * device_w
    rise_k = channel_w * sink_k_per_w
    notes.add(
        "Heatsink above the room if the stage lasts",
        "P channel x Rth sink",
        f"{channel_w:.1f} W x {sink_k_per_w:.2f} K/W",
        rise_k,
        "K",
        "unit facts" if unit.sink_k_per_w is not None else "sink estimated for 55 K at 1/3 power, " + PRACTICE,
    )
    if 30.0 + rise_k > limit_c:
        notes.add(
            "Heatsink against its limit in a 30 C room",
            "30 C + rise <= limit",
            f"{30.0 + rise_k:.0f} C against {limit_c:.0f} C: expect the limit to end a long stage; give it air",
            30.0 + rise_k,
            "C",
            "computed",
        )
    # A sink of this size takes at least five minutes to follow its heat.
    rate_k_per_s = max(0.5, 3.0 * rise_k / 300.0)
    why = "hotter than the output devices stand at this stage's heat"
    for channel in ("sink_left_c", "sink_right_c"):
        expected[channel] = Expected(0.0, 25.0 + 0.5 * rise_k, 0.97 * limit_c)
        limits.append(Limit(channel, "value", NAN, limit_c, 500, 0, "over-temperature", why))
        limits.append(
            Limit(
                *(channel, "rate", NAN, rate_k_per_s, 1000, SLOW_WINDOW_MS, "over-temperature"),
                "sink warms faster than its mass allows at three times the stage's heat",
            )
        )
        limits.append(
            Limit(
                *(channel, "spread", -8.0, 8.0, 300, SLOW_WINDOW_MS, "sensor-fault"),
                "a heatsink cannot jump by 8 K within seconds: sensor loose or shorted",
            )
        )
    expected["ambient_c"] = Expected(0.0, 23.0, 45.0)
    limits.append(
        Limit(
            *("ambient_c", "value", NAN, 50.0, 5000, 0, "over-temperature"),
            "no bench room is this hot: fire, or the sensor lies on something",
        )
    )


def _oscillation(unit: Unit, drive_on: bool, expected: dict[str, Expected], limits: list[Limit], notes: Notes) -> None:
    limit_v = max(1.0, 0.02 * unit.rail_nominal_v) * (2.0 if drive_on else 1.0)
    why = "above 100 kHz a healthy set shows millivolts; 2.2 V peak puts 0.25 W into a 10 ohm output network"
    notes.add(
        "HF level limit",
        "1 V or 2 % of the rail, twice that with the test signal",
        f"rail {unit.rail_nominal_v:g} V",
        limit_v,
        "V",
        PRACTICE,
    )
    for channel in ("hf_left_v", "hf_right_v"):
        expected[channel] = Expected(-0.05, 0.02, 0.8 * limit_v)
        limits.append(Limit(channel, "value", NAN, limit_v, 500, 0, "oscillation", why))
