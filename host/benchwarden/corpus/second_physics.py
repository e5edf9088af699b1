"""The laws of the second model: junction, heatsink in free air, class-AB current, one at a time.

Written from textbooks and independent of the virtual bench, because the second model
stands for recordings that somebody else made.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.signal import lfilter
from scipy.special import ellipe

from benchwarden.core.samples import FloatArray

# Exact in the SI of 2019: k / e, and the radiation constant that follows from h, c and k.
K_OVER_Q = 1.380649e-23 / 1.602176634e-19
STEFAN_BOLTZMANN = 5.670374419e-8
ZERO_C_K = 273.15
ROOM_K = 298.15
_Like = FloatArray | float


def thermal_voltage_v(t_c: _Like) -> Any:
    """Return kT/q at t_c, volts."""
    return K_OVER_Q * (np.asarray(t_c) + ZERO_C_K)


def one_ampere_vbe_v(t_c: _Like, room_v: _Like, gap_v: _Like, eta: _Like) -> Any:
    """Return the base-emitter voltage that a device needs for one ampere, volts.

    Source: Vbe(T) = Vg0 (1 - T/Tr) + Vbe(Tr) T/Tr - eta kT/q ln(T/Tr), as bandgap
    references are computed with (Brokaw 1974, Tsividis 1980; from memory). For another
    current add kT/q ln(I / 1 A).

    Args:
        t_c: junction, Celsius.
        room_v: the same voltage at 25 C.
        gap_v: extrapolated bandgap voltage.
        eta: exponent of the saturation current's temperature law.
    """
    t_k = np.asarray(t_c) + ZERO_C_K
    ratio = t_k / ROOM_K
    return gap_v * (1.0 - ratio) + room_v * ratio - eta * K_OVER_Q * t_k * np.log(ratio)


def given_off_w(rise_k: _Like, ambient_c: _Like, conv_w: _Like, power: _Like, rad_m2: _Like) -> Any:
    """Return the heat that a sink gives to the room, watts.

    Source: free convection h ~ rise^(1/4) of a laminar plate (textbook relation), and the
    law of Stefan and Boltzmann.

    Args:
        rise_k: sink above the room; negative is heat taken in.
        conv_w: watts at one kelvin.
        power: 0.25 for free air, 0 for a constant resistance of 1 / conv_w.
        rad_m2: area times emissivity.
    """
    rise = np.asarray(rise_k)
    room_k = np.asarray(ambient_c) + ZERO_C_K
    away = rad_m2 * STEFAN_BOLTZMANN * ((room_k + rise) ** 4 - room_k**4)
    return conv_w * rise * np.abs(rise) ** power + away


def rise_for_w(heat_w: FloatArray, ambient_c: _Like, conv_w: _Like, power: _Like, rad_m2: _Like) -> FloatArray:
    """Return the steady rise at which a sink gives off heat_w, kelvin; Newton from above."""
    heat = np.maximum(np.asarray(heat_w, dtype=np.float64), 1e-9)
    rise: FloatArray = np.maximum(heat / np.maximum(conv_w, 1e-9), 1e-3)
    rise = np.minimum(rise, 1e4)
    for _ in range(60):
        error = given_off_w(rise, ambient_c, conv_w, power, rad_m2) - heat
        step = 1e-4 * rise
        slope = (given_off_w(rise + step, ambient_c, conv_w, power, rad_m2) - heat - error) / step
        before = rise
        rise = np.maximum(rise - error / slope, 1e-4 * rise)
        if (np.abs(rise - before) <= 1e-12 * rise).all():
            break
    return rise


def mean_side_a(idle_a: FloatArray, peak_a: _Like) -> FloatArray:
    """Return the mean current of one side of a pair that delivers a sine of this peak.

    Source: i+ - i- = i(t) and i+ i- = Iq^2, the law of two exponential junctions; its mean
    over a cycle is (2/pi) sqrt(Iq^2 + Ip^2/4) E(m), m = (Ip^2/4) / (Iq^2 + Ip^2/4), with E
    the complete elliptic integral of the second kind. Iq at rest, Ip / pi in class B.
    """
    quarter = 0.25 * np.asarray(peak_a, dtype=np.float64) ** 2
    whole = np.asarray(idle_a, dtype=np.float64) ** 2 + quarter
    share = np.divide(quarter, whole, out=np.zeros(np.broadcast(quarter, whole).shape), where=whole > 0.0)
    mean: FloatArray = 2.0 / np.pi * np.sqrt(whole) * ellipe(share)
    return mean


def stage_heat_w(rail_v: _Like, side_a: FloatArray, peak_v: _Like, load_ohm: _Like) -> Any:
    """Return what one channel turns into heat, both rails, its load's share taken off, watts."""
    return 2.0 * rail_v * side_a - 0.5 * np.asarray(peak_v) ** 2 / load_ohm


def pink(rng: np.random.Generator, count: int, step_s: float, slowest_s: float = 2000.0) -> FloatArray:
    """Return noise of unit variance whose power falls as 1/f, shape (count,).

    A sum of first-order processes spaced by four in time constant, equal in variance.
    """
    total: FloatArray = np.zeros(count)
    octaves = 0
    tau_s = 3.0 * step_s
    while tau_s < slowest_s:
        total += wander(rng, count, step_s, tau_s)
        tau_s *= 4.0
        octaves += 1
    unit: FloatArray = total / np.sqrt(octaves)
    return unit


def wander(rng: np.random.Generator, count: int, step_s: float, tau_s: float) -> FloatArray:
    """Return a first-order random wander of unit variance and time constant tau_s, shape (count,)."""
    keep = float(np.exp(-step_s / tau_s))
    kicks = rng.standard_normal(count) * np.sqrt(1.0 - keep * keep)
    out: FloatArray = lfilter([1.0], [1.0, -keep], kicks, zi=[keep * rng.standard_normal()])[0]
    return out
