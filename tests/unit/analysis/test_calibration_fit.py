"""A channel's correction and its uncertainty, against published examples and drawn lots."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from benchwarden.analysis.calibration_fit import Point, ReferenceError, coverage_factor, fit_line, fit_offset

# JCGM 100:2008, H.3, table H.6 (thermometer reading in degrees Celsius, correction),
# as quoted in the examples of the package GTC; the standard itself was not read.
GUM_H3 = """
21.521 -0.171 22.012 -0.169 22.512 -0.166 23.003 -0.159 23.507 -0.164 23.999 -0.165 24.513 -0.156
25.002 -0.157 25.503 -0.159 26.010 -0.161 26.511 -0.160
"""
# NIST StRD, Norris: (y, x), data and certified values as redistributed with scipy.
NORRIS = """
0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0
559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1
998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0
10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5
"""


def h3_points() -> list[Point]:
    values = [float(word) for word in GUM_H3.split()]
    return [Point(t - 20.0, 0.0, 1, b) for t, b in zip(values[::2], values[1::2], strict=True)]


def test_the_thermometer_of_the_gum() -> None:
    # JCGM 100 H.3: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), r -0.930, s 0.0035, at 30 C -0.1494 (0.0041),
    # 9 degrees of freedom; more digits from the package's documentation.
    fit = fit_line(h3_points())
    assert (round(fit.offset, 4), round(fit.u_offset, 4)) == (-0.1712, 0.0029)
    assert (round(fit.gain, 5), round(fit.u_gain, 5)) == (0.00218, 0.00067)
    assert fit.offset == pytest.approx(-0.1712038, abs=1e-7)
    assert fit.u_offset == pytest.approx(0.0028776, abs=1e-7)
    assert fit.gain == pytest.approx(0.00218270, abs=1e-8)
    assert fit.u_gain == pytest.approx(0.00066794, abs=1e-8)
    assert fit.correlation == pytest.approx(-0.930430, abs=1e-6)
    assert fit.scatter == pytest.approx(0.00349756, abs=1e-8)
    assert (fit.dof_gain, fit.dof_offset, fit.dof) == pytest.approx((9, 9, 9))
    at_30 = fit.offset + fit.gain * 10.0
    assert at_30 == pytest.approx(-0.1493768, abs=1e-7)
    assert fit.u(at_30) == pytest.approx(0.0041386, abs=1e-7), "centre, u_a, u_b say the same as the correlated pair"
    assert fit.expanded(at_30) == pytest.approx(2.262157 * 0.0041386, rel=1e-5)


def test_the_thermometer_with_an_error_common_to_all_corrections() -> None:
    # GTC documentation, GUM H.3 with a systematic 0.005 C: intercept u 0.005769, 145.4 degrees of freedom;
    # slope u 0.000667939, 9.
    fit = fit_line(h3_points(), ReferenceError(u_common=0.005))
    assert fit.u_offset == pytest.approx(0.005769, abs=1e-6)
    assert fit.dof_offset == pytest.approx(145.4, abs=0.05)
    assert fit.u_gain == pytest.approx(0.000667939, abs=1e-9)
    assert fit.dof_gain == pytest.approx(9)


def test_a_plain_line_agrees_with_nist_norris() -> None:
    values = [float(word) for word in NORRIS.split()]
    fit = fit_line([Point(x, 0.0, 1, y) for y, x in zip(values[::2], values[1::2], strict=True)])
    assert fit.offset == pytest.approx(-0.262323073774029, rel=1e-9)
    assert fit.gain == pytest.approx(1.00211681802045, rel=1e-12)
    assert fit.u_offset == pytest.approx(0.232818234301152, rel=1e-10)
    assert fit.u_gain == pytest.approx(0.429796848199937e-3, rel=1e-10)
    assert fit.scatter == pytest.approx(0.884796396144373, rel=1e-10)
    assert fit.dof == pytest.approx(34)


def test_student_factors() -> None:
    # JCGM 100:2008 table G.2, from memory: 12.71, 4.30, 2.26 at 1, 2, 9 degrees of freedom; 1.96 without limit.
    assert [round(coverage_factor(n), 2) for n in (1, 2, 9, math.inf)] == [12.71, 4.30, 2.26, 1.96]
    assert coverage_factor(9.99) == coverage_factor(9), "the next lower whole number, G.6.4"
    with pytest.raises(ValueError, match="degrees of freedom"):
        coverage_factor(0.5)


def test_a_gain_error_of_the_reference_does_not_average_out() -> None:
    points = [Point(x, 1e-4, 100, 1.01 * x) for x in np.linspace(1.0, 10.0, 40)]
    common = fit_line(points, ReferenceError(u_gain=0.003))
    # Every point is wrong by the same share, so the slope is too: u(b)/b can be no less than it.
    assert common.u_gain / common.gain == pytest.approx(0.003, rel=0.01)
    own = fit_line(points, ReferenceError(u_own=0.003 * 5.5))
    assert own.u_gain / own.gain < 0.001, "errors of each point's own do average out"
    assert common.u_gain_own < 1e-4


def test_two_points_rest_on_what_was_stated() -> None:
    fit = fit_line(
        [Point(0.01, 1e-3, 50, 0.0, exact=True), Point(10.11, 1e-3, 50, 10.0)], ReferenceError(0.002, 0.0, 0.01)
    )
    assert fit.gain == pytest.approx(10.0 / 10.1)
    assert math.isnan(fit.scatter)
    assert math.isnan(fit.chance), "two points have no residuals to test"
    # By hand: at the upper point the reference's own errors and the noise of one mean.
    noise = fit.gain * 1e-3 / math.sqrt(50)
    assert fit.u(10.0) == pytest.approx(math.hypot(0.002 * 10.0, 0.01, noise), rel=1e-6)
    assert fit.u(0.0) == pytest.approx(noise, rel=1e-6), "shorted inputs are zero whatever the reference"


def test_two_points_with_nothing_stated_claim_no_uncertainty_of_their_own() -> None:
    fit = fit_line([Point(0.0, 0.0, 1, 0.0), Point(2.0, 0.0, 1, 2.2)])
    assert (fit.gain, fit.u_gain, fit.dof) == (pytest.approx(1.1), 0.0, math.inf)


def test_residuals_are_held_against_their_uncertainty() -> None:
    def three(bend: float) -> float:
        points = [Point(0.0, 0.0, 1, 0.0), Point(5.0, 0.0, 1, 5.0 + bend), Point(10.0, 0.0, 1, 10.0)]
        fit = fit_line(points, ReferenceError(u_own=0.01))
        # By hand: equal weights, residuals -b/3, 2b/3, -b/3, chi-squared with one degree of freedom.
        assert fit.chance == pytest.approx(stats.chi2.sf(bend**2 * (6 / 9) / 1e-4, 1), rel=1e-9)
        assert fit.widened == pytest.approx(max(1.0, bend * math.sqrt(6 / 9) / 0.01))
        return fit.chance

    assert three(0.005) > 0.3
    assert three(0.08) < 1e-3


def test_an_offset_of_the_meter_is_no_bent_line() -> None:
    # The meter is 0.02 high wherever it measures; nothing applied needs no meter.
    points = [Point(0.0, 0.0, 1, 0.0, exact=True), Point(-10.0, 0.0, 1, -9.98), Point(10.0, 0.0, 1, 10.02)]
    own = 0.002
    bent = fit_line([replace(p, u_setting=own) for p in points])
    meant = fit_line([replace(p, u_setting=own) for p in points], ReferenceError(u_common=0.02))
    assert bent.chance < 1e-6
    # By hand: the mean of the outer two less the zero is 0.02, of variance own^2/2 + own^2 + common^2.
    assert meant.chance == pytest.approx(stats.chi2.sf(0.02**2 / (1.5 * own**2 + 0.02**2), 1), rel=1e-9)


def test_one_point_gives_the_offset_and_leaves_the_gain_to_the_parts() -> None:
    fit = fit_offset(Point(20.4, 0.02, 100, 20.0), ReferenceError(u_common=0.25), 1.0, 0.01)
    assert (fit.gain, fit.offset) == (1.0, pytest.approx(-0.4))
    assert fit.u(20.0) == pytest.approx(math.hypot(0.25, 0.002))
    assert fit.u(80.0) == pytest.approx(math.hypot(0.25, 0.002, 0.6))


def test_a_line_needs_a_span() -> None:
    with pytest.raises(ValueError, match="two or more"):
        fit_line([Point(1.0, 0.0, 1, 1.0)])
    with pytest.raises(ValueError, match="one reading"):
        fit_line([Point(1.0, 0.0, 9, 1.0), Point(1.0, 0.0, 9, 2.0)])


@pytest.mark.parametrize("settings", [(0.0, 10.0), (0.0, 3.0, 10.0), (0.0, 2.0, 4.0, 6.0, 8.0)])
def test_the_interval_covers_the_truth(settings: tuple[float, ...]) -> None:
    """Boards and meters drawn from what is stated; the corrected value is inside U 95 times in a hundred."""
    rng = np.random.default_rng(len(settings))
    reference, noise, n, runs = ReferenceError(0.004, 0.01, 0.01), 0.02, 20, 400
    hit = dict.fromkeys((-4.0, 1.0, 6.0, 12.0), 0)
    for _ in range(runs):
        gain, offset = rng.uniform(0.95, 1.05), rng.uniform(-0.1, 0.1)
        meter_gain, meter_zero = rng.normal(0, 0.004), rng.normal(0, 0.01)
        points = []
        for true in settings:
            readings = (true - offset) / gain + rng.normal(0, noise, n)
            exact = true == 0.0
            shown = true if exact else true * (1 + meter_gain) + meter_zero + rng.normal(0, 0.01)
            points.append(Point(float(readings.mean()), float(readings.std(ddof=1)), n, shown, exact))
        fit = fit_line(points, reference)
        for true in hit:
            corrected = fit.offset + fit.gain * (true - offset) / gain
            hit[true] += abs(corrected - true) <= fit.expanded(corrected)
    # 95 % of 400 within three standard deviations of the count (4.4); widening adds a little.
    assert all(0.95 * runs - 13 <= count <= 0.985 * runs for count in hit.values()), hit
