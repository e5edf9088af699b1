"""The spread of several runs against numpy's own quantiles and the published definition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.analysis.spread import LEAST_RUNS, per_minute, spread


@settings(deadline=None)
@given(st.lists(st.lists(st.floats(-1e3, 1e3), max_size=12), min_size=1, max_size=30))
def test_median_and_band_are_those_of_definition_8(runs: list[list[float]]) -> None:
    """numpy.quantile(method="median_unbiased") is definition 8 of Hyndman and Fan (1996)."""
    found = spread([np.array(run) for run in runs])
    for step in range(max(map(len, runs))):
        held = [run[step] for run in runs if len(run) > step]
        assert found.count[step] == len(held)
        for p, value in ((0.5, found.median), (0.05, found.low), (0.95, found.high)):
            if len(held) < LEAST_RUNS:
                assert np.isnan(value[step])
            else:
                wanted = np.quantile(held, p, method="median_unbiased")
                assert value[step] == pytest.approx(wanted, rel=1e-9, abs=1e-9)


def test_missing_minutes_do_not_count() -> None:
    nan = float("nan")
    found = spread([np.array([1.0, nan, 5.0]), np.array([2.0, 2.0, nan]), np.array([4.0, 3.0, 7.0]), np.array([3.0])])
    assert found.count.tolist() == [4, 2, 2]
    assert found.median.tolist()[0] == 2.5
    assert np.isnan(found.median[1:]).all()


def test_of_three_runs_the_band_is_the_outermost() -> None:
    found = spread([np.array([1.0]), np.array([9.0]), np.array([4.0])])
    assert (found.low[0], found.median[0], found.high[0]) == (1.0, 4.0, 9.0)


def test_minutes_begin_at_the_alignment_point() -> None:
    t_s = np.arange(5.0, 300.0, 10.0)
    value = t_s.copy()
    value[(t_s > 200.0) & (t_s < 260.0)] = np.nan
    minutes = per_minute(t_s, value, 20.0)
    assert minutes[:3] == pytest.approx([50.0, 110.0, 170.0])
    assert np.isnan(minutes[3])
    assert minutes[4] == pytest.approx(np.mean([265.0, 275.0, 285.0, 295.0]))
    assert len(per_minute(t_s, np.full(len(t_s), np.nan), 0.0)) == 0
