"""What every page is given: the folders, the run on view, and who is asking."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from dash import Dash
from flask import has_request_context, request

from benchwarden.core.clock import Clock
from benchwarden.dashboard.confirm import TwoStep
from benchwarden.dashboard.feed import Feed
from benchwarden.dashboard.sharing import SHARED, Sharing
from benchwarden.dashboard.trends import Trends
from benchwarden.errors import StageError
from benchwarden.record.journal_format import NAME as JOURNAL_NAME
from benchwarden.record.summary import NAME as STATUS_NAME

_LOOK_EVERY_S = 0.5


@dataclass(frozen=True)
class Folders:
    """Where the pages read from; nothing outside them is reachable from a browser.

    Attributes:
        runs: one folder per run.
        records: of the boards, and the settings kept with them.
        units: unit and plan files made on the plan page.
        jobs: address of the job store: a folder, or a database server.
    """

    runs: Path
    records: Path
    units: Path
    jobs: str = "benchwarden-jobs"


@dataclass(frozen=True)
class RunOnView:
    """One run folder with what the bench page needs of it."""

    run_dir: Path
    feed: Feed
    trends: Trends
    two_step: TwoStep


class Followed:
    """Which run the bench page shows: the one it was started for, else the newest in the runs folder."""

    def __init__(self, runs: Path, run_dir: Path | None, clock: Clock) -> None:
        self._runs = runs
        self._fixed = run_dir is not None
        self._clock = clock
        self._lock = threading.Lock()
        self._looked_s = clock.monotonic_s()
        self._run = self._opened(run_dir or self._newest() or runs)

    @property
    def is_fixed(self) -> bool:
        """True when the page was started for one run."""
        return self._fixed

    def run(self) -> RunOnView:
        """Return the run to show now."""
        with self._lock:
            now_s = self._clock.monotonic_s()
            if not self._fixed and now_s - self._looked_s >= _LOOK_EVERY_S:
                self._looked_s = now_s
                newest = self._newest()
                if newest is not None and newest != self._run.run_dir:
                    self._run = self._opened(newest)
            return self._run

    def _opened(self, run_dir: Path) -> RunOnView:
        feed = Feed(run_dir, self._clock)
        return RunOnView(run_dir, feed, Trends(run_dir), TwoStep(feed, self._clock))

    def _newest(self) -> Path | None:
        try:
            # Names begin with the time of their start.
            found = sorted((path for path in self._runs.iterdir() if path.is_dir()), key=lambda path: path.name)
        except OSError:
            return None
        for path in reversed(found):
            if (path / STATUS_NAME).exists() or (path / JOURNAL_NAME).exists():
                return path
        return None


@dataclass
class Context:
    """Given to each page when it is built.

    Attributes:
        readable: address of the page and outputs of each callback that only shows
            something. A viewer on another machine may call these and no others.
    """

    folders: Folders
    followed: Followed
    clock: Clock
    sharing: Sharing
    readable: set[tuple[str, str]] = field(default_factory=set)

    @contextlib.contextmanager
    def reading(self, app: Dash) -> Iterator[None]:
        """Mark the callbacks defined inside as showing only, open to viewers on other machines."""
        before = set(app.callback_map)
        yield
        page = str(app.config.requests_pathname_prefix)
        self.readable |= {(page, output) for output in set(app.callback_map) - before}

    def viewer(self) -> bool:
        """Return True while a request from another machine is answered."""
        return has_request_context() and bool(request.environ.get(SHARED))

    def at_the_bench(self) -> None:
        """Make sure the present request comes from the bench machine itself.

        Raises:
            StageError: it comes over the shared address.
        """
        if self.viewer():
            raise StageError("only the bench machine itself may do this; from here you can look, and open the relay")


@dataclass(frozen=True)
class Page:
    """One page: its name in the navigation, its address, and what fills a Dash app with it.

    Attributes:
        private: holds customers' names; answers on the bench machine only, whatever is shared.
    """

    name: str
    path: str
    build: Callable[[Dash, Context], None]
    private: bool = False
