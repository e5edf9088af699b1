"""The part of a run that is on view: whole, or between two times; moved by buttons, keys or a drag."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from benchwarden.dashboard.status import number

# Two scans of the board are 10 ms apart; closer there is nothing to see.
LEAST_S = 0.1
_LATEST_S = 600.0


@dataclass(frozen=True)
class Window:
    """Run time on view, seconds; `whole` follows a run that is still going on."""

    start_s: float
    stop_s: float
    whole: bool

    @property
    def span_s(self) -> float:
        return self.stop_s - self.start_s

    def data(self) -> list[float] | None:
        """Return what a page keeps of it; None for the whole run."""
        return None if self.whole else [self.start_s, self.stop_s]


def window_of(data: Any, first_s: float, last_s: float) -> Window:
    """Return the window a page kept, cut to the run; the whole run for anything else.

    Args:
        data: two numbers, as `Window.data` gave them; a browser may send whatever it likes.
        first_s, last_s: where the run begins and ends; NaN for a run without frames.
    """
    if not (math.isfinite(first_s) and math.isfinite(last_s)):
        first_s, last_s = 0.0, 1.0
    last_s = max(last_s, first_s + LEAST_S)
    low, high = (number(part) for part in data) if isinstance(data, list) and len(data) == 2 else (None, None)
    if low is None or high is None or high <= low:
        return Window(first_s, last_s, True)
    low = min(max(low, first_s), last_s - LEAST_S)
    high = min(max(high, low + LEAST_S), last_s)
    return Window(low, high, False)


def moved(window: Window, act: str, first_s: float, last_s: float) -> Window:
    """Return the window after a button.

    Args:
        act: "whole", "latest" (ten minutes), "in", "out", "left" or "right"; anything else leaves it.
    """
    middle, half = (window.start_s + window.stop_s) / 2.0, window.span_s / 2.0
    match act:
        case "whole":
            return window_of(None, first_s, last_s)
        case "latest":
            return window_of([last_s - _LATEST_S, last_s], first_s, last_s)
        case "in":
            half /= 2.0
        case "out":
            half *= 2.0
        case "left":
            middle -= half
        case "right":
            middle += half
        case _:
            return window
    if act == "out" and 2.0 * half >= last_s - first_s:
        return window_of(None, first_s, last_s)
    # Pushed against an end it keeps its width.
    middle = min(max(middle, first_s + half), max(last_s - half, first_s + half))
    return window_of([middle - half, middle + half], first_s, last_s)


def dragged(relayout: Any, axis: str = "xaxis") -> list[float] | None:
    """Return the two times, in minutes, that a drag on a plot asks for; [] for the whole, None for something else."""
    if not isinstance(relayout, dict):
        return None
    if relayout.get(f"{axis}.autorange") is True:
        return []
    given = relayout.get(f"{axis}.range")
    pair = given if isinstance(given, list) else [relayout.get(f"{axis}.range[0]"), relayout.get(f"{axis}.range[1]")]
    low, high = (number(part) for part in pair) if len(pair) == 2 else (None, None)
    return None if low is None or high is None else [low, high]
