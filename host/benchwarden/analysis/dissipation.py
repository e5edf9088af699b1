"""How much heat does an output stage make at idle, at a share of its power, and at worst?

Ideal class B on a resistive load, sine signal, rails that do not sag. Class AB
joins it to the idle current: the halves' currents keep their product.
"""

from __future__ import annotations

import math

from scipy.special import ellipe

# Share of rated power for preconditioning: 1 kHz sine, one hour, all channels.
# Source: 16 CFR 432.3, edition of 1 January 2006; before 20 February 2001 the
# share was one third (65 FR 81232). The wording after the 2024 amendment
# (89 FR 49797) was not read.
PRECONDITIONING_SHARE = 1.0 / 8.0
OLD_PRECONDITIONING_SHARE = 1.0 / 3.0


def peak_v_at(power_w: float, load_ohm: float) -> float:
    """Return the sine peak that puts power_w into load_ohm, volts."""
    return math.sqrt(2.0 * power_w * load_ohm)


def output_w(peak_v: float, load_ohm: float) -> float:
    """Return the power of a sine of peak_v in load_ohm, watts."""
    return peak_v**2 / (2.0 * load_ohm)


def rail_mean_a(peak_v: float, load_ohm: float) -> float:
    """Return the mean current one class-B channel takes from each rail, amperes.

    Source: mean of a half sine, peak over pi.
    """
    return peak_v / (math.pi * load_ohm)


def input_w(rail_v: float, peak_v: float, load_ohm: float) -> float:
    """Return the power one class-B channel takes from both rails, watts.

    Source: 2 Vcc Vpeak / (pi RL); Boylestad, Electronic Devices and Circuit
    Theory, class-B amplifiers, examples 12.8 and 12.9.
    """
    return 2.0 * rail_v * rail_mean_a(peak_v, load_ohm)


def dissipation_w(rail_v: float, peak_v: float, load_ohm: float, phase_deg: float = 0.0) -> float:
    """Return the heat in one class-B channel's output devices together, watts.

    Args:
        load_ohm: resistance, or the magnitude of an impedance.
        phase_deg: of that impedance; only its real part takes power out of the channel.
    """
    out_w = output_w(peak_v, load_ohm) * math.cos(math.radians(phase_deg))
    return input_w(rail_v, peak_v, load_ohm) - out_w


def class_ab_rail_mean_a(peak_v: float, load_ohm: float, idle_a: float) -> float:
    """Return the mean current one class-AB channel takes from each rail, amperes.

    The idle current without signal, a class-B half sine for large signals.

    Source: halves whose currents keep the product idle_a^2 (translinear principle,
    from memory) carry i/2 + sqrt(i^2/4 + idle_a^2); its mean over a sine is a
    complete elliptic integral of the second kind.
    """
    half_a = peak_v / (2.0 * load_ohm)
    square = half_a**2 + idle_a**2
    if square == 0.0:
        return 0.0
    return 2.0 / math.pi * math.sqrt(square) * float(ellipe(half_a**2 / square))


def class_ab_w(rail_v: float, peak_v: float, load_ohm: float, idle_a: float) -> float:
    """Return the heat in one class-AB channel's output devices together, watts."""
    return 2.0 * rail_v * class_ab_rail_mean_a(peak_v, load_ohm, idle_a) - output_w(peak_v, load_ohm)


def worst_peak_v(rail_v: float) -> float:
    """Return the sine peak at which a class-B channel gets hottest, volts; see `worst_w`."""
    return 2.0 * rail_v / math.pi


def efficiency(rail_v: float, peak_v: float) -> float:
    """Return output over input power; pi/4 when the peak reaches the rail."""
    return math.pi / 4.0 * peak_v / rail_v


def worst_w(rail_v: float, load_ohm: float) -> float:
    """Return the most heat any sine level can make, watts.

    Source: 2 Vcc^2 / (pi^2 RL), at a peak of 2 Vcc / pi.
    """
    return 2.0 * rail_v**2 / (math.pi**2 * load_ohm)


def idle_w(rail_v: float, idle_a: float) -> float:
    """Return the heat of one channel at idle, both rails, watts."""
    return 2.0 * rail_v * idle_a
