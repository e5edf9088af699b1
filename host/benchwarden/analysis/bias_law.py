"""Which voltage does a bias drop ask for? The transistor law that makes warmth add up in a straight line.

One device of an idling pair carries I through its junction and its emitter
resistor, so half of what the bias circuit gives is (kT/q) ln(I / Is) + I Re.
The drop b = I Re is what is measured; (kT/q) ln b + b is then the voltage asked
for, less a constant, and what a warmer junction, a warmer spreader or a higher
rail add to it adds up in volts, however far the current itself has run.
"""

from __future__ import annotations

import math

import numpy as np

from benchwarden.analysis.thermal_chain import thermal_voltage_v
from benchwarden.core.samples import FloatArray

# Below this a drop is a reading error and not a current.
LEAST_DROP_V = 2e-5
_FAR_V = 1e3
# re + rb/hFE of a power transistor at idle current: some hundredths of an ohm; the worked
# example after Oliver 1971 takes 0.05, a textbook stage none.
INNER_OHM, INNER_SD_OHM = 0.03, 0.03


def stretch(emitter_ohm: float) -> float:
    """Return the whole resistance in series with the junction over the measured resistor."""
    return 1.0 + INNER_OHM / emitter_ohm


def asked_v(drop_v: FloatArray, junction_c: float, stretched: float) -> FloatArray:
    """Return s b + (kT/q) ln(b / 1 V) for drops b, any shape, volts; s as `stretch` gives it."""
    asked: FloatArray = stretched * drop_v + thermal_voltage_v(junction_c) * np.log(np.maximum(drop_v, LEAST_DROP_V))
    return asked


def slope_v_per_v(drop_v: float, junction_c: float, stretched: float) -> float:
    """Return by how many volts the drop rises for each volt the bias circuit gives more."""
    return 1.0 / (stretched + thermal_voltage_v(junction_c) / max(drop_v, LEAST_DROP_V))


def drop_for(asked: FloatArray, heat_v_per_v: float, junction_c: float, start_v: FloatArray) -> FloatArray:
    """Return the drops at which b (1 - h) + (kT/q) ln b is `asked`, same shape, volts.

    Args:
        asked: volts.
        heat_v_per_v: h, what each volt of drop adds through the junction's own warmth, less
            the device's ohmic part (`stretch` - 1).
        start_v: where to start looking; the branch below the law's summit is the one that is stable.

    Returns:
        The drop; infinite where there is none, for then the junction outruns its own resistor.
    """
    vt = thermal_voltage_v(junction_c)
    # Where h exceeds one the law has a summit, and nothing beyond it holds still.
    summit = vt / (heat_v_per_v - 1.0) if heat_v_per_v > 1.0 + 1e-6 else _FAR_V
    straight = 1.0 - heat_v_per_v
    top = math.log(summit)
    y = np.minimum(np.log(np.maximum(start_v, LEAST_DROP_V)), top)
    for _ in range(6):
        drop = straight * np.exp(y)
        change = (drop + vt * y - asked) / np.maximum(drop + vt, 0.02 * vt)
        y = np.minimum(y - np.minimum(np.maximum(change, -1.0), 1.0), top)
        if float(np.abs(change).max()) < 1e-7:
            break
    return np.where(asked > straight * summit + vt * top, np.inf, np.exp(np.maximum(y, -20.0)))
