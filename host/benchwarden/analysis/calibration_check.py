"""Whether what was seen while calibrating can be right; every refusal says why."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchwarden.analysis.calibration_fit import RESIDUALS_BELIEVED, Fit, Point, ReferenceError
from benchwarden.core.calibration import Expanded, u_gain_of_parts
from benchwarden.core.channels import CHANNEL, CHANNELS, INDEX
from benchwarden.core.samples import FloatArray
from wardenfw import wire

# The board refuses the same; here it is told while the meter is still connected.
LEAST_GAIN, MOST_GAIN = 0.8, 1.25
MOST_OFFSET_SHARE = 0.05
MOST_OFFSET_K = 5.0
# Beyond this share of its range a channel may be clipping. Estimate.
_CLIPS = 0.985
# A change of the setting counts as seen between these shares of what the reference says.
_SEEN = (0.5, 2.0)
# (absolute, share of the reading) that a setting may move or a reading scatter
# while it is taken. Source: several times what the channels resolve; estimates.
_STEADY = {
    "rail current": (0.004, 0.002),
    "rail voltage": (0.02, 0.001),
    "offset": (0.02, 0.002),
    "bias": (1e-4, 0.003),
    "temperature": (0.15, 0.0),
    "hf": (0.02, 0.02),
}


@dataclass(frozen=True)
class Steady:
    """One setting as the board saw it, before and after the meter was read.

    Attributes:
        mean, sd, n: of the readings, SI.
        u_setting: standard uncertainty from its movement meanwhile.
    """

    mean: float
    sd: float
    n: int
    u_setting: float


def text(channel: str, value: float) -> str:
    """Return a value with its unit, in digits the channel supports."""
    about = CHANNEL[channel]
    return f"{value:z.{about.decimals}f} {about.unit}"


def steady(channel: str, before: FloatArray, after: FloatArray) -> Steady | str:
    """Return the setting, or why it cannot be taken.

    Args:
        before, after: readings before and after the meter was read, shape (n,), SI, NaN where missing.
    """
    both = np.concatenate([before, after])
    missing = int(np.count_nonzero(np.isnan(both)))
    if missing:
        return f"{channel} was missing in {missing} of {len(both)} readings; check its module and its cable"
    mean = float(both.mean())
    absolute, share = _STEADY[CHANNEL[channel].group]
    allowed = absolute + share * abs(mean)
    movements = [abs(float(after.mean() - before.mean()))]
    scatter = []
    for part in (before, after):
        slope, level = np.polyfit(np.arange(len(part)), part, 1)
        movements.append(abs(float(slope)) * len(part))
        scatter.append(float(np.var(part - (level + slope * np.arange(len(part))), ddof=2)))
    sd = math.sqrt(sum(scatter) / 2)
    if sd > allowed:
        return f"{channel} is noisy: {_short(channel, sd)} between readings; allowed: {_short(channel, allowed)}"
    if max(movements) > allowed:
        seen = _short(channel, max(movements))
        return f"{channel} moved by {seen} while it was read; allowed: {_short(channel, allowed)}"
    # The setting lay anywhere within its movement: evenly distributed, JCGM 100 4.3.7.
    return Steady(mean, sd, len(both), max(movements) / math.sqrt(12))


def _short(channel: str, value: float) -> str:
    return f"{value:.2g} {CHANNEL[channel].unit}"


def clipped(channel: str, low: FloatArray, high: FloatArray) -> str:
    """Return why readings look clipped, or ""."""
    ceiling = wire.CEILINGS[INDEX[channel]]
    most = float(max(np.max(np.abs(low)), np.max(np.abs(high))))
    if most >= _CLIPS * ceiling:
        return f"{channel} reads up to {text(channel, most)}, the end of its range: set less"
    return ""


def unlike(channel: str, expected: float, changes: FloatArray) -> str:
    """Return why the board's response to a change of the setting cannot be right, or "".

    Args:
        expected: change of the setting by the reference, SI.
        changes: change of every channel's reading, shape (channels,).
    """
    absolute, _ = _STEADY[CHANNEL[channel].group]
    if abs(expected) < 5 * absolute:
        return ""
    own = float(changes[INDEX[channel]])
    ratio = own / expected
    if _SEEN[0] <= ratio <= _SEEN[1]:
        return ""
    seen = f"{channel} moved by {text(channel, own)}, the reference by {text(channel, expected)}"
    if _SEEN[0] <= -ratio <= _SEEN[1]:
        what = "the shunt's leads" if channel.endswith("_a") else "the leads"
        return f"{seen}: {what} are reversed, or the reading was entered without its sign"
    unit = CHANNEL[channel].unit
    others = [
        name
        for name in CHANNELS
        if name != channel
        and CHANNEL[name].unit == unit
        and _SEEN[0] <= abs(changes[INDEX[name]] / expected) <= _SEEN[1]
    ]
    if others and abs(ratio) < _SEEN[0]:
        moved = ", ".join(f"{name} by {text(name, float(changes[INDEX[name]]))}" for name in others)
        return f"{seen}; instead {moved}: leads or modules are swapped"
    if abs(ratio) < _SEEN[0]:
        return f"{seen}, and nothing else moved as far: nothing is connected to it, or the meter measures elsewhere"
    return f"{seen}: check the meter's range and unit"


def absurd(
    channel: str, points: Sequence[Point], fit: Fit, reference: ReferenceError, before: Expanded, after: Expanded
) -> list[str]:
    """Return every reason why a correction cannot be right or is not worth having.

    Args:
        before, after: expanded uncertainty at the highest setting, uncalibrated and with this correction.
    """
    why = []
    if fit.gain <= 0:
        return [f"{channel}: readings fall where the reference rises (gain {fit.gain:.3f}): leads are reversed"]
    if not LEAST_GAIN <= fit.gain <= MOST_GAIN:
        allowed = f"{LEAST_GAIN} to {MOST_GAIN}"
        why.append(f"{channel}: gain {fit.gain:.4f}; allowed: {allowed}; the meter's range or a part is wrong")
    most = most_offset(channel)
    if abs(fit.offset) > most:
        why.append(f"{channel}: offset {text(channel, fit.offset)}; allowed: up to {text(channel, most)} either way")
    if fit.chance < RESIDUALS_BELIEVED:
        worst = max(range(len(points)), key=lambda i: abs(fit.residuals[i]))
        why.append(
            f"{channel}: the points do not lie on a line: setting {worst + 1} ({text(channel, points[worst].value)}) "
            f"is off by {_short(channel, fit.residuals[worst])}, more than readings and reference explain "
            f"(chance {fit.chance:.1g}); a reading was mistyped, or the meter changed its range"
        )
    top = max(points, key=lambda point: abs(point.value))
    if why:
        return why
    u_gain, u_parts = fit.u_gain_own / abs(fit.gain), u_gain_of_parts(channel)
    u_reference = 0.0 if top.exact else reference.u(top.value)
    if len(points) > 1 and u_gain >= u_parts and u_reference < before.half_width / before.k:
        return [
            f"{channel}: the settings lie too close together to tell the gain: it stays uncertain by "
            f"{100 * u_gain:.2g} %, the parts are good to {100 * u_parts:.2g} % (standard "
            "uncertainties); spread them wider, or take one and correct the offset alone"
        ]
    if after.half_width >= before.half_width:
        return [
            f"{channel}: the reference is not good enough: at {text(channel, top.value)} its standard uncertainty is "
            f"{_short(channel, u_reference)}; the correction would leave U {_short(channel, after.half_width)} where "
            f"the uncalibrated board has U {_short(channel, before.half_width)}"
        ]
    return []


def most_offset(channel: str) -> float:
    """Return the largest offset the board accepts."""
    return MOST_OFFSET_K if channel.endswith("_c") else MOST_OFFSET_SHARE * wire.CEILINGS[INDEX[channel]]


def surprising(channel: str, points: Sequence[Point], reference: ReferenceError, u_board: Sequence[float]) -> str:
    """Return words for a board further off than its parts explain, or "".

    Args:
        u_board: standard uncertainty of the uncalibrated board at each point.
    """
    for point, u in zip(points, u_board, strict=True):
        error = point.reading - point.value
        explained = 3 * math.hypot(
            u, 0.0 if point.exact else reference.u(point.value), point.u_reading, point.u_setting
        )
        if abs(error) > explained:
            return (
                f"{channel} was off by {_short(channel, error)} at {text(channel, point.value)}; its parts and the "
                f"reference explain about {_short(channel, explained)}: suspect a wrong part or connection "
                "before trusting this"
            )
    return ""
