"""What do the unit's facts say before any stage: supply, lamp, heat, thermal stability?"""

from __future__ import annotations

from benchwarden.analysis.doubts import doubts
from benchwarden.analysis.heat_working import heat_working, stability_working
from benchwarden.analysis.operating_point import output_idle_a, supply_of
from benchwarden.analysis.stage_sheet import Notes
from benchwarden.core.unit import Unit


def unit_working(unit: Unit) -> Notes:
    """Return the working that belongs to the unit and not to one stage."""
    notes = Notes()
    _doubts_working(unit, notes)
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
    heat_working(unit, notes)
    stability_working(unit, notes)
    return notes


def _doubts_working(unit: Unit, notes: Notes) -> None:
    for doubt in doubts(unit):
        value = float(getattr(unit, doubt.key))
        notes.add(f"CHECK {doubt.key}", "facts against each other", doubt.words, value, "", "unit facts")
