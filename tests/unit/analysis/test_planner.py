"""Plans for the whole range of sets: the board takes them, and limits stand where they must."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.analysis.draw import SEPARABLE, Draw, draw_of, lamp_that_separates
from benchwarden.analysis.operating_point import idle_load, output_idle_a, settled, supply_of
from benchwarden.analysis.plan_check import check_plan, to_wire
from benchwarden.analysis.planner import burn_in_plan, bypass_setting, power_up_plan, stage_figures, working_text
from benchwarden.analysis.rail_limits import rail_span_v
from benchwarden.analysis.stage_sheet import Notes, Setting
from benchwarden.analysis.thermal_chain import sink_k_per_w
from benchwarden.core.plan import Limit, Plan, PlanStage, StageFigures
from benchwarden.core.unit import Unit
from benchwarden.errors import PlanError
from wardenfw import wire
from wardenfw.stage import load as board_load

UNIT = Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0, package="metal-can")

# Sets that exist: rail voltage, rated power into 8 ohm, pairs that carry it.
SETS = [(30.0, 20.0, 1), (35.0, 50.0, 1), (42.0, 60.0, 1), (50.0, 100.0, 2), (60.0, 120.0, 2), (70.0, 150.0, 3)]


@st.composite
def units(draw: st.DrawFn) -> Unit:
    rail_v, power_w, pairs = draw(st.sampled_from(SETS))
    mains_v = draw(st.sampled_from([115.0, 230.0]))
    return Unit(
        rated_power_w=power_w,
        load_ohm=8.0,
        rail_nominal_v=rail_v,
        emitter_resistor_ohm=draw(st.sampled_from([0.1, 0.15, 0.22, 0.33, 0.47])),
        target_bias_drop_mv=draw(st.floats(3.0, 26.0)),
        limiter_lamp_w=draw(st.sampled_from([40.0, 60.0, 100.0, 150.0, 200.0])),
        output_pairs=pairs,
        package=draw(st.sampled_from(["metal-can", "plastic"])),
        shunt_position=draw(st.sampled_from(["rail-fuse", "before-reservoir"])),
        load_connected=draw(st.booleans()),
        mains_v=mains_v,
        mains_hz=60.0 if mains_v == 115.0 else 50.0,
        reservoir_uf=draw(st.sampled_from([3300.0, 10000.0, 22000.0])),
        quiescent_other_a=draw(st.sampled_from([0.0, 0.03, 0.1])),
    )


def _limit(figures: StageFigures, channel: str, kind: str, cause: str) -> Limit:
    (found,) = [x for x in figures.limits if (x.channel, x.kind, x.cause) == (channel, kind, cause)]
    return found


def _draw(unit: Unit, pct: float, limiter_in: bool, drive_on: bool = False) -> Draw:
    return draw_of(Setting(unit, pct, limiter_in, drive_on), Notes())


def _accepted(stage: PlanStage) -> None:
    answer, _ = board_load(wire.pack_stage(*to_wire(stage)))
    assert answer == wire.DONE, f"{stage.name}: {wire.REFUSALS[answer]}"


@settings(max_examples=15, deadline=None)
@given(unit=units())
def test_the_board_takes_every_stage(unit: Unit) -> None:
    # The firmware's own loader is the judge, not a copy of its rules.
    for plan in (power_up_plan(unit), burn_in_plan(unit, 3.0)):
        check_plan(plan)
        for stage in plan.stages:
            _accepted(stage)


@settings(max_examples=15, deadline=None)
@given(unit=units(), pct=st.sampled_from([25.0, 50.0, 75.0, 100.0]), limiter_in=st.booleans())
def test_limit_stands_between_healthy_and_shorted(unit: Unit, pct: float, limiter_in: bool) -> None:
    figures = stage_figures(unit, pct, limiter_in, False)
    draw = _draw(unit, pct, limiter_in)
    limit = _limit(figures, "rail_pos_a", "value", "over-current")
    told = [w.numbers for w in figures.working if "NOT SEPARABLE" in w.numbers]
    assert draw.healthy < limit.high or limit.high == wire.CEILINGS[0]
    if draw.shorted >= SEPARABLE * draw.healthy:
        assert 1.1 * draw.healthy < limit.high < draw.shorted / 1.1
        assert not told
    else:
        assert told
        assert limit.high <= 1.15 * draw.healthy + 1e-9
    assert limit.high < figures.alert_pos_a <= wire.CEILINGS[0] or figures.alert_pos_a == wire.CEILINGS[0]


@settings(max_examples=15, deadline=None)
@given(
    unit=units(),
    pct=st.sampled_from([25.0, 50.0, 75.0, 100.0]),
    limiter_in=st.booleans(),
    wander=st.floats(0.9, 1.1),
    bias=st.floats(0.0, 1.0),
)
def test_healthy_set_breaks_no_rail_or_current_limit(
    unit: Unit, pct: float, limiter_in: bool, wander: float, bias: float
) -> None:
    # Pot anywhere from minimum to target, mains anywhere within 10 %.
    amps = bias * output_idle_a(unit) + unit.quiescent_other_a
    point = settled(supply_of(unit), pct * wander, limiter_in, idle_load(amps, unit.rail_nominal_v))
    figures = stage_figures(unit, pct, limiter_in, False)
    assert point.rail_a < _limit(figures, "rail_pos_a", "value", "over-current").high
    assert point.rail_v < _limit(figures, "rail_pos_v", "value", "operator").high
    assert -point.rail_v > _limit(figures, "rail_neg_v", "value", "operator").low
    assert bias * unit.target_bias_drop_mv / 1000.0 < _limit(figures, "bias_left_v", "value", "bias-unstable").high


@settings(max_examples=20, deadline=None)
@given(unit=units(), pct=st.sampled_from([25.0, 50.0, 75.0, 100.0]), limiter_in=st.booleans())
def test_window_proves_the_setting(unit: Unit, pct: float, limiter_in: bool) -> None:
    figures = stage_figures(unit, pct, limiter_in, False)
    span = figures.expected["rail_pos_v"]
    heavy_v, _, light_v = rail_span_v(unit, pct, limiter_in, False)
    assert span.low < heavy_v < span.nominal < light_v < span.high
    below_v = rail_span_v(unit, pct - 25.0, limiter_in, False) if pct > 25.0 else (0.0, 0.0, 0.0)
    above_v = rail_span_v(unit, pct + 25.0, limiter_in, False)
    # The same set one step off: outside. Another bias one step off: outside, or told.
    assert below_v[0] < span.low
    assert above_v[2] > span.high
    if below_v[2] > span.low or above_v[0] < span.high:
        assert any("AMBIGUOUS" in w.numbers for w in figures.working)


def test_a_fitting_lamp_leaves_no_doubt_about_the_setting() -> None:
    for pct in (25.0, 50.0, 75.0, 100.0):
        for limiter_in in (True, False):
            working = stage_figures(UNIT, pct, limiter_in, False).working
            assert not [w for w in working if "AMBIGUOUS" in w.numbers]


@settings(max_examples=10, deadline=None)
@given(unit=units())
def test_tables_loaded_early_never_refuse_the_present_readings(unit: Unit) -> None:
    """A stage's limits are in force while the set still stands at the setting before."""
    for plan in (power_up_plan(unit), burn_in_plan(unit, 3.0)):
        energised = [stage for stage in plan.stages if stage.energised]
        for before, after in itertools.pairwise(energised):
            for name in ("rail_pos_v", "rail_pos_a", "bias_left_v", "offset_left_v"):
                present = before.figures.expected[name].nominal
                for limit in after.figures.limits:
                    if limit.channel == name and limit.kind == "value":
                        assert not present > limit.high, (before.name, after.name, name)
                        assert not present < limit.low, (before.name, after.name, name)


def test_rail_counts_as_missing_only_below_the_lowest_setting() -> None:
    # A rail that is still low belongs to the climb; the board must not open on it.
    plan = power_up_plan(UNIT)
    lowest = next(s for s in plan.stages if s.energised).figures.expected["rail_pos_v"]
    for stage in plan.stages:
        for limit in stage.figures.limits:
            low = limit.low if limit.channel == "rail_pos_v" else -limit.high
            if limit.channel in ("rail_pos_v", "rail_neg_v") and not math.isnan(low):
                assert limit.cause == "rail-missing"
                assert low < 0.5 * lowest.low


def test_too_small_a_lamp_is_told_with_one_that_would_do() -> None:
    unit = Unit(150.0, 8.0, 70.0, 0.22, 20.0, 40.0, output_pairs=3)
    figures = stage_figures(unit, 100.0, True, False)
    (told,) = [w.numbers for w in figures.working if "NOT SEPARABLE" in w.numbers]
    better = lamp_that_separates(unit, 100.0, False)
    assert better is not None
    assert f"a {better:g} W lamp would separate them" in told
    fitting = replace(unit, limiter_lamp_w=better)
    assert not [w for w in stage_figures(fitting, 100.0, True, False).working if "NOT SEPARABLE" in w.numbers]


def test_lamp_that_starves_the_set_is_not_bypassed_at_full_mains() -> None:
    notes = Notes()
    starved = Unit(150.0, 8.0, 70.0, 0.22, 20.0, 40.0, output_pairs=3)
    assert bypass_setting(starved, notes) < 100.0
    assert "the transformer goes back first" in notes.items[0].numbers
    assert bypass_setting(UNIT) == 100.0
    names = [stage.name for stage in power_up_plan(starved).stages]
    back = next(i for i, name in enumerate(names) if name.startswith("limiter back to"))
    assert names[back - 1] == "limiter 100 %"
    assert names[back + 1].startswith("direct")
    assert names[back + 1] != "direct 100 %"


def test_power_up_in_order_with_a_persons_word_where_protection_goes() -> None:
    plan = power_up_plan(UNIT)
    names = [stage.name for stage in plan.stages]
    assert names == [
        "cold check",
        "limiter 25 %",
        "limiter 50 %",
        "limiter 75 %",
        "limiter 100 %",
        "direct 100 %",
        "set bias",
        "idle soak",
    ]
    assert not plan.stages[0].energised
    confirmed = {stage.name for stage in plan.stages if stage.confirm}
    assert {"limiter 25 %", "direct 100 %"} <= confirmed
    assert plan.stages[1].prompt.startswith("Set the variable transformer to 25 %.")
    bias = plan.stages[6].figures.expected["bias_left_v"]
    assert bias.low < 0.011 < bias.high
    assert bias.high - bias.low < 0.002


def test_burn_in_spends_the_hours_asked_for() -> None:
    plan = burn_in_plan(UNIT, 6.0)
    names = {stage.name: stage for stage in plan.stages}
    # 16 CFR 432.3 (2006): one hour at one eighth of rated power.
    drive = names["drive 1/8 power"]
    assert drive.drive_on
    assert drive.hold_s == 3600.0
    # sqrt(60 W / 8 x 8 ohm) = 7.75 V rms.
    assert "7.75 V rms" in drive.prompt
    long = sum(names[n].hold_s for n in ("idle warm-up", "drive 1/8 power", "hot idle recovery", "long soak"))
    assert long == pytest.approx(6.0 * 3600.0)
    short = burn_in_plan(UNIT, 1.0)
    assert sum(s.hold_s for s in short.stages if s.hold_s >= 600.0) == pytest.approx(3600.0)
    assert any("SHORTER" in w.numbers for w in short.working)


@pytest.mark.parametrize("hours", [0.0, -1.0, math.nan, math.inf, 1e6])
def test_absurd_hours_are_refused(hours: float) -> None:
    with pytest.raises(PlanError, match="allowed"):
        burn_in_plan(UNIT, hours)


def test_test_tone_does_not_break_the_drive_limits() -> None:
    # The tone's rail current and emitter drop, from first principles: 60 W / 8 into 8 ohm.
    figures = stage_figures(UNIT, 100.0, False, True)
    peak_v = math.sqrt(2.0 * 60.0 / 8.0 * 8.0)
    rail_a = 2.0 * peak_v / (math.pi * 8.0) + output_idle_a(UNIT) + UNIT.quiescent_other_a
    drop_v = peak_v / (math.pi * 8.0) * 0.22
    assert rail_a < _limit(figures, "rail_pos_a", "value", "over-current").high
    assert figures.expected["rail_pos_a"].low <= rail_a <= figures.expected["rail_pos_a"].high
    assert drop_v + 0.011 < _limit(figures, "bias_left_v", "value", "bias-unstable").high
    # Both channels' crests together must not pull the hardware alert.
    assert 2.0 * peak_v / 8.0 + 0.13 < figures.alert_pos_a


def test_warmth_left_by_the_signal_is_no_fault_and_has_an_end() -> None:
    # A stable stage answers dT of sink with less than dT / (Vcc Rth) of current, Re of it as drop.
    stages = {stage.name: stage for stage in burn_in_plan(UNIT, 4.0).stages}
    cool = _limit(stages["idle warm-up"].figures, "bias_left_v", "value", "bias-unstable").high
    hot_stage = stages["hot idle recovery"]
    hot = _limit(hot_stage.figures, "bias_left_v", "value", "bias-unstable").high
    peak_v = math.sqrt(2.0 * 60.0 / 8.0 * 8.0)
    heat_w = 2.0 * 42.0 * peak_v / (math.pi * 8.0) - peak_v**2 / 16.0
    sink = sink_k_per_w(UNIT)
    rth_ja = 175.0 / 150.0 + 0.5 + 2.0 * sink
    assert hot - cool == pytest.approx(heat_w * sink / (42.0 * rth_ja) * 0.22, rel=1e-6)
    # Recovery counts only once the bias is back; the soak then has the cool limit again.
    assert hot_stage.figures.expected["bias_left_v"].high < cool
    assert _limit(stages["long soak"].figures, "bias_left_v", "value", "bias-unstable").high == cool


def test_drive_is_lowered_where_the_bias_channel_would_saturate() -> None:
    unit = Unit(150.0, 8.0, 70.0, 0.47, 20.0, 150.0, output_pairs=1)
    stage = next(s for s in burn_in_plan(unit, 3.0).stages if s.drive_on)
    assert any("limited by the bias channel's range" in w.numbers for w in stage.figures.working)
    assert stage.figures.expected["bias_left_v"].nominal < 0.25
    _accepted(stage)


def test_charging_pulses_before_the_reservoir_do_not_trip() -> None:
    unit = replace(UNIT, shunt_position="before-reservoir")
    figures = stage_figures(unit, 25.0, True, False)
    draw = _draw(unit, 25.0, True)
    behind = _draw(UNIT, 25.0, True)
    assert draw.healthy > behind.healthy
    limit = _limit(figures, "rail_pos_a", "value", "over-current")
    assert limit.high > draw.healthy
    assert limit.for_ms >= 100
    (peak,) = [w.value for w in figures.working if w.quantity.startswith("Highest charging peak")]
    assert figures.alert_pos_a >= 1.4 * peak


def _broken(stage: PlanStage, **changes: object) -> Plan:
    plan = power_up_plan(UNIT)
    stages = list(plan.stages)
    stages[stage.stage_id - 1] = replace(stage, **changes)  # type: ignore[arg-type]
    return replace(plan, stages=tuple(stages))


def test_check_refuses_what_the_board_would() -> None:
    stage = power_up_plan(UNIT).stages[2]
    figures = stage.figures
    beyond = tuple(replace(x, high=86.0) if x.channel == "rail_pos_v" else x for x in figures.limits)
    with pytest.raises(PlanError, match="ceiling"):
        check_plan(_broken(stage, figures=replace(figures, limits=beyond)))
    without = tuple(x for x in figures.limits if x.channel != "sink_left_c")
    with pytest.raises(PlanError, match="sink_left_c"):
        check_plan(_broken(stage, figures=replace(figures, limits=without)))
    with pytest.raises(PlanError, match="at most 40"):
        check_plan(_broken(stage, figures=replace(figures, limits=figures.limits * 2)))
    patient = tuple(replace(x, for_ms=60_000) for x in figures.limits)
    with pytest.raises(PlanError, match="for_ms"):
        check_plan(_broken(stage, figures=replace(figures, limits=patient)))
    with pytest.raises(PlanError, match="alert"):
        check_plan(_broken(stage, figures=replace(figures, alert_pos_a=20.0)))


def test_check_wants_a_person_where_the_lamp_goes() -> None:
    direct = next(s for s in power_up_plan(UNIT).stages if not s.limiter_in)
    with pytest.raises(PlanError, match="confirm"):
        check_plan(_broken(direct, confirm=False))


def test_wire_keeps_what_the_plan_says() -> None:
    stage = power_up_plan(UNIT).stages[1]
    stage_id, limiter_in, drive_on, limits, alert_pos_a, _ = wire.unpack_stage(wire.pack_stage(*to_wire(stage)))
    assert (stage_id, limiter_in, drive_on) == (2, True, False)
    assert alert_pos_a == pytest.approx(stage.figures.alert_pos_a, rel=1e-6)
    for sent, limit in zip(limits, stage.figures.limits, strict=True):
        assert wire.CHANNELS[sent[0]] == limit.channel
        assert wire.CAUSES[sent[2]] == limit.cause
        assert sent[3] == pytest.approx(limit.low, rel=1e-6, nan_ok=True)
        assert sent[4] == pytest.approx(limit.high, rel=1e-6, nan_ok=True)


def test_every_working_is_whole_and_shown() -> None:
    plan = power_up_plan(UNIT)
    shown = working_text(plan)
    items = list(plan.working) + [w for stage in plan.stages for w in stage.figures.working]
    for item in items:
        assert item.quantity
        assert item.formula
        assert item.numbers
        assert item.source
        assert math.isfinite(item.value)
        assert item.quantity in shown
    for stage in plan.stages:
        assert stage.prompt in shown
        assert all(limit.why for limit in stage.figures.limits)
