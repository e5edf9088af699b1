"""Which of the unit's facts cannot all be true, before anything is built on them?

A fact outside its range is refused when the facts are loaded. These are facts that
are possible each by itself and not together.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.analysis import dissipation, thermal_chain
from benchwarden.analysis.heat_cases import ROOM_C, device_idle_a, heat_cases
from benchwarden.analysis.operating_point import idle_va, output_idle_a
from benchwarden.core.unit import Unit

# A set whose rated sine uses less of its rails than this is rated strangely low.
# Source: common practice, no source.
LEAST_SWING_SHARE = 0.4
# Figures of one device that contradict each other by more than this.
DEVICE_FACTOR = 1.3


@dataclass(frozen=True)
class Doubt:
    """One fact that does not fit the others.

    Attributes:
        key: of the fact in unit.toml.
        words: what does not fit, with numbers.
    """

    key: str
    words: str


def doubts(unit: Unit) -> tuple[Doubt, ...]:
    """Return what in the unit's facts contradicts the rest, nothing for plausible facts."""
    return (*_power(unit), *_bias(unit), *_device(unit))


def _power(unit: Unit) -> list[Doubt]:
    peak_v = dissipation.peak_v_at(unit.rated_power_w, unit.load_ohm)
    needed_v = peak_v * (1.0 + unit.emitter_resistor_ohm / (unit.output_pairs * unit.load_ohm))
    words = (
        f"rated_power_w = {unit.rated_power_w:g} into load_ohm = {unit.load_ohm:g} takes {needed_v:.1f} V of peak, "
        f"rail_nominal_v = {unit.rail_nominal_v:g}"
    )
    if needed_v > unit.rail_nominal_v:
        return [Doubt("rated_power_w", f"{words}: the rails cannot give that")]
    if needed_v < LEAST_SWING_SHARE * unit.rail_nominal_v:
        return [Doubt("rated_power_w", f"{words}: rails this high belong to a larger amplifier")]
    return []


def _bias(unit: Unit) -> list[Doubt]:
    found = []
    package = thermal_chain.package_of(unit)
    idle = heat_cases(unit)[0]
    stage_a = unit.output_pairs * device_idle_a(unit)
    peak_a = dissipation.peak_v_at(unit.rated_power_w, unit.load_ohm) / unit.load_ohm
    target = (
        f"target_bias_drop_mv = {unit.target_bias_drop_mv:g} over emitter_resistor_ohm = {unit.emitter_resistor_ohm:g}"
    )
    if idle.junction_c > package.tj_max_c - thermal_chain.JUNCTION_MARGIN_K:
        words = (
            f"{target} is {idle.device_w:.0f} W in each device on rail_nominal_v = {unit.rail_nominal_v:g}: the idling "
            f"junction would settle at {idle.junction_c:.0f} C in a {ROOM_C:g} C room, its rating is "
            f"{package.tj_max_c:g} C"
        )
        found.append(Doubt("target_bias_drop_mv", words))
    elif stage_a > 0.5 * peak_a:
        words = (
            f"{target} idles at {stage_a:.2f} A a channel, more than half the {peak_a:.2f} A peak of the rated power: "
            "class A, for which neither heat nor limits are computed"
        )
        found.append(Doubt("target_bias_drop_mv", words))
    if unit.transformer_va is not None and unit.transformer_va < idle_va(unit):
        rails_w = 2.0 * unit.rail_nominal_v * (output_idle_a(unit) + unit.quiescent_other_a)
        words = f"transformer_va = {unit.transformer_va:g} with {rails_w:.0f} W at idle: too small to belong to it"
        found.append(Doubt("transformer_va", f"{words}; {idle_va(unit):.0f} VA is used"))
    return found


def _device(unit: Unit) -> list[Doubt]:
    if unit.rth_jc_k_per_w is None or unit.power_max_w is None:
        return []
    from_rating = thermal_chain.rth_from_derating(unit.power_max_w, thermal_chain.package_of(unit).tj_max_c)
    if 1.0 / DEVICE_FACTOR <= from_rating / unit.rth_jc_k_per_w <= DEVICE_FACTOR:
        return []
    words = (
        f"rth_jc_k_per_w = {unit.rth_jc_k_per_w:g}, but power_max_w = {unit.power_max_w:g} stands for "
        f"{from_rating:.2f} K/W: one line of the data sheet gives both; the worse is used"
    )
    return [Doubt("rth_jc_k_per_w", words)]
