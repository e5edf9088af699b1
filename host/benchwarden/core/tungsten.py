"""How much a tungsten filament resists at a given temperature.

Source: Forsythe and Worthing, Astrophys. J. 61 (1925) 146, resistivity of
tungsten from 300 K to 3600 K, as reprinted in handbooks. Length and section of
the wire grow by some percent over that span; the ratio of resistivities is used
as the ratio of resistances, which is how the table is usually read.
"""

from __future__ import annotations

FIRST_K = 300.0
STEP_K = 100.0
# Microohm centimetres at 300 K, 400 K ... 3600 K.
RESISTIVITY_UOHM_CM: tuple[float, ...] = (
    5.65, 8.06, 10.56, 13.23, 16.09, 19.0, 21.94, 24.93, 27.94, 30.98, 34.08,
    37.19, 40.36, 43.55, 46.78, 50.05, 53.35, 56.67, 60.06, 63.48, 66.91, 70.39,
    73.91, 77.49, 81.04, 84.7, 88.33, 92.04, 95.76, 99.54, 103.3, 107.2, 111.1, 115.0,
)  # fmt: skip
_LAST = len(RESISTIVITY_UOHM_CM) - 2
LAST_K = FIRST_K + STEP_K * (_LAST + 1)


def resistivity_uohm_cm(t_k: float) -> float:
    """Return the resistivity at t_k kelvin, microohm centimetres, linear between entries.

    Outside 300 K to 3600 K the end segment is continued; a cold shed at 260 K
    is the only honest use of that.
    """
    at = (t_k - FIRST_K) / STEP_K
    i = int(at)
    if i < 0 or at < 0.0:
        i = 0
    elif i > _LAST:
        i = _LAST
    low = RESISTIVITY_UOHM_CM[i]
    return low + (RESISTIVITY_UOHM_CM[i + 1] - low) * (at - i)


def resistance_ratio(t_k: float, cold_k: float = FIRST_K) -> float:
    """Return the resistance at t_k over the resistance at cold_k."""
    return resistivity_uohm_cm(t_k) / resistivity_uohm_cm(cold_k)


def temperature_k(resistivity: float) -> float:
    """Return the temperature at which tungsten has this resistivity, kelvin (inverse of the table).

    Args:
        resistivity: microohm centimetres.
    """
    i = 0
    while i < _LAST and RESISTIVITY_UOHM_CM[i + 1] < resistivity:
        i += 1
    low, high = RESISTIVITY_UOHM_CM[i], RESISTIVITY_UOHM_CM[i + 1]
    return FIRST_K + STEP_K * (i + (resistivity - low) / (high - low))
