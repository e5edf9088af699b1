"""All runs, one row each, read once and again only when their files change."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from benchwarden.core.clock import Clock
from benchwarden.dashboard.run_names import run_names
from benchwarden.dashboard.status import plain
from benchwarden.errors import BenchwardenError
from benchwarden.record.journal_format import NAME as JOURNAL
from benchwarden.record.journal_reader import JournalReader

_ROOM = 80
_LARGEST_VERDICT = 1 << 20
_VERDICT = "verdict.json"
# Sign and words of a verdict; the sign says it without colour.
VERDICTS = {
    "pass": ("✓", "passed"),
    "trip": ("✕", "TRIPPED"),
    "incomplete": ("◇", "incomplete"),
}


@dataclass(frozen=True)
class RunRow:
    """One run as the list shows it; texts are cleaned.

    Attributes:
        started: UTC label, "" where it is not known.
        verdict: "pass", "trip", "incomplete", another word of the analysis, or "" while there is none.
        problem: what is wrong with the folder, "" when nothing is.
        is_read: False while only its name is known.
    """

    name: str
    started: str = ""
    title: str = ""
    model: str = ""
    serial: str = ""
    customer: str = ""
    kind: str = ""
    duration_s: float | None = None
    verdict: str = ""
    virtual: bool = False
    problem: str = ""
    is_read: bool = True

    @property
    def verdict_words(self) -> tuple[str, str]:
        """Sign and words of the verdict."""
        if self.problem:
            return "✕", "not readable"
        if not self.is_read:
            return "·", "not read yet"
        if not self.verdict:
            return "○", "no verdict: still running, or cut off"
        return VERDICTS.get(self.verdict, ("◇", self.verdict))

    def matches(self, wanted: Iterable[str]) -> bool:
        """Return True when every wanted text, in small letters, is in some field."""
        fields = (self.name, self.started, self.title, self.model, self.serial, self.customer, self.kind, self.problem)
        text = "\n".join((*fields, self.verdict_words[1], "virtual bench" if self.virtual else "")).lower()
        return all(word in text for word in wanted)


class RunsList:
    """Reads the folders of all runs, a few at a time."""

    def __init__(self, runs: Path, clock: Clock) -> None:
        self._runs = runs
        self._clock = clock
        self._lock = threading.Lock()
        self._known: dict[str, tuple[tuple[int, ...], RunRow]] = {}

    def rows(self, budget_s: float = 0.5) -> list[RunRow]:
        """Return all runs, newest first; those for which the time did not last have `is_read` False."""
        with self._lock:
            end_s = self._clock.monotonic_s() + budget_s
            names = run_names(self._runs)
            for gone in self._known.keys() - set(names):
                del self._known[gone]
            return sorted((self._row(name, end_s) for name in names), key=_newest_first, reverse=True)

    def _row(self, name: str, end_s: float) -> RunRow:
        folder = self._runs / name
        stamp = stamp_of(folder)
        held = self._known.get(name)
        if held is not None and held[0] == stamp:
            return held[1]
        if self._clock.monotonic_s() >= end_s:
            return held[1] if held is not None else RunRow(name, started=_from_name(name), is_read=False)
        row = read_row(folder)
        self._known[name] = stamp, row
        return row


def _newest_first(row: RunRow) -> tuple[str, str]:
    return row.started or _from_name(row.name), row.name


def _from_name(name: str) -> str:
    """Return the time that a folder's name begins with as a label, "" when it begins otherwise."""
    try:
        return datetime.strptime(name[:16], "%Y%m%dT%H%M%SZ").strftime("%Y-%m-%dT%H:%M:%SZ")  # noqa: DTZ007 - a label
    except ValueError:
        return ""


def stamp_of(folder: Path) -> tuple[int, ...]:
    """Return what changes whenever something is written to a run."""
    stamp: tuple[int, ...] = ()
    for file in (JOURNAL, JOURNAL + "-wal", _VERDICT):
        try:
            found = (folder / file).stat()
        except OSError:
            stamp += (0, 0)
            continue
        # An empty -wal is made by reading.
        stamp += (found.st_mtime_ns, found.st_size) if found.st_size else (0, 0)
    return stamp


def read_row(folder: Path) -> RunRow:
    """Return what one run's folder says of itself; what is wrong with it is said, never raised."""
    row = RunRow(folder.name, started=_from_name(folder.name))
    try:
        with JournalReader(folder) as reader:
            try:
                row = _with_header(row, reader.header())
            except BenchwardenError as error:
                row = replace(row, problem=without_path(error, folder))
            return replace(row, duration_s=reader.end_s, verdict=_verdict(folder, reader))
    except (BenchwardenError, OSError) as error:
        return replace(row, problem=without_path(error, folder))


def without_path(error: Exception, folder: Path) -> str:
    """Return an error's words with the run's place on this machine left out."""
    return plain(str(error)).replace(f"{folder}/", "").replace(str(folder), folder.name)


def _with_header(row: RunRow, header: dict[str, Any]) -> RunRow:
    unit = header.get("unit")
    unit = unit if isinstance(unit, dict) else {}
    return replace(
        row,
        started=plain(header.get("started_at_utc"), 40) or row.started,
        title=plain(header.get("run"), _ROOM),
        model=plain(unit.get("model"), _ROOM),
        serial=plain(unit.get("serial"), _ROOM),
        customer=plain(unit.get("customer"), _ROOM),
        kind=plain(header.get("run_type"), _ROOM),
        virtual=header.get("virtual") is True,
    )


def _verdict(folder: Path, reader: JournalReader) -> str:
    path = folder / _VERDICT
    try:
        if path.stat().st_size <= _LARGEST_VERDICT:
            found = json.loads(path.read_text(encoding="utf-8"))
            if isinstance(found, dict) and found.get("verdict"):
                return plain(found["verdict"], 40)
    except (OSError, ValueError):
        # It is in the journal as well.
        pass
    for note in reversed(reader.notes()):
        if note.kind == "verdict":
            return plain(note.body.get("verdict"), 40)
    return ""
