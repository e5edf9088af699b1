"""How hot may heatsinks and the room get at a setting, and how fast?"""

from __future__ import annotations

from benchwarden.analysis import dissipation, thermal_chain
from benchwarden.analysis.draw import drive_share
from benchwarden.analysis.output_limits import bias_limit_v
from benchwarden.analysis.stage_sheet import NAN, PRACTICE, SLOW_WINDOW_MS, Setting, Sheet
from benchwarden.core.channels import INDEX
from benchwarden.core.plan import Expected, Limit
from wardenfw import wire


def device_heat_w(setting: Setting) -> float:
    """Return the heat of one output device at this setting, bias at its limit, mains +10 %, watts."""
    unit = setting.unit
    rail_v = unit.rail_nominal_v * setting.high_pct / 100.0
    pair_a = bias_limit_v(unit) / unit.emitter_resistor_ohm
    heat_w = rail_v * pair_a
    if setting.drive_on:
        peak_v = dissipation.peak_v_at(unit.rated_power_w * drive_share(unit), unit.load_ohm)
        channel_w = max(dissipation.dissipation_w(rail_v, min(peak_v, rail_v), unit.load_ohm), 0.0)
        heat_w = rail_v * unit.target_bias_drop_mv / 1000.0 / unit.emitter_resistor_ohm
        heat_w += channel_w / (2 * unit.output_pairs)
    return heat_w


def temperature_limits(setting: Setting, sheet: Sheet) -> None:
    unit = setting.unit
    package = thermal_chain.package_of(unit)
    device_w = device_heat_w(setting)
    chain_c = thermal_chain.sink_limit_c(package, device_w)
    limit_c = min(max(chain_c, 45.0), wire.CEILINGS[INDEX["sink_left_c"]])
    sheet.add(
        "Heatsink limit",
        f"Tj max - 25 K - P device x (Rth jc + Rth cs), at most {package.sink_cap_c:g} C for {unit.package} devices",
        f"{package.tj_max_c:g} - 25 - {device_w:.1f} W x ({package.rth_jc_k_per_w:.2f} + {package.rth_cs_k_per_w:.2f})"
        + ("" if chain_c >= 45.0 else "; NOT ENOUGH DEVICE for this stage: the limit is as low as a warm room allows"),
        limit_c,
        "C",
        package.source,
    )
    sink_k_per_w = thermal_chain.sink_k_per_w(unit)
    channel_w = 2 * unit.output_pairs * device_w
    rise_k = channel_w * sink_k_per_w
    sheet.add(
        "Heatsink above the room if the stage lasts",
        "P channel x Rth sink",
        f"{channel_w:.1f} W x {sink_k_per_w:.2f} K/W",
        rise_k,
        "K",
        "unit facts" if unit.sink_k_per_w is not None else "sink estimated for 55 K at 1/3 power, " + PRACTICE,
    )
    if 30.0 + rise_k > limit_c:
        sheet.add(
            "Heatsink against its limit in a 30 C room",
            "30 C + rise <= limit",
            f"{30.0 + rise_k:.0f} C against {limit_c:.0f} C: expect the limit to end a long stage; give it air",
            30.0 + rise_k,
            "C",
            "computed",
        )
    # A sink of this size takes at least five minutes to follow its heat.
    rate_k_per_s = max(0.5, 3.0 * rise_k / 300.0)
    why = "hotter than the output devices stand at this stage's heat"
    for channel in ("sink_left_c", "sink_right_c"):
        sheet.expected[channel] = Expected(0.0, 25.0 + 0.5 * rise_k, 0.97 * limit_c)
        sheet.limits.append(Limit(channel, "value", NAN, limit_c, 500, 0, "over-temperature", why))
        sheet.limits.append(
            Limit(
                *(channel, "rate", NAN, rate_k_per_s, 1000, SLOW_WINDOW_MS, "over-temperature"),
                "sink warms faster than its mass allows at three times the stage's heat",
            )
        )
        sheet.limits.append(
            Limit(
                *(channel, "spread", -8.0, 8.0, 300, SLOW_WINDOW_MS, "sensor-fault"),
                "a heatsink cannot jump by 8 K within seconds: sensor loose or shorted",
            )
        )
    sheet.expected["ambient_c"] = Expected(0.0, 23.0, 45.0)
    sheet.limits.append(
        Limit(
            *("ambient_c", "value", NAN, 50.0, 5000, 0, "over-temperature"),
            "no bench room is this hot: fire, or the sensor lies on something",
        )
    )
