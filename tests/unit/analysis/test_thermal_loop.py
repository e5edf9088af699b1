"""Loop gain, heatsink and forecast against closed forms of textbooks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from textbook_stage import (
    CRITICAL_K_PER_W,
    JUNCTION_K_PER_W,
    RAIL_V,
    ROOM_C,
    TARGET_V,
    Track,
    frames,
    gain_at,
    idle,
    unit,
)

from benchwarden.analysis.bias_law import asked_v, drop_for
from benchwarden.analysis.forecast import forecast
from benchwarden.analysis.judge import Judge
from benchwarden.analysis.sink_model import fit_sink, smoothed
from benchwarden.analysis.situation import Facts
from benchwarden.analysis.thermal_loop import LoopFit, Record, fit_loop, usual_sink
from benchwarden.core.channels import BITS

FACTS = Facts.of(unit(), BITS)


def record(track: Track, seconds: int) -> Record:
    per = max(seconds // 90, 1)
    n = seconds // per
    cut = slice(seconds - n * per, seconds)
    drop, sink, rail = (v[cut].reshape(n, per).mean(axis=1) for v in (track.drop_v, track.sink_c, track.rail_v))
    return Record(float(per), drop, sink, np.full(n, ROOM_C), rail, 0.5)


def loop(track: Track, seconds: int) -> LoopFit:
    fit = fit_loop(record(track, seconds), FACTS, usual_sink(FACTS))
    assert fit is not None
    return fit


def test_a_ten_kelvin_rise_without_emitter_resistor() -> None:
    """exp(20 mV / 25.852 mV) = 2.168 at 300 K (formula, computed)."""
    small = np.array([1e-4])
    asked = asked_v(small, 26.85, 0.0)
    grown = drop_for(asked + 10.0 * 0.002, 1.0, 26.85, small)
    assert grown[0] / small[0] == pytest.approx(2.168, abs=0.001)


def test_the_law_and_its_inverse_agree() -> None:
    drops = np.geomspace(1e-4, 0.3, 40)
    again = drop_for(asked_v(drops, 60.0, 1.0) - 0.4 * drops, 0.4, 60.0, np.full(40, 0.01))
    assert again == pytest.approx(drops, rel=1e-5)


def test_no_current_holds_still_beyond_the_summit_of_the_law() -> None:
    # With h = 3 the law b (1 - h) + vt ln b has its summit at b = vt / 2.
    vt = 0.02585
    summit = -2.0 * vt / 2.0 + vt * math.log(vt / 2.0)
    near = drop_for(np.array([summit - 1e-3, summit + 1e-3]), 3.0, 26.85, np.array([1e-3, 1e-3]))
    assert np.isfinite(near[0])
    assert near[0] < vt / 2.0
    assert math.isinf(near[1])


def test_the_lag_follows_the_table_of_a_step() -> None:
    """0.632121, 0.864665, 0.950213 after one, two, three time constants (first-order step)."""
    _, ends = smoothed(np.ones(300), 1.0, np.array([100.0]), 0.0)
    assert ends[0, [99, 199, 299]] == pytest.approx([0.632121, 0.864665, 0.950213], abs=1e-6)


def test_a_heatsink_tells_its_kelvin_per_watt() -> None:
    """T = Ta + R P (1 - exp(-t / tau)), the Foster form of one element (JESD51-14 form)."""
    t_s = np.arange(120) * 10.0 + 5.0
    rng = np.random.default_rng(3)
    sink = 25.0 + 1.5 * 20.0 * (1.0 - np.exp(-t_s / 300.0)) + 0.02 * rng.standard_normal(120)
    late = fit_sink(np.full(120, 20.0), sink, np.full(120, 25.0), 10.0, 3.0, 2.4)
    # What the air inside the case adds cannot be told from steady heat: some kelvin of 30.
    assert late.mean_k_per_w() == pytest.approx(1.5, abs=2.0 * late.sd_k_per_w())
    assert late.sd_k_per_w() < 0.15
    early = fit_sink(np.full(8, 20.0), sink[:8], np.full(8, 25.0), 10.0, 3.0, 2.4)
    assert early.sd_k_per_w() > 2.0 * late.sd_k_per_w()
    assert early.mean_k_per_w() == pytest.approx(1.5, abs=2.0 * early.sd_k_per_w())


@pytest.mark.parametrize("share", [0.35, 0.5, 0.7, 0.85])
def test_the_gain_of_a_textbook_stage(share: float) -> None:
    """Gain one at Rth 6.27 K/W (35 V, 0.22 ohm, 26 mV); in proportion below (stable if dP/dT < 1/Rth)."""
    assert gain_at(TARGET_V, CRITICAL_K_PER_W) == pytest.approx(1.0, abs=0.01)
    sink = (share * CRITICAL_K_PER_W - JUNCTION_K_PER_W) / 2.0
    track = idle(sink, 1200, start_v=TARGET_V * (1.0 - 0.5 * share))
    for seconds in (500, 1200):
        fit = loop(track, seconds)
        true = gain_at(float(track.drop_v[seconds - 5 : seconds].mean()), 2.0 * sink + JUNCTION_K_PER_W)
        assert fit.gain == pytest.approx(true, abs=0.11)
        low, high = fit.interval()
        assert low - 0.02 < true < high + 0.02


def test_mains_is_not_taken_for_heat() -> None:
    sink = (0.5 * CRITICAL_K_PER_W - JUNCTION_K_PER_W) / 2.0
    calm, restless = idle(sink, 900), idle(sink, 900, mains=True)
    assert loop(restless, 900).gain == pytest.approx(loop(calm, 900).gain, abs=0.1)


def test_an_equilibrium_is_foretold() -> None:
    sink = (0.6 * CRITICAL_K_PER_W - JUNCTION_K_PER_W) / 2.0
    track = idle(sink, 6000, start_v=0.6 * TARGET_V, noise_v=0.0)
    final = float(track.drop_v[-1])
    for seconds in (450, 900):
        told = forecast(loop(track, seconds), FACTS, 5.0 * TARGET_V, 600.0)
        assert told.runaway_p < 0.05
        assert told.final_v[1] == pytest.approx(final, rel=0.05)
        assert told.final_v[0] <= 1.02 * final
        assert told.final_v[2] >= 0.98 * final


def test_no_equilibrium_is_foretold_with_its_time() -> None:
    sink = (1.02 * CRITICAL_K_PER_W - JUNCTION_K_PER_W) / 2.0
    track = idle(sink, 3000, start_v=0.6 * TARGET_V)
    limit = 3.0 * TARGET_V
    hit = int(np.flatnonzero(track.drop_v > limit)[0])
    for before in (300, 150):
        told = forecast(loop(track, hit - before), FACTS, limit, 600.0)
        assert told.runaway_p > 0.95
        assert told.within_p > 0.95
        assert told.reach_s[1] == pytest.approx(before, rel=0.25)


def test_a_missing_sink_gives_no_loop() -> None:
    track = idle(1.0, 200)
    gone = Track(track.t_s, track.drop_v, np.full(200, math.nan), track.rail_v)
    assert fit_loop(record(gone, 200), FACTS, usual_sink(FACTS)) is None


def test_a_textbook_runaway_trips_in_time_and_a_stable_stage_does_not() -> None:
    stable = idle((0.6 * CRITICAL_K_PER_W - JUNCTION_K_PER_W) / 2.0, 3000, start_v=0.6 * TARGET_V, seed=4)
    running = idle((1.25 * CRITICAL_K_PER_W - JUNCTION_K_PER_W) / 2.0, 3000, start_v=0.8 * TARGET_V)
    judge = Judge(unit(), ((0.0, 100.0, False, False, "idle"),))
    judge.feed(frames(stable, running))
    trips = judge.finish()["trips"]
    assert [trips[0]["cause"], trips[0]["channel"]] == ["thermal-runaway", "right"]
    # A junction at its rating of 150 C.
    junction = running.sink_c + JUNCTION_K_PER_W * RAIL_V * running.drop_v / 0.22
    lost_s = float(running.t_s[np.flatnonzero(junction > 150.0)[0]])
    assert trips[0]["t_s"] < lost_s - 120.0
    judge = Judge(unit(), ((0.0, 100.0, False, False, "idle"),))
    judge.feed(frames(stable, idle((0.7 * CRITICAL_K_PER_W - JUNCTION_K_PER_W) / 2.0, 3000, start_v=0.55 * TARGET_V)))
    assert judge.finish()["trips"] == []
