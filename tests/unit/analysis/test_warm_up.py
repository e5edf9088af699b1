"""The warm-up view, fed second by second: states, schedule, what a missing sensor leaves, drift."""

from __future__ import annotations

import math

import numpy as np
import pytest
from heat_chain import Chain
from idle_seconds import FACTS, STAGE, Idle

from benchwarden.analysis.runaway import Runaway
from benchwarden.analysis.situation import Situation
from benchwarden.analysis.stretches import Stretches
from benchwarden.analysis.warm_up import WarmUp, WarmUpView
from benchwarden.core.findings import Finding


def watched(idle: Idle, at: tuple[int, ...] = ()) -> tuple[WarmUp, list[Finding], list[WarmUpView]]:
    """Feed it; return the detector, what it found, and its view after so many seconds each."""
    stretches, now = Stretches(FACTS), Situation(FACTS)
    runaway = Runaway(FACTS, stretches)
    warm_up = WarmUp(FACTS, stretches, runaway)
    found: list[Finding] = []
    views = []
    for second in idle.seconds():
        now.update(second, STAGE)
        stretches.second(second, now, STAGE)
        runaway.second(second, now, STAGE)
        found += warm_up.second(second, now, STAGE)
        if round(second.t_s) in at:
            views.append(warm_up.view(0))
    return warm_up, found, views


def warming(n: int, tau_s: float = 300.0, start_v: float = 0.008, seed: int = 1) -> np.ndarray:
    t = np.arange(n) + 1.0
    return 0.011 + (start_v - 0.011) * np.exp(-t / tau_s) + 8e-6 * np.random.default_rng(seed).standard_normal(n)


def test_without_a_sink_the_exponential_tells_the_end() -> None:
    warm_up, found, _ = watched(Idle(warming(450), sink_c=math.nan))
    view = warm_up.view(0)
    assert view.state == "settling"
    assert view.final_v == pytest.approx(0.011, abs=3e-4)
    assert view.final_95_v[0] < 0.011 < view.final_95_v[1]
    assert view.tau_95_s[0] < 300.0 < view.tau_95_s[1]
    assert view.now_v == pytest.approx(warming(450)[-50:].mean(), abs=2e-4)
    assert not found
    # A channel without readings stays unknown.
    assert warm_up.view(1).state == "unknown"
    assert math.isnan(warm_up.view(1).final_v)


def test_with_a_sink_the_heat_balance_tells_it() -> None:
    chain = Chain(0.3, target_v=FACTS.target_v)
    _, drop, sink, room, rail = chain.run(1200)
    warm_up, _, _ = watched(Idle(drop, rail, sink, room))
    view = warm_up.view(0)
    assert view.final_v == pytest.approx(chain.end_v(), abs=3.3e-4)
    assert view.final_95_v[0] < chain.end_v() < view.final_95_v[1]


def test_settling_becomes_settled_and_stays_so_in_noise() -> None:
    idle = Idle(warming(3000, tau_s=200.0), sink_c=math.nan)
    _, found, views = watched(idle, at=tuple(range(100, 3000, 100)))
    states = [view.state for view in views]
    assert states[1] == "settling"
    assert states[-1] == "settled"
    assert states[states.index("settled") :].count("settling") == 0
    # Where it is settled, what is left is within the tolerance.
    first = states.index("settled")
    assert abs(views[first].now_v - 0.011) < 2.0 * 0.00022
    assert not found


def test_a_bias_that_wanders_off_while_everything_stands_still_is_called_drifting_once() -> None:
    t = np.arange(5400) + 1.0
    drifting = 0.011 + 0.0012 * t / 3600.0 + 8e-6 * np.random.default_rng(2).standard_normal(5400)
    warm_up, found, _ = watched(Idle(drifting))
    assert warm_up.view(0).state == "drifting"
    assert [(f.severity, f.cause, f.channel) for f in found] == [("warning", "bias-unstable", "left")]
    assert found[0].t_s < 2700.0
    assert "mV an hour" in found[0].why


def test_wander_of_room_and_mains_is_no_drift() -> None:
    for seed in range(4):
        rng = np.random.default_rng(seed)
        n = 5400
        room = np.empty(n)
        level = 0.0
        for i, kick in enumerate(rng.standard_normal(n)):
            level += -level / 1500.0 + 0.4 * math.sqrt(2.0 / 1500.0) * kick
            room[i] = 23.0 + level
        rail = 42.0 * (1.0 + 0.006 * np.cumsum(rng.choice((-1, 0, 0, 1), n) * (rng.random(n) < 0.002)))
        # A percent per kelvin, half as much again as a stage without any compensation of its loop.
        drop = warming(n, seed=seed) * (1.0 + 0.01 * (room - 23.0)) * (rail / 42.0) ** 2
        _, found, _ = watched(Idle(drop, rail, sink_c=room + 12.0, ambient_c=room))
        assert not found


def test_a_turned_pot_starts_over_and_the_last_end_is_kept() -> None:
    turned = warming(900) + 0.002 * (np.arange(900) >= 600)
    warm_up, _, views = watched(Idle(turned, sink_c=math.nan), at=(599, 605))
    assert views[0].state != "unknown"
    assert views[1].state == "unknown"
    assert views[1].why == "pot turned"
    assert warm_up.last_known(0).stretch_s < 310.0
    # It reads 13 mV at the end; told to be 11, it says to turn down.
    assert warm_up.view(0).set_now_v < warm_up.view(0).now_v
