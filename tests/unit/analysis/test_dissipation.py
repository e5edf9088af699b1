"""Class-B heat against worked examples."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import quad

from benchwarden.analysis import dissipation


def test_boylestad_example_12_8() -> None:
    # Boylestad, Electronic Devices and Circuit Theory, example 12.8: Vcc 30 V, RL 16 ohm.
    # The book's 28.125 W is the full swing; its heat is quoted per device and for the pair.
    full_w = dissipation.output_w(30.0, 16.0)
    assert full_w == pytest.approx(28.125)
    assert dissipation.input_w(30.0, 30.0, 16.0) == pytest.approx(35.81, abs=0.01)
    assert dissipation.worst_w(30.0, 16.0) == pytest.approx(11.40, abs=0.01)
    assert dissipation.worst_w(30.0, 16.0) / 2.0 == pytest.approx(5.70, abs=0.01)


@pytest.mark.parametrize(("swing_v", "percent"), [(22.0, 72.0), (6.0, 19.6)])
def test_boylestad_example_12_9(swing_v: float, percent: float) -> None:
    # Same book, example 12.9: Vcc 24 V.
    assert 100.0 * dissipation.efficiency(24.0, swing_v) == pytest.approx(percent, abs=0.1)


def test_worst_level_is_two_over_pi_of_the_rail() -> None:
    # ST TS4995 data p. 19 in its bridge form; Boylestad: 4/pi^2 of the largest output.
    peak_v = dissipation.worst_peak_v(35.0)
    assert dissipation.output_w(35.0, 8.0) == pytest.approx(76.5625, abs=1e-4)
    assert dissipation.worst_w(35.0, 8.0) == pytest.approx(31.0296, abs=1e-4)
    assert peak_v == pytest.approx(22.2817, abs=1e-4)
    assert dissipation.dissipation_w(35.0, peak_v, 8.0) == pytest.approx(31.0296, abs=1e-4)
    assert dissipation.worst_w(35.0, 8.0) / dissipation.output_w(35.0, 8.0) == pytest.approx(0.405285, abs=1e-6)
    assert dissipation.efficiency(35.0, peak_v) == pytest.approx(0.5)
    for other_v in (0.9 * peak_v, 1.1 * peak_v):
        assert dissipation.dissipation_w(35.0, other_v, 8.0) < 31.0296


@pytest.mark.parametrize(
    ("share", "of_full", "of_worst"),
    [(1 / 8, 0.32516, 0.802), (1 / 3, 0.40177, 0.991), (1 / 2, 0.40032, None), (1.0, 0.27324, None)],
)
def test_heat_at_shares_of_full_power(share: float, of_full: float, of_worst: float | None) -> None:
    # Closed form for ideal class B, given with five digits.
    full_w = dissipation.output_w(40.0, 8.0)
    peak_v = dissipation.peak_v_at(share * full_w, 8.0)
    heat_w = dissipation.dissipation_w(40.0, peak_v, 8.0)
    assert heat_w / full_w == pytest.approx(of_full, abs=1e-5)
    if of_worst is not None:
        assert heat_w / dissipation.worst_w(40.0, 8.0) == pytest.approx(of_worst, abs=5e-4)


def test_published_single_supply_chain() -> None:
    # waynestegall.com, thermal design: 28 V rails, 68 W into 4 ohm: 103.939 W in, 35.9387 W heat.
    peak_v = dissipation.peak_v_at(68.0, 4.0)
    assert dissipation.input_w(28.0, peak_v, 4.0) == pytest.approx(103.939, abs=1e-3)
    assert dissipation.dissipation_w(28.0, peak_v, 4.0) == pytest.approx(35.9387, abs=1e-3)


def test_rail_mean_is_that_of_a_half_sine() -> None:
    n = 100_000
    mean = sum(max(math.sin(2.0 * math.pi * i / n), 0.0) for i in range(n)) / n
    assert dissipation.rail_mean_a(10.0, 8.0) == pytest.approx(10.0 / 8.0 * mean, rel=1e-6)


@pytest.mark.parametrize(("peak_v", "idle_a"), [(0.0, 0.0), (0.0, 0.05), (0.5, 0.05), (10.0, 0.05), (40.0, 0.5)])
def test_class_ab_is_its_mean_over_the_sine(peak_v: float, idle_a: float) -> None:
    # Direct quadrature of i/2 + sqrt(i^2/4 + Iq^2), 8 ohm.
    def half_a(angle: float) -> float:
        i = peak_v / 8.0 * math.sin(angle)
        return 0.5 * i + math.hypot(0.5 * i, idle_a)

    mean, _ = quad(half_a, 0.0, 2.0 * math.pi, points=(math.pi,))
    assert dissipation.class_ab_rail_mean_a(peak_v, 8.0, idle_a) == pytest.approx(mean / (2.0 * math.pi), rel=1e-7)


def test_class_ab_joins_idle_and_class_b() -> None:
    assert dissipation.class_ab_w(35.0, 0.0, 8.0, 0.1) == pytest.approx(dissipation.idle_w(35.0, 0.1))
    loud = dissipation.class_ab_w(35.0, 22.0, 8.0, 1e-6)
    assert loud == pytest.approx(dissipation.dissipation_w(35.0, 22.0, 8.0), rel=1e-6)
    assert dissipation.class_ab_w(35.0, 22.0, 8.0, 0.1) > loud


def test_a_pure_reactance_makes_pi_times_the_worst_heat_of_a_resistor() -> None:
    # No power leaves: at full swing all of 2 Vcc^2 / (pi Z) is heat, against 2 Vcc^2 / (pi^2 R).
    ratio = dissipation.dissipation_w(35.0, 35.0, 8.0, 90.0) / dissipation.worst_w(35.0, 8.0)
    assert ratio == pytest.approx(math.pi)
