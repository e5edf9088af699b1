"""What the runs page reads: rows, stories and overviews, kept as long as the runs do not change."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.core.clock import Clock
from benchwarden.dashboard.run_kind import KindSpread, RunKinds, alike
from benchwarden.dashboard.run_names import run_folder
from benchwarden.dashboard.run_plots import Behind, Window
from benchwarden.dashboard.run_story import RunEvent, Story, story
from benchwarden.dashboard.runs_list import RunRow, RunsList, stamp_of
from benchwarden.dashboard.time_axis import clock as clock_text
from benchwarden.errors import BenchwardenError
from benchwarden.record.overview import Overview, Overviews
from benchwarden.record.thinning import Line

# How long one answer reads at most: the rest comes with the next.
BUDGET_S = 0.25
MOST_POINTS = 900
_LEAST_WINDOW_S = 0.2
_MOST_STORIES = 8
# In a wider window the scans of a full-rate record are closer together than its frames need.
_SCANS_UP_TO_S = 30.0
# A browser may send any number.
_FURTHEST_S = 1e9


@dataclass(frozen=True)
class Seen:
    """One run as it stands now.

    Attributes:
        events: of the story, and gaps of the record once all of it is read.
        complete: share of the run that the overview holds.
    """

    story: Story
    overview: Overview
    events: tuple[RunEvent, ...]
    complete: float
    first_s: float
    last_s: float

    def window(self, wanted: Mapping[str, Any] | None, moment_s: float | None = None) -> Window:
        """Return what a browser asks to see, kept to times that make sense."""
        found = wanted or {}
        first_s, last_s = self.first_s, max(self.last_s, self.first_s + 1.0)
        start_s, stop_s = time_of(found.get("start")), time_of(found.get("stop"))
        if found.get("whole") or start_s is None or stop_s is None:
            return Window(first_s, last_s, moment_s)
        room_s = last_s - first_s
        start_s = min(max(start_s, first_s - room_s), last_s)
        stop_s = min(max(stop_s, start_s + _LEAST_WINDOW_S), last_s + room_s)
        return Window(start_s, stop_s, moment_s)

    def stage_at(self, t_s: float) -> str:
        """Return the name of the stage that was held at a time, "" for none."""
        for stage in self.story.held:
            if stage.t0_s <= t_s and (math.isnan(stage.t1_s) or t_s < stage.t1_s):
                return stage.name
        return ""

    def aligned_s(self, stage: str) -> float | None:
        """Return when the first stage of this name began, 0 for no name; None when it never did."""
        if not stage:
            return 0.0
        return next((held.t0_s for held in self.story.held if held.name == stage), None)

    def lines(self, channels: Sequence[str], window: Window) -> tuple[dict[str, Line], tuple[float, float] | None]:
        """Return what to draw, and from when to when it is of the full-rate record around a trip.

        Raises:
            RecordError: the run cannot be read.
        """
        lines = self.overview.lines(channels, window.start_s, window.stop_s, MOST_POINTS)
        if window.width_s > _SCANS_UP_TO_S:
            return lines, None
        for burst in self.overview.bursts():
            start_s, stop_s = float(burst.t_s[0]), float(burst.t_s[-1])
            if start_s < window.stop_s and stop_s > window.start_s:
                scans = burst.lines(channels)
                return {name: _with_scans(lines[name], scans[name], start_s, stop_s) for name in channels}, (
                    start_s,
                    stop_s,
                )
        return lines, None


def _with_scans(line: Line, scans: Line, start_s: float, stop_s: float) -> Line:
    """Return a line of frames with its part from start_s to stop_s replaced by scans."""
    before = [k for k, t_s in enumerate(line.t_s) if t_s < start_s]
    after = [k for k, t_s in enumerate(line.t_s) if t_s > stop_s]
    return Line(
        [*(line.t_s[k] for k in before), *scans.t_s, *(line.t_s[k] for k in after)],
        [*(line.value[k] for k in before), *scans.value, *(line.value[k] for k in after)],
    )


def time_of(value: object) -> float | None:
    """Return a time that a browser sent, None when it is none."""
    if not isinstance(value, (int, float)) or isinstance(value, bool):
        return None
    return float(value) if abs(value) < _FURTHEST_S else None


class RunBook:
    """Reads runs by the names that a browser sends."""

    def __init__(self, runs: Path, clock: Clock) -> None:
        self.runs = runs
        self._lock = threading.Lock()
        self._list = RunsList(runs, clock)
        self._overviews = Overviews(runs, clock=clock)
        self._kinds = RunKinds(runs, clock)
        self._stories: OrderedDict[str, tuple[tuple[int, ...], Story]] = OrderedDict()

    def rows(self) -> list[RunRow]:
        """Return all runs, newest first."""
        return self._list.rows()

    def folder(self, name: str) -> Path:
        """Return a run's folder.

        Raises:
            RecordError: there is no such run.
        """
        return run_folder(self.runs, name)

    def story(self, name: str) -> Story:
        """Return what happened in a run.

        Raises:
            RecordError: there is no such run.
        """
        run_dir = self.folder(name)
        stamp = stamp_of(run_dir)
        with self._lock:
            held = self._stories.pop(name, None)
            if held is None or held[0] != stamp:
                held = stamp, story(run_dir)
            self._stories[name] = held
            while len(self._stories) > _MOST_STORIES:
                self._stories.popitem(last=False)
            return held[1]

    def others(self, name: str) -> list[RunRow]:
        """Return the runs to compare with: those of the same set first, each group newest first."""
        row = self.story(name).row
        rows = [other for other in self.rows() if other.name != name and not other.problem]
        return sorted(rows, key=lambda other: not _is_same_set(other, row))

    def seen(self, name: str, budget_s: float = BUDGET_S) -> Seen:
        """Return a run as it stands now, having read for about `budget_s` at most.

        Raises:
            RecordError: there is no such run, or it cannot be read.
        """
        found = self.story(name)
        overview = self._overviews.of(name)
        overview.update(budget_s)
        gaps = [
            RunEvent(start_s, "gap", f"no readings for {stop_s - start_s:.0f} s, until {clock_text(stop_s)}")
            for start_s, stop_s in overview.gaps()
        ]
        events = tuple(sorted((*found.events, *gaps), key=lambda event: event.t_s)) if gaps else found.events
        first_s, last_s = overview.first_s, overview.last_s
        if math.isnan(first_s):
            first_s, last_s = 0.0, 1.0
        return Seen(found, overview, events, overview.complete, first_s, last_s)

    def behind(
        self, name: str, seen: Seen, window: Window, channels: Sequence[str], over: str, stage: str, wants_spread: bool
    ) -> tuple[Behind, list[str], bool]:
        """Return what to draw behind a run, what to say of it, and whether all of it is read.

        Args:
            over: name of another run, "" for none.
            stage: name of the stage at whose start runs are aligned, "" for the start of the run.
        """
        said: list[str] = []
        ready = True
        lines: dict[str, Line] = {}
        over_name = ""
        aligned_s = seen.aligned_s(stage)
        if aligned_s is None:
            return Behind(), [f"This run never reached the stage “{stage}”."], True
        if over:
            try:
                other = self.seen(over)
                from_s = other.aligned_s(stage)
                over_name = other.story.row.started or over
                if from_s is None:
                    said.append(f"{over_name} never reached the stage “{stage}”, so it cannot be laid over.")
                else:
                    shift_s = aligned_s - from_s
                    lines = {
                        channel: Line([t_s + shift_s for t_s in line.t_s], line.value)
                        for channel, line in other.overview.lines(
                            channels, window.start_s - shift_s, window.stop_s - shift_s, MOST_POINTS // 2
                        ).items()
                    }
                    ready = other.complete >= 1.0
                    said.append(f"Dashed and dotted: the run of {over_name}.")
            except BenchwardenError:
                said.append("The other run cannot be read.")
        kind = KindSpread("", True)
        if wants_spread:
            kind = self._kinds.spread(alike(self.rows(), self.story(name).row), stage, BUDGET_S)
            said.append(kind.said)
        spread = {channel: kind.spread[channel] for channel in channels if channel in kind.spread}
        return Behind(lines, spread, aligned_s), said, ready and kind.is_ready


def _is_same_set(other: RunRow, row: RunRow) -> bool:
    return bool(row.serial) and (other.model.casefold(), other.serial) == (row.model.casefold(), row.serial)
