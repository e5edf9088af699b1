"""The mains relay against the charge of the reservoirs: dV = I t / C, and what a hand can do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from signals import Bench, unit

from benchwarden.analysis.judge import Judge
from benchwarden.core.channels import INDEX
from benchwarden.core.unit import UnitStage


def opened(farad: float, amps: float, supported: bool) -> Bench:
    """Contact reads open from 100 s on; the rails fall by I t / C, or stay up."""
    bench = Bench(unit(), 200.0)
    t = bench.block.t_s
    off = np.maximum(t - 100.0, 0.0)
    left = np.ones_like(t) if supported else np.maximum(1.0 - off * amps / farad / 42.0, 0.0)
    for name in ("rail_pos_v", "rail_neg_v", "bias_left_v", "bias_right_v", "rail_pos_a", "rail_neg_a"):
        for array in (bench.block.mean, bench.block.minimum, bench.block.maximum):
            array[:, INDEX[name]] *= left.astype(np.float32)
    bench.block.mains_on[t > 100.0] = False
    return bench


def relay(bench: Bench, severity: str) -> list[float]:
    judge = Judge(bench.unit)
    judge.feed(bench.block)
    return [e["t_s"] for e in judge.finish()[severity] if e["cause"] == "relay-fault"]


@pytest.mark.parametrize("farad", [0.0047, 0.010, 0.022])
def test_rails_that_fall_as_their_reservoirs_let_them_are_sound(farad: float) -> None:
    assert relay(opened(farad, 0.13, supported=False), "trips") == []


def test_rails_that_stay_up_while_current_flows_are_a_relay_that_did_not_open() -> None:
    (at,) = relay(opened(0.010, 0.13, supported=True), "trips")
    # The largest reservoir allowed for, 47 mF, loses 2 V of charge in 2 V x 0.047 F / 0.13 A = 0.7 s.
    assert 103.0 < at < 110.0


@pytest.mark.parametrize(("times", "told"), [((100.0,), False), ((100.0, 150.0), True)])
def test_a_contact_that_drops_out_by_itself_again_is_told(times: tuple[float, ...], told: bool) -> None:
    bench = Bench(unit(), 200.0)
    for at in times:
        bench.block.mains_on[(bench.block.t_s > at) & (bench.block.t_s <= at + 1.2)] = False
    assert bool(relay(bench, "warnings")) == told
    assert relay(bench, "trips") == []


def test_a_person_who_switches_off_and_on_is_no_drop_out() -> None:
    bench = Bench(unit(), 300.0)
    for at in (100.0, 150.0, 200.0):
        bench.block.mains_on[(bench.block.t_s > at) & (bench.block.t_s <= at + 8.0)] = False
    assert relay(bench, "warnings") == []


def test_a_contact_that_chatters_trips() -> None:
    bench = Bench(unit(), 150.0)
    t = bench.block.t_s
    bench.block.mains_on[(t > 100.0) & (t < 108.0) & (np.floor(t * 2.5) % 2.0 == 0.0)] = False
    (at,) = relay(bench, "trips")
    assert 100.0 < at < 110.0


@pytest.mark.parametrize(("percent", "cause"), [(0.0, "relay-fault"), (50.0, "operator")])
def test_rails_that_stand_where_the_stage_wants_none_are_the_relays(percent: float, cause: str) -> None:
    """Nobody turns a transformer to zero and leaves the rails at their full height; at half it may be a hand."""
    stages = (*unit().stage, UnitStage(100.0, "off", percent, False, False))
    bench = Bench(replace(unit(), stage=stages), 150.0)
    judge = Judge(bench.unit)
    judge.feed(bench.block)
    first = judge.finish()["trips"][0]
    assert first["cause"] == cause
    assert 100.0 < first["t_s"] < 120.0
