"""What does the series lamp let through, cold, warming and hot?

The lamp is in series with the set's mains lead, after the variable transformer.
Its filament stores heat over many mains cycles once it glows, so within a cycle
it is a plain resistor; from cold to full glow that resistor grows fifteenfold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.optimize import brentq

from benchwarden.core.tungsten import resistance_ratio, resistivity_uohm_cm

# A general-service lamp burns near 2800 K, where the table gives a hot-to-cold
# resistance ratio of 15.
HOT_K = 2800.0
COLD_K = 300.0
MELTS_K = 3600.0
# Share of the rated power that leaves by conduction and convection through the
# filling gas; taken from the spread of general-service lamps, common practice.
GAS_SHARE = 0.07
# A filament as a wire: total emissivity near 2800 K, density, mean specific heat.
# Source: handbook figures of tungsten, from memory.
EMISSIVITY = 0.33
DENSITY_KG_PER_M3 = 19250.0
SPECIFIC_HEAT_J_PER_KG_K = 170.0
STEFAN_BOLTZMANN = 5.670374419e-8  # W/(m2 K4), exact in the SI
# Lamps are sold to about this share of their stated power; common practice, no source.
POWER_TOLERANCE = 0.1


@dataclass(frozen=True)
class Lamp:
    """A tungsten lamp: its rating, in watts at volts rms."""

    rated_w: float
    rated_v: float

    @property
    def hot_ohm(self) -> float:
        """Resistance at its rating, ohms."""
        return self.rated_v**2 / self.rated_w

    @property
    def cold_ohm(self) -> float:
        """Resistance at 300 K, ohms."""
        return self.resistance_ohm(COLD_K)

    def resistance_ohm(self, t_k: float) -> float:
        """Return the filament's resistance at t_k kelvin, ohms.

        Source: resistivity by Forsythe and Worthing, Astrophys. J. 61 (1925) 146.
        """
        return self.hot_ohm * resistance_ratio(t_k, HOT_K)

    def loss_w(self, t_k: float) -> float:
        """Return the power that holds the filament at t_k kelvin, watts.

        Source: P = S (T^4 - T0^4) + k (T - T0), radiation and conduction;
        M. Carla, American Journal of Physics 81 (2013) 512, who measured that
        commercial lamps follow it with one exponent near 4 and one near 1.
        """
        radiated = (t_k**4 - COLD_K**4) / (HOT_K**4 - COLD_K**4)
        conducted = (t_k - COLD_K) / (HOT_K - COLD_K)
        return self.rated_w * ((1.0 - GAS_SHARE) * radiated + GAS_SHARE * conducted)

    @property
    def heat_j_per_k(self) -> float:
        """Heat capacity of the filament, joules per kelvin.

        A wire of length l and diameter d that radiates the rated power from
        pi d l and resists rho l / (pi d^2 / 4) has only one l and d.
        """
        radiated_w = (1.0 - GAS_SHARE) * self.rated_w
        surface_m2 = radiated_w / (EMISSIVITY * STEFAN_BOLTZMANN * HOT_K**4)
        per_section = self.hot_ohm / (resistivity_uohm_cm(HOT_K) * 1e-8)
        diameter_m = math.cbrt(4.0 * surface_m2 / (math.pi**2 * per_section))
        volume_m3 = surface_m2 * diameter_m / 4.0
        return DENSITY_KG_PER_M3 * SPECIFIC_HEAT_J_PER_KG_K * volume_m3


def lamp_current_a(lamp: Lamp, volts: float) -> float:
    """Return the steady current with `volts` rms across the lamp, amperes rms."""
    return volts / lamp.resistance_ohm(lamp_temperature_k(lamp, volts))


def lamp_temperature_k(lamp: Lamp, volts: float) -> float:
    """Return the filament temperature with `volts` rms across the lamp, kelvin."""

    def surplus_w(t_k: float) -> float:
        return volts**2 / lamp.resistance_ohm(t_k) - lamp.loss_w(t_k)

    if surplus_w(COLD_K) <= 0.0:
        return COLD_K
    if surplus_w(MELTS_K) >= 0.0:
        return MELTS_K
    return float(brentq(surplus_w, COLD_K, MELTS_K, xtol=0.01))
