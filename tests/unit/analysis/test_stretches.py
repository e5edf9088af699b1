"""Where a stretch of calm idle seconds begins: hands, mains, gaps and sensors against heat alone.

The signals are closed forms written here (no amplifier model): exponentials of linear
heat conduction, turns of a hand (fast, slow, soft, in several goes), rails that step.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from idle_seconds import FACTS, STAGE, Idle, began

from benchwarden.analysis.situation import Situation
from benchwarden.analysis.stretches import Stretches
from benchwarden.analysis.turns import Turns
from benchwarden.core.samples import FloatArray

N = 700
T = np.arange(N) + 1.0
AT = 400.4


def warming(seed: int) -> FloatArray:
    rng = np.random.default_rng(seed)
    final, start, tau = 0.011, rng.uniform(0.006, 0.02), rng.uniform(40.0, 600.0)
    return final + (start - final) * np.exp(-T / tau)


def white(rng: np.random.Generator, sd: float) -> FloatArray:
    return sd * rng.standard_normal(N)


def pink(rng: np.random.Generator, sd: float) -> FloatArray:
    spectrum = np.fft.rfft(rng.standard_normal(4096))
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    spectrum[0] = 0.0
    noise = np.fft.irfft(spectrum)[:N]
    return sd * noise / float(noise.std())


def stepped(values: FloatArray, step: float) -> FloatArray:
    return np.round(values / step) * step if step else values


# (white noise, 1/f noise, converter step), volts.
NOISES = [
    (0.0, 0.0, 0.0),
    (5e-6, 0.0, 0.0),
    (1e-4, 0.0, 0.0),
    (0.0, 3e-5, 0.0),
    (0.0, 0.0, 1e-4),
    (2e-5, 0.0, 1e-4),
    (1e-4, 0.0, 3e-4),
]


@pytest.mark.parametrize("noise", NOISES)
def test_warming_up_is_one_stretch(noise: tuple[float, float, float]) -> None:
    for seed in range(4):
        rng = np.random.default_rng(seed)
        drop = stepped(warming(seed) + white(rng, noise[0]) + pink(rng, noise[1]), noise[2])
        stretches, found = began(Idle(drop))
        assert len(found) == 1
        # Rails have to stand for three seconds after mains came on.
        assert stretches.side[0].n > N - 10


def fast(x: FloatArray) -> FloatArray:
    return np.clip(x / 1.3, 0.0, 1.0)


def slow(x: FloatArray) -> FloatArray:
    return np.clip(x / 15.0, 0.0, 1.0)


def soft(x: FloatArray) -> FloatArray:
    part = np.clip(x / 15.0, 0.0, 1.0)
    return part - np.sin(2.0 * math.pi * part) / (2.0 * math.pi)


def in_goes(x: FloatArray) -> FloatArray:
    return 0.4 * np.clip(x / 3.0, 0, 1) + 0.3 * np.clip((x - 8.0) / 4.0, 0, 1) + 0.3 * np.clip((x - 20.0) / 2.0, 0, 1)


@pytest.mark.parametrize("noise", [NOISES[0], NOISES[1], NOISES[3]])
@pytest.mark.parametrize("size_v", [0.003, -0.003, 0.0015])
@pytest.mark.parametrize(("turn", "lasts_s"), [(fast, 1.3), (slow, 15.0), (soft, 15.0), (in_goes, 22.0)])
def test_a_turned_pot_begins_a_stretch(
    turn: Callable[[FloatArray], FloatArray], lasts_s: float, size_v: float, noise: tuple[float, float, float]
) -> None:
    for seed in range(2):
        rng = np.random.default_rng(seed)
        turned = size_v * turn(T - AT - 0.21 * seed)
        _, found = began(Idle(warming(seed) + turned + white(rng, noise[0]) + pink(rng, noise[1])))
        seen_s, began_s, why = found[-1]
        assert why == "pot turned"
        # Within the last soft seconds of the turn or just after it, and seen soon; the last
        # small go of several may only be seen by the means.
        assert AT + lasts_s - (10.0 if turn is in_goes else 5.0) < began_s < AT + lasts_s + 5.0
        assert seen_s < AT + lasts_s + 40.0
        assert all(s > AT for _, s, _ in found[1:])


@pytest.mark.parametrize("noise", [n for n in NOISES if n[2] < 2e-4])
@pytest.mark.parametrize("growth_s", [1.5, 3.0, 6.0, 15.0, 40.0])
def test_a_runaway_is_not_taken_for_a_hand(growth_s: float, noise: tuple[float, float, float]) -> None:
    for seed in range(2):
        rng = np.random.default_rng(seed)
        # Grows out of a tenth of a percent of the bias by itself, until 80 mV.
        grown = 1e-5 * np.exp(np.minimum((T - 300.3) / growth_s, 9.0))
        until = int(np.argmax(grown > 0.07))
        drop = stepped(warming(seed) + grown + white(rng, noise[0]) + pink(rng, noise[1]), noise[2])
        _, found = began(Idle(drop[:until]))
        assert len(found) == 1


def test_a_runaway_that_begins_with_its_cause_is_cut_there_at_most() -> None:
    # A clip comes off at 300 s: the rate of change itself starts from nothing.
    for growth_s in (4.0, 10.0, 30.0):
        late = np.maximum(T - 300.3, 0.0)
        grown = 3e-4 * (np.exp(np.minimum(late / growth_s, 6.0)) - 1.0)
        until = int(np.argmax(grown > 0.07))
        _, found = began(Idle(warming(1)[:until] + grown[:until] + white(np.random.default_rng(1), 5e-6)[:until]))
        assert all(began_s < 300.0 + 0.8 * growth_s + 4.0 for _, began_s, _ in found)


def rails(level: float, from_s: float, to_s: float = math.inf) -> FloatArray:
    return 42.0 * np.where(np.logical_and(from_s < T, to_s >= T), level, 1.0)


def test_small_mains_steps_and_slow_wander_stay_inside_a_stretch() -> None:
    rng = np.random.default_rng(3)
    rail = 42.0 * (1.0 + 0.006 * np.cumsum(rng.random(N) < 0.005) * rng.choice((-1, 1)) + 0.02 * np.sin(T / 300.0))
    # The idle current follows the rails threefold.
    drop = warming(3) * (1.0 + 3.0 * (rail / 42.0 - 1.0)) + white(rng, 5e-6)
    _, found = began(Idle(drop, rail))
    assert len(found) == 1


def test_a_big_mains_step_begins_a_stretch_where_it_happened() -> None:
    rail = rails(0.94, 300.0)
    _, found = began(Idle(warming(1) * (rail / 42.0) ** 3, rail))
    assert [(b, why) for _, b, why in found[1:]] == [(301.0, "mains step")]


def test_a_dip_that_comes_back_is_left_out() -> None:
    rail = rails(0.9, 300.0, 308.0)
    stretches, found = began(Idle(warming(1) * (rail / 42.0) ** 3, rail))
    assert len(found) == 1
    side = stretches.side[0]
    assert not ((side.t_s > 300.0) & (side.t_s <= 308.0)).any()
    assert float(side.rail_v.min()) == 42.0
    assert (np.diff(side.t_s) > 0.0).all()


def test_the_limiter_taken_out_begins_a_stretch_once_the_rails_stand() -> None:
    rail = 42.0 * np.clip(0.8 + 0.2 * (T - 100.0) / 4.0, 0.8, 1.0)
    _, found = began(Idle(warming(1), rail, limiter=T <= 100.0))
    assert [why for *_, why in found] == ["mains on", "limiter"]
    assert 103.0 <= found[1][1] <= 110.0


def test_drive_ends_a_stretch_and_the_next_begins_soon_after_it() -> None:
    stretches, found = began(Idle(warming(1), drive=(T > 200.0) & (T <= 400.0)))
    assert [why for *_, why in found] == ["mains on", "drive off"]
    assert 401.0 <= found[1][1] <= 406.0
    during, _ = began(Idle(warming(1)[:300], drive=T[:300] > 200.0))
    assert during.side[0].n == 0
    assert math.isnan(during.side[0].began_s)
    assert stretches.side[0].n == N - found[1][1] + 1


@pytest.mark.parametrize(("missing_s", "stretches_in_all"), [(5, 1), (60, 2)])
def test_missing_seconds(missing_s: int, stretches_in_all: int) -> None:
    gone = np.logical_and(T > 300.0, 300.0 + missing_s >= T)
    for idle in (Idle(warming(1), missing=gone), Idle(np.where(gone, math.nan, warming(1)))):
        _, found = began(idle)
        assert len(found) == stretches_in_all
        assert found[-1][2] == ("mains on" if stretches_in_all == 1 else "gap")


def test_a_pot_turned_within_a_short_gap_is_seen() -> None:
    gone = (T > 300.0) & (T <= 308.0)
    _, found = began(Idle(warming(1) + 0.003 * (T > 304.0) + white(np.random.default_rng(1), 5e-6), missing=gone))
    assert {why for *_, why in found[1:]} == {"pot turned"}
    assert found[-1][1] == pytest.approx(309.0, abs=1.0)


def test_a_sensor_that_leaps_begins_a_stretch_and_a_missing_one_does_not() -> None:
    leap = np.where(T > 300.0, 55.0, 35.0)
    _, found = began(Idle(warming(1), sink_c=leap))
    assert [why for *_, why in found] == ["mains on", "sensor"]
    stretches, found = began(Idle(warming(1), sink_c=np.where(T > 300.0, math.nan, 35.0)))
    assert len(found) == 1
    assert np.isnan(stretches.side[0].sink_c[-1])


def test_three_days_fit_into_tens_of_megabytes() -> None:
    stretches, now = Stretches(FACTS), Situation(FACTS)
    second = next(Idle(np.array([0.011])).seconds())
    now.update(second, STAGE)
    side = stretches.side[0]
    for i in range(72 * 3600):
        side.add((float(i), 0.011, 35.0, 23.0, 42.0))
    side.begin(0.0, "mains on")
    assert side.n == 72 * 3600
    assert side.t_s.base is not None
    assert side.t_s.base.nbytes < 25e6


@pytest.mark.parametrize("sd", [8e-6, 1e-4])
def test_a_day_of_noise_is_no_hand(sd: float) -> None:
    turns = Turns(FACTS.target_v)
    turns.quantum = 1e-9
    noise = np.random.default_rng(4).standard_normal(86400)
    assert all(math.isnan(turns.feed(i + 1.0, v, 42.0, 1.0)) for i, v in enumerate((0.011 + sd * noise).tolist()))


@pytest.mark.parametrize("noise", [NOISES[0], NOISES[1], NOISES[3]])
def test_a_second_that_stands_alone_is_left_out_and_ends_nothing(noise: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(3)
    drop = warming(1) + white(rng, noise[0]) + pink(rng, noise[1])
    clicks = (200, 340, 341, 500)
    for at in clicks:
        drop[at] += 0.0015 if at != 341 else -0.0
    stretches, found = began(Idle(drop))
    assert len(found) == 1
    side = stretches.side[0]
    # The second itself is gone, its neighbours are there.
    assert not set(T[[200, 340, 500]]) & set(side.t_s)
    assert {T[199], T[201], T[339], T[341], T[501]} <= set(side.t_s)
    assert np.abs(side.drop_v - warming(1)[side.t_s.astype(int) - 1]).max() < 5e-4


def test_a_pot_turned_for_two_seconds_is_no_click() -> None:
    drop = warming(1) + 0.0015 * ((T > 300.0) & (T <= 302.0)) + white(np.random.default_rng(1), 5e-6)
    _, found = began(Idle(drop))
    assert [why for *_, why in found[1:]] == ["pot turned"] * (len(found) - 1)
    assert len(found) > 1


def test_a_hand_and_a_gap_do_not_change_how_the_amplifier_is_fed() -> None:
    turned = warming(1) + 0.003 * (T > 300.0)
    stretches, _ = began(Idle(turned, limiter=T <= 100.0))
    side = stretches.side[0]
    assert side.began_why == "pot turned"
    assert side.began_s > 300.0
    assert 101.0 <= side.changed_s <= 106.0
