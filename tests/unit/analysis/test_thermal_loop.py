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
    return Record(float(per), drop, sink, np.full(n, ROOM_C), rail, 0.5, 0.0)


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
    assert late.mean_slope_k_per_w() == pytest.approx(1.5, abs=2.0 * late.sd_slope_k_per_w())
    assert late.sd_slope_k_per_w() < 0.15
    early = fit_sink(np.full(8, 20.0), sink[:8], np.full(8, 25.0), 10.0, 3.0, 2.4)
    assert early.sd_slope_k_per_w() > 2.0 * late.sd_slope_k_per_w()
    assert early.mean_slope_k_per_w() == pytest.approx(1.5, abs=2.0 * early.sd_slope_k_per_w())


@pytest.mark.parametrize("share", [0.35, 0.5, 0.7, 0.85])
def test_the_gain_of_a_textbook_stage(share: float) -> None:
    """Gain one at Rth 6.27 K/W (35 V, 0.22 ohm, 26 mV); in proportion below (stable if dP/dT < 1/Rth)."""
    assert gain_at(TARGET_V, CRITICAL_K_PER_W) == pytest.approx(1.0, abs=0.01)
    sink = (share * CRITICAL_K_PER_W - JUNCTION_K_PER_W) / 2.0
    track = idle(sink, 1200, start_v=TARGET_V * (1.0 - 0.5 * share))
    for seconds in (500, 1200):
        fit = loop(track, seconds)
        drop_v = float(track.drop_v[seconds - 5 : seconds].mean())
        whole, own = gain_at(drop_v, 2.0 * sink + JUNCTION_K_PER_W), gain_at(drop_v, JUNCTION_K_PER_W)
        # Through the heatsink, what the junction feeds back at once closed inside: one where the whole is one.
        true = (whole - own) / (1.0 - own)
        # Far beyond one it is running away, and what is left of it is no longer counted in hundredths.
        assert fit.gain == pytest.approx(true, abs=0.11 if true < 1.2 else 0.15 * true)
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
        told = forecast(loop(track, seconds), FACTS, 5.0 * TARGET_V, 600.0, 0.0)
        assert told.runaway_p < 0.05
        assert told.final_v[1] == pytest.approx(final, rel=0.05)
        assert told.final_v[0] <= 1.02 * final
        assert told.final_v[2] >= 0.98 * final
        # The way there, against what the stage did afterwards.
        ahead = [(int(seconds + t_s), *drops) for t_s, *drops in told.path[1:]]
        assert ahead[-1][0] == seconds + 600
        for at, middle, low, high in ahead:
            assert low <= middle <= high
            assert middle == pytest.approx(float(track.drop_v[at]), rel=0.05)


def test_no_equilibrium_is_foretold_with_its_time() -> None:
    sink = (1.02 * CRITICAL_K_PER_W - JUNCTION_K_PER_W) / 2.0
    track = idle(sink, 3000, start_v=0.6 * TARGET_V)
    limit = 3.0 * TARGET_V
    hit = int(np.flatnonzero(track.drop_v > limit)[0])
    for before in (300, 150):
        told = forecast(loop(track, hit - before), FACTS, limit, 600.0, 0.0)
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


@pytest.mark.parametrize("excess", [0.0, 0.25])
def test_a_sink_in_free_air_cools_better_the_hotter_it_is(excess: float) -> None:
    """C dT/dt = P - K rise^(1 + excess): free convection of a laminar plate takes 1/4 (textbook relation)."""
    rng = np.random.default_rng(5)
    n, heat_w, end_k = 150, 20.0, 30.0
    capacity, loss = 300.0, heat_w / end_k ** (1.0 + excess)
    rise, readings = 0.0, []
    for _ in range(n):
        within = []
        for _ in range(100):
            rise += 0.1 * (heat_w - loss * rise ** (1.0 + excess)) / capacity
            within.append(rise)
        readings.append(25.0 + float(np.mean(within)) + 0.02 * float(rng.standard_normal()))
    fit = fit_sink(np.full(n, heat_w), np.array(readings), np.full(n, 25.0), 10.0, 3.0, 2.4, cold_k=0.0)
    # One watt more adds end / heat / (1 + excess); a straight line through the origin would say end / heat.
    assert fit.mean_slope_k_per_w() == pytest.approx(end_k / heat_w / (1.0 + excess), abs=2.0 * fit.sd_slope_k_per_w())
    assert fit.sd_slope_k_per_w() < 0.2
    assert float(fit.weight @ fit.excess) == pytest.approx(excess, abs=0.12)


def test_what_was_seen_cold_makes_a_heatsink_surer() -> None:
    t_s = np.arange(40) * 10.0 + 5.0
    sink = 25.6 + 1.5 * 6.0 * (1.0 - np.exp(-t_s / 400.0)) + 0.02 * np.random.default_rng(3).standard_normal(40)
    found = [fit_sink(np.full(40, 6.0), sink, np.full(40, 25.0), 10.0, 3.0, 2.4, cold) for cold in (math.nan, 0.6)]
    assert found[1].sd_slope_k_per_w() < found[0].sd_slope_k_per_w()
    # The two sensors differ by 0.6 K, and that is no heat.
    assert found[1].mean_slope_k_per_w() == pytest.approx(1.5, abs=2.0 * found[1].sd_slope_k_per_w())


def test_drivers_that_warm_by_themselves_are_not_taken_for_the_loop() -> None:
    """A driver 10 K over its sink, within a minute and a half, asks for 2 mV/K less: nothing of that comes back."""
    sink = (0.5 * CRITICAL_K_PER_W - JUNCTION_K_PER_W) / 2.0
    track = idle(sink, 1200, start_v=0.3 * TARGET_V, driver_k=10.0, driver_s=80.0)
    drop_v = float(track.drop_v[-5:].mean())
    assert 0.5 * TARGET_V < drop_v < 1.2 * TARGET_V
    whole, own = gain_at(drop_v, 2.0 * sink + JUNCTION_K_PER_W), gain_at(drop_v, JUNCTION_K_PER_W)
    assert loop(track, 1200).gain == pytest.approx((whole - own) / (1.0 - own), abs=0.11)


def test_a_bare_curve_waits_for_a_loop_that_sees_no_limit_near() -> None:
    """A setting that creeps feeds nothing: the loop round it stays far below one, however its rise may bend."""
    sink = (0.45 * CRITICAL_K_PER_W - JUNCTION_K_PER_W) / 2.0
    calm, creep = idle(sink, 1800, seed=6), idle(sink, 1800, creep_v=0.02)
    judge = Judge(unit(), ((0.0, 100.0, False, False, "idle"),))
    judge.feed(frames(calm, creep))
    assert float(creep.drop_v[-1]) > 1.4 * TARGET_V
    assert [t for t in judge.finish()["trips"] if t["cause"] == "thermal-runaway"] == []


@pytest.mark.parametrize(("volts_per_k", "believed"), [(0.003, True), (0.012, False)])
def test_no_more_is_believed_than_junctions_can_ask_for(volts_per_k: float, believed: bool) -> None:
    """Two junctions in a row ask for 2 mV/K each (textbook figure): a door or a cooling case does the rest."""
    rng = np.random.default_rng(8)
    t_s = np.arange(120.0)
    asked = volts_per_k * 0.02 * t_s
    drop = TARGET_V * np.exp(asked / (0.026 + TARGET_V)) + 2e-6 * rng.standard_normal(120)
    sink = 40.0 + 0.02 * t_s + 0.005 * rng.standard_normal(120)
    record = Record(1.0, drop, sink, np.full(120, ROOM_C), np.full(120, 35.0), 2.0, 600.0)
    fit = fit_loop(record, FACTS, usual_sink(FACTS))
    assert fit is not None
    assert fit.is_of_heat == believed
