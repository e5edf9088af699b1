"""Which stages does a run need, what is the person told, and what goes to the board?

A stage's limits are on the board before the person acts on its prompt. So a
change that lowers readings (turning back, taking the signal off) gets a short
stage of its own that still carries the limits of the setting it comes from.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from benchwarden.analysis import dissipation, thermal_chain
from benchwarden.analysis.operating_point import inrush_a, output_idle_a, supply_of
from benchwarden.analysis.stage_limits import (
    LADDER_PCT,
    SLOW_WINDOW_MS,
    Notes,
    bias_limit_v,
    drive_share,
    rail_span_v,
    stage_figures,
)
from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.plan import Expected, Limit, Plan, PlanStage, StageFigures, Working
from benchwarden.core.unit import Unit
from benchwarden.errors import PlanError
from wardenfw import wire

__all__ = [
    "burn_in_plan",
    "check_plan",
    "power_up_plan",
    "stage_figures",
    "to_wire",
    "working_text",
]

# How close the pots are set. Source: common practice, no source.
BIAS_SET_SHARE = 0.06
BIAS_SET_LEAST_V = 0.0004
# The lamp is bypassed only where the rail then stays near what was proven through it.
PROVEN_RAIL_MARGIN = 1.10
SOAK_S = 1800.0
FTC_HOUR_S = 3600.0
MIN_HOURS = 0.5
MAX_HOURS = 24.0 * 14

WireLimit = tuple[int, int, int, float, float, int, int]
WireStage = tuple[int, bool, bool, list[WireLimit], float, float]


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
    notes = _unit_working(unit)
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
    notes = _unit_working(unit)
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
        figures=_on_the_way(idle, driven),
    )
    build.add(
        "hot idle recovery",
        100.0,
        "Leave the set alone while it cools back to idle.",
        limiter_in=False,
        hold_s=recovery_s,
        reach_s=1800.0,
        figures=idle,
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


def _unit_working(unit: Unit) -> Notes:
    """Return the working that belongs to the unit and not to one stage."""
    notes = Notes()
    supply = supply_of(unit)
    facts = "unit facts" if unit.transformer_va is not None else "1.6 x both channels' rated power, common practice"
    notes.add("Transformer rating", "given or 1.6 x 2 x P", f"P {unit.rated_power_w:g} W", supply.va, "VA", facts)
    notes.add(
        "Transformer regulation",
        "0.9 x VA^-0.43",
        f"VA {supply.va:.0f}",
        100.0 * supply.regulation,
        "%",
        "makers' catalogues, from memory",
    )
    notes.add(
        "Half winding, open circuit at full mains",
        "turns ratio solved so that the idling rail is the nominal one",
        f"rail {unit.rail_nominal_v:g} V with {output_idle_a(unit) + unit.quiescent_other_a:.3f} A, "
        f"turns 1:{1.0 / supply.turns:.2f}, winding {supply.half_ohm:.2f} ohm, primary {supply.primary_ohm:.1f} ohm",
        supply.turns * unit.mains_v,
        "V rms",
        "rectifier with large reservoir, Schade 1943",
    )
    notes.add(
        "Lamp, hot and cold",
        "V^2 / P; hot over cold 15 at 2800 K",
        f"{unit.mains_v:g} V, {unit.limiter_lamp_w:g} W: {supply.lamp.hot_ohm:.0f} ohm hot",
        supply.lamp.cold_ohm,
        "ohm cold",
        "Forsythe and Worthing, Astrophys. J. 61 (1925) 146",
    )
    _heat_working(unit, notes)
    return notes


def _heat_working(unit: Unit, notes: Notes) -> None:
    rail_v, load = unit.rail_nominal_v, unit.load_ohm
    package = thermal_chain.package_of(unit)
    pair_a = unit.target_bias_drop_mv / 1000.0 / unit.emitter_resistor_ohm
    sink = thermal_chain.sink_k_per_w(unit)
    rows = [("idle", dissipation.idle_w(rail_v, pair_a * unit.output_pairs), "2 Vcc Iq")]
    for label, share in (("1/8", 1.0 / 8.0), ("1/3", 1.0 / 3.0)):
        peak_v = min(dissipation.peak_v_at(unit.rated_power_w * share, load), rail_v)
        rows.append(
            (
                f"{label} of rated power",
                dissipation.dissipation_w(rail_v, peak_v, load),
                "2 Vcc Vp/(pi RL) - Vp^2/(2 RL)",
            )
        )
    rows.append(("worst sine level", dissipation.worst_w(rail_v, load), "2 Vcc^2/(pi^2 RL)"))
    for label, heat_w, formula in rows:
        device_w = heat_w / (2 * unit.output_pairs)
        sink_c = 25.0 + heat_w * sink
        junction = thermal_chain.junction_c(package, sink_c, device_w)
        over = junction > package.tj_max_c
        notes.add(
            f"Heat of one channel, {label}",
            formula,
            f"Vcc {rail_v:g} V, RL {load:g} ohm; settled in a 25 C room: sink {sink_c:.0f} C, junction {junction:.0f} C"
            + (f" - ABOVE the rating of {package.tj_max_c:g} C" if over else ""),
            heat_w,
            "W",
            "Boylestad, class B; sink " + ("given" if unit.sink_k_per_w is not None else "estimated"),
        )
    rth = thermal_chain.device_rth_ja_k_per_w(unit)
    gain = thermal_chain.loop_gain(rail_v, pair_a, unit.emitter_resistor_ohm, rth)
    slope = thermal_chain.idle_slope_a_per_k(pair_a, unit.emitter_resistor_ohm)
    verdict = (
        "below one: settles even without compensation"
        if gain < 1.0
        else "at or above one: it depends on the bias sensor, which must sit on the sink"
    )
    notes.add(
        "Thermal loop gain of the output stage without bias compensation",
        "Vcc x 2 mV/K / (Re + kT/q / Iq) x Rth junction to ambient; stable below 1",
        f"{rail_v:g} V x {slope * 1000:.2f} mA/K x {rth:.2f} K/W; stable alone below "
        f"{1.0 / (rail_v * slope):.2f} K/W; {verdict}",
        gain,
        "",
        "stable if dP/dTj < 1/Rth, textbook relation",
    )


def check_plan(plan: Plan) -> None:
    """Make sure the board will take every stage.

    Raises:
        PlanError: naming stage, channel and what is allowed.
    """
    if not plan.stages:
        raise PlanError("plan has no stages; allowed: at least one")
    before: PlanStage | None = None
    for number, stage in enumerate(plan.stages, 1):
        where = f"stage {number} ({stage.name})"
        if stage.stage_id != number:
            raise PlanError(f"{where}: stage_id = {stage.stage_id}; allowed: {number}")
        for key in ("settle_s", "hold_s", "reach_s"):
            value = getattr(stage, key)
            if not (math.isfinite(value) and value >= 0.0):
                raise PlanError(f"{where}: {key} = {value!r}; allowed: 0 or more seconds")
        first = stage.energised and (before is None or not before.energised)
        lessens = before is not None and before.energised and before.limiter_in and not stage.limiter_in
        if (first or lessens) and not stage.confirm:
            raise PlanError(f"{where}: confirm = false; allowed: true, because protection is lessened")
        _check_limits(where, stage.figures)
        before = stage


def _check_limits(where: str, figures: StageFigures) -> None:
    if len(figures.limits) > wire.MAX_LIMITS:
        raise PlanError(f"{where}: {len(figures.limits)} limits; allowed: at most {wire.MAX_LIMITS}")
    bounded: set[str] = set()
    for limit in figures.limits:
        name = f"{where}: {limit.channel} {limit.kind} limit"
        if limit.channel not in CHANNELS:
            raise PlanError(f"{name}: unknown channel; allowed: {', '.join(CHANNELS)}")
        if limit.kind not in wire.LIMIT_KINDS:
            raise PlanError(f"{name}: kind = {limit.kind!r}; allowed: {', '.join(wire.LIMIT_KINDS)}")
        if limit.cause not in wire.CAUSES[1:]:
            raise PlanError(f"{name}: cause = {limit.cause!r}; allowed: {', '.join(wire.CAUSES[1:])}")
        if math.isnan(limit.low) and math.isnan(limit.high):
            raise PlanError(f"{name}: neither low nor high; allowed: one of them or both")
        if limit.low >= limit.high:
            raise PlanError(f"{name}: low = {limit.low:g}, high = {limit.high:g}; allowed: low below high")
        ceiling = wire.CEILINGS[INDEX[limit.channel]]
        for side, value in (("low", limit.low), ("high", limit.high)):
            if abs(value) > ceiling:
                raise PlanError(
                    f"{name}: {side} = {value:g}; allowed: {-ceiling:g} to {ceiling:g}, the board's ceiling"
                )
        if not 0 <= limit.for_ms <= wire.MAX_FOR_MS:
            raise PlanError(f"{name}: for_ms = {limit.for_ms}; allowed: 0 to {wire.MAX_FOR_MS}")
        if limit.kind == "value":
            bound = limit.low if limit.channel == "rail_neg_v" else limit.high
            if not math.isnan(bound):
                bounded.add(limit.channel)
        elif not 200 <= limit.window_ms <= 65535:
            raise PlanError(f"{name}: window_ms = {limit.window_ms}; allowed: 200 to 65535")
    missing = [name for name in wire.MUST_LIMIT if name not in bounded]
    if missing:
        raise PlanError(f"{where}: no limit on {', '.join(missing)}; the board insists on one")
    for side, channel, amps in (
        ("positive", "rail_pos_a", figures.alert_pos_a),
        ("negative", "rail_neg_a", figures.alert_neg_a),
    ):
        if not 0.0 < amps <= wire.CEILINGS[INDEX[channel]]:
            raise PlanError(
                f"{where}: alert of the {side} rail = {amps:g} A; allowed: above 0 to {wire.CEILINGS[INDEX[channel]]:g}"
            )
    for name, span in figures.expected.items():
        if not span.low <= span.high:
            raise PlanError(f"{where}: expected {name} from {span.low:g} to {span.high:g}; allowed: low up to high")


def to_wire(stage: PlanStage) -> WireStage:
    """Return the arguments of `wire.pack_stage`, in its order."""
    limits = [_wire_limit(limit) for limit in stage.figures.limits]
    return (
        stage.stage_id,
        stage.limiter_in,
        stage.drive_on,
        limits,
        stage.figures.alert_pos_a,
        stage.figures.alert_neg_a,
    )


def _wire_limit(limit: Limit) -> WireLimit:
    return (
        INDEX[limit.channel],
        wire.LIMIT_KINDS.index(limit.kind),
        wire.CAUSES.index(limit.cause),
        limit.low,
        limit.high,
        limit.for_ms,
        limit.window_ms,
    )


def working_text(plan: Plan) -> str:
    """Return the plan and the working behind it as plain text for a terminal."""
    unit = plan.unit
    title = unit.run or " ".join(part for part in (unit.model, unit.serial) if part) or "unit"
    lines = [f"{plan.run_type} plan for {title}", "", "The unit"]
    lines += _working_lines(plan.working)
    for stage in plan.stages:
        state = "relay open" if not stage.energised else ("lamp in" if stage.limiter_in else "lamp bypassed")
        lines += [
            "",
            f"Stage {stage.stage_id}: {stage.name} ({stage.mains_pct:g} % mains, {state}"
            + (", test signal" if stage.drive_on else "")
            + ")",
            f"  {stage.prompt}",
            f"  settle {stage.settle_s:g} s, hold {stage.hold_s:g} s, reach within {stage.reach_s:g} s"
            + ("; asks for your word" if stage.confirm else ""),
            "  Expected:",
        ]
        lines += [
            f"    {name:<15} {span.low:10.4g} to {span.high:<10.4g} (about {span.nominal:.4g})"
            for name, span in stage.figures.expected.items()
        ]
        lines.append(f"  Board limits (alert line {stage.figures.alert_pos_a:.2f} A):")
        lines += [f"    {_limit_line(limit)}" for limit in stage.figures.limits]
        lines.append("  Working:")
        lines += [f"  {line}" for line in _working_lines(stage.figures.working)]
    return "\n".join(lines) + "\n"


def _limit_line(limit: Limit) -> str:
    low = "" if math.isnan(limit.low) else f"below {limit.low:.4g} "
    high = "" if math.isnan(limit.high) else f"above {limit.high:.4g} "
    both = "or " if low and high else ""
    per = {"rate": f"/s over {limit.window_ms} ms ", "spread": f"off its mean over {limit.window_ms} ms "}
    span = f"{low}{both}{high}{per.get(limit.kind, '')}"
    return f"{limit.channel:<15} {span}for {limit.for_ms} ms -> {limit.cause}: {limit.why}"


def _working_lines(items: Iterable[Working]) -> list[str]:
    lines = []
    for item in items:
        lines.append(f"  {item.quantity} = {item.value:.4g} {item.unit}".rstrip())
        lines.append(f"      {item.formula}: {item.numbers}")
        lines.append(f"      [{item.source}]")
    return lines
