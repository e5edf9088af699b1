"""How much offset, bias drop and HF may an output show?"""

from __future__ import annotations

from benchwarden.analysis import dissipation, thermal_chain
from benchwarden.analysis.draw import BIAS_CEILING_V, BIAS_LIMIT, BIAS_TONE_SPREAD, drive_share, hot_idle_a
from benchwarden.analysis.operating_point import charging_s, idle_load, output_idle_a
from benchwarden.analysis.rail_limits import rail_span_v
from benchwarden.analysis.stage_sheet import NAN, PRACTICE, SLOW_WINDOW_MS, Setting, Sheet
from benchwarden.core.channels import INDEX
from benchwarden.core.plan import Expected, Limit
from benchwarden.core.unit import Unit
from wardenfw import wire

# One conversion of the output module lasts 1/860 s, give or take 10 %: of a 1 kHz
# tone at most sin(pi n)/(pi n) of the peak is left in it, n = 1.05 to 1.29 periods.
# Source: ADS1115 data rate and tolerance, from memory; the rest is arithmetic.
TONE_LEFT = 0.2


# A bias that leaps and comes back is a bad contact, not heat: the slope has to last.
RATE_FOR_MS = 2500


def bias_limit_v(unit: Unit) -> float:
    """Return the drop over one emitter resistor beyond which the idle bias is wrong, volts."""
    target_v = unit.target_bias_drop_mv / 1000.0
    return min(max(BIAS_LIMIT * target_v, target_v + 0.005), BIAS_CEILING_V)


def offset_limits(setting: Setting, sheet: Sheet) -> None:
    unit, mains_pct, limiter_in = setting.unit, setting.mains_pct, setting.limiter_in
    rail_v = rail_span_v(unit, mains_pct, limiter_in, False)[1]
    for_ms = 300
    if mains_pct < 40.0:
        limit_v = max(0.5 * rail_v, 0.5)
        why = "half the rail: below 40 % the feedback may not yet work, a shorted device brings nearly the whole rail"
    elif mains_pct < 70.0:
        limit_v = max(0.25 * rail_v, 1.0)
        why = "a quarter of the rail: feedback has to work, its trimming does not"
    elif limiter_in:
        limit_v, why = 2.0, "2 V through the lamp: nobody has trimmed it yet, a fault brings tens of volts"
    elif setting.hands_off:
        limit_v, why = 0.5, "0.5 V once the set runs by itself: a good set holds 0.05 V, 0.5 V heats a loudspeaker"
    else:
        limit_v, why = 1.0, "1 V while somebody adjusts it"
    if limiter_in:
        load = idle_load(output_idle_a(unit) + unit.quiescent_other_a, unit.rail_nominal_v)
        charge_ms = 1500.0 * charging_s(setting.supply, setting.low_pct, True, load)
        for_ms = min(500 + round(charge_ms), wire.MAX_FOR_MS)
    if setting.drive_on:
        peak_v = dissipation.peak_v_at(unit.rated_power_w * drive_share(unit), unit.load_ohm)
        limit_v += TONE_LEFT * peak_v
        for_ms = 500
        why += f"; plus {TONE_LEFT:g} of the {peak_v:.1f} V test tone, which one conversion does not average out"
    limit_v = min(limit_v, wire.CEILINGS[INDEX["offset_left_v"]])
    sheet.add("DC offset limit", why, f"rail {rail_v:.1f} V, for {for_ms} ms", limit_v, "V", PRACTICE)
    for channel in ("offset_left_v", "offset_right_v"):
        sheet.expected[channel] = Expected(-0.9 * limit_v, 0.0, 0.9 * limit_v)
        sheet.limits.append(Limit(channel, "value", -limit_v, limit_v, for_ms, 0, "dc-offset", why))


def bias_limits(setting: Setting, sheet: Sheet) -> None:
    unit, drive_on = setting.unit, setting.drive_on
    target_v = unit.target_bias_drop_mv / 1000.0
    best_v = thermal_chain.oliver_drop_v(unit.emitter_resistor_ohm, 0.05)
    idle_limit_v = bias_limit_v(unit)
    warmth_v = hot_idle_a(setting) * unit.emitter_resistor_ohm
    idle_limit_v = min(idle_limit_v + warmth_v, BIAS_CEILING_V)
    limit_v, tone_v = idle_limit_v, 0.0
    if drive_on:
        peak_v = dissipation.peak_v_at(unit.rated_power_w * drive_share(unit), unit.load_ohm)
        device_a = dissipation.rail_mean_a(peak_v, unit.load_ohm) / unit.output_pairs
        tone_v = device_a * unit.emitter_resistor_ohm
        limit_v = min(idle_limit_v + BIAS_TONE_SPREAD * tone_v, BIAS_CEILING_V)
        why = (
            "with the test tone the drop is mostly signal: "
            f"idle limit + {BIAS_TONE_SPREAD:g} x mean drop of the tone, at most the channel's range"
        )
    else:
        why = f"{BIAS_LIMIT:g} x target (at least 5 mV above it): a warm healthy set stays below"
    if warmth_v > 0.0:
        why += "; plus the most that the signal's warmth leaves in a stable stage"
    sheet.add(
        "Bias drop limit",
        why,
        f"target {unit.target_bias_drop_mv:g} mV, tone {tone_v * 1000:.0f} mV, "
        f"warmth {warmth_v * 1000:.0f} mV, range {BIAS_CEILING_V * 1000:.0f} mV",
        limit_v,
        "V",
        PRACTICE,
    )
    sheet.add(
        "Note: drop of least crossover distortion",
        "26 mV x Re / (Re + re + rb/hFE)",
        f"Re {unit.emitter_resistor_ohm:g} ohm, re + rb/hFE taken as 0.05 ohm; "
        f"the target is {unit.target_bias_drop_mv:g} mV",
        best_v,
        "V",
        "B. M. Oliver, Hewlett-Packard Journal, February 1971, as summarised by others",
    )
    window_s = SLOW_WINDOW_MS / 1000.0
    if setting.hands_off:
        rate_v_per_s = (0.3 * target_v + 0.001) / window_s
        rate_why = "climbs by a third of its target within 10 s while nobody touches anything"
    else:
        # The board takes the slope from the window's ends: a pot turned from minimum
        # to the limit at once is that step over the window.
        rate_v_per_s = 1.2 * limit_v / window_s
        rate_why = "rises faster than a hand on the pot or the test signal makes it"
    # One conversion holds at least 0.77 of the tone's mean drop, and that proves it is there.
    expected_low = 0.7 * tone_v - 0.002
    for channel in ("bias_left_v", "bias_right_v"):
        sheet.expected[channel] = Expected(expected_low, target_v + tone_v, 0.95 * limit_v)
        sheet.limits.append(Limit(channel, "value", NAN, limit_v, 300, 0, "bias-unstable", why))
        sheet.limits.append(
            Limit(channel, "rate", NAN, rate_v_per_s, RATE_FOR_MS, SLOW_WINDOW_MS, "thermal-runaway", rate_why)
        )
        if not drive_on:
            reverse_v = -max(0.003, 0.25 * target_v)
            sheet.limits.append(
                Limit(channel, "value", reverse_v, NAN, 1000, 0, "sensor-fault", "drop reads negative: leads reversed")
            )


def hf_limits(setting: Setting, sheet: Sheet) -> None:
    limit_v = max(1.0, 0.02 * setting.unit.rail_nominal_v) * (2.0 if setting.drive_on else 1.0)
    why = "above 100 kHz a healthy set shows millivolts; 2.2 V peak puts 0.25 W into a 10 ohm output network"
    sheet.add(
        "HF level limit",
        "1 V or 2 % of the rail, twice that with the test signal",
        f"rail {setting.unit.rail_nominal_v:g} V",
        limit_v,
        "V",
        PRACTICE,
    )
    for channel in ("hf_left_v", "hf_right_v"):
        sheet.expected[channel] = Expected(-0.05, 0.02, 0.8 * limit_v)
        sheet.limits.append(Limit(channel, "value", NAN, limit_v, 500, 0, "oscillation", why))
