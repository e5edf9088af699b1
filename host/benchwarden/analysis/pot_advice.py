"""Which bias drop, set now, will settle at the target?

A pot adds a constant voltage d to v(y) = y + (kT/q) ln y, the drop plus the junction law;
what heat has still to add comes on top and feeds back through the loop. At rest

    v(y_target) - v(y_final) = d + s (T(y_target) - T(y_final)),

and s dT/dy = g v'(y_final) is the thermal loop gain g. At the moment of turning no
temperature moves, so v(y_set) = v(y_now) + d. Error: T(y) is taken as a straight line
between the two ends, kT/q as that of 325 K; a gain wrong by dg moves the result by
dg / (1 - g) of the correction, so a second turn, later, corrects what the first left.

Source: exponential junction law and lumped heat balance, textbook relations.
"""

from __future__ import annotations

import math

from benchwarden.analysis.equilibrium import THERMAL_V, law_v

# Loop gain of a healthy stage where none is known (common practice, no source).
USUAL_GAIN = 0.3


def set_now_v(now_v: float, final_v: float, target_v: float, loop_gain: float = math.nan) -> float:
    """Return the drop to set now so that it settles at target_v, NaN where there is none.

    Args:
        now_v: drop now.
        final_v: where it will settle if nobody turns anything.
        target_v: where it should settle.
        loop_gain: thermal loop gain at final_v; a usual one if NaN.
    """
    if not (now_v > 0.0 and final_v > 0.0):
        return math.nan
    gain = USUAL_GAIN if loop_gain != loop_gain else min(loop_gain, 0.95)
    steep = 1.0 + THERMAL_V / final_v
    wanted = law_v(now_v) + law_v(target_v) - law_v(final_v) - gain * steep * (target_v - final_v)
    return law_inverse_v(wanted)


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
