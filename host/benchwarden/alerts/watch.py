"""The loop: look at the run twice a second, tell what the rules say, note what became of it.

Threads: this one looks and writes the log; the outbox's send. They share the outbox's queues only.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

from benchwarden.alerts.log import NAME, AlertLog
from benchwarden.alerts.notice import Notice
from benchwarden.alerts.outbox import Outbox, Result, Way
from benchwarden.alerts.rules import Moment, State, judge, stopped
from benchwarden.core.clock import Clock
from benchwarden.dashboard.feed import Feed
from benchwarden.record.alert_settings import AlertSettings

LOOK_S = 0.5
# Asked to end, it looks on for this long: a run that was ended by the same hand writes how it ended,
# and one whose program was killed falls silent.
LOOK_ON_S = 8.0
CLOSE_S = 20.0


class Watch:
    """Watches one run until it has ended, or until it is asked to stop."""

    def __init__(
        self,
        run_dir: Path,
        settings: AlertSettings,
        ways: Sequence[Way],
        outbox: Outbox,
        clock: Clock,
        wall_s: Callable[[], float],
        pause: Callable[[float], bool],
        tell: Callable[[str], None],
    ) -> None:
        """Make ready to watch.

        Args:
            outbox: sends by `ways`; closed at the end.
            pause: waits for so many seconds; True once the watching shall end.
            tell: told in words, at the terminal, what goes wrong with the telling itself.
        """
        self._settings, self._ways, self._outbox = settings, tuple(ways), outbox
        self._names = tuple(way.name for way in ways)
        self._clock, self._wall_s, self._pause, self._tell = clock, wall_s, pause, tell
        self._feed = Feed(run_dir, clock, wall_s)
        self._log = AlertLog(run_dir, tell)
        self._failed: Counter[str] = Counter()
        self._state = State()

    def run(self) -> None:
        """Watch to the end, then send what still waits, for a bounded time."""
        ending_s: float | None = None
        while True:
            at, seen = self._now(), self._feed.snapshot()
            self._state, notices = judge(self._state, seen, at, self._settings, self._names)
            self._emit(notices)
            for result in self._outbox.results():
                self._heed(result)
            if self._at_rest():
                break
            if ending_s is None:
                if self._pause(LOOK_S):
                    ending_s = at.now_s + LOOK_ON_S
            elif seen.status is None and not self._state.on:
                # A run that never began is nobody's news.
                break
            elif self._state.done or at.now_s >= ending_s:
                self._state, notices = stopped(self._state, seen, at)
                self._emit(notices)
                break
            else:
                self._clock.sleep(LOOK_S)
        lost = 0
        for result in self._outbox.close(CLOSE_S):
            self._note(result)
            lost += not result.ok and result.notice.reach != "sound"
        if lost:
            self._tell(f"Alerts: {lost} of the last messages did not go out; {NAME} in the run folder says which.")

    def _now(self) -> Moment:
        return Moment(self._clock.monotonic_s(), self._wall_s())

    def _at_rest(self) -> bool:
        # Nobody waits to hear again what makes no sound here.
        hears = "sound" in self._names and not self._failed["sound"]
        return self._state.at_rest or (self._state.done and not hears)

    def _emit(self, notices: Sequence[Notice]) -> None:
        for notice in notices:
            if notice.reach != "sound":
                self._log.told(notice)
            self._outbox.post(notice)

    def _note(self, result: Result) -> None:
        # A sound made once more is no news, unless it was not made.
        if result.notice.reach != "sound" or not result.ok:
            self._log.became(result, self._wall_s())

    def _heed(self, result: Result) -> None:
        """Note a result, and tell the person at the host that a way does not work, or works again."""
        self._note(result)
        if result.ok:
            lost = self._failed.pop(result.way, 0)
            if lost:
                said = f"{result.way}: messages go out again; {lost} did not."
                self._about_way(result, "Messages go out again", said)
            return
        self._failed[result.way] += 1
        if self._failed[result.way] == 1:
            said = f"{result.way}: {result.said}. Later ones are still tried."
            self._about_way(result, "A message did not go out", said)

    def _about_way(self, result: Result, title: str, said: str) -> None:
        self._tell(f"Alerts: {said}")
        self._emit([Notice("way", False, title, said, self._wall_s(), "host")])
