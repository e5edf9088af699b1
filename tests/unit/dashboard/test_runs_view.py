"""One run: its story, its plots and axes, and what lies behind them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import made_runs
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.analysis.spread import per_minute
from benchwarden.core.clock import SystemClock
from benchwarden.dashboard.run_book import RunBook, time_of
from benchwarden.dashboard.run_kind import MOST_RUNS, alike
from benchwarden.dashboard.run_plots import PLOTS, Behind, limits_beyond, plot_figure, track_figure
from benchwarden.dashboard.run_story import KIND_WORDS, story
from benchwarden.dashboard.runs_list import RunRow
from benchwarden.dashboard.time_axis import clock, seconds_of, ticks
from benchwarden.errors import RecordError
from benchwarden.record.journal import Journal

BIAS = PLOTS[0]
NAME = "20260316T080000Z-brackwater"


@pytest.fixture
def book(tmp_path: Path) -> RunBook:
    return RunBook(tmp_path, SystemClock())


@pytest.fixture
def tripped(tmp_path: Path) -> Path:
    return made_runs.write_run(tmp_path / NAME, seconds=402, trip_at_s=400.0, gap=(300.0, 330.0), verdict="trip")


def drawn(book: RunBook, name: str, window: dict[str, Any] | None = None) -> dict[str, Any]:
    seen = book.seen(name, 5.0)
    view = seen.window(window)
    lines, _ = seen.lines(("bias_left_v", "bias_right_v"), view)
    return plot_figure(BIAS, lines, view, Behind(), seen.story.limits, seen.story.held, seen.story.trips_s)


def test_the_story_of_a_run(tripped: Path) -> None:
    found = story(tripped)
    assert found.sentence == "Stopped for too much rail current."
    assert [(stage.name, stage.t0_s, stage.t1_s) for stage in found.held] == [
        ("cold check", 0.0, 60.0),
        ("limiter 100 %", 60.0, 180.0),
        ("idle soak", 180.0, 402.0),
    ]
    assert found.trips_s == (400.0,), "the board's event and the verdict tell of the same trip"
    assert [event.t_s for event in found.events if event.kind == "act"] == [61.0]
    assert {limit.high for limit in found.limits} == {0.0165}
    assert ("Technician", "workshop") in found.facts


def test_a_trip_that_host_and_board_tell_of_is_one(tripped: Path) -> None:
    with Journal.open_existing(tripped) as journal:
        asked = {"t_s": 399.5, "severity": "trip", "cause": "over-current", "channel": "", "why": "too steep"}
        journal.append_note("finding", 399.5, asked)
    assert story(tripped).trips_s == (399.5,)
    with Journal.open_existing(tripped) as journal:
        journal.append_note("finding", 100.0, {**asked, "t_s": 100.0, "cause": "dc-offset"})
    assert story(tripped).trips_s == (100.0, 399.5)


def test_gaps_are_events_once_all_is_read(book: RunBook, tripped: Path) -> None:
    seen = book.seen(NAME, 5.0)
    gaps = [event for event in seen.events if event.kind == "gap"]
    assert [(event.t_s, event.text) for event in gaps] == [(300.0, "no readings for 30 s, until 0:05:30")]
    assert seen.stage_at(200.0) == "idle soak"
    track = track_figure(seen.events, seen.story.held, seen.window(None))
    assert [len(trace["x"]) for trace in track["data"] if trace["name"] == KIND_WORDS["gap"]] == [1]


def test_a_plot_shows_limits_stages_and_the_trip(book: RunBook, tripped: Path) -> None:
    figure = drawn(book, NAME)
    shapes = figure["layout"]["shapes"]
    low, high = figure["layout"]["yaxis"]["range"]
    ruled = [shape for shape in shapes if shape["type"] == "line" and shape.get("y0") == 16.5]
    assert [(shape["x0"], shape["x1"]) for shape in ruled] == [(60.0, 180.0), (180.0, 402.0)]
    assert low < 0.0 < 16.5 < high
    assert [shape["x0"] for shape in shapes if shape["type"] == "rect"] == [60.0]
    assert any(shape["x0"] == shape["x1"] == 400.0 for shape in shapes)
    assert shapes[-1]["visible"] is False, "the last is the moment's, which the page's script moves"
    left = figure["data"][0]
    assert None in left["y"], "the gap"
    assert max(value for value in left["y"] if value is not None) == pytest.approx(10.5, abs=0.3)


def test_a_limit_far_off_is_said_instead_of_drawn(book: RunBook, tripped: Path) -> None:
    window = {"start": 200.0, "stop": 220.0}
    figure = drawn(book, NAME, window)
    assert not [shape for shape in figure["layout"]["shapes"] if shape.get("y0") == 16.5]
    seen = book.seen(NAME)
    assert limits_beyond(BIAS, figure, seen.story.limits, seen.window(window)) == (
        "limit outside the picture: 16.50 mV"
    )


def test_scans_take_the_place_of_frames_around_a_trip(book: RunBook, tripped: Path) -> None:
    seen = book.seen(NAME, 5.0)
    window = seen.window({"start": 397.0, "stop": 401.0})
    lines, scans = seen.lines(("rail_pos_a",), window)
    assert scans == (398.0, pytest.approx(400.49))
    t_s = lines["rail_pos_a"].t_s
    assert t_s == sorted(t_s)
    assert {round(398.0 + 0.01 * k, 2) for k in range(250)} <= {round(t, 2) for t in t_s}
    assert seen.lines(("rail_pos_a",), seen.window(None))[1] is None


def test_another_run_is_moved_to_the_alignment_point(book: RunBook, tmp_path: Path, tripped: Path) -> None:
    made_runs.write_run(tmp_path / "20260310T080000Z-a", seconds=300, level_mv=9.0)
    seen = book.seen(NAME, 5.0)
    args = (NAME, seen, seen.window(None), ("bias_left_v",), "20260310T080000Z-a")
    behind, said, ready = book.behind(*args, "", False)
    line = behind.over["bias_left_v"]
    assert (ready, line.t_s[0]) == (True, pytest.approx(0.0, abs=0.2))
    assert max(value for value in line.value if value is not None) == pytest.approx(0.0082, abs=5e-4)
    assert "2026-03-10T08:00:00Z" in said[0]
    _, said, _ = book.behind(*args, "no such stage", False)
    assert said == ["This run never reached the stage “no such stage”."]


def test_the_spread_is_of_passed_runs_of_the_kind(book: RunBook, tmp_path: Path, tripped: Path) -> None:
    levels = (9.0, 11.0, 12.0, 14.0)
    for day, level in enumerate(levels):
        made_runs.write_run(tmp_path / f"2026020{day + 1}T080000Z-a", seconds=400, level_mv=level)
    made_runs.write_run(tmp_path / "20260205T080000Z-b", seconds=300, level_mv=50.0, unit={"model": "other"})
    made_runs.write_run(tmp_path / "20260206T080000Z-c", seconds=300, level_mv=50.0, verdict="trip")
    seen = book.seen(NAME, 5.0)
    ready = False
    while not ready:
        behind, said, ready = book.behind(NAME, seen, seen.window(None), ("bias_left_v",), "", "idle soak", True)
    assert "of 4 passed runs" in said[-1]
    assert behind.spread_from_s == 180.0
    found = behind.spread["bias_left_v"]
    minutes = []
    for day in range(4):
        other = book.seen(f"2026020{day + 1}T080000Z-a", 5.0).overview
        t_s, means = other.seconds(["bias_left_v"], 180.0, 400.0)
        minutes.append(per_minute(t_s, means["bias_left_v"], 180.0))
    wanted = np.quantile(np.array(minutes), [0.05, 0.5, 0.95], axis=0, method="median_unbiased")
    assert np.array([found.low, found.median, found.high]) == pytest.approx(wanted, rel=1e-4)


def test_fewer_than_three_runs_have_no_spread(book: RunBook, tmp_path: Path, tripped: Path) -> None:
    made_runs.write_run(tmp_path / "20260201T080000Z-a", seconds=70)
    seen = book.seen(NAME, 5.0)
    behind, said, ready = book.behind(NAME, seen, seen.window(None), ("bias_left_v",), "", "", True)
    assert (behind.spread, ready) == ({}, True)
    assert "at least 3" in said[0]
    assert "there is 1" in said[0]


def test_only_the_newest_are_compared_with() -> None:
    rows = [RunRow(f"{k:03d}", model="M", kind="burn-in", verdict="pass") for k in range(50)]
    found = alike(rows, RunRow("x", model="m", kind="burn-in"))
    assert [row.name for row in found] == [f"{k:03d}" for k in range(MOST_RUNS)]
    assert alike(rows, RunRow("x", model="m", kind="burn-in", virtual=True)) == [], "no mixing with the virtual bench"


def test_a_run_that_is_none_is_refused(book: RunBook) -> None:
    for name in ("../x", "", "nowhere"):
        with pytest.raises(RecordError, match="no run of this name"):
            book.seen(name)


def test_hostile_text_is_escaped_where_the_plots_read_html(book: RunBook, tmp_path: Path) -> None:
    text = "<b onclick=alert(1)>%{x}</b>"
    run_dir = made_runs.write_run(tmp_path / NAME, seconds=70, plan=[made_runs.stage_table(text, True)])
    with Journal.open_existing(run_dir) as journal:
        journal.append_note("message", 5.0, {"text": text})
        journal.append_note("stage", 6.0, {**made_runs.stage_table(text, True), "status": "now", "why": text})
    seen = book.seen(NAME, 5.0)
    track = str(track_figure(seen.events, seen.story.held, seen.window(None)))
    assert "&lt;b onclick" in track
    assert "<b" not in track
    assert "%{x}" not in track


# -- time along an axis -------------------------------------------------------------


@given(st.floats(-1e4, 1e6), st.floats(1e-2, 1e6))
def test_any_window_has_few_marks_in_it(start_s: float, width_s: float) -> None:
    places, texts = ticks(start_s, start_s + width_s)
    assert 1 <= len(places) <= 8 or width_s < 0.01
    assert all(start_s - 1e-3 <= place <= start_s + width_s + 1e-3 for place in places)
    assert len(set(texts)) == len(texts)


def test_ticks_of_known_windows() -> None:
    assert ticks(0.0, 259200.0)[1] == [
        "0:00:00",
        "12:00:00",
        "24:00:00",
        "36:00:00",
        "48:00:00",
        "60:00:00",
        "72:00:00",
    ]
    assert ticks(59.9, 60.3)[1] == ["0:00:59.9", "0:01:00.0", "0:01:00.1", "0:01:00.2", "0:01:00.3"]


@given(st.integers(0, 10**7))
def test_a_written_time_reads_back(tenths: int) -> None:
    assert seconds_of(clock(tenths / 10.0, 1)) == pytest.approx(tenths / 10.0)


@pytest.mark.parametrize("text", ["", "x", "1:2:3:4", "nan", "1:inf"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r".*"):
        seconds_of(text)


def test_short_ways_to_write_a_time() -> None:
    assert [seconds_of(text) for text in ("90", "1:30", "0:01:30,5", "−5")] == [90.0, 90.0, 90.5, -5.0]


@pytest.mark.parametrize("value", [None, "5", True, math.nan, math.inf, 1e300, []])
def test_what_a_browser_sends_as_a_time(value: object) -> None:
    assert time_of(value) is None
    assert time_of(5) == 5.0
