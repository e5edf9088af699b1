"""Wall clock and monotonic time, passed in so that tests own them."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Time as the host sees it; the board's clock stays the time base of a run."""

    def monotonic_s(self) -> float: ...

    def utc_label(self) -> str: ...

    def sleep(self, seconds: float) -> None: ...


class SystemClock:
    """The machine's clocks; `utc_label` is a label only and may jump."""

    def monotonic_s(self) -> float:
        return time.monotonic()

    def utc_label(self) -> str:
        return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)
