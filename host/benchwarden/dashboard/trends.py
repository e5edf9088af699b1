"""The last ten minutes of a run in buckets of one second: what the trend plots draw."""

from __future__ import annotations

import math
import sqlite3
import threading
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from benchwarden.core.channels import INDEX
from benchwarden.core.samples import N, SampleBlock
from benchwarden.errors import RecordError
from benchwarden.record.journal_reader import JournalReader

WINDOW_S = 600
# Frames fetched from the journal in one go: the window at ten frames a second.
_MOST_FRAMES = WINDOW_S * 10

# HF is drawn by its peak and offset by its largest swing, because a mean over
# one second would hide what these two are watched for.
PEAK = frozenset(("hf_left_v", "hf_right_v"))
SWING = frozenset(("offset_left_v", "offset_right_v"))


@dataclass(frozen=True)
class Points:
    """Trend points, oldest first: seconds since run start and one list per channel; None is a gap."""

    t_s: list[float]
    values: dict[str, list[float | None]]
    newest: int


class Buckets:
    """One value per channel and second of run time; bounded to the window."""

    def __init__(self) -> None:
        self._sum: OrderedDict[int, list[float]] = OrderedDict()
        self._count: dict[int, list[int]] = {}

    def add(self, block: SampleBlock) -> None:
        """Take consecutive frames."""
        seconds = np.floor(block.t_s).astype(np.int64)
        for second in np.unique(seconds):
            rows = seconds == second
            self._add_second(int(second), block, rows)
        while len(self._sum) > WINDOW_S + 1:
            gone, _ = self._sum.popitem(last=False)
            del self._count[gone]

    def _add_second(self, second: int, block: SampleBlock, rows: np.ndarray[Any, Any]) -> None:
        totals = self._sum.setdefault(second, [0.0] * N)
        counts = self._count.setdefault(second, [0] * N)
        for channel, at in INDEX.items():
            mean = block.mean[rows, at]
            mean = mean[~np.isnan(mean)]
            if not len(mean):
                continue
            if channel in PEAK:
                most = block.maximum[rows, at]
                most = most[~np.isnan(most)]
                totals[at] = max(totals[at], float(most.max() if len(most) else mean.max()))
                counts[at] = 1
            elif channel in SWING:
                widest = float(mean[np.argmax(np.abs(mean))])
                if not counts[at] or abs(widest) > abs(totals[at]):
                    totals[at] = widest
                counts[at] = 1
            else:
                totals[at] += float(mean.sum())
                counts[at] += len(mean)

    def points(self, after: int, channels: Iterable[str]) -> Points:
        """Return the complete seconds later than `after`, gaps marked by a row of None.

        The newest second is still being filled and is left for the next call.
        """
        wanted = sorted(second for second in self._sum if second > after)[:-1]
        t_s: list[float] = []
        values: dict[str, list[float | None]] = {channel: [] for channel in channels}
        before = after
        for second in wanted:
            if second - before > 2 and (t_s or after >= 0):
                t_s.append(second - 0.5)
                for column in values.values():
                    column.append(None)
            t_s.append(float(second))
            for channel, column in values.items():
                at = INDEX[channel]
                count = self._count[second][at]
                value = self._sum[second][at] / count if count else math.nan
                column.append(value if math.isfinite(value) else None)
            before = second
        return Points(t_s, values, wanted[-1] if wanted else after)


class Trends:
    """Follows the journal of one run folder; a run that has none yet gives no points."""

    def __init__(self, run_dir: Path) -> None:
        self._run_dir = run_dir
        self._lock = threading.Lock()
        self._since = 0
        self._buckets = Buckets()

    def points(self, after: int, channels: Iterable[str]) -> Points:
        """Return what is new after second `after`; -1 asks for the whole window."""
        with self._lock:
            self._read()
            return self._buckets.points(after, tuple(channels))

    def _read(self) -> None:
        try:
            # Opened anew each time: pages are answered by several threads, which
            # may not share a connection, and nothing is held open between reads.
            with JournalReader(self._run_dir) as reader:
                self._since, block = reader.tail(self._since, _MOST_FRAMES)
        except (RecordError, OSError, sqlite3.Error):
            # No journal yet, or one that cannot be read now: the page shows no
            # trend and asks again; its readings come from the status file.
            return
        if len(block):
            self._buckets.add(block)
