"""The idle bias after the test signal: time constant, way back, and when it cannot be told."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from signals import Bench, unit

from benchwarden.analysis.judge import Judge
from benchwarden.analysis.seconds import part_of
from benchwarden.core.unit import UnitStage

DRIVE_S, OFF_S = 900.0, 1200.0


def driven(tau_s: float, lift: float, length_s: float = 2300.0, seed: int = 1) -> Bench:
    """Return a run driven from 900 to 1200 s whose left bias is `lift` of itself too high after that."""
    facts = unit(
        load_connected=False,
        stage=(
            UnitStage(0.0, "limiter 100 %", 100.0, True, False),
            UnitStage(30.0, "idle", 100.0, False, False),
            UnitStage(DRIVE_S, "driven", 100.0, False, True),
            UnitStage(OFF_S, "hot idle", 100.0, False, False),
        ),
    )
    bench = Bench(facts, length_s, seed=seed, rate_hz=1.0)
    t = bench.block.t_s
    after = np.where(t >= OFF_S, np.exp(-np.maximum(t - OFF_S, 0.0) / tau_s), 0.0)
    bench.add("bias_left_v", 0.011 * lift * after)
    amps = 0.011 * lift * after / facts.emitter_resistor_ohm
    for name in ("rail_pos_a", "rail_neg_a"):
        bench.add(name, amps)
        bench.bump(name, DRIVE_S, OFF_S, 0.5)
    for name in ("bias_left_v", "bias_right_v"):
        bench.bump(name, DRIVE_S, OFF_S, 0.08)
    bench.block.drive_on[(t >= DRIVE_S) & (t < OFF_S)] = True
    return bench


def recovery(bench: Bench, side: str = "left", piece: int = 10**9) -> dict[str, Any]:
    judge = Judge(bench.unit)
    for start in range(0, len(bench.block), piece):
        judge.feed(part_of(bench.block, start, min(start + piece, len(bench.block))))
    table = judge.finish()
    assert table["trips"] == [], table["trips"]
    found: dict[str, Any] = table["metrics"][side]["recovery"]
    return found


@cache
def usual() -> dict[str, Any]:
    """Return the figures of a left bias 30 % too high after the signal, on its way back with 120 s."""
    bench = driven(120.0, 0.30)
    judge = Judge(bench.unit)
    judge.feed(bench.block)
    found: dict[str, Any] = judge.finish()["metrics"]
    return found


def test_the_way_back_is_timed() -> None:
    found = usual()["left"]["recovery"]
    # 30 % too high, back within 5 % after tau ln(0.30 / 0.05) = 215 s.
    assert found["came_back"] is True
    assert found["tau_s"] == pytest.approx(120.0, rel=0.06)
    assert found["time_to_come_back_s"] == pytest.approx(120.0 * np.log(0.30 / 0.05), rel=0.1)
    assert found["right_after_mv"] / found["before_mv"] == pytest.approx(1.0 + 0.30 * np.exp(-7.5 / 120.0), rel=0.02)
    assert found["drives"] == 1


def test_a_bias_that_stays_high_did_not_come_back() -> None:
    found = recovery(driven(1e9, 0.12, length_s=1600.0))
    assert found["came_back"] is False
    assert found["time_to_come_back_s"] is None


def test_a_bias_that_never_left_is_back_at_once() -> None:
    found = usual()["right"]["recovery"]
    assert found["came_back"] is True
    assert found["time_to_come_back_s"] < 10.0
    assert found["tau_s"] is None


def test_a_run_that_ends_too_soon_cannot_tell() -> None:
    found = recovery(driven(600.0, 0.30, length_s=OFF_S + 120.0))
    assert found["came_back"] is None


def test_without_a_signal_there_is_no_recovery() -> None:
    judge = Judge(unit())
    judge.feed(Bench(unit(), 200.0).block)
    assert judge.finish()["metrics"]["left"]["recovery"] is None


def test_a_missing_bias_leaves_the_other_side() -> None:
    bench = driven(200.0, 0.30, length_s=1600.0)
    bench.put("bias_left_v", np.nan)
    judge = Judge(bench.unit)
    judge.feed(bench.block)
    metrics = judge.finish()["metrics"]
    assert metrics["left"]["recovery"] is None
    assert metrics["right"]["recovery"]["came_back"] is True


def test_the_pieces_of_the_stream_do_not_matter() -> None:
    bench = driven(200.0, 0.30, length_s=1400.0)
    assert recovery(bench) == recovery(bench, piece=211)
