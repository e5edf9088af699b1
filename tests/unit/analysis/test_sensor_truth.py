"""Sensors against physics: first-order heat balance, energy, NTC tables, converter steps.

The sinks here are the textbook ones: C dT/dt = P - (T - Ta) / R, integrated by hand.
What a draught or a hand does is common practice, no source.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from signals import Bench, unit

from benchwarden.analysis.judge import Judge
from benchwarden.analysis.sensor_range import COLDEST_C, HOTTEST_C
from benchwarden.core.channels import INDEX
from benchwarden.core.unit import Unit

Entry = dict[str, object]
BURN_IN = {"run_type": "burn-in"}
SLOW = {"sample_rate_hz": 2.0}


def judged(bench: Bench, facts: Unit | None = None) -> dict[str, list[Entry]]:
    judge = Judge(facts or bench.unit)
    judge.feed(bench.block)
    table: dict[str, list[Entry]] = judge.finish()
    return table


def sensor_faults(table: dict[str, list[Entry]], what: str = "trips") -> list[Entry]:
    return [e for e in table[what] if e["cause"] == "sensor-fault"]


def first_order(power_w: np.ndarray, dt_s: float, k_per_w: float, tau_s: float) -> np.ndarray:
    """Return the rise over ambient, the exact step response of tau dT/dt = R P - T held over each step."""
    rise = np.zeros(len(power_w))
    keep = math.exp(-dt_s / tau_s)
    for i in range(1, len(power_w)):
        end = k_per_w * power_w[i - 1]
        rise[i] = end + (rise[i - 1] - end) * keep
    return rise


def with_heat(bench: Bench, k_per_w: float = 1.6, tau_s: float = 400.0, swapped: bool = False) -> list[np.ndarray]:
    """Put in sinks that follow the bias drops at 42 V rails; return the rises of left and right."""
    rises = []
    for side in ("left", "right"):
        drop = bench.block.mean[:, INDEX[f"bias_{side}_v"]].astype(np.float64)
        rises.append(first_order(2.0 * 42.0 * drop / 0.22, 1.0 / bench.rate_hz, k_per_w, tau_s))
    shown = rises[::-1] if swapped else rises
    rng = np.random.default_rng(5)
    for side, rise in zip(("left", "right"), shown, strict=True):
        bench.put(f"sink_{side}_c", 22.0)
        bench.add(f"sink_{side}_c", rise + rng.normal(0.0, 0.03, len(rise)))
    return rises


def turned(bench: Bench, side: str, at_s: float, by_v: float) -> None:
    move = np.interp(bench.block.t_s, [at_s, at_s + 5.0], [0.0, by_v])
    bench.add(f"bias_{side}_v", move)
    for name in ("rail_pos_a", "rail_neg_a"):
        bench.add(name, move / 0.22)


@pytest.mark.parametrize("swapped", [False, True])
@pytest.mark.parametrize(("side", "by_v"), [("left", 0.008), ("right", -0.007)])
def test_sinks_left_and_right_exchanged_are_found_when_a_pot_is_turned(side: str, by_v: float, swapped: bool) -> None:
    bench = Bench(unit(**SLOW), 1000.0, rate_hz=2.0)
    turned(bench, side, 500.0, by_v)
    with_heat(bench, swapped=swapped)
    table = judged(bench)
    found = sensor_faults(table) + sensor_faults(table, "warnings")
    if not swapped:
        assert found == []
        return
    assert "exchanged" in str(found[0]["why"])
    assert 560.0 < float(str(found[0]["t_s"])) < 1000.0


@pytest.mark.parametrize("swapped", [False, True])
def test_one_heatsink_for_both_says_nothing_about_leads(swapped: bool) -> None:
    bench = Bench(unit(**SLOW), 1000.0, rate_hz=2.0)
    turned(bench, "left", 500.0, 0.008)
    rises = with_heat(bench, swapped=swapped)
    common = 0.5 * (rises[0] + rises[1])
    for side in ("left", "right"):
        bench.put(f"sink_{side}_c", 22.0)
        bench.add(f"sink_{side}_c", common + np.random.default_rng(6).normal(0.0, 0.03, len(common)))
    assert sensor_faults(judged(bench)) == []


@pytest.mark.parametrize("tau_s", [10.0, 40.0, 90.0])
def test_a_sensor_that_comes_off_is_found_whatever_its_own_time_constant(tau_s: float) -> None:
    bench = Bench(unit(**BURN_IN, **SLOW), 1300.0, rate_hz=2.0)
    rises = with_heat(bench)
    t = bench.block.t_s
    off = np.where(t > 900.0, -np.expm1(-np.maximum(t - 900.0, 0.0) / tau_s), 0.0)
    bench.add("sink_left_c", -0.9 * off * rises[0])
    found = sensor_faults(judged(bench))
    assert found
    assert found[0]["channel"] == "left"
    assert 900.0 < float(str(found[0]["t_s"])) < 900.0 + 60.0 + 2.5 * tau_s


@pytest.mark.parametrize("share", [(0.35, 0.25), (0.25, 0.0), (0.6, 0.5)])
def test_a_draught_is_no_sensor_that_came_off(share: tuple[float, float]) -> None:
    # Better cooling: the rise goes to a lower end with the sink's own time constant.
    bench = Bench(unit(**BURN_IN, **SLOW), 1300.0, rate_hz=2.0)
    rises = with_heat(bench)
    t = bench.block.t_s
    for side, part, rise in zip(("left", "right"), share, rises, strict=True):
        bench.add(f"sink_{side}_c", np.where(t > 900.0, part * rise * np.expm1(-(t - 900.0) / 300.0), 0.0))
    assert sensor_faults(judged(bench)) == []


def test_heat_turned_down_cools_a_sink_rightly() -> None:
    bench = Bench(unit(**BURN_IN, **SLOW), 1300.0, rate_hz=2.0)
    turned(bench, "left", 800.0, -0.007)
    with_heat(bench)
    table = judged(bench)
    assert sensor_faults(table) + sensor_faults(table, "warnings") == []


def test_a_sink_that_warms_by_more_than_the_energy_allows_is_no_sink() -> None:
    # Pots at their minimum: 0.03 A x 84 V = 2.5 W in all; 60 s of it are 151 J, 2.5 K of 60 J/K.
    bench = Bench(unit(), 400.0, bias_mv=0.0)
    bench.add("sink_right_c", np.interp(bench.block.t_s, [200.0, 260.0], [0.0, 15.0]))
    (found,) = sensor_faults(judged(bench))
    assert found["channel"] == "right"
    assert "J" in str(found["why"])


def test_both_sinks_warmed_by_the_sun_are_no_sensors_fault() -> None:
    bench = Bench(unit(), 400.0, bias_mv=0.0)
    for side in ("left", "right"):
        bench.add(f"sink_{side}_c", np.interp(bench.block.t_s, [200.0, 260.0], [0.0, 15.0]))
    assert sensor_faults(judged(bench)) == []


def test_a_room_sensor_on_the_sink_is_told() -> None:
    bench = Bench(unit(**BURN_IN, **SLOW), 1300.0, rate_hz=2.0)
    rises = with_heat(bench, k_per_w=2.5)
    bench.add("ambient_c", 0.8 * rises[0])
    table = judged(bench)
    assert sensor_faults(table) == []
    assert [w["channel"] for w in sensor_faults(table, "warnings")] == ["ambient_c"]


# Vishay NTCLE100E3 (doc 29049) 10 k, 4-term fit as quoted in public drivers: R(t) of the
# inverse A -14.6337, B 4791.842, C -115334, D -3.730535e6; A1 3.354016e-3 and so on for t(R).
def ntc_c(ohm: float) -> float:
    x = math.log(ohm / 10e3)
    inverse = 3.354016e-3 + 2.569850e-4 * x + 2.620131e-6 * x**2 + 6.383091e-8 * x**3
    return 1.0 / inverse - 273.15


def test_an_open_and_a_shorted_ntc_lie_outside_what_counts_as_a_reading() -> None:
    # The table itself: R(0) 32554.8, R(100) 677.3 ohm.
    assert ntc_c(32554.8) == pytest.approx(0.0, abs=0.02)
    assert ntc_c(677.3) == pytest.approx(100.0, abs=0.02)
    # A leak of 1 Mohm over an open sensor, 100 ohm of cable over a shorted one.
    assert ntc_c(1e6) < COLDEST_C
    assert ntc_c(100.0) > HOTTEST_C
    # A cold workshop and the hottest sink anyone lets happen are readings.
    assert COLDEST_C < ntc_c(60e3) < HOTTEST_C
    assert COLDEST_C < ntc_c(400.0) < HOTTEST_C


STEPS = {"rail_pos_a": 0.01, "rail_neg_a": 0.01, "bias_left_v": 1e-4, "bias_right_v": 1e-4, "sink_left_c": 0.5}


def coarse(bench: Bench, sigma: float) -> None:
    """Quantise as a cheap logger does, with noise of `sigma` steps on a level that drifts over the codes."""
    rng = np.random.default_rng(9)
    t = bench.block.t_s
    for name, step in STEPS.items():
        level = bench.block.mean[:, INDEX[name]].mean() + 2.0 * step * t / t[-1]
        codes = np.round(level / step + rng.normal(0.0, sigma, len(t)))
        bench.put(name, 0.0, 20.0)
        bench.add(name, np.where(t >= 20.0, codes * step, 0.0))


@pytest.mark.parametrize("sigma", [0.0, 0.1, 0.2, 0.35, 0.6])
@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
def test_a_coarse_converter_at_rest_is_not_stuck(sigma: float, rate_hz: float) -> None:
    bench = Bench(unit(sample_rate_hz=rate_hz), 900.0, rate_hz=rate_hz)
    coarse(bench, sigma)
    assert [t for t in judged(bench)["trips"] if "exactly" in str(t["why"])] == []


def test_a_reading_that_rests_through_a_change_of_the_rails_is_stuck() -> None:
    # No noise at all: what gives it away is that the rails fell by a third.
    bench = Bench(unit(), 200.0)
    t = bench.block.t_s
    down = np.where(t > 150.0, 0.7, 1.0).astype(np.float32)
    for name in ("rail_pos_v", "rail_neg_v", "bias_right_v", "rail_pos_a", "rail_neg_a"):
        for array in (bench.block.mean, bench.block.minimum, bench.block.maximum):
            array[:, INDEX[name]] *= down
    bench.put("bias_left_v", 0.0)
    bench.add("bias_left_v", np.where(t > 5.0, 0.0109 + 1e-6 * np.minimum(t, 60.0), 0.0))
    (found,) = [t for t in judged(bench)["trips"] if "exactly" in str(t["why"])]
    assert (found["cause"], found["channel"]) == ("sensor-fault", "left")
    assert 150.0 < float(str(found["t_s"])) < 170.0


def test_an_offset_path_that_reads_the_same_number_for_minutes_is_told() -> None:
    bench = Bench(unit(), 330.0)
    bench.put("offset_right_v", 0.0)
    table = judged(bench)
    assert table["trips"] == []
    (note,) = sensor_faults(table, "warnings")
    assert (note["channel"], "may be dead" in str(note["why"])) == ("right", True)


def test_two_quiet_offset_paths_of_a_coarse_recorder_are_left_alone() -> None:
    bench = Bench(unit(), 330.0)
    bench.put("offset_right_v", 0.0)
    bench.put("offset_left_v", 0.01)
    table = judged(bench)
    assert sensor_faults(table) + sensor_faults(table, "warnings") == []


def test_no_bias_on_one_side_of_a_burn_in_is_told_by_what_the_rails_say() -> None:
    for rails_too, cause in ((True, "bias-unstable"), (False, "sensor-fault")):
        bench = Bench(unit(**BURN_IN), 400.0)
        drop = bench.block.mean[:, INDEX["bias_left_v"]].astype(np.float64)
        bench.put("bias_left_v", 2e-5)
        if rails_too:
            for name in ("rail_pos_a", "rail_neg_a"):
                bench.add(name, -drop / 0.22)
        table = judged(bench)
        notes = [w for w in table["warnings"] if w["channel"] == "left"]
        assert [w["cause"] for w in notes] == [cause]


def test_the_textbook_step_response_is_what_these_tests_use() -> None:
    # 1, 2, 3 time constants: 0.632121, 0.864665, 0.950213 (closed form 1 - exp(-n)).
    rise = first_order(np.full(3001, 10.0), 0.1, 2.0, 100.0)
    assert [rise[i] / 20.0 for i in (1000, 2000, 3000)] == pytest.approx([0.632121, 0.864665, 0.950213], abs=1e-6)
    assert all(b > a for a, b in pairwise(rise))
