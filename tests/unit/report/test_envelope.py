"""Print-width columns against plain numpy over the whole run."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.core.samples import N, SampleBlock
from benchwarden.report.envelope import MOST_COLUMNS, envelope_of


def block(t: np.ndarray, mean: np.ndarray, spread: float = 0.0) -> SampleBlock:
    on = np.ones(len(t), dtype=bool)
    values = np.asarray(mean, dtype=np.float32)
    return SampleBlock(t, values, values - np.float32(spread), values + np.float32(spread), on, ~on, ~on)


def cut(whole: SampleBlock, places: list[int]) -> list[SampleBlock]:
    edges = [0, *sorted(places), len(whole)]
    names = vars(whole)
    return [SampleBlock(**{n: v[a:b] for n, v in names.items()}) for a, b in pairwise(edges)]


@settings(max_examples=40, deadline=None)
@given(
    n=st.integers(2, 3000),
    columns=st.sampled_from([2, 16, 100]),
    seed=st.integers(0, 2**31),
    holes=st.floats(0, 0.3),
    data=st.data(),
)
def test_columns_hold_exactly_the_extremes_and_do_not_depend_on_the_cut(
    n: int, columns: int, seed: int, holes: float, data: st.DataObject
) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.integers(1, 4, n)) / 10.0 - 5.0
    mean = rng.normal(size=(n, N))
    mean[rng.random((n, N)) < holes] = np.nan
    run = block(t, mean, 0.25)
    whole = envelope_of([run], columns)
    parts = envelope_of(cut(run, data.draw(st.lists(st.integers(0, n), max_size=6))), columns)
    for name in ("t_s", "low", "high", "missing", "mains_on", "seen", "values"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(parts, name), err_msg=name)
    # The reference: each frame put into its column one by one.
    column = np.minimum(((t - t[0]) / whole.width_s).astype(int), len(whole.t_s) - 1)
    for c in range(len(whole.t_s)):
        inside = run.minimum[column == c], run.maximum[column == c], run.mean[column == c]
        for k in range(N):
            present = ~np.isnan(inside[2][:, k]) if len(inside[2]) else np.zeros(0, bool)
            if not present.any():
                assert np.isnan(whole.low[c, k])
                continue
            assert whole.low[c, k] == np.nanmin(inside[0][:, k])
            assert whole.high[c, k] == np.nanmax(inside[1][:, k])
            assert whole.mean[c, k] == pytest.approx(np.nanmean(inside[2][:, k].astype(float)), abs=1e-6)


def test_one_scan_in_a_day_survives_to_print() -> None:
    n = 864_000
    t = np.arange(1, n + 1) / 10.0
    mean = np.zeros((n, N), dtype=np.float32)
    mean[654_321, 4] = 37.5
    mean[123_456, 5] = -37.5
    run = block(t, mean)
    env = envelope_of(cut(run, list(range(4096, n, 4096))))
    assert MOST_COLUMNS / 2 < len(env.t_s) <= MOST_COLUMNS
    assert env.high[:, 4].max() == 37.5
    assert env.low[:, 5].min() == -37.5
    at = env.t_s[env.high[:, 4].argmax()]
    assert abs(at - 65_432.2) <= env.width_s / 2
    assert not env.missing.any()
    assert env.frames == n
    assert env.mains_on_s == pytest.approx(86_399.9)


def test_lost_frames_and_a_silent_channel_are_marked_where_they_are() -> None:
    t = np.arange(1, 6001) / 10.0
    keep = (t <= 200.0) | (t > 230.0)
    mean = np.ones((6000, N))
    mean[(t > 400.0) & (t <= 401.0), 7] = np.nan
    mean[t > 590.0, 8] = np.nan
    run = block(t[keep], mean[keep])
    env = envelope_of([run], 600)
    assert env.gap_count == 1
    assert env.gaps == ((200.0, pytest.approx(230.1)),)
    assert env.gap_s == pytest.approx(30.1)
    lost = (env.t_s > 201) & (env.t_s < 229)
    assert env.missing[lost].all()
    assert not env.seen[lost].any()
    at = np.flatnonzero(env.missing[:, 7] & ~lost & (env.t_s > 300))
    assert env.t_s[at[0]] + env.width_s / 2 >= 400.0
    assert env.t_s[at[-1]] - env.width_s / 2 <= 401.0
    assert env.missing[-5:, 8].all()
    assert not env.missing[(env.t_s > 240) & (env.t_s < 399)].any()
    assert env.values[8] == 5900 - 300


def test_frames_out_of_time_are_counted_and_left_out() -> None:
    t = np.array([0.1, 0.2, 0.15, 0.3, 0.3, 0.4])
    env = envelope_of([block(t, np.ones((6, N))), block(np.array([0.35, 0.5]), np.ones((2, N)))])
    assert env.frames == 5
    assert env.backwards == 3


def test_no_frames_give_no_columns() -> None:
    env = envelope_of([])
    assert env.frames == 0
    assert len(env.t_s) == 0
    assert np.isnan(env.last_t_s)
