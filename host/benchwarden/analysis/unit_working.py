"""What do the unit's facts say before any stage: supply, lamp, heat, thermal stability?"""

from __future__ import annotations

from benchwarden.analysis import dissipation, thermal_chain
from benchwarden.analysis.operating_point import output_idle_a, supply_of
from benchwarden.analysis.stage_sheet import Notes
from benchwarden.core.unit import Unit


def unit_working(unit: Unit) -> Notes:
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
