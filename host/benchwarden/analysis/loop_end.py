"""Where does a fitted loop come to rest, how soon, and what to set now for it to rest at the target?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchwarden.analysis.forecast import Forecast, drop_to_set_v
from benchwarden.analysis.situation import Facts
from benchwarden.analysis.thermal_loop import LoopFit

# Weight of the choices without an equilibrium from which on no end is told.
NO_END = 0.2
# A loop this near one has a time constant without bound.
_MOST_GAIN = 0.97
# No sink is one lump with one time constant: deviation of its logarithm.
_NO_LUMP = 0.15
# Beyond a factor of twenty an interval says nothing.
_MOST_LOG = 3.0


@dataclass(frozen=True)
class LoopEnd:
    """The end of one channel's way, NaN where there is none to tell.

    Attributes:
        final_v, final_95_v: bias drop at the end, and its 95 % interval.
        tau_s, tau_95_s: time constant of the closed loop.
        set_now_v: drop to set now so that it settles at the target.
        loop_gain, loop_gain_95: at the operating point where it settles.
    """

    final_v: float
    final_95_v: tuple[float, float]
    tau_s: float
    tau_95_s: tuple[float, float]
    set_now_v: float
    loop_gain: float
    loop_gain_95: tuple[float, float]


def loop_end(fit: LoopFit, told: Forecast, facts: Facts, target_v: float) -> LoopEnd | None:
    """Return the end, None where the record leaves too much doubt that there is one.

    Args:
        target_v: where it should settle.
    """
    low, middle, high = told.final_v
    if told.runaway_p > NO_END or middle != middle:
        return None
    # A gain belongs to an operating point: the one that the channel settles at.
    times = fit.times_at(middle)
    gain_low, gain_high = fit.interval()
    left = 1.0 - min(fit.gain * times, _MOST_GAIN)
    # Near the end a sink that cools better the hotter it is comes to rest the sooner.
    logs = np.log(fit.sink.tau_s / (1.0 + fit.sink.excess))
    middle_log = float(fit.sink.weight @ logs)
    spread = math.sqrt(float(fit.sink.weight @ (logs - middle_log) ** 2))
    tau_s = math.exp(middle_log) / left
    spread = math.hypot(spread, times * fit.gain_sd / left, _NO_LUMP)
    factor = math.exp(min(1.96 * spread, _MOST_LOG))
    return LoopEnd(
        middle,
        (low, high),
        tau_s,
        (tau_s / factor, tau_s * factor),
        drop_to_set_v(fit, facts, target_v),
        times * fit.gain,
        (times * gain_low, times * gain_high),
    )
