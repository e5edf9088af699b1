"""The runs of one kind: which there are, and how they spread; read a little at a time."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from benchwarden.analysis.spread import LEAST_RUNS, Spread, per_minute, spread
from benchwarden.core.channels import CHANNELS
from benchwarden.core.clock import Clock
from benchwarden.core.samples import FloatArray
from benchwarden.dashboard.run_story import story
from benchwarden.dashboard.runs_list import RunRow
from benchwarden.errors import BenchwardenError
from benchwarden.record.journal_format import NAME as JOURNAL
from benchwarden.record.overview import Overview

MOST_RUNS = 30
# Means are kept this fine, so that a minute may begin at any stage.
_STEP_S = 10


@dataclass(frozen=True)
class _Means:
    """One run in steps of ten seconds, and when its stages began."""

    stamp: tuple[int, int]
    t_s: FloatArray
    value: dict[str, FloatArray]
    stage_s: dict[str, float]


@dataclass(frozen=True)
class KindSpread:
    """The spread of a kind, and what to say of it.

    Attributes:
        spread: per channel, minutes since the alignment point; empty while there is none to show.
        said: how many runs, or why there is nothing.
        is_ready: False while runs are still being read.
    """

    said: str
    is_ready: bool
    spread: dict[str, Spread] = field(default_factory=dict)


def alike(rows: Sequence[RunRow], row: RunRow) -> list[RunRow]:
    """Return the other passed runs of the same model and kind, newest first, at most MOST_RUNS."""
    found = [
        other
        for other in rows
        if other.name != row.name
        and other.verdict == "pass"
        and not other.problem
        and (other.model.casefold(), other.kind, other.virtual) == (row.model.casefold(), row.kind, row.virtual)
    ]
    return found[:MOST_RUNS]


class RunKinds:
    """Keeps the means of runs that were compared with."""

    def __init__(self, runs: Path, clock: Clock) -> None:
        self._runs = runs
        self._clock = clock
        self._lock = threading.Lock()
        self._known: dict[str, _Means] = {}
        self._reading: tuple[str, Overview] | None = None

    def spread(self, others: Sequence[RunRow], stage: str, budget_s: float) -> KindSpread:
        """Return how `others` spread, minute by minute since their start or that of a stage.

        Args:
            others: runs as `alike` returns them.
            stage: name of the stage at whose start they are aligned; "" for the start of the run.
            budget_s: about how long to read at most; ask again while it is not ready.
        """
        if len(others) < LEAST_RUNS:
            return KindSpread(
                f"The spread needs at least {LEAST_RUNS} other passed runs of the same model and kind; "
                f"there {'is' if len(others) == 1 else 'are'} {len(others) or 'none'}.",
                True,
            )
        with self._lock:
            end_s = self._clock.monotonic_s() + budget_s
            known: list[_Means] = []
            for at, row in enumerate(others):
                means = self._means(row.name, end_s)
                if means is None:
                    return KindSpread(f"Reading run {at + 1} of {len(others)} for the spread …", False)
                known.append(means)
            wanted = {row.name for row in others}
            # Those of another kind make room.
            if len(self._known) > 2 * MOST_RUNS:
                self._known = {name: means for name, means in self._known.items() if name in wanted}
        aligned = [(means, means.stage_s.get(stage) if stage else 0.0) for means in known]
        used = [(means, start_s) for means, start_s in aligned if start_s is not None and len(means.t_s)]
        if len(used) < LEAST_RUNS:
            where = f"reached the stage “{stage}”" if stage else "hold readings"
            return KindSpread(f"Only {len(used)} of {len(others)} runs of its kind {where}; {LEAST_RUNS} needed.", True)
        found = {
            channel: spread([per_minute(means.t_s, means.value[channel], start_s) for means, start_s in used])
            for channel in CHANNELS
        }
        said = f"Median and 5 to 95 % of {len(used)} passed runs of the same model and kind, minute by minute."
        return KindSpread(said, True, found)

    def _means(self, name: str, end_s: float) -> _Means | None:
        """Return the means of a run, None while they are still being read."""
        try:
            found = (self._runs / name / JOURNAL).stat()
            stamp = found.st_mtime_ns, found.st_size
        except OSError:
            stamp = 0, 0
        held = self._known.get(name)
        if held is not None and held.stamp == stamp:
            return held
        if self._reading is None or self._reading[0] != name:
            if self._reading is not None:
                self._reading[1].close()
            self._reading = name, Overview(self._runs / name, self._clock)
        overview = self._reading[1]
        try:
            while overview.complete < 1.0 or np.isnan(overview.first_s):
                left_s = end_s - self._clock.monotonic_s()
                if left_s <= 0.0:
                    return None
                overview.update(left_s)
                if overview.complete >= 1.0:
                    break
            t_s, value = overview.seconds(CHANNELS, -np.inf, np.inf, _STEP_S)
        except BenchwardenError:
            t_s, value = np.empty(0), {channel: np.empty(0) for channel in CHANNELS}
        overview.close()
        self._reading = None
        stage_s: dict[str, float] = {}
        for stage in story(self._runs / name).held:
            stage_s.setdefault(stage.name, stage.t0_s)
        self._known[name] = _Means(stamp, t_s, {key: of.astype(np.float32) for key, of in value.items()}, stage_s)
        return self._known[name]
