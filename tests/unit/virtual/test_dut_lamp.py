"""Tungsten, the lamp and the rectifier's closed form."""

import math

import numpy as np
import pytest

from benchwarden.core import tungsten
from benchwarden.virtual.lamp import HOT_K, Lamp, filament_heat_capacity
from benchwarden.virtual.mains import (
    STILL,
    Noise,
    Supply,
    SupplyParams,
    Wander,
    WanderParams,
    half_winding_for,
    rectify,
)


@pytest.mark.parametrize(
    ("t_k", "rho"),
    [(300, 5.65), (600, 13.23), (1000, 24.93), (2000, 56.67), (2400, 70.39), (2800, 84.7), (3000, 92.04)],
)
def test_tungsten_table(t_k, rho):
    """Forsythe and Worthing, Astrophys. J. 61 (1925) 146."""
    assert tungsten.resistivity_uohm_cm(t_k) == pytest.approx(rho, abs=1e-9)
    assert tungsten.temperature_k(rho) == pytest.approx(t_k, abs=1e-6)


@pytest.mark.parametrize(("t_k", "ratio"), [(2400, 12.46), (2700, 14.34), (2800, 14.99)])
def test_hot_over_cold(t_k, ratio):
    assert tungsten.resistance_ratio(t_k) == pytest.approx(ratio, abs=0.005)


def test_table_is_continuous_to_its_ends():
    assert len(tungsten.RESISTIVITY_UOHM_CM) == 34
    assert tungsten.LAST_K == 3600.0
    assert tungsten.resistivity_uohm_cm(3600.0) == pytest.approx(115.0)
    assert tungsten.resistivity_uohm_cm(250.0) < 5.65
    for t_k in (399.999, 400.0, 3499.999, 3500.0):
        step = tungsten.resistivity_uohm_cm(t_k + 0.002) - tungsten.resistivity_uohm_cm(t_k)
        assert 0.0 < step < 1e-3


def test_a_lamp_on_its_rating():
    """100 W, 230 V: 529 ohm hot and, at a ratio of 15, 35.3 ohm cold; settles there from cold."""
    lamp = Lamp(100.0, 230.0, 26.85)
    assert lamp.r_ohm == pytest.approx(35.3, abs=0.05)
    for _ in range(300):
        lamp.step(0.01, 230.0**2 / lamp.r_ohm)
    assert lamp.t_k == pytest.approx(HOT_K, abs=1.0)
    assert lamp.r_ohm == pytest.approx(529.0, rel=1e-3)


def test_lamp_current_follows_voltage_as_lamps_do():
    """Current about as the 0.55th power of voltage near rating: the makers' rerating rule, from memory."""
    amps = []
    for volts in (0.9 * 230.0, 1.1 * 230.0):
        lamp = Lamp(60.0, 230.0)
        for _ in range(500):
            lamp.step(0.01, volts**2 / lamp.r_ohm)
        amps.append(volts / lamp.r_ohm)
    assert math.log(amps[1] / amps[0]) / math.log(1.1 / 0.9) == pytest.approx(0.55, abs=0.05)


def test_filament_heats_in_about_a_tenth_of_a_second():
    """Time to 90 % of the final resistance, 100 W: tens to hundreds of milliseconds (common practice, no source)."""
    lamp = Lamp(100.0, 230.0)
    t_s = 0.0
    while lamp.r_ohm < 0.9 * 529.0:
        lamp.step(0.001, 230.0**2 / lamp.r_ohm)
        t_s += 0.001
    assert 0.01 < t_s < 0.3
    assert filament_heat_capacity(100.0, 230.0) > filament_heat_capacity(40.0, 230.0)


def test_lamp_is_stable_at_any_step():
    for dt_s in (0.0025, 0.01, 1.0):
        lamp = Lamp(40.0, 230.0)
        for _ in range(2000):
            lamp.step(dt_s, 20.0)
        assert lamp.loss_w(lamp.t_k) == pytest.approx(20.0, rel=1e-6)


@pytest.mark.parametrize(
    ("low_v", "high_v", "shared_ohm"),
    [(42.0, 42.0, 0.2), (42.0, 43.2, 0.2), (10.0, 10.0, 9.0), (10.0, 20.0, 9.0), (10.0, 10.4, 9.0), (0.0, 0.0, 0.5)],
)
def test_rectifier_closed_form_is_the_integral(low_v, high_v, shared_ohm):
    """Against brute-force integration of the circuit's instantaneous currents over a half cycle."""
    peak_v, branch_ohm = 44.0, 0.33
    x = (np.arange(400_000) + 0.5) / 400_000 * math.pi - 0.5 * math.pi
    e = peak_v * np.cos(x)
    one = (e - low_v) / (shared_ohm + branch_ohm)
    node = (e / shared_ohm + (low_v + high_v) / branch_ohm) / (1.0 / shared_ohm + 2.0 / branch_ohm)
    both = node > high_v
    low = np.where(both, (node - low_v) / branch_ohm, np.maximum(one, 0.0))
    high = np.where(both, (node - high_v) / branch_ohm, 0.0)
    got = rectify(peak_v, low_v, high_v, branch_ohm, shared_ohm)
    assert got[0] == pytest.approx(low.mean(), rel=1e-5)
    assert got[1] == pytest.approx(high.mean(), rel=1e-5, abs=1e-9)
    assert got[2] == pytest.approx(((low + high) ** 2).mean(), rel=1e-5)
    # The derivatives, against differences of the closed form itself.
    h = 1e-5
    up = rectify(peak_v, low_v + h, high_v + h, branch_ohm, shared_ohm)
    assert (up[0] - got[0]) / h == pytest.approx(got[3] + got[4], rel=2e-3, abs=1e-6)
    assert (up[1] - got[1]) / h == pytest.approx(got[4] + got[5], rel=2e-3, abs=1e-6)


def supply() -> Supply:
    params = SupplyParams(230.0, 50.0, half_winding_for(42.0, 0.15, 0.33, 0.16, 0.8), 0.33, 0.16, 0.8, 6.8e-3, 100.0)
    return Supply(params, 25.0)


@pytest.mark.parametrize("limiter_in", [True, False])
def test_step_length_does_not_matter(limiter_in):
    """Charging from nothing: 2.5 ms and 10 ms steps agree within 3 % of the final rail all the way, and end alike."""
    coarse, fine = supply(), supply()
    for _ in range(300):
        coarse.step(0.01, 230.0, limiter_in, 0.1, 0.1, 1e-3, 1e-3, 0.0)
        for _ in range(4):
            fine.step(0.0025, 230.0, limiter_in, 0.1, 0.1, 1e-3, 1e-3, 0.0)
        assert coarse.pos_v == pytest.approx(fine.pos_v, abs=0.03 * 42.0)
    assert coarse.pos_v == pytest.approx(fine.pos_v, rel=1e-3)


def test_nominal_rail_at_nominal_load():
    held = supply()
    for _ in range(500):
        held.step(0.01, 230.0, False, 0.15, 0.15, 0.0, 0.0, 0.0)
    assert held.pos_v == pytest.approx(42.0, rel=1e-4)
    assert held.neg_v == pytest.approx(42.0, rel=1e-4)


def test_charge_in_is_charge_out_once_settled():
    held = supply()
    for _ in range(1000):
        held.step(0.01, 230.0, True, 0.1, 0.1, 0.0, 0.0, 0.0)
    assert held.settled
    assert held.charge_pos_a == pytest.approx(0.1, rel=1e-3)
    assert held.charge_neg_a == pytest.approx(0.1, rel=1e-3)


def test_mains_off_discharges_into_the_load_only():
    held = supply()
    for _ in range(500):
        held.step(0.01, 230.0, False, 0.1, 0.1, 0.0, 0.0, 0.0)
    start = held.pos_v
    for _ in range(100):
        held.step(0.01, 0.0, False, 0.1, 0.1, 0.0, 0.0, 0.0)
    assert start - held.pos_v == pytest.approx(0.1 * 1.0 / 6.8e-3, rel=1e-6)
    for _ in range(1000):
        held.step(0.01, 0.0, False, 0.1, 0.1, 0.0, 0.0, 0.0)
    assert held.pos_v == 0.0


def test_wander_has_the_spread_it_was_given_and_can_stand_still():
    noise = Noise(5)
    wander = Wander(WanderParams(mains_step=0.0), 23.0, noise)
    seen = []
    for _ in range(400_000):
        wander.tick()
        seen.append(wander.mains)
    # 40 000 s of a 900 s process: some 22 independent values each way.
    assert np.std(seen) == pytest.approx(0.008, rel=0.4)
    still = Wander(STILL, 23.0, noise)
    for _ in range(1000):
        still.tick()
    assert (still.mains, still.ambient_c) == (1.0, 23.0)


def test_pulses_before_the_reservoir_average_to_the_charge():
    held = supply()
    for _ in range(500):
        held.step(0.01, 230.0, False, 0.5, 0.5, 0.0, 0.0, 0.0)
    phase, total, top = 0.3, 0.0, 0.0
    for _ in range(400):
        held.step(0.0025, 230.0, False, 0.5, 0.5, 0.0, 0.0, 0.0)
        phase, pos, _neg = held.pulses(phase, 2.0 * math.pi * 50.0 * 0.0025)
        total += pos / 400
        top = max(top, pos)
    assert total == pytest.approx(0.5, rel=5e-3)
    assert top > 1.0
