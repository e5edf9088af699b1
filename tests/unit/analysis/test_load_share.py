"""What DC through a load adds to a bias drop: two exponential junctions, and clicks that add nothing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from idle_seconds import STAGE, Idle
from signals import unit

from benchwarden.analysis.seconds import Second
from benchwarden.analysis.situation import BIAS, OFFSET, Facts, Situation
from benchwarden.core.channels import BITS

FACTS = Facts.of(replace(unit(), load_connected=True), BITS)
OHM, LOAD_OHM = 0.22, 8.0


def fed(offsets_v: list[float], drop_v: float) -> Situation:
    now = Situation(FACTS)
    seconds: list[Second] = list(Idle(np.full(len(offsets_v), drop_v)).seconds())
    for second, offset in zip(seconds, offsets_v, strict=True):
        second.mean[OFFSET[0]] = offset
        now.update(second, STAGE)
    return now


@pytest.mark.parametrize("offset_v", [0.02, -0.02, 0.3, 2.0])
def test_the_idle_current_is_what_two_exponential_junctions_leave(offset_v: float) -> None:
    """i+ - i- = load, i+ i- = idle squared (law of two exponential junctions, textbook relation)."""
    idle_a, load_a = 0.05, abs(offset_v) / LOAD_OHM
    upper_a = 0.5 * load_a + math.sqrt(idle_a**2 + 0.25 * load_a**2)
    now = fed([offset_v] * 4, upper_a * OHM)
    assert now.idle_drop_v(0) == pytest.approx(idle_a * OHM, rel=1e-9)
    assert now.idle_drop_v(0) + now.load_share_v(0) == pytest.approx(upper_a * OHM, rel=1e-12)


def test_a_click_on_the_output_is_no_current_through_the_load() -> None:
    before = fed([0.01, 0.01, 0.01], 0.011).idle_drop_v(0)
    assert fed([0.01, 0.01, 1.5], 0.011).idle_drop_v(0) == before
    # What stays is believed a second later.
    assert fed([0.01, 1.5, 1.5], 0.011).idle_drop_v(0) < 0.5 * before


def test_without_a_load_or_an_offset_reading_the_drop_is_the_reading() -> None:
    assert fed([math.nan] * 3, 0.011).idle_drop_v(0) == 0.011
    now = Situation(Facts.of(replace(unit(), load_connected=False), BITS))
    (second,) = Idle(np.array([0.011])).seconds()
    second.mean[OFFSET[0]] = 0.5
    now.update(second, STAGE)
    assert now.idle_drop_v(0) == second.mean[BIAS[0]]
    assert now.load_share_v(0) == 0.0
