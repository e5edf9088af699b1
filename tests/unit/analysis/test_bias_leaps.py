"""A contact that rests between two levels, against hands that turn a pot (signals of our own, no model)."""

from __future__ import annotations

import numpy as np
import pytest
from signals import Bench, unit

from benchwarden.analysis.judge import Judge
from benchwarden.core.channels import INDEX


def trips(steps: list[tuple[float, float]], frames: int = 1, both: bool = False, rate_hz: float = 10.0) -> list[str]:
    """Judge a run whose left bias steps by (t_s, volts), each within so many frames; return bias-unstable trips."""
    bench = Bench(unit(sample_rate_hz=rate_hz), 700.0, rate_hz=rate_hz)
    t = bench.block.t_s
    moved = np.zeros(len(t))
    for at, volts in steps:
        moved += volts * np.clip((t - at) * rate_hz / frames, 0.0, 1.0)
    for name in ("bias_left_v", "bias_right_v") if both else ("bias_left_v",):
        for array in (bench.block.mean, bench.block.minimum, bench.block.maximum):
            array[:, INDEX[name]] += moved.astype(np.float32)
    judge = Judge(bench.unit)
    judge.feed(bench.block)
    return [e["why"] for e in judge.finish()["trips"] if e["cause"] == "bias-unstable"]


TO_AND_FRO = [(300.0, 0.005), (325.0, -0.005), (380.0, 0.005), (400.0, -0.005), (440.0, -0.004), (470.0, 0.004)]


def test_a_contact_that_rests_on_either_level_trips() -> None:
    (why,) = trips(TO_AND_FRO)
    assert "back to where it was" in why


def test_both_channels_at_once_are_no_contact_of_one() -> None:
    assert trips(TO_AND_FRO, both=True) == []


@pytest.mark.parametrize(
    "steps",
    [
        # Up in three goes, and a correction.
        [(300.0, 0.002), (320.0, 0.002), (340.0, 0.0025), (360.0, -0.002)],
        # Once there and back.
        [(300.0, 0.004), (340.0, -0.004)],
    ],
)
def test_a_hand_that_looks_for_its_level_does_not(steps: list[tuple[float, float]]) -> None:
    assert trips(steps) == []


def test_a_slow_logger_cannot_tell_a_leap_from_a_hand() -> None:
    assert trips(TO_AND_FRO, rate_hz=2.0) == []
