"""Trend points: what a second's bucket holds, gaps, the window, and what is new."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import FRAME_DTYPE, N, SampleBlock
from benchwarden.dashboard.figures import CHANNELS as DRAWN
from benchwarden.dashboard.figures import MOST_POINTS, TRENDS, extension, figure
from benchwarden.dashboard.trends import WINDOW_S, Buckets, Points, Trends
from benchwarden.record.journal import Journal


def block(t_s: list[float], **columns: list[float]) -> SampleBlock:
    mean = np.zeros((len(t_s), N), np.float32)
    for name, column in columns.items():
        mean[:, INDEX[name]] = column
    bits = np.zeros(len(t_s), bool)
    return SampleBlock(np.array(t_s), mean, mean - 0.1, mean + 0.1, bits, bits, bits)


def test_bias_is_averaged_offset_keeps_its_widest_hf_its_peak() -> None:
    buckets = Buckets()
    buckets.add(
        block([5.1, 5.5, 5.9, 6.0], bias_left_v=[1, 2, 3, 9], offset_left_v=[0.1, -0.4, 0.2, 0], hf_left_v=[1, 5, 2, 0])
    )
    found = buckets.points(-1, CHANNELS)
    assert found.t_s == [5.0]
    assert found.values["bias_left_v"] == [2.0]
    np.testing.assert_allclose(found.values["offset_left_v"], [-0.4], rtol=1e-6)
    np.testing.assert_allclose(found.values["hf_left_v"], [5.1], rtol=1e-6)


def test_cutting_the_stream_differently_changes_nothing() -> None:
    rng = np.random.default_rng(3)
    t_s = [i / 10 for i in range(200)]
    column = rng.normal(size=200).tolist()
    whole, cut = Buckets(), Buckets()
    whole.add(block(t_s, bias_left_v=column, offset_left_v=column, hf_left_v=column))
    for start in range(0, 200, 7):
        part = column[start : start + 7]
        cut.add(block(t_s[start : start + 7], bias_left_v=part, offset_left_v=part, hf_left_v=part))
    one, other = whole.points(-1, CHANNELS), cut.points(-1, CHANNELS)
    assert one.t_s == other.t_s
    for name in CHANNELS:
        np.testing.assert_allclose(one.values[name], other.values[name], rtol=1e-5)


def test_missing_values_and_missing_seconds_are_gaps() -> None:
    buckets = Buckets()
    buckets.add(block([1.0, 2.0, 9.0, 10.0], bias_left_v=[1, float("nan"), 3, 4]))
    found = buckets.points(-1, ("bias_left_v",))
    assert found.values["bias_left_v"] == [1.0, None, None, 3.0]
    assert found.t_s == [1.0, 2.0, 8.5, 9.0]


def test_second_call_brings_only_what_is_new() -> None:
    buckets = Buckets()
    buckets.add(block([float(t) for t in range(10)]))
    first = buckets.points(-1, CHANNELS)
    assert first.newest == 8
    assert buckets.points(first.newest, CHANNELS).t_s == []
    buckets.add(block([10.0, 11.0]))
    assert buckets.points(first.newest, CHANNELS).t_s == [9.0, 10.0]


def test_window_is_bounded() -> None:
    buckets = Buckets()
    for start in range(0, 5000, 100):
        buckets.add(block([float(t) for t in range(start, start + 100)]))
    assert len(buckets.points(-1, CHANNELS).t_s) == WINDOW_S


def frames(first: int, count: int) -> np.ndarray:
    found = np.zeros(count, FRAME_DTYPE)
    found["t_ms"] = 5000 + 100 * np.arange(first, first + count)
    found["valid"] = 0xFFFF
    found["mean"][:, INDEX["bias_left_v"]] = 0.011
    found["min"], found["max"] = found["mean"], found["mean"]
    return found


def test_follows_a_journal_while_it_is_written(tmp_path: Path) -> None:
    trends = Trends(tmp_path)
    assert trends.points(-1, DRAWN).t_s == []
    journal = Journal.create(tmp_path, {"run": "test", "t0_ms": 5000})
    try:
        journal.append_frames(1, np.arange(1, 41, dtype=np.uint32), frames(0, 40))
        journal.commit()
        first = trends.points(-1, DRAWN)
        assert first.t_s == [0.0, 1.0, 2.0]
        np.testing.assert_allclose(first.values["bias_left_v"], 0.011, rtol=1e-6)
        journal.append_frames(1, np.arange(41, 61, dtype=np.uint32), frames(40, 20))
        journal.commit()
        assert trends.points(first.newest, DRAWN).t_s == [3.0, 4.0]
    finally:
        journal.close()


def test_unreadable_journal_gives_no_points(tmp_path: Path) -> None:
    for name in ("journal.db", "journal.sqlite", "run.db"):
        tmp_path.joinpath(name).write_bytes(b"not a database at all" * 100)
    assert Trends(tmp_path).points(-1, DRAWN).t_s == []


def test_first_figure_is_made_of_lists_that_the_browser_can_extend() -> None:
    points = Points([1.0, 2.0], {name: [0.5, None] for name in DRAWN}, 2)
    for trend in TRENDS:
        drawn = json.loads(figure(trend, points).to_json())
        for line in drawn["data"]:
            assert isinstance(line["x"], list)
            assert isinstance(line["y"], list)
            assert line["type"] == "scatter"
        added, lines, most = extension(trend, points)
        assert len(added["x"]) == len(added["y"]) == len(lines) == len(trend.lines)
        assert most == MOST_POINTS
