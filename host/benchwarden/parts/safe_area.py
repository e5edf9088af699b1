"""How much current does a transistor stand at a voltage on a hot case, and how near does a load bring it to that?

A sheet's boundary is for a case at 25 C. Its power part falls in a line to nothing at the greatest
junction temperature. Second breakdown falls more slowly: sheets say that on a hot case the power
limit gets below the one of second breakdown (BD808/BD810, note 1; MJ15023/MJ15025), but hardly any
says how slowly. Here it falls like the power part, which errs on the safe side. The greatest
current does not fall.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchwarden.core.substitutes import Ratings, SoaCurve
from benchwarden.errors import JobError
from benchwarden.parts.load_line import LOWEST_HZ, POINTS, FloatArray, Load

CASE_C = 25.0
_DRAWN = 60


@dataclass(frozen=True)
class Thermal:
    """Junction temperature, junction to case and power at 25 C case that belong together.

    Attributes:
        power_w, rth_jc_k_per_w: None where the sheet tells neither.
        words: which of them the sheet gives.
    """

    tj_max_c: float
    power_w: float
    rth_jc_k_per_w: float
    words: str

    def share(self, t_c: float) -> float:
        """Return which share of the rating is left with the case (or junction, for a pulse) at t_c."""
        return min(max((self.tj_max_c - t_c) / (self.tj_max_c - CASE_C), 0.0), 1.0)


def thermal_of(ratings: Ratings) -> Thermal | None:
    """Return a type's thermal figures, or None where its sheet does not tell enough.

    Power, junction temperature and thermal resistance are one fact, P = (Tj - 25 C) / Rth: two
    make the third, and where a sheet gives all three the worse of power and resistance counts.
    """
    tj, power, rth = ratings.tj_max_c, ratings.power_w, ratings.rth_jc_k_per_w
    if tj is None:
        if power is None or rth is None:
            return None
        return Thermal(CASE_C + power * rth, power, rth, "junction temperature from power and Rth jc")
    if power is None and rth is None:
        return None
    if power is None:
        assert rth is not None
        return Thermal(tj, (tj - CASE_C) / rth, rth, "power from Rth jc")
    from_power = (tj - CASE_C) / power
    if rth is None:
        return Thermal(tj, power, from_power, "Rth jc from power")
    worse = max(rth, from_power)
    return Thermal(tj, (tj - CASE_C) / worse, worse, "the worse of power and Rth jc")


def checked_area(ratings: Ratings) -> tuple[SoaCurve, ...]:
    """Return the curves, direct current first and then by falling pulse length.

    Raises:
        JobError: a curve has under two corners, its volts do not rise or its amperes rise, or a pulse length is
            there twice; names type and curve.
    """
    seen: set[float | None] = set()
    for curve in ratings.soa:
        where = f"{ratings.marking}: soa, {curve_words(curve)}"
        volts = [point.v for point in curve.points]
        amps = [point.i for point in curve.points]
        if len(volts) < 2:
            raise JobError(f"{where}: {len(volts)} corners; allowed: two or more")
        if any(b <= a for a, b in itertools.pairwise(volts)):
            raise JobError(
                f"{where}: volts {', '.join(f'{v:g}' for v in volts)}; allowed: rising from corner to corner"
            )
        if any(b > a for a, b in itertools.pairwise(amps)):
            raise JobError(f"{where}: amperes {', '.join(f'{i:g}' for i in amps)}; allowed: level or falling")
        if min(volts[0], amps[-1]) <= 0.0:
            raise JobError(f"{where}: a corner at 0; allowed: above 0, the axes are logarithmic")
        if curve.pulse_s in seen:
            raise JobError(f"{where}: there twice; allowed: once")
        seen.add(curve.pulse_s)
    return tuple(sorted(ratings.soa, key=lambda curve: -np.inf if curve.pulse_s is None else -curve.pulse_s))


def curve_words(curve: SoaCurve) -> str:
    """Return which boundary it is."""
    if curve.pulse_s is None:
        return "direct current"
    if curve.pulse_s >= 1.0:
        return f"{curve.pulse_s:g} s pulse"
    return f"{curve.pulse_s * 1e3:g} ms pulse" if curve.pulse_s >= 1e-3 else f"{curve.pulse_s * 1e6:g} µs pulse"


def limit_a(curve: SoaCurve, volts: npt.ArrayLike) -> FloatArray:
    """Return the greatest current at each voltage with the case at 25 C, straight lines on log-log axes.

    Level below the first corner, nothing beyond the last one.
    """
    v = np.asarray(volts, dtype=np.float64)
    log_v = np.log([point.v for point in curve.points])
    log_i = np.log([point.i for point in curve.points])
    found = np.exp(np.interp(np.log(np.maximum(v, 1e-9)), log_v, log_i))
    return np.where(v > curve.points[-1].v * (1.0 + 1e-9), 0.0, found)


def derated_a(curve: SoaCurve, volts: npt.ArrayLike, share: float) -> FloatArray:
    """Return the greatest current at each voltage with `share` of the power left.

    A level part of the boundary is the wires' limit and hides the power limit above it; what
    is known of that one is the greatest power that the boundary allows at this voltage or a higher one.
    """
    v = np.asarray(volts, dtype=np.float64)
    plain = limit_a(curve, v)
    # On log-log axes the power is greatest at a corner or at v itself.
    corner_v = np.array([point.v for point in curve.points])
    corner_w = corner_v * np.array([point.i for point in curve.points])
    later = np.where(corner_v[None, :] >= v.reshape(-1, 1), corner_w[None, :], 0.0).max(axis=1).reshape(v.shape)
    power = np.maximum(later, plain * v)
    derated: FloatArray = np.minimum(plain, share * power / np.maximum(v, 1e-9))
    return derated


@dataclass(frozen=True)
class Boundary:
    """A boundary as it is with the part hot.

    Attributes:
        share: of the power that is left.
    """

    label: str
    curve: SoaCurve
    share: float

    def drawn(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Return points for drawing it, corners among them."""
        corners = [point.v for point in self.curve.points]
        first = min(1.0, corners[0])
        volts = np.union1d(np.geomspace(first, corners[-1], _DRAWN), corners)
        volts = volts[volts <= corners[-1]]
        amps = derated_a(self.curve, volts, self.share)
        return tuple(float(v) for v in volts), tuple(float(i) for i in amps)


@dataclass(frozen=True)
class Nearest:
    """The point of a loop that is nearest to the boundary; see core.part_findings.AreaMargin.

    Attributes:
        unknown_v: highest voltage of the loop that the boundary, as it was given, does not reach though
            the part stands it; nothing is known of what is allowed there. None where all is known.
    """

    margin_pct: float
    at_v: float
    at_a: float
    limit_a: float
    boundary: Boundary
    beyond_dc_s: float
    unknown_v: float | None


def nearest(
    area: tuple[SoaCurve, ...], thermal: Thermal, load: Load, case_c: float, vceo_v: float | None = None
) -> Nearest | None:
    """Return how near a load brings a part to its boundary, its case at case_c.

    None where the boundary as it was given ends before the load begins.

    Within the direct-current boundary a point may stay for ever. Beyond it the pulse curve counts
    that is at least as long as the longest unbroken time beyond in a cycle at 20 Hz. Its pulse
    starts from the junction's mean temperature, not from the case, which reckons the load's mean
    heat twice and errs on the safe side; where that leaves less than direct current does, or without
    such a curve, the direct-current boundary counts.

    Args:
        area: as `checked_area` returns it, direct current first.
        vceo_v: greatest collector-emitter voltage; beyond it no current is allowed, between the end of
            a boundary and it nothing is known.
    """
    volts, amps = load.loop.volts[load.loop.conducts], load.loop.amps[load.loop.conducts]
    ends_v = area[0].points[-1].v
    told = (volts <= ends_v) | (volts > (np.inf if vceo_v is None else vceo_v))
    if not told.any():
        return None
    unknown_v = None if told.all() else float(volts[~told].max())
    dc = Boundary(f"direct current, case {case_c:.0f} C", area[0], thermal.share(case_c))
    dc_a = derated_a(dc.curve, volts, dc.share)
    beyond = np.zeros(POINTS, dtype=np.bool_)
    beyond[np.flatnonzero(load.loop.conducts)] = (amps > dc_a) & told
    beyond_s = _longest(beyond) / POINTS / LOWEST_HZ
    limits, pulse, pulse_a = dc_a, None, dc_a
    long_enough = [curve for curve in area[1:] if curve.pulse_s is not None and curve.pulse_s >= beyond_s]
    if beyond_s > 0.0 and long_enough:
        junction_c = case_c + load.heat_w * thermal.rth_jc_k_per_w
        words = f"{curve_words(long_enough[-1])}, junction {junction_c:.0f} C"
        pulse = Boundary(words, long_enough[-1], thermal.share(junction_c))
        pulse_a = derated_a(pulse.curve, volts, pulse.share)
        limits = np.maximum(dc_a, pulse_a)
    left = np.where(told, limits / amps, np.inf)
    at = int(np.argmin(left))
    boundary = pulse if pulse is not None and pulse_a[at] > dc_a[at] else dc
    return Nearest(
        margin_pct=100.0 * (float(left[at]) - 1.0),
        at_v=float(volts[at]),
        at_a=float(amps[at]),
        limit_a=float(limits[at]),
        boundary=boundary,
        beyond_dc_s=beyond_s,
        unknown_v=unknown_v,
    )


def _longest(marked: npt.NDArray[np.bool_]) -> int:
    """Return the longest run of True, the end joining the beginning."""
    if marked.all():
        return len(marked)
    start = int(np.argmin(marked))
    best = run = 0
    for value in np.roll(marked, -start):
        run = run + 1 if value else 0
        best = max(best, run)
    return best
