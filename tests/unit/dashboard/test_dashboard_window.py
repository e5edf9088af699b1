"""The part of a run on view, whatever a browser asks for."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.dashboard.window import LEAST_S, dragged, moved, window_of

DAY_S = 86400.0
ACTS = ("whole", "latest", "in", "out", "left", "right", "nonsense", "")


@given(st.lists(st.sampled_from(ACTS), max_size=40), st.floats(0.2, 300_000.0))
def test_no_row_of_presses_leaves_the_run(acts: list[str], last_s: float) -> None:
    window = window_of(None, 0.0, last_s)
    for act in acts:
        window = moved(window, act, 0.0, last_s)
        assert 0.0 <= window.start_s < window.stop_s <= last_s + LEAST_S
        assert window.span_s >= min(LEAST_S, last_s) * 0.999
    assert moved(window, "whole", 0.0, last_s).whole


def test_zooming_in_and_out_comes_back_to_the_whole() -> None:
    window = window_of(None, 0.0, 3.0 * DAY_S)
    for _ in range(30):
        window = moved(window, "in", 0.0, 3.0 * DAY_S)
    # From three days down to a scan or so.
    assert window.span_s == pytest.approx(LEAST_S, rel=0.01)
    for _ in range(30):
        window = moved(window, "out", 0.0, 3.0 * DAY_S)
    assert window.whole


def test_a_push_against_an_end_keeps_the_width() -> None:
    window = window_of([100.0, 200.0], 0.0, 1000.0)
    for _ in range(30):
        window = moved(window, "right", 0.0, 1000.0)
    assert (window.start_s, window.stop_s) == (900.0, 1000.0)


@pytest.mark.parametrize(
    "data", [None, [], [1], [2, 1], [1, 1], ["a", "b"], [math.nan, 5], [None, None], {"a": 1}, "10,20", 7, [1e400, 2]]
)
def test_what_is_no_window_is_the_whole_run(data: Any) -> None:
    assert window_of(data, 0.0, 100.0).whole


def test_a_run_without_frames_has_a_window() -> None:
    window = window_of([5.0, 6.0], math.nan, math.nan)
    assert window.span_s > 0.0


@pytest.mark.parametrize(
    ("relayout", "found"),
    [
        ({"xaxis.range[0]": 1.0, "xaxis.range[1]": 2.5}, [1.0, 2.5]),
        ({"xaxis.range": [1.0, 2.5]}, [1.0, 2.5]),
        ({"xaxis.autorange": True}, []),
        ({"autosize": True}, None),
        ({"xaxis.range[0]": "now", "xaxis.range[1]": 2}, None),
        ({"xaxis.range": [1.0]}, None),
        ({"yaxis.range[0]": 1.0, "yaxis.range[1]": 2.0}, None),
        (None, None),
        ([1, 2], None),
    ],
)
def test_what_a_drag_asks_for(relayout: Any, found: Any) -> None:
    assert dragged(relayout) == found
