"""The lamp against Forsythe and Worthing's tungsten, rated figures, and lamp exponents."""

from __future__ import annotations

import math

import pytest

from benchwarden.analysis.lamp_limiter import COLD_K, HOT_K, Lamp, lamp_current_a, lamp_temperature_k


def test_hundred_watts_at_230_v_is_529_ohm_hot_and_35_cold() -> None:
    # V^2/P, and the ratio of 15 between 2800 K and 300 K.
    lamp = Lamp(100.0, 230.0)
    assert lamp.hot_ohm == pytest.approx(529.0)
    assert lamp.cold_ohm == pytest.approx(35.3, abs=0.05)


@pytest.mark.parametrize(("t_k", "ratio"), [(2400.0, 12.46), (2700.0, 14.34), (2800.0, 14.99)])
def test_hot_over_cold_resistance(t_k: float, ratio: float) -> None:
    # Forsythe and Worthing, Astrophys. J. 61 (1925) 146: resistivity ratios to 300 K.
    lamp = Lamp(60.0, 120.0)
    assert lamp.resistance_ohm(t_k) / lamp.cold_ohm == pytest.approx(ratio, abs=0.005)


@pytest.mark.parametrize("rated_v", [115.0, 230.0])
@pytest.mark.parametrize("rated_w", [40.0, 100.0, 200.0])
def test_rated_voltage_gives_rated_power(rated_w: float, rated_v: float) -> None:
    lamp = Lamp(rated_w, rated_v)
    assert rated_v * lamp_current_a(lamp, rated_v) == pytest.approx(rated_w, rel=1e-3)
    assert lamp_temperature_k(lamp, rated_v) == pytest.approx(HOT_K, abs=1.0)


def test_current_follows_voltage_with_the_trade_exponent() -> None:
    # Current goes with voltage to the power 0.541 for gas-filled lamps (0.58 for
    # vacuum ones) near the rating: IES Lighting Handbook, from memory.
    lamp = Lamp(100.0, 230.0)
    exponent = math.log(lamp_current_a(lamp, 1.05 * 230.0) / lamp_current_a(lamp, 0.95 * 230.0)) / math.log(1.05 / 0.95)
    assert exponent == pytest.approx(0.541, abs=0.04)


def test_steady_state_balances_heat() -> None:
    lamp = Lamp(75.0, 230.0)
    for volts in (5.0, 40.0, 120.0, 260.0):
        t_k = lamp_temperature_k(lamp, volts)
        assert volts**2 / lamp.resistance_ohm(t_k) == pytest.approx(lamp.loss_w(t_k), rel=1e-3)


def test_no_voltage_leaves_it_cold() -> None:
    assert lamp_temperature_k(Lamp(100.0, 230.0), 0.0) == COLD_K
