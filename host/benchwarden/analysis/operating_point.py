"""Where do lamp, transformer, rectifier and reservoir settle, and what flows on the way there?

One rail of a centre-tapped winding with a bridge: every half cycle one half
winding charges the positive reservoir through one diode while the other half
charges the negative one. The reservoir is taken as large (its ripple is left
out), the lamp as a resistor within a cycle, the magnetising current as being in
quadrature with the charging pulses. Leakage inductance, core saturation, and
windings that feed no rail are not modelled.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from scipy.optimize import brentq

from benchwarden.analysis.lamp_limiter import COLD_K, MELTS_K, Lamp
from benchwarden.core.unit import Unit

Load = Callable[[float], float]

# Forward drop of one silicon power rectifier between idle and full load, volts.
# Source: common practice.
DIODE_V = 0.85
# Mains wiring plus variable transformer as a source, ohms at 230 V; scaled with
# the square of the voltage. Source: common practice, no source.
MAINS_OHM_AT_230 = 0.8
# No-load current of the set's transformer, share of its rated current.
# Source: makers' sheets of toroids and good laminated cores, from memory.
MAGNETISING_SHARE = 0.04
# Transformer rating over the sum of both channels' rated power.
# Source: common practice, no source.
VA_PER_RATED_W = 1.6
# The same over the power of the idling rails, at least: a set that only idles does
# not load its transformer further. Source: common practice, no source.
VA_PER_IDLE_W = 3.0
# Regulation (no load over full load, minus one) of a transformer by its rating:
# 0.9 VA^-0.43 passes 17 % at 50 VA, 9 % at 225 VA, 6 % at 500 VA.
# Source: makers' catalogues, figures from memory.
REGULATION_AT_1_VA = 0.9
REGULATION_EXPONENT = -0.43
# Decoupling on the amplifier boards, behind the rail fuses, per rail, farads.
# Source: common practice, no source.
LOCAL_F = 470e-6
# An output stage does not hold its idle current below this share of its rails.
IDLE_KNEE = 0.15
# Step of the charging calculation, and where it gives up, seconds.
CHARGING_STEP_S = 0.002
CHARGING_LONGEST_S = 20.0
# What is left of a shorted junction and the wiring to it, ohms.
# Source: common practice, no source.
SHORT_OHM = 0.1


@dataclass(frozen=True)
class Supply:
    """Everything between the wall and one rail.

    Attributes:
        mains_v, mains_hz: nominal, volts rms, hertz.
        lamp: the series lamp.
        turns: one half winding over the primary, open circuit.
        half_ohm: one half winding, ohms.
        primary_ohm: the primary, ohms.
        mains_ohm: wiring and variable transformer, ohms.
        magnetising_a: no-load current at full mains, amperes rms.
        va, regulation: rating and what it was taken to sag at full load.
        reservoir_f, local_f: per rail before and behind the rail fuse, farads.
    """

    mains_v: float
    mains_hz: float
    lamp: Lamp
    turns: float
    half_ohm: float
    primary_ohm: float
    mains_ohm: float
    magnetising_a: float
    va: float
    regulation: float
    reservoir_f: float
    local_f: float = LOCAL_F

    def peak_v(self, mains_pct: float) -> float:
        """Open-circuit peak of one half winding at this transformer setting, volts."""
        return math.sqrt(2.0) * self.mains_v * mains_pct / 100.0 * self.turns

    def source_ohm(self, lamp_ohm: float, rails: int) -> float:
        """What one rail's pulses see in series, ohms, when `rails` rails draw alike."""
        return self.half_ohm + rails * self.turns**2 * (lamp_ohm + self.primary_ohm + self.mains_ohm)


@dataclass(frozen=True)
class Pulses:
    """Rectified charging pulses: mean, rms and peak, amperes."""

    mean_a: float
    rms_a: float
    peak_a: float


@dataclass(frozen=True)
class OperatingPoint:
    """A steady state.

    Attributes:
        rail_v, rail_a: one rail's voltage and mean current.
        peak_a: of the charging pulses into one rail's reservoir.
        primary_a: mains current, amperes rms.
        lamp_ohm, lamp_k, lamp_w: of the series lamp; 0, 300, 0 when bypassed.
    """

    rail_v: float
    rail_a: float
    peak_a: float
    primary_a: float
    lamp_ohm: float
    lamp_k: float
    lamp_w: float


def rectified(peak_v: float, dc_v: float, source_ohm: float) -> Pulses:
    """Return the pulses a sine of `peak_v` drives through `source_ohm` into a reservoir at dc_v.

    Full wave, one diode drop, reservoir without ripple. With x = (dc + drop)/peak
    and a = arcsin x, current flows from a to pi - a as (peak/R)(sin - x).

    Source: the integrals of that pulse; the limit of a large reservoir in
    O. H. Schade, Analysis of Rectifier Operation, Proc. IRE 31 (1943) 341 (from memory).
    """
    x = (max(dc_v, 0.0) + DIODE_V) / peak_v if peak_v > 0.0 else 1.0
    if x >= 1.0:
        return Pulses(0.0, 0.0, 0.0)
    full_a = peak_v / source_ohm
    start = math.asin(x)
    span = math.pi - 2.0 * start
    mean = (2.0 * math.cos(start) - x * span) / math.pi
    square = (span * (0.5 + x * x) + 0.5 * math.sin(2.0 * start) - 4.0 * x * math.cos(start)) / math.pi
    return Pulses(full_a * mean, full_a * math.sqrt(max(square, 0.0)), full_a * (1.0 - x))


def idle_load(current_a: float, rail_nominal_v: float) -> Load:
    """Return the load of an idling amplifier: a constant current that starts a little above zero volts."""
    knee_v = IDLE_KNEE * rail_nominal_v

    def load_a(rail_v: float) -> float:
        return current_a * min(1.0, rail_v / knee_v)

    return load_a


def resistor(ohm: float) -> Load:
    """Return the load of a resistance between rail and ground."""

    def load_a(rail_v: float) -> float:
        return rail_v / ohm

    return load_a


def _rail_v(peak_v: float, source_ohm: float, load: Load) -> float:
    top = peak_v - DIODE_V
    if top <= 0.0:
        return 0.0

    def surplus_a(rail_v: float) -> float:
        return rectified(peak_v, rail_v, source_ohm).mean_a - load(rail_v)

    if surplus_a(top) >= 0.0:
        return top
    return float(brentq(surplus_a, 0.0, top, xtol=1e-6))


def _primary_a(supply: Supply, pulses: Pulses, rails: int, mains_pct: float) -> float:
    return math.hypot(rails * supply.turns * pulses.rms_a, supply.magnetising_a * mains_pct / 100.0)


def settled(supply: Supply, mains_pct: float, limiter_in: bool, load: Load, rails: int = 2) -> OperatingPoint:
    """Return where the supply settles with `load` on each of `rails` rails.

    Args:
        mains_pct: transformer setting, percent of nominal mains (mains wander included).
        load: amperes drawn from one rail at a rail voltage; must not fall with voltage.
        rails: 2 when both rails draw alike, 1 when one rail does and the other does not.
    """
    peak_v = supply.peak_v(mains_pct)

    def at(lamp_ohm: float) -> tuple[float, Pulses, float]:
        source_ohm = supply.source_ohm(lamp_ohm, rails)
        rail_v = _rail_v(peak_v, source_ohm, load)
        pulses = rectified(peak_v, rail_v, source_ohm)
        return rail_v, pulses, _primary_a(supply, pulses, rails, mains_pct)

    if not limiter_in:
        rail_v, pulses, primary_a = at(0.0)
        return OperatingPoint(rail_v, pulses.mean_a, pulses.peak_a, primary_a, 0.0, COLD_K, 0.0)
    lamp = supply.lamp

    def surplus_w(t_k: float) -> float:
        ohm = lamp.resistance_ohm(t_k)
        return at(ohm)[2] ** 2 * ohm - lamp.loss_w(t_k)

    lamp_k = _balance(surplus_w)
    ohm = lamp.resistance_ohm(lamp_k)
    rail_v, pulses, primary_a = at(ohm)
    return OperatingPoint(rail_v, pulses.mean_a, pulses.peak_a, primary_a, ohm, lamp_k, primary_a**2 * ohm)


def _balance(surplus_w: Callable[[float], float]) -> float:
    """Return the filament temperature at which heating and loss meet, kelvin."""
    if surplus_w(COLD_K) <= 0.0:
        return COLD_K
    if surplus_w(MELTS_K) >= 0.0:
        return MELTS_K
    return float(brentq(surplus_w, COLD_K, MELTS_K, xtol=0.1))


def inrush_a(supply: Supply, mains_pct: float, limiter_in: bool, from_v: float = 0.0) -> float:
    """Return the highest charging current into one reservoir standing at from_v, amperes peak.

    The lamp is taken as cold, the switch as closing at the crest: nothing can be worse.
    """
    lamp_ohm = supply.lamp.cold_ohm if limiter_in else 0.0
    return rectified(supply.peak_v(mains_pct), from_v, supply.source_ohm(lamp_ohm, 2)).peak_a


def charging_s(supply: Supply, mains_pct: float, limiter_in: bool, load: Load, from_v: float = 0.0) -> float:
    """Return how long the reservoirs need from from_v to 95 % of the rest of the way, seconds.

    The filament starts cold, glows while the reservoirs are empty and cools only
    slowly afterwards, which is what makes the last volts take long. Counted up to
    CHARGING_LONGEST_S.
    """
    end_v = settled(supply, mains_pct, limiter_in, load).rail_v
    to_v = from_v + 0.95 * (end_v - from_v)
    capacitance_f = supply.reservoir_f + supply.local_f
    peak_v = supply.peak_v(mains_pct)
    lamp = supply.lamp
    rail_v, lamp_k, t_s = from_v, COLD_K, 0.0
    heat_j_per_k = lamp.heat_j_per_k
    while rail_v < to_v and t_s < CHARGING_LONGEST_S:
        lamp_ohm = lamp.resistance_ohm(lamp_k) if limiter_in else 0.0
        pulses = rectified(peak_v, rail_v, supply.source_ohm(lamp_ohm, 2))
        if limiter_in:
            heat_w = _primary_a(supply, pulses, 2, mains_pct) ** 2 * lamp_ohm - lamp.loss_w(lamp_k)
            lamp_k = min(max(lamp_k + heat_w / heat_j_per_k * CHARGING_STEP_S, COLD_K), MELTS_K)
        rail_v += (pulses.mean_a - load(rail_v)) / capacitance_f * CHARGING_STEP_S
        t_s += CHARGING_STEP_S
    return t_s


def estimated_va(unit: Unit) -> float:
    """Return the transformer's rating: the unit's own, or an estimate from the rated power.

    Never less than the idling rails alone ask for: facts that say otherwise cannot
    all be true, and no turns ratio would satisfy them.
    """
    given_va = VA_PER_RATED_W * 2.0 * unit.rated_power_w if unit.transformer_va is None else unit.transformer_va
    return max(given_va, idle_va(unit))


def idle_va(unit: Unit) -> float:
    """Return the least transformer rating that plausibly belongs to the idling set, volt-amperes."""
    return VA_PER_IDLE_W * 2.0 * unit.rail_nominal_v * (output_idle_a(unit) + unit.quiescent_other_a)


def estimated_regulation(va: float) -> float:
    """Return no-load over full-load voltage, minus one, for a transformer of this rating."""
    return REGULATION_AT_1_VA * float(va**REGULATION_EXPONENT)


def output_idle_a(unit: Unit) -> float:
    """Return what both output stages draw from each rail at the target bias, amperes."""
    return 2.0 * unit.output_pairs * unit.target_bias_drop_mv / 1000.0 / unit.emitter_resistor_ohm


@lru_cache(maxsize=64)
def supply_of(unit: Unit) -> Supply:
    """Return the supply whose idling rail is the unit's nominal at full mains.

    The transformer's copper is split evenly between primary and secondary; its
    turns ratio is solved for.
    """
    va = estimated_va(unit)
    regulation = estimated_regulation(va)
    idle = idle_load(output_idle_a(unit) + unit.quiescent_other_a, unit.rail_nominal_v)
    mains_ohm = MAINS_OHM_AT_230 * (unit.mains_v / 230.0) ** 2

    def built(turns: float) -> Supply:
        half_v = turns * unit.mains_v
        # Both halves at rated current sag by the regulation: R = reg V / (VA / 2V).
        both_ohm = regulation * half_v**2 * 2.0 / va
        return Supply(
            mains_v=unit.mains_v,
            mains_hz=unit.mains_hz,
            lamp=Lamp(unit.limiter_lamp_w, unit.mains_v),
            turns=turns,
            half_ohm=both_ohm / 2.0,
            primary_ohm=both_ohm / (4.0 * turns**2),
            mains_ohm=mains_ohm,
            magnetising_a=MAGNETISING_SHARE * va / unit.mains_v,
            va=va,
            regulation=regulation,
            reservoir_f=unit.reservoir_uf * 1e-6,
        )

    def excess_v(turns: float) -> float:
        return settled(built(turns), 100.0, False, idle).rail_v - unit.rail_nominal_v

    ideal = unit.rail_nominal_v / (math.sqrt(2.0) * unit.mains_v)
    return built(float(brentq(excess_v, 0.5 * ideal, 4.0 * ideal, xtol=1e-9)))
