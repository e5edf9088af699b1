"""The attached readings: held against plain sums of the csv module, and judged again."""

from __future__ import annotations

import csv
import io
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.core.channels import BITS, CHANNELS
from benchwarden.core.samples import SampleBlock
from benchwarden.report import sample_table as st_module
from benchwarden.report.sample_table import MOST_ROWS, SampleTable, sample_table


def block(t: np.ndarray, seed: int = 0, lamp_until: float = math.inf, gaps: bool = False) -> SampleBlock:
    rng = np.random.default_rng(seed)
    mean = rng.normal(1.0, 0.1, (len(t), len(CHANNELS))).astype(np.float32)
    if gaps:
        mean[rng.random(mean.shape) < 0.1] = np.nan
        mean[0, 3] = np.inf
    low, high = mean - np.float32(0.01), mean + np.float32(0.01)
    on = t < lamp_until
    return SampleBlock(t, mean, low, high, np.ones(len(t), bool), on, np.zeros(len(t), bool))


def cut(whole: SampleBlock, size: int) -> list[SampleBlock]:
    return [whole.part(at, at + size) for at in range(0, len(whole), size)]


def rows_of(table: SampleTable) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(table.csv.decode())))


def number(text: str) -> float:
    return float(text) if text else math.nan


def test_a_short_run_keeps_every_frame() -> None:
    whole = block(np.round(np.arange(1, 501) * 0.1, 3), gaps=True)
    table = sample_table(cut(whole, 60), [])
    rows = rows_of(table)
    assert (table.step_s, table.rows, table.frames) == (0, 500, 500)
    for k, name in enumerate(CHANNELS):
        for ending, values in (("", whole.mean), ("_min", whole.minimum), ("_max", whole.maximum)):
            read = np.array([number(row[name + ending]) for row in rows], np.float32)
            wanted = np.where(np.isfinite(whole.mean[:, k]), values[:, k], np.float32(np.nan))
            assert np.array_equal(read, wanted, equal_nan=True)
    assert [float(row["t_s"]) for row in rows] == whole.t_s.tolist()
    assert {row[bit] for row in rows for bit in BITS} == {"0", "1"}


@pytest.mark.parametrize("size", [600, 997, 20_000])
def test_a_long_run_becomes_means_with_extremes_whatever_the_blocks(size: int) -> None:
    n = 20_000
    whole = block(np.round(np.arange(1, n + 1) * 0.1, 3), gaps=True)
    table = sample_table(cut(whole, size), [])
    rows = rows_of(table)
    assert table.step_s == 1
    assert table.frames == n
    assert table.rows == len(rows) <= MOST_ROWS
    # The third second by hand.
    frames = [i for i in range(n) if 2.0 <= whole.t_s[i] < 3.0]
    row = next(row for row in rows if 2.0 <= float(row["t_s"]) < 3.0)
    for k, name in enumerate(CHANNELS):
        held = [float(whole.mean[i, k]) for i in frames if math.isfinite(whole.mean[i, k])]
        assert number(row[name]) == pytest.approx(math.fsum(held) / len(held), rel=1e-6)
        least = min(whole.minimum[i, k] for i in frames if math.isfinite(whole.mean[i, k]))
        assert np.float32(row[name + "_min"]) == least


def test_no_row_spans_a_change_of_the_mains_side() -> None:
    whole = block(np.round(np.arange(1, 12_001) * 0.1, 3), lamp_until=600.55)
    rows = rows_of(sample_table(cut(whole, 600), []))
    near = [row for row in rows if 600.0 <= float(row["t_s"]) < 601.0]
    assert [row["limiter_in"] for row in near] == ["1", "0"]
    assert all(row["limiter_in"] == ("1" if float(row["t_s"]) < 600.55 else "0") for row in rows)


def test_around_a_trip_every_frame_is_there() -> None:
    t = np.round(np.arange(1, 20_001) * 0.1, 3)
    table = sample_table(cut(block(t), 600), [1000.0, math.nan])
    near = [float(row["t_s"]) for row in rows_of(table) if 970.0 <= float(row["t_s"]) <= 1005.0]
    assert near == t[(t >= 970.0) & (t <= 1005.0)].tolist()


def test_the_step_grows_with_the_run_and_stays_judgeable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(st_module, "MOST_ROWS", 100)
    for length, step in ((90, 1), (190, 2), (450, 5), (990, 10), (50_000, 10)):
        assert sample_table([block(np.arange(1.0, length, 0.5))], []).step_s == step


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 400), min_size=1, max_size=300), st.integers(1, 50))
def test_time_rises_strictly_whatever_comes(steps: list[int], size: int) -> None:
    # A board that was restarted sends times that do not follow on.
    t = np.array(steps) / 10.0
    table = sample_table(cut(block(t), size), [5.0])
    times = [float(row["t_s"]) for row in rows_of(table)]
    assert times == sorted(set(times))
    assert table.rows == len(times)


def test_without_readings_there_is_only_a_header() -> None:
    table = sample_table([], [])
    assert (table.rows, table.csv.count(b"\n")) == (0, 1)
