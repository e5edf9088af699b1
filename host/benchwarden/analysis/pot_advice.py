"""Which bias drop, set now, will settle at the target?

A pot adds a constant voltage d to v(y) = y + (kT/q) ln y, the drop plus the junction law;
what heat has still to add comes on top and feeds back through the loop. At rest

    v(y_target) - v(y_final) = d + s (T(y_target) - T(y_final)),

s being what a kelvin adds. With a sink sensor the fitted loop knows all that (`loop_end`).
Without one, s dT/dy = g v'(y_final) with a usual thermal loop gain g. At the moment of
turning no temperature moves: v(y_set) = v(y_now) + d. Error: kT/q is taken as that of
325 K, and a gain wrong by dg moves the result by dg / (1 - g) of the correction, so a
second turn, later, corrects what the first left.

Source: exponential junction law and lumped heat balance, textbook relations.
"""

from __future__ import annotations

import math

# kT/q at 325 K, a device that idles warm (k/q exact SI).
THERMAL_V = 8.617333262e-5 * 325.0
# Loop gain of a healthy stage where none is known (common practice, no source).
USUAL_GAIN = 0.3


def law_v(drop_v: float) -> float:
    """Return the drop and the junction law that goes with it, less a constant, volts; drop_v > 0."""
    return drop_v + THERMAL_V * math.log(drop_v)


def shift_to_target_v(final_v: float, target_v: float, loop_gain: float = USUAL_GAIN) -> float:
    """Return by how much a pot has to move v so that what would settle at final_v settles at target_v.

    NaN where final_v is not a drop that flows.
    """
    if not final_v > 0.0:
        return math.nan
    steep = 1.0 + THERMAL_V / final_v
    return law_v(target_v) - law_v(final_v) - loop_gain * steep * (target_v - final_v)


def set_now_v(now_v: float, shift_v: float) -> float:
    """Return the drop to set now for a pot to have moved v by shift_v, NaN where there is none."""
    if not (now_v > 0.0 and shift_v == shift_v):
        return math.nan
    return law_inverse_v(law_v(now_v) + shift_v)


def law_inverse_v(value_v: float) -> float:
    """Return the drop y with y + (kT/q) ln y = value_v, by Newton's method in ln y."""
    x = min(value_v / THERMAL_V, math.log(max(value_v, 1e-3) + 0.1))
    for _ in range(60):
        y = math.exp(x)
        step = (y + THERMAL_V * x - value_v) / (y + THERMAL_V)
        x -= step
        if abs(step) < 1e-12:
            break
    return math.exp(x)
