"""What the plan says before power: heat cases, thermal loop, facts that contradict each other."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchwarden.analysis import thermal_chain
from benchwarden.analysis.doubts import doubts
from benchwarden.analysis.heat_cases import device_idle_a, heat_cases
from benchwarden.analysis.operating_point import supply_of
from benchwarden.analysis.planner import power_up_plan, stage_figures, working_text
from benchwarden.analysis.stability import compensated_gain, stability
from benchwarden.core.unit import Unit, unit_from_table
from benchwarden.errors import PlanError

UNIT = Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0)
# Boylestad, Electronic Devices and Circuit Theory, example 12.8: 30 V, 16 ohm, one
# pair, ideal class B; the bias as small as the facts allow.
BOYLESTAD = Unit(28.125, 16.0, 30.0, 0.22, 0.5, 100.0, power_max_w=90.0, tj_max_c=150.0, sink_k_per_w=1.0)


def test_the_worst_case_is_that_of_boylestad() -> None:
    worst = heat_cases(BOYLESTAD)[-1]
    assert worst.class_b_w == pytest.approx(11.40, abs=0.01)
    assert worst.device_w == pytest.approx(5.70, abs=0.03)
    assert worst.peak_v == pytest.approx(0.6366 * 30.0, abs=0.01)


def test_shares_of_the_worst_case() -> None:
    # Closed form: 1/8 and 1/3 of the largest output make 80.2 and 99.1 % of the worst heat.
    _, eighth, third, worst = heat_cases(BOYLESTAD)
    assert eighth.class_b_w / worst.class_b_w == pytest.approx(0.802, abs=5e-4)
    assert third.class_b_w / worst.class_b_w == pytest.approx(0.991, abs=5e-4)


@pytest.mark.parametrize("pairs", [1, 2, 4])
def test_a_case_adds_up_along_the_chain(pairs: int) -> None:
    unit = replace(BOYLESTAD, output_pairs=pairs, rth_cs_k_per_w=0.5)
    for case in heat_cases(unit):
        assert case.device_w * 2 * pairs == pytest.approx(case.channel_w)
        assert case.sink_c == pytest.approx(25.0 + case.channel_w * 1.0)
        # TIP3055: 90 W, 150 C, so 1.39 K/W (ON Semiconductor TIP3055/D rev 5).
        assert case.junction_c == pytest.approx(case.sink_c + case.device_w * (1.39 + 0.5), abs=0.05)
        package = thermal_chain.package_of(unit)
        assert thermal_chain.junction_c(package, case.safe_sink_c, case.device_w) <= 125.0 + 1e-9
        case_c = case.safe_sink_c + 0.5 * case.device_w
        # Data sheet: 0.72 W/K off the 90 W above 25 C, and what 25 K of margin are worth on top.
        assert case.device_w <= 90.0 - 0.72 * (case_c - 25.0)


@pytest.mark.parametrize(("rail_v", "ohm", "critical"), [(35.0, 0.22, 6.27), (35.0, 0.33, 9.40), (50.0, 0.22, 4.39)])
def test_critical_resistance_of_published_stages(rail_v: float, ohm: float, critical: float) -> None:
    # 2 mV/K, Iq = 26 mV / Re, inner resistance (kT/q)/Iq at 300 K.
    unit = replace(UNIT, rail_nominal_v=rail_v, emitter_resistor_ohm=ohm, target_bias_drop_mv=26.0)
    assert stability(unit).critical_k_per_w == pytest.approx(critical, abs=0.01)


def _settled_rise(unit: Unit, ratio: float, steps: int) -> float:
    """Return the idle current after iterating junction law and heat, as a multiple of its start.

    The exponential law itself, one device: VBE falls 2 mV/K with its junction, the bias
    voltage by `ratio` of that with the sink; an ambient 0.01 K warmer sets it off.
    """
    package = thermal_chain.package_of(unit)
    own = package.rth_jc_k_per_w + package.rth_cs_k_per_w
    shared = 2 * unit.output_pairs * thermal_chain.sink_k_per_w(unit)
    start_a = device_idle_a(unit)
    thermal_v, re = thermal_chain.K_OVER_Q * 300.0, unit.emitter_resistor_ohm
    current_a, sink_k, junction_k = start_a, 0.0, 0.0
    for _ in range(steps):
        sink_k += 0.2 * (0.01 + unit.rail_nominal_v * (current_a - start_a) * shared - sink_k)
        junction_k = sink_k + unit.rail_nominal_v * (current_a - start_a) * own
        # Newton on Re I + VT ln(I / I0) = 2 mV/K x (junction - ratio x sink) + Re I0.
        drive_v = 0.002 * (junction_k - ratio * sink_k)
        for _ in range(3):
            excess = re * (current_a - start_a) + thermal_v * math.log(current_a / start_a) - drive_v
            current_a = max(current_a - excess / (re + thermal_v / current_a), 1e-6)
        if current_a > 2.0 * start_a:
            break
    return current_a / start_a


@pytest.mark.parametrize("off", [-0.08, 0.08])
def test_the_needed_compensation_separates_settling_from_running_away(off: float) -> None:
    unit = replace(UNIT, rail_nominal_v=60.0, target_bias_drop_mv=26.0, sink_k_per_w=2.0)
    found = stability(unit)
    assert 0.0 < found.needed < 1.0
    rise = _settled_rise(unit, found.needed + off, 4000)
    assert (rise < 1.1) == (off > 0.0)


def test_loop_gain_with_and_without_compensation() -> None:
    unit = replace(UNIT, output_pairs=2)
    found = stability(unit)
    own, shared, slope = found.own_k_per_w, found.shared_k_per_w, found.slope_a_per_k
    assert found.gain == pytest.approx((own + shared) / found.critical_k_per_w)
    assert found.own_gain == pytest.approx(own / found.critical_k_per_w)
    assert compensated_gain(42.0, slope, own, shared, found.needed) == pytest.approx(1.0)
    assert compensated_gain(42.0, slope, own, shared, 1.0) == pytest.approx(found.own_gain)
    assert found.usual_gain[0] < found.own_gain < found.usual_gain[1] < found.gain


def test_every_figure_stands_in_the_plan_with_formula_numbers_and_source() -> None:
    plan = power_up_plan(UNIT)
    quantities = [item.quantity for item in plan.working]
    for words in ("idle", "1/8 of rated power", "1/3 of rated power", "the worst sine level"):
        for kind in ("Heat of one channel", "Heat of one output device", "Junction at that heatsink", "Safe heatsink"):
            assert f"{kind}, {words}" in quantities
    for words in ("Critical thermal resistance", "Compensation ratio", "with a usual bias sensor", "NOT COVERED"):
        assert any(words in quantity for quantity in quantities)
    assert all(item.formula and item.numbers and item.source for item in plan.working)
    assert "CHECK" not in working_text(plan)


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"rated_power_w": 200.0}, "rated_power_w"),
        ({"rated_power_w": 5.0}, "rated_power_w"),
        ({"target_bias_drop_mv": 200.0}, "target_bias_drop_mv"),
        ({"target_bias_drop_mv": 26.0, "emitter_resistor_ohm": 0.05, "rail_nominal_v": 80.0}, "target_bias_drop_mv"),
        ({"transformer_va": 5.0}, "transformer_va"),
        ({"rth_jc_k_per_w": 0.3, "power_max_w": 90.0}, "rth_jc_k_per_w"),
        ({"rated_power_w": 1.0, "load_ohm": 32.0, "rail_nominal_v": 9.0, "output_pairs": 3}, "target_bias_drop_mv"),
    ],
)
def test_facts_that_contradict_each_other_are_named(changes: dict[str, float], key: str) -> None:
    unit = replace(UNIT, **changes)
    found = doubts(unit)
    assert key in [doubt.key for doubt in found]
    assert all(doubt.key in doubt.words for doubt in found)
    # And nothing breaks on them: the plan's figures are there, with the warning in front.
    stage_figures(unit, 100.0, False, False)
    assert any(f"CHECK {key}" in item.quantity for item in power_up_plan(unit).working)


@pytest.mark.parametrize("pairs", [1, 2, 3])
@pytest.mark.parametrize(
    ("watts", "rail_v"), [(20.0, 25.0), (40.0, 32.0), (60.0, 42.0), (100.0, 50.0), (150.0, 60.0), (150.0, 70.0)]
)
def test_ordinary_sets_raise_no_doubt(watts: float, rail_v: float, pairs: int) -> None:
    for package in ("metal-can", "plastic"):
        unit = replace(UNIT, rated_power_w=watts, rail_nominal_v=rail_v, output_pairs=pairs, package=package)
        assert doubts(unit) == ()


def test_an_emitter_resistor_of_nothing_is_refused_by_name() -> None:
    table = {
        "rated_power_w": 60,
        "load_ohm": 8,
        "rail_nominal_v": 42,
        "emitter_resistor_ohm": 0,
        "target_bias_drop_mv": 11,
        "limiter_lamp_w": 100,
    }
    with pytest.raises(PlanError, match=r"unit\.toml: emitter_resistor_ohm = 0; allowed: 0\.05 to 5"):
        unit_from_table(table, "unit.toml")


def test_a_transformer_too_small_for_its_own_idle_still_gives_a_supply() -> None:
    supply = supply_of(replace(UNIT, target_bias_drop_mv=200.0, transformer_va=5.0, output_pairs=8))
    assert supply.va > 5.0
