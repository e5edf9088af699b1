"""The noise of a bias against Wald's sequential test and plain simulation.

Log likelihood ratio of a normal variance: (s (1 - 1/R^2) - ln R^2) / 2; a false alarm
of a cumulative sum with threshold h has chance of at most exp(-h) per excursion (Wald
1947, Page 1954, both from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats
from signals import Bench, unit

from benchwarden.analysis.bias_noise import _GAIN, _LOSS, _MOST, ALARM, RATIO
from benchwarden.analysis.judge import Judge
from benchwarden.core.channels import INDEX


def notes(bench: Bench) -> list[dict[str, object]]:
    judge = Judge(bench.unit)
    judge.feed(bench.block)
    table = judge.finish()
    found = [e for e in table["trips"] + table["warnings"] if e["cause"] == "bias-unstable"]
    return found


def test_the_score_is_the_log_likelihood_ratio_of_scipy() -> None:
    for x in (0.0, 0.5, 1.7, 3.1):
        expected = stats.norm.logpdf(x, scale=RATIO) - stats.norm.logpdf(x)
        assert min(_GAIN * x * x - _LOSS, _MOST) == pytest.approx(min(float(expected), _MOST), abs=1e-12)


def test_one_second_of_usual_noise_keeps_the_sum_down_as_wald_has_it() -> None:
    # E[exp(score)] <= 1 under the usual noise is what makes exp(-h) the bound; the cap only lowers it.
    mean, _ = integrate.quad(lambda x: stats.norm.pdf(x) * math.exp(min(_GAIN * x * x - _LOSS, _MOST)), -12.0, 12.0)
    assert mean <= 1.0 + 1e-9
    # At most one excursion a second: less than one false alarm in a million hours a channel.
    assert 3600e6 * math.exp(-ALARM) < 1.0


def noisy(bench: Bench, sides: tuple[str, ...], times: float, start_s: float, stop_s: float) -> None:
    """Multiply what the frames of a drop scatter about their own level, on rails and drop alike."""
    rng = np.random.default_rng(11)
    t = bench.block.t_s
    on = (t >= start_s) & (t < stop_s)
    extra = np.where(on, rng.normal(0.0, 4e-5 * math.sqrt(times**2 - 1.0), len(t)), 0.0)
    for side in sides:
        bench.add(f"bias_{side}_v", extra)


@pytest.mark.parametrize("times", [4.0, 8.0])
def test_a_bias_that_becomes_noisy_is_told_on_its_side(times: float) -> None:
    bench = Bench(unit(), 400.0)
    noisy(bench, ("right",), times, 200.0, 400.0)
    found = notes(bench)
    assert [(e["cause"], e["channel"]) for e in found] == [("bias-unstable", "right")]
    assert 205.0 < float(str(found[0]["t_s"])) < 300.0


def test_a_loud_bias_trips() -> None:
    bench = Bench(unit(), 400.0)
    # Half a millivolt of 11 mV, a third of a milliampere of noise for every 0.22 ohm.
    noisy(bench, ("left",), 13.0, 150.0, 400.0)
    assert [e["channel"] for e in notes(bench)][-1] == "left"
    judge = Judge(bench.unit)
    judge.feed(bench.block)
    assert any(t["cause"] == "bias-unstable" for t in judge.finish()["trips"])


def test_mains_noise_on_both_channels_is_no_pot() -> None:
    bench = Bench(unit(), 400.0)
    noisy(bench, ("left", "right"), 8.0, 200.0, 400.0)
    assert notes(bench) == []


@pytest.mark.parametrize("seed", range(4))
def test_usual_noise_stays_usual(seed: int) -> None:
    assert notes(Bench(unit(), 600.0, seed=20 + seed)) == []


@pytest.mark.parametrize("rate_hz", [1.0, 10.0])
def test_a_coarse_step_that_comes_and_goes_is_no_noise(rate_hz: float) -> None:
    bench = Bench(unit(sample_rate_hz=rate_hz), 900.0, rate_hz=rate_hz)
    t = bench.block.t_s
    rng = np.random.default_rng(12)
    # Rests for five minutes in the middle of a code, then dithers between two.
    level = 0.0105 + np.where(t > 400.0, 5e-5, 0.0) + rng.normal(0.0, 1.2e-5, len(t))
    bench.put("bias_left_v", 0.0, 30.0)
    bench.add("bias_left_v", np.where(t >= 30.0, np.round(level / 1e-4) * 1e-4, 0.0))
    for array in (bench.block.minimum, bench.block.maximum):
        array[:, INDEX["bias_left_v"]] = bench.block.mean[:, INDEX["bias_left_v"]]
    assert notes(bench) == []


def test_a_hand_that_turns_slowly_is_no_noise() -> None:
    bench = Bench(unit(), 400.0)
    t = bench.block.t_s
    path = np.interp(t, [150.0, 170.0, 180.0, 195.0, 200.0, 215.0], [-4e-3, -1e-3, -1e-3, 5e-4, 5e-4, 0.0])
    bench.add("bias_left_v", np.where(t > 8.0, path, 0.0))
    for name in ("rail_pos_a", "rail_neg_a"):
        bench.add(name, np.where(t > 8.0, path / 0.22, 0.0))
    assert notes(bench) == []
