"""What does the series lamp let through, cold, warming and hot?

The lamp is in series with the set's mains lead, after the variable transformer.
Its filament stores heat over many mains cycles once it glows, so within a cycle
it is a plain resistor; from cold to full glow that resistor grows fifteenfold.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.optimize import brentq

from benchwarden.core.tungsten import resistance_ratio

# A general-service lamp burns near 2800 K, where the table gives a hot-to-cold
# resistance ratio of 15.
HOT_K = 2800.0
COLD_K = 300.0
MELTS_K = 3600.0
# Share of the rated power that leaves by conduction and convection through the
# filling gas; taken from the spread of general-service lamps, common practice.
GAS_SHARE = 0.07
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
