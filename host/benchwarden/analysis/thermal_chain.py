"""How hot may the sink get, how hot is the junction, and does the bias stage feed itself?"""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.analysis.dissipation import dissipation_w, peak_v_at
from benchwarden.core.unit import Unit

# Boltzmann constant over elementary charge, volts per kelvin; both exact in the SI.
K_OVER_Q = 1.380649e-23 / 1.602176634e-19
# Base-emitter voltage of silicon at constant current, volts per kelvin (falls).
# Source: textbook figure.
VBE_TEMPCO_V_PER_K = 0.002
STABILITY_K = 300.0
# Distance kept from the junction rating. Source: common practice, no source.
JUNCTION_MARGIN_K = 25.0
# Rise of a sink above the room that designers allow at one third of rated power.
# Source: common practice, no source.
SINK_RISE_K = 55.0


@dataclass(frozen=True)
class Package:
    """One output device on its insulator.

    Attributes:
        tj_max_c: junction rating.
        rth_jc_k_per_w: junction to case.
        rth_cs_k_per_w: case to sink.
        power_max_w: rating at 25 C case.
        sink_cap_c: hottest sink accepted whatever the chain allows.
        source: where the figures come from, in words.
    """

    tj_max_c: float
    rth_jc_k_per_w: float
    rth_cs_k_per_w: float
    power_max_w: float
    sink_cap_c: float
    source: str


# Usual values of large output devices: junction rating, power at 25 C case,
# insulator, hottest sink. Source: common practice, no source.
_USUAL = {
    "metal-can": (200.0, 150.0, 0.5, 100.0),
    "plastic": (150.0, 130.0, 0.7, 90.0),
}


def package_of(unit: Unit) -> Package:
    """Return the output devices' thermal figures: the unit's own, or the package's usual ones.

    The derating line and the junction-to-case resistance are the same fact,
    (tj_max - 25) / power_max; where both are given the worse one counts.
    """
    tj_max_c, power_max_w, rth_cs, cap_c = _USUAL[unit.package]
    given = []
    if unit.tj_max_c is not None:
        tj_max_c = unit.tj_max_c
        given.append("tj_max_c")
    if unit.rth_cs_k_per_w is not None:
        rth_cs = unit.rth_cs_k_per_w
        given.append("rth_cs_k_per_w")
    if unit.power_max_w is not None:
        power_max_w = unit.power_max_w
        given.append("power_max_w")
    rth_jc = rth_from_derating(power_max_w, tj_max_c)
    if unit.rth_jc_k_per_w is not None:
        given.append("rth_jc_k_per_w")
        rth_jc = unit.rth_jc_k_per_w if unit.power_max_w is None else max(rth_jc, unit.rth_jc_k_per_w)
        power_max_w = (tj_max_c - 25.0) / rth_jc
    source = f"unit facts ({', '.join(given)}), else " if given else ""
    source += f"usual values of {unit.package} output devices, common practice, no source"
    return Package(tj_max_c, rth_jc, rth_cs, power_max_w, cap_c, source)


def rth_from_derating(power_max_w: float, tj_max_c: float, case_c: float = 25.0) -> float:
    """Return the junction-to-case resistance a power rating stands for, kelvin per watt."""
    return (tj_max_c - case_c) / power_max_w


def derated_w(package: Package, case_c: float) -> float:
    """Return the power one device may dissipate at this case temperature, watts."""
    share = (package.tj_max_c - case_c) / (package.tj_max_c - 25.0)
    return package.power_max_w * min(max(share, 0.0), 1.0)


def junction_c(package: Package, sink_c: float, device_w: float) -> float:
    """Return the junction temperature of a device on a sink at sink_c, Celsius."""
    return sink_c + device_w * (package.rth_jc_k_per_w + package.rth_cs_k_per_w)


def sink_limit_c(package: Package, device_w: float) -> float:
    """Return the hottest sink at which a junction stays clear of its rating, Celsius."""
    chain_c = package.tj_max_c - JUNCTION_MARGIN_K - device_w * (package.rth_jc_k_per_w + package.rth_cs_k_per_w)
    return min(chain_c, package.sink_cap_c)


def sink_needed_k_per_w(
    tj_c: float, ambient_c: float, heat_w: float, rth_jc_k_per_w: float, rth_cs_k_per_w: float = 0.0
) -> float:
    """Return the sink-to-ambient resistance that keeps a junction at tj_c, kelvin per watt."""
    return (tj_c - ambient_c) / heat_w - rth_jc_k_per_w - rth_cs_k_per_w


def sink_k_per_w(unit: Unit) -> float:
    """Return one channel's sink to ambient: the unit's own, or an estimate.

    The estimate is the sink that rises SINK_RISE_K at one third of rated power.
    """
    if unit.sink_k_per_w is not None:
        return unit.sink_k_per_w
    peak_v = peak_v_at(unit.rated_power_w / 3.0, unit.load_ohm)
    heat_w = dissipation_w(unit.rail_nominal_v, peak_v, unit.load_ohm)
    return min(max(SINK_RISE_K / max(heat_w, 1.0), 0.3), 5.0)


def thermal_voltage_v(t_c: float) -> float:
    """Return kT/q at t_c, volts."""
    return K_OVER_Q * (t_c + 273.15)


def oliver_drop_v(emitter_ohm: float, inner_ohm: float = 0.0) -> float:
    """Return the emitter-resistor drop of least crossover distortion, volts.

    Source: Iq = 26 mV / (Re + re + rb/hFE); B. M. Oliver, Hewlett-Packard
    Journal, February 1971, as summarised by others.

    Args:
        inner_ohm: the device's own ohmic emitter and reflected base resistance.
    """
    return 0.026 * emitter_ohm / (emitter_ohm + inner_ohm)


def idle_slope_a_per_k(idle_a: float, emitter_ohm: float) -> float:
    """Return how fast a device's idle current rises with its junction, fixed bias voltage.

    Source: 2 mV/K over the emitter resistor and the device's (kT/q)/Iq in series.
    """
    inner_ohm = K_OVER_Q * STABILITY_K / idle_a
    return VBE_TEMPCO_V_PER_K / (emitter_ohm + inner_ohm)


def hot_idle_extra_a(unit: Unit, heat_w: float) -> float:
    """Return how far one device's idle current can lie above target after heat_w per channel.

    A stage of thermal loop gain g answers a sink that is warmer by dT with
    g dT / (Vcc Rth ja); g = 1 is the edge of stability, so what lies beyond is
    not the warmth left by the signal.
    """
    rise_k = heat_w * sink_k_per_w(unit)
    return rise_k / (unit.rail_nominal_v * device_rth_ja_k_per_w(unit))


def device_rth_ja_k_per_w(unit: Unit) -> float:
    """Return one device's junction to ambient with every device of the channel heating the sink alike."""
    package = package_of(unit)
    return package.rth_jc_k_per_w + package.rth_cs_k_per_w + 2 * unit.output_pairs * sink_k_per_w(unit)
