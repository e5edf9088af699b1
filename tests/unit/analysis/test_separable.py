"""Exponential fits against certified results: NIST Statistical Reference Datasets, nonlinear regression."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from benchwarden.analysis.separable import decays, separated_fit
from benchwarden.core.samples import FloatArray

# NIST StRD, (y, x) pairs as redistributed with the Python package lmfit.
MISRA1A = """
10.07 77.6 14.73 114.9 17.94 141.1 23.93 190.8 29.61 239.9 35.18 289.0 40.02 332.8 44.82 378.4 50.76 434.8
55.05 477.3 61.01 536.8 66.40 593.1 75.47 689.1 81.78 760.0
"""
BOXBOD = "109 1 149 2 149 3 191 5 213 7 224 10"
MGH17 = """
0.844 0 0.908 10 0.932 20 0.936 30 0.925 40 0.908 50 0.881 60 0.85 70 0.818 80 0.784 90 0.751 100 0.718 110
0.685 120 0.658 130 0.628 140 0.603 150 0.58 160 0.558 170 0.538 180 0.522 190 0.506 200 0.49 210 0.478 220
0.467 230 0.457 240 0.448 250 0.438 260 0.431 270 0.424 280 0.42 290 0.414 300 0.411 310 0.406 320
"""
LANCZOS3 = """
2.5134 0 2.0443 0.05 1.6684 0.1 1.3664 0.15 1.1232 0.2 0.9269 0.25 0.7679 0.3 0.6389 0.35 0.5338 0.4 0.4479
0.45 0.3776 0.5 0.3197 0.55 0.272 0.6 0.2325 0.65 0.1997 0.7 0.1723 0.75 0.1493 0.8 0.1301 0.85 0.1138 0.9 0.1
0.95 0.0883 1 0.0783 1.05 0.0698 1.1 0.0624 1.15
"""


def pairs(text: str) -> tuple[FloatArray, FloatArray]:
    values = np.array(text.split(), dtype=np.float64).reshape(-1, 2)
    return values[:, 0], values[:, 1]


@pytest.mark.parametrize(
    ("data", "start", "certified", "deviations", "residual_ss"),
    [
        (MISRA1A, 5e-4, (2.3894212918e02, 5.5015643181e-04), (2.7070075241e00, 7.2668688436e-06), 1.2455138894e-01),
        (MISRA1A, 1e-4, (2.3894212918e02, 5.5015643181e-04), (2.7070075241e00, 7.2668688436e-06), 1.2455138894e-01),
        (BOXBOD, 0.75, (2.1380940889e02, 5.4723748542e-01), (1.2354515176e01, 1.0455993237e-01), 1.1680088766e03),
        (BOXBOD, 1.0, (2.1380940889e02, 5.4723748542e-01), (1.2354515176e01, 1.0455993237e-01), 1.1680088766e03),
    ],
)
def test_one_rising_exponential_agrees_with_nist(
    data: str, start: float, certified: tuple[float, float], deviations: tuple[float, float], residual_ss: float
) -> None:
    # y = b1 (1 - exp(-b2 x)), from both of NIST's starting rates.
    y, x = pairs(data)

    def rising(rates: FloatArray) -> tuple[FloatArray, FloatArray]:
        return 1.0 - np.exp(-x * rates[0])[:, None], (x * np.exp(-x * rates[0]))[None, :, None]

    fit = separated_fit(rising, y, np.array([start]))
    assert fit is not None
    assert (fit.linear[0], fit.rates[0]) == pytest.approx(certified, rel=1e-6)
    assert (fit.linear_sd[0], fit.rates_sd[0]) == pytest.approx(deviations, rel=1e-5)
    assert fit.residual_ss == pytest.approx(residual_ss, rel=1e-8)


def test_a_level_and_two_exponentials_agree_with_nist_mgh17() -> None:
    y, x = pairs(MGH17)
    fit = separated_fit(decays(x, level=True), y, np.array([0.01, 0.02]))
    assert fit is not None
    assert fit.linear == pytest.approx((3.7541005211e-01, 1.9358469127e00, -1.4646871366e00), rel=1e-5)
    assert fit.rates == pytest.approx((1.2867534640e-02, 2.2122699662e-02), rel=1e-5)
    assert fit.linear_sd == pytest.approx((2.0723153551e-03, 2.2031669222e-01, 2.2175707739e-01), rel=1e-4)
    assert fit.rates_sd == pytest.approx((4.4861358114e-04, 8.9471996575e-04), rel=1e-4)
    assert fit.residual_sd == pytest.approx(1.3970497866e-03, rel=1e-7)


def test_three_exponentials_agree_with_nist_lanczos3() -> None:
    y, x = pairs(LANCZOS3)
    fit = separated_fit(decays(x, level=False), y, np.array([0.7, 4.2, 6.3]))
    assert fit is not None
    order = np.argsort(fit.rates)
    assert fit.linear[order] == pytest.approx((8.6816414977e-02, 8.4400777463e-01, 1.5825685901e00), rel=1e-5)
    assert fit.rates[order] == pytest.approx((9.5498101505e-01, 2.9515951832e00, 4.9863565084e00), rel=1e-5)
    assert fit.linear_sd[order] == pytest.approx((1.7197908859e-02, 4.1488663282e-02, 5.8371576281e-02), rel=1e-4)
    assert fit.rates_sd[order] == pytest.approx((9.7041624475e-02, 1.0766312506e-01, 3.4436403035e-02), rel=1e-4)


def test_it_agrees_with_scipy_curve_fit() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(200.0)
    y = 11.0 - 3.0 * np.exp(-t / 55.0) + rng.normal(0.0, 0.05, 200)
    fit = separated_fit(decays(t, level=True), y, np.array([0.01]))
    best, covariance = optimize.curve_fit(lambda t, a, b, r: a + b * np.exp(-r * t), t, y, p0=(11.0, -3.0, 0.02))
    assert fit is not None
    assert (*fit.linear, *fit.rates) == pytest.approx(tuple(best), rel=1e-5)
    assert (*fit.linear_sd, *fit.rates_sd) == pytest.approx(tuple(np.sqrt(np.diag(covariance))), rel=1e-3)
