"""Does the output stage heat itself up by its own idle current, and what must its bias sensor do about it?

At a fixed bias voltage each kelvin of junction raises the idle current, and that
current's heat raises the junction. The bias sensor on the sink lowers the bias
voltage by a share of what the sink's warmth asks for; the rise from sink to junction
it never sees. All before power and from facts alone: an estimate.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.analysis import thermal_chain
from benchwarden.analysis.heat_cases import device_idle_a
from benchwarden.core.unit import Unit

# What a bias sensor takes back of each kelvin of its sink, share of 2 mV/K per junction:
# mounted cool, or a little too eager. Source: common practice, no source.
USUAL_COMPENSATION = (0.7, 1.05)


@dataclass(frozen=True)
class Stability:
    """The thermal loop of one output device, every device of its channel heating the sink alike.

    Attributes:
        slope_a_per_k: idle current over junction temperature at a fixed bias voltage.
        own_k_per_w: junction to sink.
        shared_k_per_w: what the channel's devices together add through the sink, per watt of each.
        critical_k_per_w: junction to ambient at which the loop gain is one.
        gain: without compensation.
        own_gain: the part that a sensor on the sink cannot compensate.
        needed: compensation ratio at which the gain is one; 0 or less means none is needed.
        usual_gain: lowest and highest with the usual compensation.
    """

    slope_a_per_k: float
    own_k_per_w: float
    shared_k_per_w: float
    critical_k_per_w: float
    gain: float
    own_gain: float
    needed: float
    usual_gain: tuple[float, float]


def compensated_gain(
    rail_v: float, slope_a_per_k: float, own_k_per_w: float, shared_k_per_w: float, ratio: float
) -> float:
    """Return the loop gain, settled, with a bias sensor on the sink.

    Args:
        ratio: of the bias voltage's fall with the sink to the junctions' own fall; 0 for no sensor.

    Source:
        dP/dTj Rth < 1, textbook relation; the sensor takes its ratio from the
        part of Rth that the sink makes.
    """
    return rail_v * slope_a_per_k * (own_k_per_w + (1.0 - ratio) * shared_k_per_w)


def stability(unit: Unit) -> Stability:
    """Return the thermal loop as the unit's facts foretell it."""
    package = thermal_chain.package_of(unit)
    rail_v = unit.rail_nominal_v
    slope = thermal_chain.idle_slope_a_per_k(device_idle_a(unit), unit.emitter_resistor_ohm)
    own = package.rth_jc_k_per_w + package.rth_cs_k_per_w
    shared = thermal_chain.device_rth_ja_k_per_w(unit) - own
    critical = 1.0 / (rail_v * slope)
    cool, eager = (compensated_gain(rail_v, slope, own, shared, ratio) for ratio in USUAL_COMPENSATION)
    return Stability(
        slope_a_per_k=slope,
        own_k_per_w=own,
        shared_k_per_w=shared,
        critical_k_per_w=critical,
        gain=compensated_gain(rail_v, slope, own, shared, 0.0),
        own_gain=compensated_gain(rail_v, slope, own, 0.0, 0.0),
        needed=1.0 - (critical - own) / shared,
        usual_gain=(eager, cool),
    )
