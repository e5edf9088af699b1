"""The only way in and out of the views: snapshots of the status file in, requests out.

Reading opens the status file and closes it again; nothing here locks, waits
for, or writes any file that the supervisor writes.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from benchwarden.core.clock import Clock, SystemClock
from benchwarden.core.requests import Request
from benchwarden.dashboard.status import Status, parse
from benchwarden.errors import RecordError
from benchwarden.record.inbox import post_request
from benchwarden.record.summary import NAME, read_summary

# Ten frames a second are due; this many seconds without one is shouted, so
# that with the page's own polling the person knows within one second.
STALE_S = 0.75
# The contact follows the coil within 150 ms at closing and 100 ms at opening;
# a disagreement older than this is one.
DISAGREE_S = 0.3
# How long a confirmation may stay unanswered before the button comes back.
ANSWER_S = 3.0


@dataclass(frozen=True)
class Snapshot:
    """What a view knows at one instant.

    Attributes:
        status: None while there is no readable status of a run.
        problem: why there is none, in words.
        age_s: seconds since the status file was last replaced.
        data_age_s: seconds since run time last advanced; None before the first data.
        disagree_s: how long coil and contact have contradicted each other; 0 when they agree.
        confirm_sent: the present prompt was confirmed a moment ago.
    """

    status: Status | None
    problem: str
    age_s: float
    data_age_s: float | None
    disagree_s: float
    confirm_sent: bool

    @property
    def stale(self) -> bool:
        """True when the shown readings are not the present ones."""
        if self.status is None or self.status.ended:
            return False
        return self.age_s > STALE_S or (self.data_age_s is not None and self.data_age_s > STALE_S)

    @property
    def last_known(self) -> bool:
        """True when what is shown is the last that was heard, not what is."""
        return self.stale or (self.status is not None and self.status.link == "lost" and not self.status.ended)

    @property
    def silent_s(self) -> float:
        """Seconds since the last news of any kind that counts as data."""
        return max(self.age_s, self.data_age_s or 0.0)

    @property
    def relay_fault(self) -> bool:
        """True when command and contact have disagreed for longer than the relay takes."""
        return self.disagree_s >= DISAGREE_S


_NOTHING = Snapshot(None, "", 0.0, None, 0.0, False)


class Feed:
    """Reads one run folder for any number of pages and threads."""

    def __init__(self, run_dir: Path, clock: Clock | None = None, wall_s: Callable[[], float] = time.time) -> None:
        """Follow `run_dir`, which may not hold a run yet.

        Args:
            wall_s: seconds on the clock that stamps files; compared with the
                status file's time only at the moment a change is noticed.
        """
        self.run_dir = run_dir
        self._clock: Clock = clock or SystemClock()
        self._wall_s = wall_s
        self._lock = threading.Lock()
        self._mark: tuple[int, int, int] | None = None
        self._status: Status | None = None
        self._problem = ""
        self._looked_s: float | None = None
        self._written_s = 0.0
        self._data_t_s: float | None = None
        self._data_s: float | None = None
        self._disagree_since_s: float | None = None
        self._sent: dict[int, float] = {}

    def snapshot(self) -> Snapshot:
        """Return what is known now; a missing or damaged file is told, not raised."""
        with self._lock:
            now_s = self._clock.monotonic_s()
            self._look(now_s)
            if self._status is None:
                return replace(_NOTHING, problem=self._problem)
            since = self._disagree_since_s
            prompt = self._status.prompt
            sent_s = self._sent.get(prompt.id) if prompt else None
            return Snapshot(
                status=self._status,
                problem=self._problem,
                age_s=max(0.0, now_s - self._written_s),
                data_age_s=None if self._data_s is None else max(0.0, now_s - self._data_s),
                disagree_s=0.0 if since is None else now_s - since,
                confirm_sent=sent_s is not None and now_s - sent_s < ANSWER_S,
            )

    def _look(self, now_s: float) -> None:
        try:
            found = (self.run_dir / NAME).stat()
        except OSError as error:
            self._problem = f"no status of a run in {self.run_dir.name} ({error.strerror})"
            return
        mark = (found.st_mtime_ns, found.st_ino, found.st_size)
        if mark == self._mark:
            return
        try:
            status = parse(read_summary(self.run_dir))
        except RecordError as error:
            self._problem = str(error)
            return
        # The file may have been replaced at any time since the last look; its
        # own stamp says when, as far as the wall clock can be trusted.
        since_look_s = float("inf") if self._looked_s is None else now_s - self._looked_s
        age_s = min(max(0.0, self._wall_s() - found.st_mtime), since_look_s)
        self._mark, self._status, self._problem = mark, status, ""
        self._looked_s = now_s
        self._written_s = now_s - age_s
        if status.t_s is None:
            self._data_t_s, self._data_s = None, None
        elif status.t_s != self._data_t_s:
            self._data_t_s, self._data_s = status.t_s, self._written_s
        if not status.relay.disagrees:
            self._disagree_since_s = None
        elif self._disagree_since_s is None:
            self._disagree_since_s = self._written_s

    def ask(self, action: str, by: str, prompt_id: int = 0, text: str = "") -> Request:
        """Leave a request for the supervisor.

        Raises:
            RecordError: the request could not be left.
        """
        request = post_request(self.run_dir, action, by, prompt_id, text)
        if action == "confirm":
            with self._lock:
                self._sent = {prompt_id: self._clock.monotonic_s()}
        return request
