"""Which stages does a run need, in which order, and what is the person told?

A stage's limits are on the board before the person acts on its prompt. So a
change that lowers readings (turning back, taking the signal off) gets a short
stage of its own that still carries the limits of the setting it comes from.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from benchwarden.analysis.draw import drive_share
from benchwarden.analysis.operating_point import inrush_a, supply_of
from benchwarden.analysis.output_limits import bias_limit_v
from benchwarden.analysis.plan_check import check_plan
from benchwarden.analysis.rail_limits import rail_span_v
from benchwarden.analysis.stage_limits import stage_figures
from benchwarden.analysis.stage_sheet import SLOW_WINDOW_MS, Notes
from benchwarden.analysis.unit_working import unit_working
from benchwarden.core.channels import INDEX
from benchwarden.core.plan import Expected, Limit, Plan, PlanStage, StageFigures
from benchwarden.core.unit import Unit
from benchwarden.errors import PlanError
from wardenfw import wire

# Steps of the transformer in a plan, percent of full mains.
LADDER_PCT = (25.0, 50.0, 75.0, 100.0)
# How close the pots are set. Source: common practice, no source.
BIAS_SET_SHARE = 0.06
BIAS_SET_LEAST_V = 0.0004
# The lamp is bypassed only where the rail then stays near what was proven through it.
PROVEN_RAIL_MARGIN = 1.10
SOAK_S = 1800.0
FTC_HOUR_S = 3600.0
MIN_HOURS = 0.5
MAX_HOURS = 24.0 * 14


class _Builder:
    """Numbers the stages as they are added."""

    def __init__(self, unit: Unit) -> None:
        self.unit = unit
        self.stages: list[PlanStage] = []

    def add(
        self,
        name: str,
        mains_pct: float,
        prompt: str,
        *,
        limiter_in: bool = True,
        drive_on: bool = False,
        energised: bool = True,
        confirm: bool = False,
        hands_off: bool = False,
        settle_s: float = 5.0,
        hold_s: float = 20.0,
        reach_s: float = 180.0,
        figures: StageFigures | None = None,
    ) -> None:
        if figures is None:
            figures = stage_figures(self.unit, mains_pct, limiter_in, drive_on, hands_off=hands_off)
        self.stages.append(
            PlanStage(
                stage_id=len(self.stages) + 1,
                name=name,
                mains_pct=mains_pct,
                limiter_in=limiter_in,
                drive_on=drive_on,
                energised=energised,
                prompt=prompt,
                confirm=confirm,
                settle_s=settle_s,
                hold_s=hold_s,
                reach_s=reach_s,
                figures=figures,
            )
        )


def power_up_plan(unit: Unit) -> Plan:
    """Return the staged first power-up of a repaired unit.

    Cold check, 25, 50, 75 and 100 % through the lamp, then without it, bias, idle soak.
    """
    notes = unit_working(unit)
    build = _Builder(unit)
    pots = "Both bias pots at minimum current."
    _cold_check(build, pots)
    _through_lamp(build, LADDER_PCT, pots)
    _without_lamp(build, notes)
    target_mv = unit.target_bias_drop_mv
    build.add(
        "set bias",
        100.0,
        f"Turn both bias pots slowly until each emitter resistor drops {target_mv:g} mV, then take your hands away.",
        limiter_in=False,
        confirm=True,
        settle_s=10.0,
        hold_s=30.0,
        reach_s=1800.0,
        figures=_bias_set(unit, stage_figures(unit, 100.0, False, False)),
    )
    build.add(
        "idle soak",
        100.0,
        "Leave the set alone, cover as in use. Do not turn the pots while it warms up.",
        limiter_in=False,
        confirm=True,
        hands_off=True,
        hold_s=SOAK_S,
        reach_s=600.0,
        figures=_bias_kept(unit, stage_figures(unit, 100.0, False, False, hands_off=True)),
    )
    plan = Plan(unit, "power-up", tuple(build.stages), tuple(notes.items))
    check_plan(plan)
    return plan


def burn_in_plan(unit: Unit, hours: float) -> Plan:
    """Return a burn-in of `hours` from the first switch-on to the end.

    Idle warm-up, one hour of test tone at one eighth of rated power, recovery to
    a quiet hot idle, and what is left as a long soak.

    Raises:
        PlanError: hours outside what makes sense.
    """
    if not (math.isfinite(hours) and MIN_HOURS <= hours <= MAX_HOURS):
        raise PlanError(f"burn-in: hours = {hours!r}; allowed: {MIN_HOURS:g} to {MAX_HOURS:g}")
    notes = unit_working(unit)
    build = _Builder(unit)
    loads = f"A {unit.load_ohm:g} ohm load on both channels, test generator off."
    _cold_check(build, loads)
    _through_lamp(build, (25.0, 100.0), loads)
    _without_lamp(build, notes)
    drive_s, warm_s, recovery_s, soak_s = _shares(hours, notes)
    idle = _bias_kept(unit, stage_figures(unit, 100.0, False, False, hands_off=True))
    build.add(
        "idle warm-up",
        100.0,
        "Leave the set alone while it warms up, signal off.",
        limiter_in=False,
        confirm=True,
        hold_s=warm_s,
        reach_s=900.0,
        figures=idle,
    )
    share = drive_share(unit)
    volts = math.sqrt(share * unit.rated_power_w * unit.load_ohm)
    driven = stage_figures(unit, 100.0, False, True)
    build.add(
        "drive 1/8 power",
        100.0,
        f"Apply 1 kHz sine and turn it up until both channels give {volts:.2f} V rms into {unit.load_ohm:g} ohm.",
        limiter_in=False,
        drive_on=True,
        confirm=True,
        hold_s=drive_s,
        reach_s=600.0,
        figures=driven,
    )
    hot = stage_figures(unit, 100.0, False, False, hands_off=True, hot=True)
    # The hot set still counts as driven until the tone is off: its limits stay for this step.
    build.add(
        "signal off",
        100.0,
        "Turn the test generator off.",
        limiter_in=False,
        confirm=True,
        settle_s=5.0,
        hold_s=20.0 + SLOW_WINDOW_MS / 1000.0,
        reach_s=300.0,
        figures=_on_the_way(hot, driven),
    )
    build.add(
        "hot idle recovery",
        100.0,
        "Leave the set alone while it cools back to its idle bias.",
        limiter_in=False,
        hold_s=recovery_s,
        # A loop gain of 0.6 makes a heatsink's 20 min two and a half times as long.
        reach_s=3600.0,
        figures=_bias_kept(unit, hot),
    )
    if soak_s > 0.0:
        build.add(
            "long soak",
            100.0,
            "Leave the set alone.",
            limiter_in=False,
            hold_s=soak_s,
            reach_s=900.0,
            figures=idle,
        )
    plan = Plan(unit, "burn-in", tuple(build.stages), tuple(notes.items))
    check_plan(plan)
    return plan


def _shares(hours: float, notes: Notes) -> tuple[float, float, float, float]:
    """Return the seconds for drive, warm-up, recovery and soak."""
    total_s = hours * 3600.0
    drive_s, warm_s, recovery_s = FTC_HOUR_S, 1800.0, 1800.0
    text = "one hour at one eighth of rated power, 1 kHz, both channels"
    if drive_s + warm_s + recovery_s > total_s:
        scale = total_s / (drive_s + warm_s + recovery_s)
        drive_s, warm_s, recovery_s = drive_s * scale, warm_s * scale, recovery_s * scale
        text = f"SHORTER than the hour of the rule, because the whole run is {hours:g} h"
    notes.add(
        "Preconditioning",
        "1/8 of rated power, one hour, all channels driven",
        text,
        drive_s,
        "s",
        "16 CFR 432.3, edition of 1 January 2006; the wording after the 2024 amendment (89 FR 49797) was not read",
    )
    return drive_s, warm_s, recovery_s, total_s - drive_s - warm_s - recovery_s


def _cold_check(build: _Builder, extra: str) -> None:
    figures = stage_figures(build.unit, 25.0, True, False)
    expected = dict(figures.expected)
    expected |= {name: Expected(-0.05, 0.0, 0.05) for name in ("rail_pos_a", "rail_neg_a")}
    # Above this a charged reservoir hurts the set when a probe slips.
    expected |= {"rail_pos_v": Expected(-0.5, 0.0, 5.0), "rail_neg_v": Expected(-5.0, 0.0, 0.5)}
    expected |= {name: Expected(-0.2, 0.0, 0.2) for name in ("offset_left_v", "offset_right_v")}
    expected |= {name: Expected(-0.002, 0.0, 0.002) for name in ("bias_left_v", "bias_right_v")}
    expected |= {name: Expected(0.0, 23.0, 60.0) for name in ("sink_left_c", "sink_right_c")}
    build.add(
        "cold check",
        0.0,
        "Relay open. Transformer at 25 %, sensors screwed down, emergency stop released. " + extra,
        energised=False,
        confirm=True,
        settle_s=3.0,
        hold_s=2.0,
        reach_s=600.0,
        figures=replace(figures, expected=expected),
    )


def _through_lamp(build: _Builder, settings: Iterable[float], first: str) -> None:
    for number, pct in enumerate(settings):
        build.add(
            f"limiter {pct:g} %",
            pct,
            f"Set the variable transformer to {pct:g} %. {first}"
            if number == 0
            else f"Turn the transformer slowly up to {pct:g} %.",
            confirm=number == 0,
            hold_s=60.0 if pct == 100.0 else 20.0,
            reach_s=_reach_s(build.unit),
        )


def _reach_s(unit: Unit) -> float:
    """Time for a hand on the transformer, or for reservoirs that only a small idle current empties."""
    draw_a = max(unit.quiescent_other_a, 0.005)
    return min(max(180.0, 2.0 * unit.reservoir_uf * 1e-6 * unit.rail_nominal_v / draw_a), 900.0)


def bypass_setting(unit: Unit, notes: Notes | None = None) -> float:
    """Return the transformer setting at which the lamp is bypassed, percent.

    The set has been proven up to the rail it had through the lamp at 100 %. Without
    the lamp nothing but the fuses and the board's limits stands behind a fault, so
    the bypass closes where the rail stays within 10 % of that, and where the step
    it makes charges the reservoirs within the monitors' range.
    """
    supply = supply_of(unit)
    proven_v = rail_span_v(unit, 100.0, True, False)[0]
    range_a = wire.CEILINGS[INDEX["rail_pos_a"]]
    chosen, text = LADDER_PCT[0], ""
    for pct in reversed(LADDER_PCT):
        rail_v = rail_span_v(unit, pct, False, False)[0]
        from_v = rail_span_v(unit, pct, True, False)[0]
        step_a = inrush_a(supply, pct, False, from_v)
        seen_a = step_a
        if unit.shunt_position == "rail-fuse":
            seen_a *= supply.local_f / (supply.local_f + supply.reservoir_f)
        fits = rail_v <= PROVEN_RAIL_MARGIN * proven_v and seen_a <= 0.5 * range_a
        text += f"{pct:g} %: rail {from_v:.1f} to {rail_v:.1f} V, charging peak {step_a:.1f} A; "
        if fits:
            chosen = pct
            break
    if notes is not None:
        why = "stays at full mains" if chosen == 100.0 else "the transformer goes back first, then up without the lamp"
        notes.add(
            "Setting at which the lamp is bypassed",
            "highest with rail <= 1.1 x proven rail and charging peak at the shunt <= half the monitor's range",
            f"proven through the lamp {proven_v:.1f} V; {text}{why}",
            chosen,
            "%",
            "a fault not shown at the proven rail is unlikely to appear within 10 % of it; "
            + "common practice, no source",
        )
    return chosen


def _without_lamp(build: _Builder, notes: Notes) -> None:
    unit = build.unit
    first = bypass_setting(unit, notes)
    if first < 100.0:
        back = _on_the_way(stage_figures(unit, first, True, False), stage_figures(unit, 100.0, True, False))
        build.add(
            f"limiter back to {first:g} %",
            first,
            f"Turn the transformer back to {first:g} %.",
            hold_s=5.0 + SLOW_WINDOW_MS / 1000.0,
            reach_s=_reach_s(unit),
            figures=back,
        )
    for number, pct in enumerate(p for p in LADDER_PCT if p >= first):
        build.add(
            f"direct {pct:g} %",
            pct,
            f"Transformer stays at {pct:g} %. The lamp is taken out now: stand clear."
            if number == 0
            else f"Turn the transformer slowly up to {pct:g} %.",
            limiter_in=False,
            confirm=number == 0,
            hold_s=60.0 if pct == 100.0 else 20.0,
            reach_s=_reach_s(unit),
        )


def _on_the_way(to: StageFigures, coming_from: StageFigures) -> StageFigures:
    """Return the readings of the setting to be reached with limits that neither setting breaks."""
    before = {(limit.channel, limit.kind, limit.cause): limit for limit in coming_from.limits}
    limits = []
    for limit in to.limits:
        other = before.get((limit.channel, limit.kind, limit.cause))
        # What only one setting watches cannot be watched while changing over.
        if other is not None:
            limits.append(_wider(limit, other))
    return replace(
        to,
        limits=tuple(limits),
        alert_pos_a=max(to.alert_pos_a, coming_from.alert_pos_a),
        alert_neg_a=max(to.alert_neg_a, coming_from.alert_neg_a),
    )


def _wider(one: Limit, two: Limit) -> Limit:
    high = max(one.high, two.high)
    low = min(one.low, two.low)
    why = one.why if not (low < one.low or high > one.high) else f"on the way from the setting before: {two.why}"
    return replace(one, low=low, high=high, for_ms=max(one.for_ms, two.for_ms), why=why)


def _with_expected(figures: StageFigures, names: Iterable[str], span: Expected) -> StageFigures:
    return replace(figures, expected=figures.expected | dict.fromkeys(names, span))


_BIAS = ("bias_left_v", "bias_right_v")


def _bias_set(unit: Unit, figures: StageFigures) -> StageFigures:
    target_v = unit.target_bias_drop_mv / 1000.0
    room_v = max(BIAS_SET_SHARE * target_v, BIAS_SET_LEAST_V)
    return _with_expected(figures, _BIAS, Expected(target_v - room_v, target_v, target_v + room_v))


def _bias_kept(unit: Unit, figures: StageFigures) -> StageFigures:
    target_v = unit.target_bias_drop_mv / 1000.0
    return _with_expected(figures, _BIAS, Expected(0.3 * target_v, target_v, 0.95 * bias_limit_v(unit)))
