"""The series lamp: a tungsten filament that heats, radiates and so changes its resistance.

Not modelled: the filament's temperature ripple at twice the mains frequency
(the mean power over a half cycle heats it), the lead wires, ageing.
"""

from __future__ import annotations

import math

from benchwarden.core.tungsten import resistivity_uohm_cm

# Colour temperature of a general-service gas-filled lamp at rated voltage;
# common practice, no source. Resistance hot over cold is then 14.99.
HOT_K = 2800.0
# Share of the rated power that the gas carries off by conduction and
# convection rather than radiation; from memory, handbooks give 5 to 15 %.
GAS_SHARE = 0.1
_STEFAN_BOLTZMANN = 5.670374419e-8  # W/m2K4, exact SI
_EMISSIVITY_HOT = 0.33  # total emissivity of tungsten near 2800 K, from memory
_DENSITY = 19250.0  # kg/m3
_SPECIFIC_HEAT = 170.0  # J/kgK, tungsten between 300 K and 2800 K, mean; from memory


def filament_heat_capacity(rated_w: float, rated_v: float) -> float:
    """Return the filament's heat capacity, joules per kelvin, from its rating alone.

    The wire must radiate the rated power from its surface and have the rated
    resistance; the two together fix its length and diameter, hence its mass.
    """
    surface = rated_w * (1.0 - GAS_SHARE) / (_EMISSIVITY_HOT * _STEFAN_BOLTZMANN * HOT_K**4)
    length_over_section = (rated_v**2 / rated_w) / (resistivity_uohm_cm(HOT_K) * 1e-8)
    # surface = pi d l and l = length_over_section pi d2 / 4
    d = math.cbrt(4.0 * surface / (math.pi**2 * length_over_section))
    section = math.pi * d * d / 4.0
    return _DENSITY * _SPECIFIC_HEAT * section * length_over_section * section


class Lamp:
    """One lamp: `r_ohm` at its present temperature `t_k`, advanced by the power put into it."""

    __slots__ = ("_gas", "_heat", "_ohm_per_uohm_cm", "_rad", "_room4", "_room_k", "r_ohm", "t_k")

    def __init__(self, rated_w: float, rated_v: float, ambient_c: float = 25.0) -> None:
        self._room_k = ambient_c + 273.15
        self._room4 = self._room_k**4
        self._heat = filament_heat_capacity(rated_w, rated_v)
        self._rad = rated_w * (1.0 - GAS_SHARE) / (HOT_K**4 - self._room4)
        self._gas = rated_w * GAS_SHARE / (HOT_K - self._room_k)
        self._ohm_per_uohm_cm = rated_v**2 / rated_w / resistivity_uohm_cm(HOT_K)
        self.t_k = self._room_k
        self.r_ohm = self._ohm_per_uohm_cm * resistivity_uohm_cm(self.t_k)

    @property
    def heat_capacity_j_per_k(self) -> float:
        return self._heat

    def loss_w(self, t_k: float) -> float:
        """Return what the filament gives off at t_k, watts."""
        return self._rad * (t_k**4 - self._room4) + self._gas * (t_k - self._room_k)

    def resistance_at(self, t_k: float) -> float:
        """Return the resistance at t_k, ohms."""
        return self._ohm_per_uohm_cm * resistivity_uohm_cm(t_k)

    def step(self, dt_s: float, power_w: float) -> None:
        """Advance by dt_s with power_w going in; linearly implicit in the loss, so any dt is stable."""
        t = self.t_k
        t3 = t * t * t
        gain = power_w - self._rad * (t3 * t - self._room4) - self._gas * (t - self._room_k)
        t += dt_s * gain / (self._heat + dt_s * (4.0 * self._rad * t3 + self._gas))
        # The table ends at 3600 K and tungsten melts at 3695 K; a lamp on its
        # rated voltage never comes near.
        self.t_k = t = min(max(t, self._room_k), 3600.0)
        self.r_ohm = self._ohm_per_uohm_cm * resistivity_uohm_cm(t)
