"""Which rail voltage proves the transformer setting, and from where on is it turned too far?"""

from __future__ import annotations

from dataclasses import replace

from benchwarden.analysis.draw import Draw, draw_of
from benchwarden.analysis.operating_point import charging_s, idle_load, output_idle_a, settled
from benchwarden.analysis.stage_sheet import NAN, PRACTICE, Notes, Setting, Sheet
from benchwarden.core.channels import INDEX
from benchwarden.core.plan import Expected, Limit
from benchwarden.core.unit import Unit
from wardenfw import wire

# The board's own rail voltage readings may be this far off uncalibrated.
VOLT_MARGIN = 0.05
# A rail below this part of its figure at the lowest setting has no supply at all.
MISSING_SHARE = 0.4
LOWEST_PCT = 25.0
# Below this the forward drops of the rectifier decide, not the supply.
MISSING_LEAST_V = 0.5
# A neighbouring setting is this many points of full mains away.
STEP_PCT = 25.0


def rail_span_v(unit: Unit, mains_pct: float, limiter_in: bool, drive_on: bool) -> tuple[float, float, float]:
    """Return the lowest, middle and highest rail a healthy set shows at nominal mains, volts."""
    setting = Setting(unit, mains_pct, limiter_in, drive_on)
    draw = draw_of(setting, Notes())
    heavy, middle, light = (
        settled(setting.supply, mains_pct, limiter_in, idle_load(amps, unit.rail_nominal_v)).rail_v
        for amps in (draw.heavy, draw.nominal, draw.light)
    )
    return heavy, middle, light


def _wandering_span_v(setting: Setting, draw: Draw) -> tuple[float, float]:
    """Return the lowest and highest rail with mains wander, volts."""
    unit, supply = setting.unit, setting.supply
    heavy = idle_load(draw.heavy, unit.rail_nominal_v)
    light = idle_load(draw.light, unit.rail_nominal_v)
    low_v = settled(supply, setting.low_pct, setting.limiter_in, heavy).rail_v
    high_v = settled(supply, setting.high_pct, setting.limiter_in, light).rail_v
    return low_v, high_v


def rail_limits(setting: Setting, draw: Draw, sheet: Sheet) -> None:
    unit, mains_pct, limiter_in, drive_on = setting.unit, setting.mains_pct, setting.limiter_in, setting.drive_on
    heavy_v, middle_v, light_v = rail_span_v(unit, mains_pct, limiter_in, drive_on)
    low_v, high_v = _wandering_span_v(setting, draw)
    below = rail_span_v(unit, mains_pct - STEP_PCT, limiter_in, drive_on) if mains_pct > STEP_PCT else (0.0, 0.0, 0.0)
    above = rail_span_v(unit, mains_pct + STEP_PCT, limiter_in, drive_on)
    # The same set one step lower or higher stays outside, whatever its bias.
    window_low = max(low_v, (below[0] + heavy_v) / 2.0)
    window_high = min(high_v, (above[2] + light_v) / 2.0)
    text = (
        f"draw {draw.light:.3f} to {draw.heavy:.3f} A gives {heavy_v:.2f} to {light_v:.2f} V at nominal mains, "
        f"{low_v:.2f} to {high_v:.2f} V with wander; {STEP_PCT:g} points lower it gives {below[0]:.2f} to "
        f"{below[2]:.2f} V, higher {above[0]:.2f} to {above[2]:.2f} V"
    )
    if window_low > low_v or window_high < high_v:
        text += "; narrowed so that a neighbouring setting stays outside"
    if below[2] > window_low or above[0] < window_high:
        text += (
            "; AMBIGUOUS while the bias may be anywhere: the lamp sags so much that a neighbouring setting "
            "with another bias reads alike, so leave the pots alone until the lamp is out"
        )
    sheet.add(
        "Rail voltage that proves the transformer setting, lower end",
        "rail at the heaviest healthy draw, mains -10 %, never past half way to one step lower",
        text,
        window_low,
        "V",
        "steady point of lamp, transformer and rectifier",
    )
    sheet.add(
        "Rail voltage that proves the transformer setting, upper end",
        "rail at the lightest draw, mains +10 %, never past half way to one step higher",
        text,
        window_high,
        "V",
        "same",
    )
    if draw.shorted_rail_v >= window_low:
        sheet.add(
            "Rail while shorted against that window",
            "shorted rail below the window",
            f"{draw.shorted_case}: {draw.shorted_rail_v:.2f} V is NOT below {window_low:.2f} V; "
            "the rail alone does not show this short",
            draw.shorted_rail_v,
            "V",
            "computed",
        )
    ceiling_v = wire.CEILINGS[INDEX["rail_pos_v"]]
    # The limit is in force before the signal is applied and after it is taken off.
    top_v = max(high_v, window_high)
    if drive_on:
        quiet = draw_of(replace(setting, drive_on=False), Notes())
        top_v = max(top_v, _wandering_span_v(setting, quiet)[1])
    limit_v = min(top_v * (1.0 + VOLT_MARGIN) + 0.3, ceiling_v)
    sheet.add(
        "Rail voltage limit",
        "highest healthy rail x 1.05 + 0.3 V, at most the monitor's range",
        f"{top_v:.2f} V x 1.05 + 0.3 V, range {ceiling_v:g} V",
        limit_v,
        "V",
        "margin for an uncalibrated board: " + PRACTICE,
    )
    why = "transformer turned too far: above anything this setting gives at mains +10 %"
    sheet.expected["rail_pos_v"] = Expected(window_low, middle_v, window_high)
    sheet.expected["rail_neg_v"] = Expected(-window_high, -middle_v, -window_low)
    sheet.limits.append(Limit("rail_pos_v", "value", NAN, limit_v, 200, 0, "operator", why))
    sheet.limits.append(Limit("rail_neg_v", "value", -limit_v, NAN, 200, 0, "operator", why))
    _missing_limits(setting, sheet)


def _missing_limits(setting: Setting, sheet: Sheet) -> None:
    """Add the limit that tells a missing rail before the outputs follow the other one.

    The table is in force while the transformer still climbs from a lower setting,
    so the limit is taken from the lowest one.
    """
    unit = setting.unit
    lowest_v = rail_span_v(unit, LOWEST_PCT, True, False)[0]
    limit_v = MISSING_SHARE * lowest_v
    if limit_v < MISSING_LEAST_V:
        return
    load = idle_load(output_idle_a(unit) + unit.quiescent_other_a, unit.rail_nominal_v)
    charge_ms = 1500.0 * charging_s(setting.supply, setting.low_pct, setting.limiter_in, load)
    for_ms = min(200 + round(charge_ms), wire.MAX_FOR_MS)
    sheet.add(
        "Rail that counts as missing",
        "0.4 x lowest rail at 25 % through the lamp, once the reservoirs had 1.5 x their charging time",
        f"0.4 x {lowest_v:.2f} V, charging {charge_ms / 1.5:.0f} ms",
        limit_v,
        "V",
        PRACTICE,
    )
    why = "the rail does not come up: fuse, rectifier, winding or wire"
    sheet.limits.append(Limit("rail_pos_v", "value", limit_v, NAN, for_ms, 0, "rail-missing", why))
    sheet.limits.append(Limit("rail_neg_v", "value", NAN, -limit_v, for_ms, 0, "rail-missing", why))
