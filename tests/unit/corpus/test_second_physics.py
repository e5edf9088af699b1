"""The second model's laws against textbook figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchwarden.corpus import second_physics as law


# kT/q in millivolts, from the exact constants of the SI.
@pytest.mark.parametrize(
    ("t_c", "millivolts"),
    [(20.0, 25.26171), (25.0, 25.69258), (26.85, 25.85200), (40.0, 26.98518), (75.0, 30.00125), (100.0, 32.15558)],
)
def test_thermal_voltage(t_c, millivolts):
    assert 1e3 * law.thermal_voltage_v(t_c) == pytest.approx(millivolts, abs=1e-5)


def test_junction_tempco_at_constant_current():
    # (V - 1.12 - 3 kT/q) / T is -1.992 mV/K at 0.60 V and 300 K: standard result, from memory.
    t_c = 300.0 - law.ZERO_C_K
    vt = float(law.thermal_voltage_v(t_c))
    room_v = 0.60
    for _ in range(50):
        room_v += 0.60 - float(law.one_ampere_vbe_v(t_c, room_v, 1.12, 3.0))
    slope = (
        law.one_ampere_vbe_v(t_c + 0.01, room_v, 1.12, 3.0) - law.one_ampere_vbe_v(t_c - 0.01, room_v, 1.12, 3.0)
    ) / 0.02
    assert slope == pytest.approx((0.60 - 1.12 - 3.0 * vt) / 300.0, abs=1e-8)
    assert 1e3 * slope == pytest.approx(-1.992, abs=0.001)


def in_class_b(rail_v: float, peak_v: float, load_ohm: float) -> float:
    side = law.mean_side_a(np.array(0.0), peak_v / load_ohm)
    return float(law.stage_heat_w(rail_v, side, peak_v, load_ohm))


def test_class_b_dissipation_at_its_worst():
    # +-35 V into 8 ohm: 31.0296 W at 22.2817 V peak; 2 Vcc^2 / (pi^2 RL) at 2 Vcc / pi (textbook).
    assert in_class_b(35.0, 22.2817, 8.0) == pytest.approx(31.0296, abs=1e-4)
    assert in_class_b(35.0, 2.0 * 35.0 / math.pi, 8.0) == pytest.approx(2.0 * 35.0**2 / (math.pi**2 * 8.0), rel=1e-12)


@pytest.mark.parametrize(("share", "of_most"), [(1 / 8, 0.32516), (1 / 3, 0.40177), (1 / 2, 0.40032), (1.0, 0.27324)])
def test_class_b_dissipation_at_a_share_of_the_power(share, of_most):
    # Per watt of ideal full power; formula of the same textbooks.
    most_w = 35.0**2 / 16.0
    assert in_class_b(35.0, 35.0 * math.sqrt(share), 8.0) / most_w == pytest.approx(of_most, abs=1e-5)


def test_boylestads_pair_of_devices():
    # Vcc 30, RL 16, full swing: 35.81 W in, 28.125 W out, rest 7.68 W; at its worst 11.40 W the pair
    # (Boylestad, Electronic Devices and Circuit Theory, example 12.8).
    assert in_class_b(30.0, 2.0 * 30.0 / math.pi, 16.0) == pytest.approx(11.40, abs=0.01)
    assert in_class_b(30.0, 30.0, 16.0) == pytest.approx(35.81 - 28.125, abs=0.01)


def test_mean_of_one_side_is_the_integral_of_the_two_junctions_law():
    phase = (np.arange(200000) + 0.5) / 200000 * 2.0 * math.pi
    for idle, peak in ((0.05, 0.0), (0.05, 0.02), (0.05, 0.3), (0.01, 4.0)):
        half = 0.5 * peak * np.sin(phase)
        mean = float(np.mean(half + np.sqrt(half**2 + idle**2)))
        assert float(law.mean_side_a(np.array(idle), peak)) == pytest.approx(mean, rel=1e-6)


def test_sink_of_constant_resistance_rises_by_r_times_p():
    rise = law.rise_for_w(np.array([[10.0, 25.0]]), 23.0, 1.0 / 2.5, 0.0, 0.0)
    assert rise == pytest.approx(np.array([[25.0, 62.5]]), rel=1e-9)


def test_free_air_gives_less_than_proportional_rise():
    # h ~ rise^(1/4): sixteen times the heat, sixteen^0.8 the rise.
    low, high = law.rise_for_w(np.array([[2.0, 32.0]]), 23.0, 0.2, 0.25, 0.0)[0]
    assert high / low == pytest.approx(16.0**0.8, rel=1e-9)


def test_radiation_is_that_of_a_black_surface():
    # 1 m2 at 100 C in a room of 20 C: 5.670374419e-8 (373.15^4 - 293.15^4) = 680.7 W.
    assert float(law.given_off_w(80.0, 20.0, 0.0, 0.25, 1.0)) == pytest.approx(680.7, abs=0.1)


def test_pink_noise_has_as_much_power_in_each_octave():
    noise = law.pink(np.random.default_rng(3), 1 << 16, 0.1)
    assert np.var(noise) == pytest.approx(1.0, abs=0.5)
    power = np.abs(np.fft.rfft(noise)) ** 2
    octaves = [power[1 << i : 2 << i].sum() for i in range(6, 13)]
    # Flat within a factor; white noise would double from octave to octave, 64 times over these.
    assert max(octaves) / min(octaves) < 6.0
