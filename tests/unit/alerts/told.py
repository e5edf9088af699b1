"""Rules played by hand: looks at made-up statuses, half a second apart, on a clock that the test owns."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dashboard"))

import fake_run

from benchwarden.alerts.notice import Notice
from benchwarden.alerts.rules import Moment, State, judge, stopped
from benchwarden.dashboard.feed import Snapshot
from benchwarden.dashboard.status import parse
from benchwarden.record.alert_settings import AlertSettings

WALL_S = 1_800_000_000.0
WAYS = ("sound", "json://bench.example")


def snapshot(table: dict[str, Any] | None, **changes: Any) -> Snapshot:
    """Return what a feed would say of a status table that was just written."""
    found = {
        "status": None if table is None else parse(table),
        "problem": "" if table is not None else "no status of a run in run (No such file or directory)",
        "age_s": 0.1,
        "data_age_s": 0.1,
        "disagree_s": 0.0,
        "confirm_sent": False,
    }
    return Snapshot(**(found | changes))


def quiet(**changes: Any) -> dict[str, Any]:
    """Return the status of a run that goes on well."""
    return fake_run.status("holding", 3, **changes)


class Played:
    """One run as the rules see it."""

    def __init__(self, settings: AlertSettings | None = None) -> None:
        self.settings = settings or AlertSettings()
        self.state = State()
        self.now_s = 0.0
        self.wall_s = WALL_S
        self.notices: list[Notice] = []

    def look(self, seen: Snapshot | dict[str, Any], for_s: float = 0.5, step_s: float = 0.5) -> list[Notice]:
        """Look for so long; return what was told meanwhile."""
        shown = seen if isinstance(seen, Snapshot) else snapshot(seen)
        before = len(self.notices)
        end_s = self.now_s + for_s
        while self.now_s < end_s:
            self.state, out = judge(self.state, shown, Moment(self.now_s, self.wall_s), self.settings, WAYS)
            self.notices += out
            self.now_s += step_s
            self.wall_s += step_s
        return self.notices[before:]

    def stop(self, seen: dict[str, Any]) -> list[Notice]:
        """End the watching from outside; return the last notices."""
        self.state, out = stopped(self.state, snapshot(seen), Moment(self.now_s, self.wall_s))
        self.notices += out
        return list(out)


def kinds(notices: list[Notice]) -> list[str]:
    """Return the kinds of notices, sounds made again left out."""
    return [notice.kind for notice in notices if notice.reach != "sound"]
