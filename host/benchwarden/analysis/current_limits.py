"""At which rail current does the board open, how long may it wait, and where is the alert line?"""

from __future__ import annotations

import math

from benchwarden.analysis.draw import SEPARABLE, Draw, lamp_that_separates, tone_a
from benchwarden.analysis.operating_point import charging_s, idle_load, inrush_a, settled
from benchwarden.analysis.stage_sheet import NAN, PRACTICE, RATE_WINDOW_MS, Notes, Setting, Sheet
from benchwarden.core.channels import INDEX
from benchwarden.core.plan import Expected, Limit
from wardenfw import wire

# Where a short draws far more, the limit need not be further out than this.
LIMIT_OVER_HEALTHY = 3.0


def current_limits(setting: Setting, draw: Draw, sheet: Sheet) -> float:
    """Add the rail current figures; return the alert line's amperes."""
    ceiling_a = wire.CEILINGS[INDEX["rail_pos_a"]]
    ratio = draw.shorted / draw.healthy
    if ratio >= SEPARABLE:
        limit_a = min(math.sqrt(draw.healthy * draw.shorted), LIMIT_OVER_HEALTHY * draw.healthy)
        verdict = f"a short draws {ratio:.1f} times the most a healthy set does: the limit stands between them"
        formula = "geometric mean of healthy and shorted, at most 3 x healthy"
    else:
        limit_a = 1.15 * draw.healthy
        better = lamp_that_separates(setting.unit, setting.mains_pct, setting.drive_on) if setting.limiter_in else None
        advice = f"a {better:g} W lamp would separate them" if better else "no common lamp would"
        verdict = (
            f"NOT SEPARABLE by current: a short draws {draw.shorted:.2f} A, a healthy set up to {draw.healthy:.2f} A; "
            f"{advice if setting.limiter_in else 'judge by offset and rail voltage'}. "
            f"The limit stays 15 % above healthy; a short shows as a rail near {draw.shorted_rail_v:.1f} V"
        )
        formula = "1.15 x healthy"
    clipped = min(limit_a, ceiling_a)
    sheet.add(
        "Over-current limit of each rail",
        formula,
        f"healthy {draw.healthy:.3f} A, shorted {draw.shorted:.3f} A; {verdict}",
        clipped,
        "A",
        "computed from the two figures above",
    )
    for_ms, peak_a = _inrush(setting, draw, clipped, sheet)
    alert_a = min(max(1.25 * clipped, 1.5 * peak_a), ceiling_a)
    sheet.add(
        "Alert line of each rail monitor (hardware, no software in the way)",
        "1.25 x limit, at least 1.5 x the highest healthy peak, at most the monitor's range",
        f"limit {clipped:.3f} A, healthy peak {peak_a:.3f} A, range {ceiling_a:g} A",
        alert_a,
        "A",
        "factors: " + PRACTICE,
    )
    reverse_a = -max(0.1, 0.25 * clipped)
    rate_why = "rises faster than any step a healthy set makes here"
    rate_a_per_s = 1.5 * draw.healthy / (RATE_WINDOW_MS / 1000.0)
    if setting.hands_off:
        rate_a_per_s = (0.5 * draw.heavy + 0.02) / (RATE_WINDOW_MS / 1000.0)
        rate_why = "climbs by half its healthy figure within 5 s while nobody touches anything"
    for channel in ("rail_pos_a", "rail_neg_a"):
        sheet.expected[channel] = Expected(-0.02, draw.nominal, 0.95 * clipped)
        sheet.limits.append(Limit(channel, "value", NAN, clipped, for_ms, 0, "over-current", f"{formula}: {verdict}"))
        sheet.limits.append(
            Limit(channel, "value", reverse_a, NAN, 1000, 0, "sensor-fault", "current flows backwards: shunt reversed")
        )
        # Charging pulses through the shunt make slopes of their own at every change.
        if setting.unit.shunt_position == "rail-fuse":
            sheet.limits.append(
                Limit(channel, "rate", NAN, rate_a_per_s, 500, RATE_WINDOW_MS, "over-current", rate_why)
            )
    return alert_a


def _inrush(setting: Setting, draw: Draw, limit_a: float, notes: Notes) -> tuple[int, float]:
    """Return how long the current limit must wait, and the highest peak a healthy set shows."""
    unit, supply, limiter_in = setting.unit, setting.supply, setting.limiter_in
    high_pct = setting.high_pct
    # The signal comes on later than the mains.
    load = idle_load(draw.steady, unit.rail_nominal_v)
    _, tone_peak_a = tone_a(setting)
    if limiter_in:
        from_v, event = 0.0, "mains closing on empty reservoirs, lamp cold"
        slow_pct = setting.low_pct
    else:
        from_v = settled(supply, high_pct, True, load).rail_v
        event = f"the lamp being bypassed with the rail at {from_v:.1f} V"
        slow_pct = high_pct
    peak_a = inrush_a(supply, high_pct, limiter_in, from_v)
    charge_s = charging_s(supply, slow_pct, limiter_in, load, from_v)
    # As long again: capacitors are sold up to 20 % large and the lamp is a sample.
    wait_ms = min(round(1500.0 * charge_s) + 100, wire.MAX_FOR_MS)
    notes.add(
        "Charging time of the reservoirs",
        "C dV/dt = charging current - healthy draw, filament heating and cooling, to 95 %",
        f"{unit.reservoir_uf:g} uF, {event}",
        charge_s,
        "s",
        "same circuit as above",
    )
    notes.add(
        "Highest charging peak into one reservoir",
        "(Vpeak - diode - Vrail) / (winding + 2 n^2 (lamp cold + primary + mains))",
        event,
        peak_a,
        "A",
        "same circuit as above",
    )
    if unit.shunt_position == "before-reservoir":
        ceiling_a = wire.CEILINGS[INDEX["rail_pos_a"]]
        if 1.5 * peak_a > ceiling_a:
            notes.add(
                "Charging peak against the monitor's range",
                "peak x 1.5 <= range",
                f"{peak_a:.1f} A x 1.5 against {ceiling_a:g} A: do not "
                f"{'close the relay' if limiter_in else 'bypass the lamp'} at this setting; do it lower and turn up",
                peak_a,
                "A",
                "computed",
            )
        return wait_ms, max(peak_a, tone_peak_a + draw.healthy)
    # Behind the fuse only the amplifier boards' own capacitors charge.
    local_a = peak_a * supply.local_f / (supply.local_f + supply.reservoir_f)
    local_peak_a = draw.steady + local_a + tone_peak_a
    # A short pulls the reservoir down to rectified half waves, and the scan can beat
    # with them: a limit that waits longer than three scans could be broken off each time.
    for_ms = 30 if 1.1 * (draw.steady + local_a) < limit_a else wait_ms
    notes.add(
        "Charging peak behind the rail fuse",
        "peak x C boards / (C boards + C reservoir)",
        f"{peak_a:.2f} A x {supply.local_f * 1e6:.0f} / {(supply.local_f + supply.reservoir_f) * 1e6:.0f} uF; "
        f"the limit waits {for_ms} ms",
        local_a,
        "A",
        "board capacitance: " + PRACTICE,
    )
    return for_ms, local_peak_a
