"""The second model against closed forms: first-order heat, feedback, its own equilibrium."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest

from benchwarden.corpus.random_unit import random_unit
from benchwarden.corpus.second_model import STEP_S, Lockstep, Sets, ends_at, idle_heat_w, loop_gain, needed_v, steady
from benchwarden.corpus.second_sets import cold_a, draw_set, target_a

ROOM = np.array([23.0])


def drawn(seed: int, gain: float = 0.4) -> tuple[Sets, np.ndarray]:
    unit = random_unit(random.Random(seed))
    sets = draw_set(np.random.default_rng(seed), unit, 23.0, np.array([gain, gain]))
    return sets, target_a(sets, unit)


def plain_sink(sets: Sets, k_per_w: float, tau_s: float) -> Sets:
    """Return the set on a sink of one resistance and one time constant, no other companion."""
    ones = np.ones((1, 2))
    capacity = tau_s / k_per_w
    return replace(
        sets,
        conv_w=ones / k_per_w,
        conv_power=0.0 * ones,
        rad_m2=0.0 * ones,
        cross=np.zeros(1),
        c1=0.1 * capacity * ones,
        c2=0.9 * capacity * ones,
        g12=10.0 * ones,
        cc=np.full((1, 2, 2), 2.0),
        spreader_lag_s=2.0 * ones,
        driver_lag_s=2.0 * ones,
    )


def test_steady_sink_of_one_resistance_is_r_times_p():
    sets = plain_sink(drawn(1)[0], 2.0, 100.0)
    heat = steady(sets, np.array([[5.0, 12.0]]), ROOM)
    assert heat.fins_c[0] == pytest.approx(23.0 + 2.0 * np.array([5.0, 12.0]), abs=1e-6)


def test_a_warm_sink_cools_with_r_times_c():
    sets = plain_sink(drawn(1)[0], 2.0, 100.0)
    devices = 2.0 * float(sets.pairs[0, 0])
    bench = Lockstep(sets, np.array([63.0]))
    whole = float((sets.c1 + sets.c2)[0, 0]) + devices * 2.0
    for i in range(round(2.0 * whole / STEP_S)):
        bench.step(i * STEP_S, np.ones(1), ROOM, np.zeros((1, 2)))
    # R C with R = 2 K/W; after one time constant 0.632121 of the way is done (table of first-order steps).
    left = (bench.heat.fins_c[0] - 23.0) / 40.0
    assert left == pytest.approx(1.0 - 0.632121, abs=0.01)


def test_channels_on_one_sink_share_their_heat():
    sets = replace(plain_sink(drawn(1)[0], 2.0, 100.0), cross=np.array([0.5]))
    rise = steady(sets, np.array([[10.0, 0.0]]), ROOM).fins_c[0] - 23.0
    # Two nodes of 0.5 W/K to air, 0.5 W/K between: (0.5 + 0.5) a - 0.5 b = 10, 0.5 a = b: 40/3 and 20/3 K.
    assert rise == pytest.approx([40.0 / 3.0, 20.0 / 3.0], rel=1e-6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_loop_gain_is_the_feedback_that_a_small_turn_of_the_pot_sees(seed):
    sets, current = drawn(seed)
    sets = replace(sets, cross=np.zeros(1))
    end = ends_at(sets, sets.rail_v, ROOM, current)
    gain = loop_gain(sets, end, sets.rail_v, ROOM)
    heat = steady(sets, idle_heat_w(sets, end, sets.rail_v), ROOM)
    nudge = 1e-4 * end
    still = (needed_v(sets, end + nudge, heat, sets.rail_v) - needed_v(sets, end, heat, sets.rail_v)) / nudge
    turn = 2e-5
    moved = ends_at(replace(sets, setting_v=sets.setting_v + turn), sets.rail_v, ROOM, end)
    # A loop of gain g turns x into x / (1 - g).
    assert (moved - end) == pytest.approx(turn / still / (1.0 - gain), rel=0.01)


@pytest.mark.parametrize("gain", [0.3, 0.6])
def test_a_set_has_the_loop_gain_it_was_drawn_for_or_less(gain):
    for seed in range(4):
        sets, current = drawn(seed, gain)
        found = loop_gain(sets, current, sets.rail_v, ROOM)
        assert (found <= gain + 0.15).all()
        assert (found > 0.0).all()
        assert ends_at(sets, sets.rail_v, ROOM, current * 0.9) == pytest.approx(current, rel=1e-4)
        assert (cold_a(sets, 23.0) < 1.5 * current).all()


def test_a_run_ends_where_the_closed_form_says():
    sets, _ = drawn(2)
    sets = plain_sink(sets, 1.0, 60.0)
    bench = Lockstep(sets, ROOM)
    bench.mains_on[:], bench.percent[:] = True, 100.0
    for i in range(6000):
        bench.step(i * STEP_S, np.ones(1), ROOM, np.zeros((1, 2)))
    end = ends_at(sets, bench.rail_v.mean(axis=1), ROOM, bench.current_a)
    assert bench.current_a == pytest.approx(end, rel=2e-3)


def test_devices_that_get_too_hot_are_noted_once():
    sets, _ = drawn(3)
    sets = replace(sets, setting_v=sets.setting_v + 3.0)
    bench = Lockstep(sets, ROOM)
    bench.mains_on[:], bench.percent[:] = True, 100.0
    for i in range(600):
        bench.step(i * STEP_S, np.ones(1), ROOM, np.zeros((1, 2)))
    words = [what for _, what in bench.damaged[0]]
    assert "output device left" in words
    assert len(words) == len(set(words))
    assert all(math.isfinite(t) for t, _ in bench.damaged[0])
