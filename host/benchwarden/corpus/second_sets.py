"""Which invented amplifier of the second model does a seed stand for?"""

from __future__ import annotations

import itertools
import math

import numpy as np

from benchwarden.core.samples import FloatArray
from benchwarden.core.unit import Unit
from benchwarden.corpus import second_physics as law
from benchwarden.corpus.case import HEALTHY_GAIN
from benchwarden.corpus.second_model import Heat, Sets, compensate, current_at, idle_heat_w, loop_gain, needed_v, steady

# A set that idles at more than this share of its target when cold would never have been handed out,
# nor one that runs away as soon as a warm sink has doubled its current. Common practice, no source.
_COLD_MOST = 1.5
_DOUBLED_GAIN_MOST = 0.9
# A test signal that multiplies the bias by more than this is turned down by whoever watches it.
_DRIVEN_MOST = 4.0
# So many draws before a lower loop gain is asked for.
_PATIENCE = 12
_DOUBLED_GAIN_MOST = 0.9


def draw_set(rng: np.random.Generator, unit: Unit, ambient_c: float, gain: FloatArray) -> Sets:
    """Return a set with these facts whose channels have these loop gains at the target current.

    It is set to settle at its target. Sets that idle far above it when cold, or that would run
    away from twice their target although not from once, are drawn again.

    Args:
        gain: shape (2,). Where no sensible spreader gives it, the nearest one is taken;
            ask `second_model.loop_gain` for what came of it.
    """
    room = np.array([ambient_c])
    for tried in itertools.count(1):
        sets = _drawn(rng, unit, ambient_c)
        current = target_a(sets, unit)
        wanted = compensate(sets, np.atleast_2d(gain), current, sets.rail_v, room)
        # Between no spreader at all and twice what the junctions need.
        sets.spreader_k[:] = np.clip(wanted, 0.0, 0.018)
        sets.setting_v[:] = settling_setting(sets, current, ambient_c)
        doubled = loop_gain(sets, 2.0 * current, sets.rail_v, room)
        tame = (doubled < _DOUBLED_GAIN_MOST).all()
        if (tame or float(np.max(gain)) >= HEALTHY_GAIN) and (cold_a(sets, ambient_c) < _COLD_MOST * current).all():
            return sets
        if tried % _PATIENCE == 0:
            gain = 0.8 * gain
    raise AssertionError("unreachable")


def cold_a(sets: Sets, ambient_c: float) -> FloatArray:
    """Return the current just after switch-on with everything at ambient_c, shape (R, 2)."""
    runs = len(sets.rail_v)
    room = np.full((runs, 2), ambient_c)
    halves = np.full((runs, 2, 2), ambient_c)
    heat = Heat(halves, halves, room, room, room, room)
    return current_at(sets, heat, sets.rail_v, sets.setting_v, np.full((runs, 2), -4.0))


def peak_v(unit: Unit, share: float = 1.0) -> float:
    """Return the peak of the test signal at a share of an eighth of the rated power, volts."""
    return math.sqrt(2.0 * share * unit.rated_power_w / 8.0 * unit.load_ohm)


def driven_w(unit: Unit, share: float = 1.0) -> float:
    """Return one channel's heat at that signal, without its idle current, watts."""
    volts = peak_v(unit, share)
    side_a = law.mean_side_a(np.array(0.0), volts / unit.load_ohm)
    return max(float(law.stage_heat_w(unit.rail_nominal_v, side_a, volts, unit.load_ohm)), 0.0)


def bearable_share(sets: Sets, unit: Unit, ambient_c: float, wanted: float) -> float:
    """Return the share of an eighth of the power, at most `wanted`, under which the bias stays within bounds."""
    room = np.array([ambient_c])
    target = target_a(sets, unit)
    share = wanted
    while share > 0.01:
        current = target
        for _ in range(12):
            heat = steady(sets, idle_heat_w(sets, current, sets.rail_v) + driven_w(unit, share), room)
            current = current_at(sets, heat, sets.rail_v, sets.setting_v, np.log(current))
        if (current < _DRIVEN_MOST * target).all():
            break
        share *= 0.5
    return share


def _drawn(rng: np.random.Generator, unit: Unit, ambient_c: float) -> Sets:
    """Return a set with these facts, spreader and setting still open."""

    def per(low: float, high: float) -> FloatArray:
        """Return one draw for each channel, alike within 6 %."""
        return np.atleast_2d(rng.uniform(low, high) * rng.uniform(0.97, 1.03, 2))

    def half(low: float, high: float) -> FloatArray:
        return np.asarray(rng.uniform(low, high) * rng.uniform(0.95, 1.05, (1, 2, 2)))

    can = unit.package == "metal-can"
    rail, pairs = unit.rail_nominal_v, unit.output_pairs
    idle_a = unit.target_bias_drop_mv * 1e-3 / unit.emitter_resistor_ohm
    # A sink sized for what an eighth of the power heats it, idling included; common practice, no source.
    design_w = driven_w(unit) + 2.0 * pairs * idle_a * rail
    rise_k = rng.uniform(22.0, 42.0)
    convected = rng.uniform(0.6, 0.95)
    room_k = ambient_c + law.ZERO_C_K
    capacity = rng.uniform(250.0, 1100.0) * design_w / rise_k
    zone = rng.uniform(0.15, 0.4)
    place = rng.choice(("sink", "sink", "sink", "case", "driver"))
    share = float(rng.uniform(0.75, 1.0))
    on_sink, on_case = {"sink": (share, 0.0), "case": (1.0 - share, share), "driver": (0.0, 0.0)}[str(place)]
    ones = np.ones((1, 2))
    emitter = unit.emitter_resistor_ohm * rng.uniform(0.95, 1.05, (1, 2))
    load_a = 2.0 * peak_v(unit) * math.sqrt(8.0) / unit.load_ohm / math.pi
    return Sets(
        rail_v=np.array([rail]),
        load_ohm=np.array([unit.load_ohm * rng.uniform(0.95, 1.05)]),
        source_ohm=np.array([rng.uniform(0.04, 0.12) * rail / max(load_a, 0.3)]),
        reservoir_f=np.array([unit.reservoir_uf * 1e-6 * rng.uniform(0.75, 1.1)]),
        other_a=np.array([unit.quiescent_other_a * rng.uniform(0.7, 1.4)]),
        mains_v=np.array([unit.mains_v]),
        lamp_w=np.array([unit.limiter_lamp_w]),
        cross=np.array([rng.choice((0.0, 0.0, rng.uniform(0.1, 2.0))) * design_w / rise_k]),
        pairs=pairs * ones,
        emitter_ohm=emitter,
        metered_ohm=emitter * rng.uniform(0.93, 1.07, (1, 2)),
        inner_ohm=per(0.02, 0.12),
        knee_a=per(3.0, 15.0),
        early_v=per(60.0, 250.0),
        gap_v=per(1.16, 1.21),
        eta=per(2.2, 4.0),
        driver_k=per(0.0035, 0.0043),
        spreader_k=0.004 * ones,
        setting_v=0.0 * ones,
        line_v=per(0.0, 0.03),
        on_sink=on_sink * ones,
        on_case=on_case * ones,
        spreader_lag_s=per(5.0, 70.0),
        driver_on_sink=(rng.uniform(0.5, 1.0) if place == "driver" else rng.uniform(0.1, 1.0)) * ones,
        driver_rise_k=per(2.0, 25.0),
        driver_lag_s=per(20.0, 150.0),
        c1=zone * capacity * ones,
        c2=(1.0 - zone) * capacity * rng.uniform(0.97, 1.03, (1, 2)),
        g12=design_w / rng.uniform(1.5, 8.0) * ones,
        conv_w=convected * design_w / rise_k**1.25 * rng.uniform(0.95, 1.05, (1, 2)),
        conv_power=0.25 * ones,
        rad_m2=(1.0 - convected) * design_w / (law.STEFAN_BOLTZMANN * ((room_k + rise_k) ** 4 - room_k**4)) * ones,
        sensor_on_fins=rng.uniform(0.0, 1.0) * ones,
        sensor_lag_s=per(2.0, 15.0),
        offset_v=rng.normal(0.0, 0.012, (1, 2)),
        offset_per_k=rng.normal(0.0, 1.5e-4, (1, 2)),
        uneven=rng.uniform(-0.12, 0.12, (1, 2)),
        tj_max_c=(200.0 if can else 150.0) * ones,
        network_s=per(0.01, 0.06),
        network_w=rng.choice((1.0, 2.0)) * ones,
        room_v=half(0.66, 0.72),
        rjc=half(1.0, 1.5) if can else half(0.7, 1.2),
        rcs=half(0.3, 0.8),
        cj=half(0.015, 0.05),
        cc=half(4.0, 8.0) if can else half(1.2, 3.0),
    )


def target_a(sets: Sets, unit: Unit) -> FloatArray:
    """Return the current per pair at which the metered drop reads its target, shape (R, 2)."""
    found: FloatArray = unit.target_bias_drop_mv * 1e-3 / sets.metered_ohm
    return found


def settling_setting(sets: Sets, current_a: FloatArray, ambient_c: float) -> FloatArray:
    """Return the setting with which the channels settle at current_a, shape (R, 2), volts."""
    heat = steady(sets, idle_heat_w(sets, current_a, sets.rail_v), np.full(len(current_a), ambient_c))
    return needed_v(sets, current_a, heat, sets.rail_v)
