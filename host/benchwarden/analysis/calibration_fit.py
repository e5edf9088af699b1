"""A channel's correction and its uncertainty from readings taken beside a reference.

The correction is the line v = offset + gain * r, r the board's reading and v the
reference's value, fitted by weighted least squares. Uncertainty is carried
through the formulas of the fit with degrees of freedom (law of propagation and
Welch-Satterthwaite formula, JCGM 100:2008, 5.1, 5.2 and G.4), by the package
GTC. A reference's gain error is one number common to every point it measured:
it moves the slope and does not average out, nor does it show in the residuals.

What is not in here: drift of the board after the calibration and its
temperature (core/calibration.py adds them when a number is shown), and noise of
the single reading later on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from GTC import get_covariance, type_a, type_b, ureal
from scipy.special import chdtrc, stdtrit

# Two thirds of a per mille of honest calibrations would be refused by this.
RESIDUALS_BELIEVED = 0.001
# A point may outweigh another this much; beyond it the line is pinned either way.
_LEAST_WEIGHT_U = 1e-3
CONFIDENCE = 0.95


@dataclass(frozen=True)
class ReferenceError:
    """What a reference may be wrong by, as standard uncertainties.

    Attributes:
        u_gain: of the value, relative; one error, common to all points.
        u_common: in the channel's unit; one error, common to all points.
        u_own: in the channel's unit; another error at every point.
        dof: degrees of freedom of each; makers' limits have none to speak of.
    """

    u_gain: float = 0.0
    u_common: float = 0.0
    u_own: float = 0.0
    dof: float = math.inf

    def u(self, value: float) -> float:
        """Return the standard uncertainty of one value."""
        return math.hypot(self.u_gain * value, self.u_common, self.u_own)


@dataclass(frozen=True)
class Point:
    """One setting, read by the board and by the reference; SI units of the channel.

    Attributes:
        reading: mean reading of the board.
        reading_sd: standard deviation of one reading, n: how many readings.
        value: the reference's value.
        exact: the value is known without the reference: inputs shorted, nothing applied.
        u_setting: standard uncertainty that this setting has of its own: its movement while it was
            read, and how far the channel strays from a line.
    """

    reading: float
    reading_sd: float
    n: int
    value: float
    exact: bool = False
    u_setting: float = 0.0

    @property
    def u_reading(self) -> float:
        """Standard uncertainty of the mean reading."""
        return self.reading_sd / math.sqrt(self.n)


@dataclass(frozen=True)
class Fit:
    """A correction with its uncertainty.

    The standard uncertainty of a corrected value v is
    sqrt(u_a^2 + (u_b * (v - centre))^2).

    Attributes:
        gain, offset: v = offset + gain * r.
        u_gain, u_offset: their standard uncertainties; correlation: between them.
        dof_gain, dof_offset: their effective degrees of freedom, inf where nothing was estimated from few data.
        centre, u_a, u_b: the same uncertainty as the board stores it.
        dof: the smallest effective degrees of freedom over the span of the points.
        residuals: reference minus line, shape (points,), SI unit of the channel.
        scatter: residual standard deviation, n - 2 degrees of freedom; NaN for fewer than three points.
        chance: of residuals this large or larger if the stated uncertainties hold;
            NaN where that cannot be tested (fewer than three points, nothing stated).
        widened: factor by which scatter beyond what was stated widened it, 1 if it did not.
        u_gain_own: the part of u_gain that is not the reference's common gain error.
    """

    gain: float
    offset: float
    u_gain: float
    u_offset: float
    correlation: float
    dof_gain: float
    dof_offset: float
    centre: float
    u_a: float
    u_b: float
    dof: float
    residuals: tuple[float, ...]
    scatter: float
    chance: float
    widened: float
    u_gain_own: float

    def u(self, value: float) -> float:
        """Return the standard uncertainty of the corrected value."""
        return math.hypot(self.u_a, self.u_b * (value - self.centre))

    def expanded(self, value: float) -> float:
        """Return U of the corrected value, 95 % coverage."""
        return coverage_factor(self.dof) * self.u(value)


def coverage_factor(dof: float) -> float:
    """Return k for 95 % coverage.

    Source: Student's t, JCGM 100:2008 G.3; G.6.4 takes the next lower whole number of degrees of freedom.
    """
    if dof < 1:
        raise ValueError(f"{dof} degrees of freedom; at least 1 is needed")
    return float(stdtrit(math.floor(dof) if math.isfinite(dof) else math.inf, 0.5 + CONFIDENCE / 2))


def fit_line(points: Sequence[Point], reference: ReferenceError | None = None) -> Fit:
    """Return the correction from two or more points.

    With uncertainties stated (noise of the readings, a reference's accuracy) they
    weight the points and are propagated; with three or more points the residuals
    are held against them, and larger scatter widens them (Birge's ratio, from
    memory). With nothing stated the scatter alone tells, n - 2 degrees of freedom.
    Two points have no residuals: then the uncertainty rests on what was stated,
    and nothing tests it.

    Args:
        reference: its common errors; None: the values are exact or only scatter.

    Raises:
        ValueError: fewer than two points, or all at one reading.
    """
    if len(points) < 2:
        raise ValueError(f"{len(points)} point; a line needs two or more")
    x = [point.reading for point in points]
    if max(x) - min(x) <= 1e-12 * max(abs(value) for value in x):
        raise ValueError("all points lie at one reading; a line needs a span")
    reference = reference or ReferenceError()
    slope = type_a.line_fit(x, [point.value for point in points]).a_b.b.x if len(points) > 2 else _chord(points)
    own = [_own_u(point, reference, slope) for point in points]
    stated = max(own) > 0
    scatter = _scatter(points)
    if not stated:
        return _scatter_fit(points, reference, scatter)
    weights = [max(u, _LEAST_WEIGHT_U * max(own)) for u in own]
    chi_squared = _chi_squared(points, weights, reference.u_common)
    spare = len(points) - 2
    chance = float(chdtrc(spare, chi_squared)) if spare else math.nan
    widened = max(1.0, math.sqrt(chi_squared / spare)) if spare else 1.0
    y = _uncertain_values(points, reference, slope, widened)
    line = type_b.line_fit_wls(x, y, weights).a_b
    alone = type_b.line_fit_wls(x, _uncertain_values(points, _no_gain(reference), slope, widened), weights).a_b
    residuals = _residuals(points, line.a.x, line.b.x)
    return _described(line.a, line.b, points, residuals, scatter, chance, widened, alone.b.u)


def fit_offset(point: Point, reference: ReferenceError, gain: float, u_gain: float) -> Fit:
    """Return the correction from one point: the offset alone.

    Args:
        gain: what the gain is believed to be, u_gain: its standard uncertainty (relative),
            from the parts' tolerances: one point does not tell the gain.
    """
    value = _uncertain_values([point], reference, gain, 1.0)[0]
    offset = value - gain * point.reading
    u_a = float(offset.u)
    dof = float(offset.df)
    return Fit(
        gain=gain,
        offset=float(offset.x),
        u_gain=gain * u_gain,
        u_offset=u_a,
        correlation=0.0,
        dof_gain=math.inf,
        dof_offset=dof,
        centre=point.value,
        u_a=u_a,
        u_b=u_gain,
        dof=dof,
        residuals=(0.0,),
        scatter=math.nan,
        chance=math.nan,
        widened=1.0,
        u_gain_own=gain * u_gain,
    )


def _own_u(point: Point, reference: ReferenceError, slope: float) -> float:
    return math.hypot(slope * point.u_reading, 0.0 if point.exact else reference.u_own, slope * point.u_setting)


def _uncertain_values(points: Sequence[Point], reference: ReferenceError, slope: float, widened: float) -> list[Any]:
    """Return the reference values as uncertain numbers, the readings' noise carried over by the slope."""
    common_gain = ureal(0.0, reference.u_gain, reference.dof, label="reference gain")
    common = ureal(0.0, reference.u_common, reference.dof, label="reference offset")
    values = []
    for point in points:
        noise_dof = point.n - 1 if point.n > 1 else math.inf
        value = point.value + ureal(0.0, widened * abs(slope) * point.u_reading, noise_dof)
        value += ureal(0.0, widened * abs(slope) * point.u_setting)
        if not point.exact:
            value += point.value * common_gain + common + ureal(0.0, widened * reference.u_own, reference.dof)
        values.append(value)
    return values


def _chi_squared(points: Sequence[Point], own: Sequence[float], u_common: float) -> float:
    """Return how far the points lie from the line that fits them best, in their own uncertainties, squared.

    An offset of the reference shows between the points it measured and those
    that needed no reference, so it counts as explained; its gain error is part
    of any line.

    Args:
        own: standard uncertainty of each point alone, u_common: what the measured ones share.
    """
    shared = np.array([0.0 if point.exact else u_common for point in points])
    weight = np.linalg.inv(np.diag(np.square(own)) + np.outer(shared, shared))
    x = np.array([[1.0, point.reading] for point in points])
    y = np.array([point.value for point in points])
    line = np.linalg.solve(x.T @ weight @ x, x.T @ weight @ y)
    rest = y - x @ line
    return float(rest @ weight @ rest)


def _scatter_fit(points: Sequence[Point], reference: ReferenceError, scatter: float) -> Fit:
    """Return the fit whose independent errors are known from the residuals alone."""
    x, y = [point.reading for point in points], [point.value for point in points]
    propagated = type_b.line_fit(x, _uncertain_values(points, reference, 1.0, 1.0)).a_b
    a, b, own = propagated.a, propagated.b, 0.0
    if len(points) > 2:
        observed = type_a.line_fit(x, y).a_b
        # Both estimate the same line; what was propagated adds its deviation only.
        a, b, own = observed.a + (a - a.x), observed.b + (b - b.x), float(observed.b.u)
    return _described(a, b, points, _residuals(points, a.x, b.x), scatter, math.nan, 1.0, own)


def _residuals(points: Sequence[Point], offset: float, gain: float) -> tuple[float, ...]:
    return tuple(float(point.value - (offset + gain * point.reading)) for point in points)


def _described(
    a: Any,
    b: Any,
    points: Sequence[Point],
    residuals: tuple[float, ...],
    scatter: float,
    chance: float,
    widened: float,
    u_gain_own: float,
) -> Fit:
    offset, gain, u_offset, u_gain = float(a.x), float(b.x), float(a.u), float(b.u)
    covariance = float(get_covariance(a, b))
    # Where value and slope are uncorrelated the variance is least; from there on
    # it is a plain sum of squares.
    turn = -covariance / u_gain**2 if u_gain else 0.0
    least = u_offset**2 - (covariance / u_gain) ** 2 if u_gain else u_offset**2
    low, high = min(point.reading for point in points), max(point.reading for point in points)
    # A reading where nothing is uncertain has no degrees of freedom to speak of.
    at = [a + b * r for r in (low, (low + high) / 2, high)]
    dofs = [float(value.df) for value in at if value.u > 0]
    return Fit(
        gain=gain,
        offset=offset,
        u_gain=u_gain,
        u_offset=u_offset,
        correlation=covariance / (u_gain * u_offset) if u_gain and u_offset else 0.0,
        dof_gain=float(b.df),
        dof_offset=float(a.df),
        centre=offset + gain * turn,
        u_a=math.sqrt(max(least, 0.0)),
        u_b=u_gain / abs(gain) if gain else math.inf,
        dof=min(dofs, default=math.inf),
        residuals=residuals,
        scatter=scatter,
        chance=chance,
        widened=widened,
        u_gain_own=u_gain_own,
    )


def _scatter(points: Sequence[Point]) -> float:
    if len(points) < 3:
        return math.nan
    fit = type_a.line_fit([point.reading for point in points], [point.value for point in points])
    return math.sqrt(float(fit.ssr) / (len(points) - 2))


def _chord(points: Sequence[Point]) -> float:
    return (points[1].value - points[0].value) / (points[1].reading - points[0].reading)


def _no_gain(reference: ReferenceError) -> ReferenceError:
    return replace(reference, u_gain=0.0)
