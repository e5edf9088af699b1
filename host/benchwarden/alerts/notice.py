"""What is told: one notice, as data."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

# all: every way; messages: all but the sound; sound: that alone; host: sound and desktop.
Reach = Literal["all", "messages", "sound", "host"]


@dataclass(frozen=True)
class Notice:
    """Something a person is told.

    Attributes:
        kind: "trip", "relay", "stale", "link", "error", "slept", "prompt", "warnings",
            "alive", "on", "ended", "stopped", "way" or "test".
        urgent: somebody has to come now.
        title: one line.
        text: sentences, lines apart.
        wall_s: when it was noticed, seconds of the wall clock.
        reach: which ways it takes.
    """

    kind: str
    urgent: bool
    title: str
    text: str
    wall_s: float
    reach: Reach = "all"

    @property
    def line(self) -> str:
        """Title and text on one line."""
        return " ".join(f"{self.title}: {self.text}".split())


@dataclass(frozen=True)
class Sent:
    """What became of one try to get a notice out; `said` holds no secret."""

    ok: bool
    said: str


def local_label(wall_s: float) -> str:
    """Return an instant as the host's clock on the wall shows it, with its distance from UTC."""
    when = dt.datetime.fromtimestamp(wall_s, dt.UTC).astimezone()
    return when.strftime("%Y-%m-%d %H:%M UTC%z")


def utc_label(wall_s: float) -> str:
    """Return an instant in UTC, to the second."""
    return dt.datetime.fromtimestamp(wall_s, dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
