"""What the plan page shows is what the analysis says, and the analysis is what the books say."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import fake_run
import pytest

from benchwarden.analysis.planner import burn_in_plan, power_up_plan, working_text
from benchwarden.core.plan import Plan
from benchwarden.core.unit import Unit
from benchwarden.dashboard import plan_view
from benchwarden.dashboard.plan_edit import RunWish, planned
from benchwarden.dashboard.plan_form import EXAMPLE

# Boylestad, Electronic Devices and Circuit Theory, example 12.8: 30 V, 16 ohm, 28.125 W at full
# swing, 11.40 W at worst in the pair, 5.70 W in each. Bias as small as the facts allow.
BOYLESTAD = Unit(28.125, 16.0, 30.0, 5.0, 0.5, 100.0)


def said(part: Any) -> str:
    """Return all text in a component."""
    if part is None:
        return ""
    if isinstance(part, (list, tuple)):
        return " ".join(said(entry) for entry in part)
    return said(part.children) if hasattr(part, "children") else "" if hasattr(part, "id") else str(part)


def test_heat_is_that_of_the_book() -> None:
    plan = power_up_plan(BOYLESTAD)
    # 0.32516 and 0.40177 of the largest output: closed form of ideal class B.
    assert f"{0.32516 * 28.125:.1f} and {0.40177 * 28.125:.1f} W" in said(plan_view.glance(plan))
    shown = said(plan_view.working(plan.working))
    assert "Heat of one channel, the worst sine level 11.4 W" in shown
    device = re.search(r"Heat of one output device, the worst sine level (\S+) W", shown)
    assert device
    # The least bias that the facts allow adds 3 mW.
    assert float(device[1]) == pytest.approx(5.70, abs=0.01)


def test_lamp_is_that_of_its_rating() -> None:
    # 230^2 / 100 = 529 ohm hot; tungsten at 2800 K over cold: 15, Forsythe and Worthing 1925.
    shown = said(plan_view.working(power_up_plan(EXAMPLE).working))
    assert "Lamp, hot and cold 35.29 ohm cold" in shown
    assert "529 ohm hot" in shown


@pytest.mark.parametrize("plan", [power_up_plan(EXAMPLE), burn_in_plan(EXAMPLE, 8.0)], ids=["power-up", "burn-in"])
def test_every_number_of_the_plan_is_shown_with_its_working(plan: Plan) -> None:
    text = working_text(plan)
    items = [*plan.working, *(item for stage in plan.stages for item in stage.figures.working)]
    shown = said(plan_view.working(items))
    for item in items:
        figure = plan_view.figure(item).replace("°C", "C")
        assert f"{item.quantity} = {figure}" in text
        for part in (item.quantity, item.formula, item.numbers, item.source):
            assert part in shown


def test_stage_table_has_the_analysis_figures() -> None:
    plan = power_up_plan(EXAMPLE)
    shown = said(plan_view.stages(plan, plan))
    first = plan.stages[1].figures
    limit = next(x.high for x in first.limits if x.channel == "rail_pos_a" and x.cause == "over-current")
    shorted = next(item.value for item in first.working if item.quantity.startswith("Least a shorted"))
    rail = first.expected["rail_pos_v"]
    nominal = first.expected["rail_pos_a"].nominal
    row = f"{nominal:.3f} A {limit:.3f} A {shorted:.3f} A {rail.low:.1f} to {rail.high:.1f} V"
    assert f"limiter 25 % 25 % in circuit none {row} 5 s, 20 s" in shown
    for stage in plan.stages:
        assert f"{stage.stage_id}. {stage.name}" in shown


def test_figures_asked_for_first_are_those_of_the_working() -> None:
    plan = power_up_plan(EXAMPLE)
    shown = said(plan_view.glance(plan))
    by_name = {item.quantity: item.value for item in plan.working}
    assert f"to {by_name['Thermal loop gain with a usual bias sensor, at most']:.2f} " in shown
    assert f"{by_name['Heatsink settled in a 25 C room, the worst sine level']:.0f} °C" in shown
    assert "100 W" in shown
    assert "Estimated, because left empty: Transformer rating 192 VA" in shown


def test_a_lamp_that_does_not_separate_is_said_with_one_that_would() -> None:
    shown = said(plan_view.glance(power_up_plan(replace(EXAMPLE, limiter_lamp_w=15.0))))
    assert "NOT ENOUGH" in shown
    assert re.search(r"a \d+\sW lamp would", shown)


def test_facts_that_contradict_each_other_are_named_with_a_way_to_them() -> None:
    part = plan_view.glance(power_up_plan(replace(EXAMPLE, rated_power_w=400.0)))[0]
    assert "Check these facts first" in said(part)
    assert "the rails cannot give that" in said(part)


def test_a_changed_limit_stands_beside_the_computed_one_in_words() -> None:
    texts = {"limiter 25 %": {"rail_pos_a.high": "0.5", "rail_neg_a.high": "0.25", "hold_s": "5"}}
    found = planned(EXAMPLE, RunWish(), texts)
    shown = said(plan_view.stage_detail(found, "limiter 25 %", texts["limiter 25 %"]))
    shown += said(plan_view.stage_numbers(found, "limiter 25 %"))
    assert re.search(r"computed\s+0\.2865\sA", shown)
    assert "Wider than computed: protects less." in shown
    assert "Tighter than computed." in shown
    assert "Shorter than computed: protects less." in shown
    assert "set by the plan file, computed was 0.2865" in shown
    assert found.plan is not None
    assert found.computed is not None
    assert "3 changed" in said(plan_view.stages(found.plan, found.computed))


def test_hostile_text_stays_text() -> None:
    plan = power_up_plan(replace(EXAMPLE, model=fake_run.HOSTILE, run=fake_run.HOSTILE))
    for part in (plan_view.glance(plan), plan_view.stages(plan, plan), plan_view.working(plan.working)):
        assert "dangerously" not in str(part).lower()
        assert "<script>" not in said(part)
