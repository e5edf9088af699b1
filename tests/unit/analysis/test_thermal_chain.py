"""Sinks, derating and thermal stability against data sheets and closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchwarden.analysis import dissipation, thermal_chain
from benchwarden.analysis.stability import compensated_gain
from benchwarden.core.unit import Unit

UNIT = Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0)


@pytest.mark.parametrize(
    ("tj_c", "ambient_c", "heat_w", "rth_jc", "rth_cs", "needed", "tolerance"),
    [
        (150.0, 60.0, 7.8, 6.0, 0.0, 5.538, 0.001),  # Philips TDA1521A data, July 1994 p. 5: 5.5 K/W
        (150.0, 60.0, 4.1, 8.0, 0.0, 13.95, 0.01),  # Philips TDA2613 p. 5: 14 K/W
        (150.0, 60.0, 2.2, 11.0, 1.0, 29.0, 0.1),  # Philips TDA2611A, November 1982 p. 4: 41 K/W less 11 and 1
        (150.0, 25.0, 35.9387, 1.0, 0.2, 2.27814, 1e-5),  # waynestegall.com thermal design, 25 C
        (150.0, 50.0, 35.9387, 1.0, 0.2, 1.58252, 1e-5),  # same, 50 C
    ],
)
def test_sink_of_published_examples(
    tj_c: float, ambient_c: float, heat_w: float, rth_jc: float, rth_cs: float, needed: float, tolerance: float
) -> None:
    found = thermal_chain.sink_needed_k_per_w(tj_c, ambient_c, heat_w, rth_jc, rth_cs)
    assert found == pytest.approx(needed, abs=tolerance)


def test_derating_is_junction_to_case() -> None:
    # ON Semiconductor TIP3055/D rev 5: 90 W, 0.72 W/K, 150 C, 1.39 K/W.
    assert thermal_chain.rth_from_derating(90.0, 150.0) == pytest.approx(1.39, rel=0.01)
    package = thermal_chain.Package(150.0, 1.3889, 0.5, 90.0, 90.0, "")
    slope = thermal_chain.derated_w(package, 50.0) - thermal_chain.derated_w(package, 51.0)
    assert slope == pytest.approx(0.72, rel=0.01)
    assert thermal_chain.derated_w(package, 20.0) == 90.0
    assert thermal_chain.derated_w(package, 150.0) == 0.0


def test_derating_of_a_small_can() -> None:
    # 2N3739: 20 W, 0.114 W/K, 200 C (MIL-PRF-19500/402 as summarised).
    assert 1.0 / thermal_chain.rth_from_derating(20.0, 200.0) == pytest.approx(0.114, rel=0.01)


@pytest.mark.parametrize(
    ("t_c", "mv"),
    [(20.0, 25.26171), (25.0, 25.69258), (26.85, 25.85200), (40.0, 26.98518), (75.0, 30.00125), (100.0, 32.15558)],
)
def test_thermal_voltage(t_c: float, mv: float) -> None:
    # SI exact constants.
    assert 1000.0 * thermal_chain.thermal_voltage_v(t_c) == pytest.approx(mv, abs=1e-5)


def test_best_bias_drop() -> None:
    # B. M. Oliver, HP Journal, February 1971, as summarised: 26 mV over all resistance.
    assert thermal_chain.oliver_drop_v(0.22, 0.05) == pytest.approx(0.0212, abs=1e-4)
    for ohm, ma in ((0.1, 260.0), (0.22, 118.2), (0.33, 78.8), (0.47, 55.3)):
        assert 1000.0 * thermal_chain.oliver_drop_v(ohm) / ohm == pytest.approx(ma, abs=0.1)


@pytest.mark.parametrize(("rail_v", "ohm", "rth"), [(35.0, 0.22, 6.27), (35.0, 0.33, 9.40), (50.0, 0.22, 4.39)])
def test_uncompensated_stage(rail_v: float, ohm: float, rth: float) -> None:
    # 2 mV/K, Iq = 26 mV / Re, inner resistance (kT/q)/Iq at 300 K; stable below 1/(dP/dTj).
    idle_a = 0.026 / ohm
    slope = thermal_chain.idle_slope_a_per_k(idle_a, ohm)
    assert 1.0 / (rail_v * slope) == pytest.approx(rth, abs=0.01)
    assert compensated_gain(rail_v, slope, 0.7 * rth, 0.3 * rth, 0.0) == pytest.approx(1.0, abs=0.005)
    if (rail_v, ohm) == (35.0, 0.22):
        assert 1000.0 * slope == pytest.approx(4.558, abs=0.001)
        assert rail_v * slope == pytest.approx(0.1595, abs=1e-4)


def test_ten_kelvin_without_emitter_resistor_double_the_current() -> None:
    # At a fixed bias voltage and without Re the current grows by exp(20 mV / 25.85 mV) = 2.168.
    current_a, step_k = 0.1, 0.001
    for _ in range(10_000):
        current_a += step_k * thermal_chain.idle_slope_a_per_k(current_a, 0.0)
    assert current_a / 0.1 == pytest.approx(2.168, abs=0.001)


def test_two_millivolts_per_kelvin() -> None:
    # (VBE - 1.12 V - 3 kT/q) / T at 0.60 V and 300 K: -1.992 mV/K (standard result, from memory).
    slope_v = (0.60 - 1.12 - 3.0 * thermal_chain.thermal_voltage_v(26.85)) / 300.0
    assert 1000.0 * slope_v == pytest.approx(-1.992, abs=0.001)
    assert pytest.approx(-slope_v, abs=1e-5) == thermal_chain.VBE_TEMPCO_V_PER_K


def test_published_bridge_amplifier_in_its_hottest_room() -> None:
    # ST TS4995 data p. 19: 5 V, 8 ohm: 633 mW at most; 125 C - 100 K/W x 0.633 W = 61.7 C.
    heat_w = dissipation.worst_w(5.0, 8.0)
    assert heat_w == pytest.approx(0.633, abs=0.001)
    package = thermal_chain.Package(125.0, 100.0, 0.0, 1.0, 125.0, "")
    assert thermal_chain.junction_c(package, 61.7, heat_w) == pytest.approx(125.0, abs=0.1)


def test_textbook_stability_example() -> None:
    # An electronics text's example: 10 K/W, 2 W, 25 C room: junction 45 C.
    package = thermal_chain.Package(150.0, 10.0, 0.0, 12.5, 150.0, "")
    assert thermal_chain.junction_c(package, 25.0, 2.0) == pytest.approx(45.0)


def test_worse_of_rating_and_resistance_counts() -> None:

    alone = thermal_chain.package_of(replace(UNIT, rth_jc_k_per_w=0.7))
    assert alone.rth_jc_k_per_w == pytest.approx(0.7)
    both = thermal_chain.package_of(replace(UNIT, rth_jc_k_per_w=0.7, power_max_w=90.0, tj_max_c=150.0))
    assert both.rth_jc_k_per_w == pytest.approx(125.0 / 90.0)
    assert "power_max_w" in both.source


def test_sink_limit_keeps_the_junction_clear() -> None:
    for name in ("metal-can", "plastic"):
        package = thermal_chain.package_of(replace(UNIT, package=name))
        for device_w in (0.0, 5.0, 20.0, 60.0):
            sink_c = thermal_chain.sink_limit_c(package, device_w)
            junction_c = thermal_chain.junction_c(package, sink_c, device_w)
            assert junction_c <= package.tj_max_c - thermal_chain.JUNCTION_MARGIN_K + 1e-9
            assert sink_c <= package.sink_cap_c
            case_c = sink_c + device_w * package.rth_cs_k_per_w
            assert device_w <= thermal_chain.derated_w(package, case_c)


def test_sink_estimate_grows_with_power() -> None:

    small = thermal_chain.sink_k_per_w(replace(UNIT, rated_power_w=20.0, rail_nominal_v=25.0))
    large = thermal_chain.sink_k_per_w(replace(UNIT, rated_power_w=150.0, rail_nominal_v=65.0))
    assert math.isfinite(small)
    assert large < small
    assert thermal_chain.sink_k_per_w(replace(UNIT, sink_k_per_w=2.2)) == 2.2
