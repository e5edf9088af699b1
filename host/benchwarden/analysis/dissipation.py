"""How much heat does an output stage make at idle, at a share of its power, and at worst?

Ideal class B on a resistive load, sine signal, rails that do not sag; idle power
is added on top, which overstates the heat of a driven class-AB stage slightly.
"""

from __future__ import annotations

import math

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


def dissipation_w(rail_v: float, peak_v: float, load_ohm: float) -> float:
    """Return the heat in one class-B channel's output devices together, watts."""
    return input_w(rail_v, peak_v, load_ohm) - output_w(peak_v, load_ohm)


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
