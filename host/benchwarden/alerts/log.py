"""What was told, one line a notice: alerts.log in the run folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from benchwarden.alerts.notice import Notice, utc_label
from benchwarden.alerts.outbox import Result

NAME = "alerts.log"


class AlertLog:
    """Appends to the log; a disk that takes nothing is told once, and stops nothing."""

    def __init__(self, run_dir: Path, tell: Callable[[str], None]) -> None:
        self._path = run_dir / NAME
        self._tell = tell
        self._fails = False

    def told(self, notice: Notice) -> None:
        """Note a notice that is on its way."""
        self._write(notice.wall_s, f"{'URGENT' if notice.urgent else 'quiet'} {notice.kind}: {notice.line}")

    def became(self, result: Result, wall_s: float) -> None:
        """Note what became of a notice on one way."""
        tries = f" after {result.tries} tries" if result.tries > 1 else ""
        state = "out" if result.ok else "NOT OUT"
        self._write(wall_s, f"{state}, {result.way}{tries}: {result.said}: {result.notice.title}")

    def _write(self, wall_s: float, text: str) -> None:
        try:
            with open(self._path, "a", encoding="utf-8") as out:
                out.write(f"{utc_label(wall_s)} {text}\n")
        except OSError as error:
            if not self._fails:
                self._tell(f"{self._path}: the alert log cannot be written ({error.strerror})")
            self._fails = True
        else:
            self._fails = False
