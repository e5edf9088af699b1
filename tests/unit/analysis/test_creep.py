"""Ramps against scipy and numpy, a settling exponential, and noise that wanders by itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from signals import Bench, unit

from benchwarden.analysis.creep import BLOCK_S, Creep, Ramp, seconds_to
from benchwarden.analysis.judge import Judge


def fed(values: np.ndarray, sink_c: np.ndarray | float = 25.0) -> Creep:
    creep = Creep()
    sinks = np.broadcast_to(sink_c, values.shape)
    for i, (value, sink) in enumerate(zip(values.tolist(), sinks.tolist(), strict=True)):
        creep.add(float(i), value, sink)
    return creep


def block_means(values: np.ndarray) -> np.ndarray:
    per = int(BLOCK_S)
    return values[: len(values) // per * per].reshape(-1, per).mean(axis=1)


def test_the_slope_is_that_of_scipy_over_the_same_blocks() -> None:
    rng = np.random.default_rng(2)
    values = 1e-4 * np.arange(300.0) + rng.normal(0.0, 1e-3, 300)
    ramp = fed(values).ramp()
    assert ramp is not None
    means = block_means(values)
    reference = stats.linregress((np.arange(len(means)) + 0.5) * BLOCK_S, means)
    assert ramp.slope == pytest.approx(reference.slope, rel=1e-6)
    assert ramp.rise == pytest.approx(reference.slope * BLOCK_S * (len(means) - 1), rel=1e-6)


def test_the_slope_beside_temperature_is_that_of_a_regression_on_both() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(350.0)
    sink = 25.0 + 10.0 * -np.expm1(-t / 80.0)
    values = 2e-4 * t - 3e-3 * sink + rng.normal(0.0, 1e-3, 350)
    ramp = fed(values, sink).ramp()
    assert ramp is not None
    design = np.column_stack([np.ones(35), np.arange(35.0) * BLOCK_S, block_means(sink)])
    beta, *_ = np.linalg.lstsq(design, block_means(values), rcond=None)
    assert ramp.slope == pytest.approx(float(beta[1]), rel=1e-6)


def test_what_only_follows_the_sink_is_no_ramp() -> None:
    t = np.arange(350.0)
    sink = 25.0 + 10.0 * -np.expm1(-t / 200.0)
    noise = np.random.default_rng(4).normal(0.0, 1e-3, 350)
    assert fed(4e-3 * sink + noise, sink).ramp() is None


@pytest.mark.parametrize("tau_s", [40.0, 80.0, 150.0])
def test_a_level_that_settles_is_no_ramp(tau_s: float) -> None:
    t = np.arange(3.0 * tau_s)
    noise = np.random.default_rng(5).normal(0.0, 1e-4, len(t))
    assert fed(0.2 * -np.expm1(-t / tau_s) + noise).ramp() is None


def test_a_ramp_of_hours_survives_the_merging_of_blocks() -> None:
    t = np.arange(7200.0)
    ramp = fed(2e-5 * t + np.random.default_rng(6).normal(0.0, 3e-3, 7200)).ramp()
    assert ramp is not None
    assert ramp.slope == pytest.approx(2e-5, rel=0.02)
    assert ramp.span_s > 3000.0


@pytest.mark.parametrize("phi", [0.0, 0.9, 0.99])
def test_wandering_noise_is_seldom_called_a_ramp(phi: float) -> None:
    # AR(1) from second to second, time constants up to 100 s. Looked at every block, as the
    # detectors do; they ask for a size as well, so this alone may err once in a while.
    rng = np.random.default_rng(7)
    runs, called = 30, 0
    for _ in range(runs):
        noise = np.empty(600)
        noise[0] = rng.standard_normal() / math.sqrt(1.0 - phi * phi)
        for i, e in enumerate(rng.standard_normal(599)):
            noise[i + 1] = phi * noise[i] + e
        creep = Creep()
        hit = False
        for i, value in enumerate(noise.tolist()):
            if creep.add(float(i), value, 25.0):
                hit = hit or creep.ramp() is not None
        called += hit
    assert called <= (3 if phi < 0.95 else 8)


def test_the_forecast_is_the_straight_line() -> None:
    # 0.10 V, 0.5 mV/s at the least: 0.25 V after 300 s.
    assert seconds_to(Ramp(0.10, 0.05, 6e-4, 5e-4, 100.0), 0.25) == pytest.approx(300.0)
    assert seconds_to(Ramp(-0.10, -0.05, -6e-4, -5e-4, 100.0), 0.25) == pytest.approx(300.0)
    assert seconds_to(Ramp(0.30, 0.05, 6e-4, 5e-4, 100.0), 0.25) == 0.0


def told(bench: Bench) -> dict[str, list[dict[str, object]]]:
    judge = Judge(bench.unit)
    judge.feed(bench.block)
    table: dict[str, list[dict[str, object]]] = judge.finish()
    return table


def test_a_creeping_offset_is_told_trips_by_its_forecast_and_names_it() -> None:
    bench = Bench(unit(), 900.0)
    bench.add("offset_left_v", np.maximum(bench.block.t_s - 200.0, 0.0) * 4e-4)
    table = told(bench)
    first = table["trips"][0]
    assert (first["cause"], first["channel"]) == ("dc-offset", "left")
    assert "creeping" in str(first["why"])
    # 0.25 V itself is reached at 800 s.
    assert 330.0 < float(str(first["t_s"])) < 600.0
    note = next(w for w in table["warnings"] if w["cause"] == "dc-offset")
    assert float(str(note["t_s"])) < float(str(first["t_s"]))


@pytest.mark.parametrize("per_k", [-4e-3, 2e-3, 5e-3])
def test_an_offset_that_follows_temperature_is_no_creep(per_k: float) -> None:
    bench = Bench(unit(), 900.0)
    t = np.maximum(bench.block.t_s - 5.0, 0.0)
    bench.add("offset_right_v", per_k * 10.0 * -np.expm1(-t / 300.0))
    bench.add("sink_left_c", 2.0 * -np.expm1(-t / 300.0))
    bench.add("sink_right_c", 1.5 * -np.expm1(-t / 300.0))
    table = told(bench)
    assert [w for w in table["trips"] + table["warnings"] if w["cause"] == "dc-offset"] == []


def test_a_small_step_of_the_offset_is_told_and_a_large_one_trips() -> None:
    for by, severity in ((0.03, ""), (0.09, "warnings"), (0.22, "trips")):
        bench = Bench(unit(), 200.0)
        bench.bump("offset_left_v", 100.0, 1e9, by)
        table = told(bench)
        found = {s for s in ("trips", "warnings") if any(e["cause"] == "dc-offset" for e in table[s])}
        assert (severity in found) if severity else not found
        assert severity == "trips" or "trips" not in found
