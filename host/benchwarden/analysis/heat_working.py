"""How are heat, junctions and thermal stability shown: formula, the unit's numbers, result, source?"""

from __future__ import annotations

from benchwarden.analysis import dissipation, thermal_chain
from benchwarden.analysis.heat_cases import LOUDSPEAKER_PHASE_DEG, ROOM_C, HeatCase, device_idle_a, heat_cases
from benchwarden.analysis.stability import USUAL_COMPENSATION, stability
from benchwarden.analysis.stage_sheet import PRACTICE, Notes
from benchwarden.core.unit import Unit


def heat_working(unit: Unit, notes: Notes) -> None:
    """Add heat, heatsink and junction of every case, and what the figures do not cover."""
    rail_v, load, devices = unit.rail_nominal_v, unit.load_ohm, 2 * unit.output_pairs
    sink = thermal_chain.sink_k_per_w(unit)
    sink_source = "unit facts" if unit.sink_k_per_w is not None else "sink estimated for 55 K at 1/3 power, " + PRACTICE
    stage_a = unit.output_pairs * device_idle_a(unit)
    for case in heat_cases(unit):
        if case.peak_v == 0.0:
            formula, numbers = "2 Vcc Iq", f"2 x {rail_v:g} V x {stage_a:.3f} A"
            source = "Ohm's law on the unit's facts"
        else:
            formula = "2 Vcc Vp/(pi RL) - Vp^2/(2 RL), and what the idle current adds while the signal is small"
            numbers = (
                f"Vcc {rail_v:g} V, RL {load:g} ohm, Vp {case.peak_v:.2f} V: {case.class_b_w:.2f} W"
                f" + {case.channel_w - case.class_b_w:.2f} W"
            )
            source = "Boylestad, Electronic Devices and Circuit Theory, class B; idle part: halves of constant product"
            if case.name.startswith("1/8"):
                source += "; share: 16 CFR 432.3, edition of 2006"
        if case.peak_v == dissipation.worst_peak_v(rail_v):
            formula += "; highest at Vp = 2 Vcc/pi"
        notes.add(f"Heat of one channel, {case.name}", formula, numbers, case.channel_w, "W", source)
        notes.add(
            f"Heat of one output device, {case.name}",
            "P channel / (2 x pairs)",
            f"{case.channel_w:.2f} W / {devices}",
            case.device_w,
            "W",
            "shared evenly",
        )
        notes.add(
            f"Heatsink settled in a {ROOM_C:g} C room, {case.name}",
            "room + P channel x Rth sink",
            f"{ROOM_C:g} C + {case.channel_w:.2f} W x {sink:.2f} K/W",
            case.sink_c,
            "C",
            sink_source,
        )
        _junction_working(unit, case, notes)
    reactive_w = dissipation.dissipation_w(rail_v, rail_v, load, LOUDSPEAKER_PHASE_DEG)
    notes.add(
        "NOT COVERED by these figures: reactive or lower loads; for comparison, one channel at full swing into "
        f"{load:g} ohm at {LOUDSPEAKER_PHASE_DEG:g} degrees",
        "2 Vcc Vp/(pi Z) - Vp^2 cos(phi)/(2 Z)",
        f"Vcc = Vp = {rail_v:g} V; resistive at worst {dissipation.worst_w(rail_v, load):.1f} W, twice that into "
        f"{load / 2.0:g} ohm; below some 100 Hz the junction also follows the signal",
        reactive_w,
        "W",
        "ideal class B; phase: " + PRACTICE,
    )


def _junction_working(unit: Unit, case: HeatCase, notes: Notes) -> None:
    package = thermal_chain.package_of(unit)
    own = package.rth_jc_k_per_w + package.rth_cs_k_per_w
    over = case.junction_c > package.tj_max_c
    notes.add(
        f"Junction at that heatsink, {case.name}",
        "T sink + P device x (Rth jc + Rth cs)",
        f"{case.sink_c:.1f} C + {case.device_w:.2f} W x "
        f"({package.rth_jc_k_per_w:.2f} + {package.rth_cs_k_per_w:.2f}) K/W; rating {package.tj_max_c:g} C"
        + (": ABOVE the rating" if over else ""),
        case.junction_c,
        "C",
        package.source,
    )
    notes.add(
        f"Safe heatsink, {case.name}",
        f"Tj max - {thermal_chain.JUNCTION_MARGIN_K:g} K - P device x (Rth jc + Rth cs), at most "
        f"{package.sink_cap_c:g} C; Rth jc = (Tj max - 25 C) / P max, the derating line",
        f"{package.tj_max_c:g} - {thermal_chain.JUNCTION_MARGIN_K:g} - {case.device_w:.2f} x {own:.2f}"
        + (": the heatsink gets hotter than that if it lasts" if case.sink_c > case.safe_sink_c else ""),
        case.safe_sink_c,
        "C",
        package.source,
    )


def stability_working(unit: Unit, notes: Notes) -> None:
    """Add the thermal loop as the facts foretell it, without and with compensation."""
    found = stability(unit)
    rail_v, idle_a = unit.rail_nominal_v, device_idle_a(unit)
    inner_ohm = thermal_chain.K_OVER_Q * thermal_chain.STABILITY_K / idle_a
    rth = found.own_k_per_w + found.shared_k_per_w
    notes.add(
        "Idle current of one device against its junction, bias voltage held",
        "2 mV/K / (Re + (kT/q)/Iq)",
        f"2 mV/K / ({unit.emitter_resistor_ohm:g} + {inner_ohm:.3f}) ohm, Iq {1000.0 * idle_a:.1f} mA, kT/q at "
        f"{thermal_chain.STABILITY_K:g} K",
        1000.0 * found.slope_a_per_k,
        "mA/K",
        "junction law; VBE falls 2 mV/K at constant current, textbook figure",
    )
    notes.add(
        "Critical thermal resistance, junction to ambient: stable by itself below it",
        "1 / (Vcc x dI/dT)",
        f"1 / ({rail_v:g} V x {1000.0 * found.slope_a_per_k:.2f} mA/K)",
        found.critical_k_per_w,
        "K/W",
        "stable if dP/dTj < 1/Rth, textbook relation",
    )
    notes.add(
        "Thermal resistance of one device, junction to ambient, all devices of the channel warming the sink",
        "Rth jc + Rth cs + 2 x pairs x Rth sink",
        f"{found.own_k_per_w:.2f} + 2 x {unit.output_pairs} x {thermal_chain.sink_k_per_w(unit):.2f} K/W",
        rth,
        "K/W",
        thermal_chain.package_of(unit).source,
    )
    notes.add(
        "Thermal loop gain of one device without bias compensation",
        "Vcc x dI/dT x Rth junction to ambient; stable below 1",
        f"{rail_v:g} V x {1000.0 * found.slope_a_per_k:.2f} mA/K x {rth:.2f} K/W; "
        + ("settles even without compensation" if found.gain < 1.0 else "depends on its bias sensor"),
        found.gain,
        "",
        "stable if dP/dTj < 1/Rth, textbook relation",
    )
    notes.add(
        "Of it, the part that a sensor on the sink cannot compensate",
        "Vcc x dI/dT x (Rth jc + Rth cs)",
        f"{rail_v:g} V x {1000.0 * found.slope_a_per_k:.2f} mA/K x {found.own_k_per_w:.2f} K/W"
        + (": NO SENSOR ON THE SINK CAN HOLD THIS STAGE" if found.own_gain >= 1.0 else ""),
        found.own_gain,
        "",
        "same relation",
    )
    if found.needed <= 0.0:
        needed = "nothing is needed"
    elif found.needed <= 1.0:
        needed = f"the sensor must take back {100.0 * found.needed:.0f} % of what the sink's warmth asks for"
    else:
        needed = "more than full compensation: the bias would have to fall when the sink warms"
    notes.add(
        "Compensation ratio from which the stage is stable",
        "1 - (Rth critical - Rth jc - Rth cs) / (2 x pairs x Rth sink)",
        f"1 - ({found.critical_k_per_w:.2f} - {found.own_k_per_w:.2f}) / {found.shared_k_per_w:.2f}; {needed}",
        found.needed,
        "",
        "same relation; ratio 1 is a sensor at the sink's temperature with 2 mV/K per junction",
    )
    low, high = found.usual_gain
    cool, eager = USUAL_COMPENSATION
    notes.add(
        "Thermal loop gain with a usual bias sensor, at most",
        "Vcc x dI/dT x (Rth jc + Rth cs + (1 - ratio) x 2 x pairs x Rth sink)",
        f"{low:.2f} to {high:.2f} for ratios {eager:g} to {cool:g}; an estimate from facts, not of this set"
        + ("" if high < 1.0 else ": watch the first warm-up"),
        high,
        "",
        "ratios: " + PRACTICE,
    )
    if found.own_gain < 1.0:
        notes.add(
            "The same as a warm-up's record shows it: through the heatsink, junctions closed inside",
            "(gain - own part) / (1 - own part); stable below 1",
            f"({high:.2f} - {found.own_gain:.2f}) / (1 - {found.own_gain:.2f}), at most",
            (high - found.own_gain) / (1.0 - found.own_gain),
            "",
            "same relation: sink K/W times W per sink kelvin",
        )
