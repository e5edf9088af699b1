"""How does a bias drop change with time and with its heatsink, over any part of a record?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from benchwarden.analysis.slow_fit import MOST_POINTS, Coefficient, merged, regress
from benchwarden.core.samples import BoolArray, FloatArray

# A sink that moved less gives no temperature coefficient.
TEMPCO_LEAST_K = 2.0
_TEMPCO_LEAST_POINTS = 10
_DRIFT_LEAST_POINTS = 10
# A step of this share of the target, or of this many millivolts, is a hand on the pot.
_STEP_SHARE, _STEP_MV = 0.08, 0.3
# Points that have to follow the last step for it to be left behind.
_LEAST_AFTER = 12
# Around mains, lamp and signal changes the drop is on its way.
_MOVING_S = 10.0


@dataclass(frozen=True)
class Tempco:
    """Bias against heatsink.

    Attributes:
        per_k: millivolts per kelvin of sink.
        per_rail_v: millivolts per volt of rail, told apart from temperature; None where the rail stood still.
    """

    per_k: Coefficient
    per_rail_v: Coefficient | None


@dataclass(frozen=True)
class WindowFit:
    """What a part of a record says of one channel.

    Attributes:
        points: idle points in it.
        drift: millivolts per hour, None where there is too little to say.
        tempco: None where the sink moved by less than TEMPCO_LEAST_K or was not read.
        line: (sink, drop) at both ends of the sink's span, at the mean rail: degrees Celsius, millivolts.
    """

    points: int
    drift: Coefficient | None
    tempco: Tempco | None
    line: tuple[tuple[float, float], tuple[float, float]] | None


def start_after_steps(bias_mv: FloatArray, target_mv: float) -> int:
    """Return the index after the last step: turning a pot is no settling. 0 where too little follows it."""
    steps = np.abs(np.diff(bias_mv)) > max(_STEP_SHARE * target_mv, _STEP_MV)
    start = int(np.flatnonzero(steps)[-1]) + 1 if steps.any() else 0
    return start if len(bias_mv) - start >= _LEAST_AFTER else 0


def drift_mv_per_h(t_s: FloatArray, bias_mv: FloatArray) -> Coefficient | None:
    """Return the slope over time with its 95 % interval, None where there are too few points.

    Args:
        t_s: increasing, shape (n,). bias_mv: shape (n,), no gaps.
    """
    if len(t_s) < _DRIFT_LEAST_POINTS:
        return None
    hours, values = merged(MOST_POINTS, t_s / 3600.0, bias_mv)
    fit = regress(hours, hours[:, None], values)
    return None if fit is None else fit[0]


def tempco_of(t_s: FloatArray, bias_mv: FloatArray, sink_c: FloatArray, rail_v: FloatArray) -> Tempco | None:
    """Return bias against sink and rail together, so that what follows the mains is not called temperature.

    Args:
        t_s: increasing, shape (n,). bias_mv: no gaps. sink_c, rail_v: NaN where not read.
    """
    there = ~np.isnan(sink_c)
    if there.sum() < _TEMPCO_LEAST_POINTS or float(np.ptp(sink_c[there])) < TEMPCO_LEAST_K:
        return None
    apart = not np.isnan(rail_v[there]).any() and float(np.ptp(rail_v[there])) > 0.0
    columns = np.column_stack([sink_c[there], rail_v[there]]) if apart else sink_c[there][:, None]
    at, values, *merged_columns = merged(MOST_POINTS, t_s[there], bias_mv[there], *columns.T)
    fit = regress(at, np.column_stack(merged_columns), values)
    if fit is None:
        return None
    return Tempco(fit[0], fit[1] if apart else None)


def window_fit(
    t_s: FloatArray, bias_v: FloatArray, sink_c: FloatArray, rail_v: FloatArray, idle: BoolArray, target_mv: float
) -> WindowFit:
    """Return drift and tempco of the idle points of a window, from the last turn of a pot on.

    Args:
        t_s: increasing, shape (n,), seconds. bias_v, sink_c, rail_v: shape (n,), NaN where not read.
        idle: shape (n,), mains on in full, lamp out, no signal: elsewhere the drop is no bias.
    """
    good = calm(t_s, idle) & ~np.isnan(bias_v)
    t_s, bias_mv, sink_c, rail_v = t_s[good], 1e3 * bias_v[good], sink_c[good], rail_v[good]
    start = start_after_steps(bias_mv, target_mv)
    t_s, bias_mv, sink_c, rail_v = t_s[start:], bias_mv[start:], sink_c[start:], rail_v[start:]
    tempco = tempco_of(t_s, bias_mv, sink_c, rail_v)
    line = None
    if tempco is not None:
        there = ~np.isnan(sink_c)
        middle_c, middle_mv = float(sink_c[there].mean()), float(bias_mv[there].mean())
        low_c, high_c = float(sink_c[there].min()), float(sink_c[there].max())
        line = (
            (low_c, middle_mv + tempco.per_k.value * (low_c - middle_c)),
            (high_c, middle_mv + tempco.per_k.value * (high_c - middle_c)),
        )
    return WindowFit(len(t_s), drift_mv_per_h(t_s, bias_mv), tempco, line)


def calm(t_s: FloatArray, idle: BoolArray) -> BoolArray:
    """Return the idle points without those close to where it begins or ends."""
    if len(t_s) < 2:
        return idle
    edge = max(1, round(_MOVING_S / float(np.median(np.diff(t_s)))))
    found: BoolArray = ndimage.binary_erosion(idle, iterations=edge, border_value=1)
    return found
