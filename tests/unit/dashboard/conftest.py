"""A run folder and clocks that the tests own."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchwarden.record.summary import NAME, write_summary


class OwnClock:
    """Monotonic and wall time that move only when told."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic_s(self) -> float:
        return self.now_s

    def wall_s(self) -> float:
        return 1.7e9 + self.now_s

    def utc_label(self) -> str:
        return "2026-01-15T09:00:00Z"

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


@pytest.fixture
def clock() -> OwnClock:
    return OwnClock()


@pytest.fixture
def write(tmp_path: Path, clock: OwnClock) -> Callable[[dict[str, Any]], None]:
    """Replace the status file, stamped with the tests' own time."""

    def replace(table: dict[str, Any]) -> None:
        write_summary(tmp_path, table)
        os.utime(tmp_path / NAME, (clock.wall_s(), clock.wall_s()))

    return replace
