"""What a run directory offers the record: journal, status file, one pass over the samples."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchwarden.core.samples import BoolArray, FloatArray, N, SampleBlock
from benchwarden.errors import RecordDamaged, RecordError
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.run_events import Event, Note, StageSpan, event_of, stage_progress
from benchwarden.record.summary import read_summary
from benchwarden.report.envelope import Envelope, EnvelopeBuilder

# Gaps named one by one; a run with more has them counted.
_MOST_NAMED = 12
# What a stage settled at is read from its last seconds.
TAIL_S = 10.0


@dataclass(frozen=True)
class Burst:
    """The full-rate scan around a trip.

    Attributes:
        t_s: run time of each scan, shape (n,).
        value: shape (n, channels), SI units, NaN where missing.
        trip_t_s: run time of the scan that tripped.
    """

    t_s: FloatArray
    value: FloatArray
    trip_t_s: float


@dataclass(frozen=True)
class StageReadings:
    """What was read while a stage was held.

    Attributes:
        low, high: extremes over the stage, shape (channels,).
        end: mean over its last TAIL_S, shape (channels,).
        frames: how many frames that is made of.
    """

    low: FloatArray
    high: FloatArray
    end: FloatArray
    frames: int


@dataclass(frozen=True)
class Material:
    """Everything the record is made of.

    Attributes:
        status: the status file, empty where there is none.
        stages: stage tables in planned order with "status" and "why" brought up to date.
        lost: what could not be read, in sentences.
    """

    header: dict[str, Any]
    status: dict[str, Any]
    notes: tuple[Note, ...]
    events: tuple[Event, ...]
    bursts: tuple[Burst, ...]
    stages: tuple[dict[str, Any], ...]
    spans: tuple[StageSpan, ...]
    readings: dict[int, StageReadings]
    envelope: Envelope
    lost: tuple[str, ...]

    def last_note(self, kind: str) -> dict[str, Any] | None:
        """Return the body of the newest note of a kind."""
        return next((note.body for note in reversed(self.notes) if note.kind == kind), None)


def burst_of(records: npt.NDArray[np.void], trip_index: int, trip_event: Event | None) -> Burst | None:
    """Return a burst (journal.BURST_DTYPE) in run time; None when it holds no scan.

    Without its trip event a burst has no place in the run: its trip is then at
    time zero.
    """
    if not len(records):
        return None
    trip = min(max(trip_index, 0), len(records) - 1)
    t_ms = records["t_ms"]
    # Differences of the board's 32-bit milliseconds survive its wrap after 49 days.
    from_trip_s = (t_ms - t_ms[trip]).astype(np.int32) / 1000.0
    at_s = 0.0
    if trip_event is not None and math.isfinite(trip_event.t_s):
        behind_ms = (int(t_ms[trip]) - trip_event.t_ms + (1 << 31)) % (1 << 32) - (1 << 31)
        at_s = trip_event.t_s + behind_ms / 1000.0
    return Burst(at_s + from_trip_s, records["value"].astype(np.float64), at_s)


class _StageTail:
    """Collects the extremes and the last seconds of one stage."""

    def __init__(self, span: StageSpan, energised: bool) -> None:
        self.span, self.energised = span, energised
        self.low = np.full(N, np.nan)
        self.high = np.full(N, np.nan)
        self.parts: list[tuple[FloatArray, FloatArray]] = []

    def add(self, block: SampleBlock) -> None:
        t1_s = self.span.t1_s if self.span.t1_s == self.span.t1_s else math.inf
        if block.t_s[0] >= t1_s or block.t_s[-1] < self.span.t0_s:
            return
        pick: BoolArray = (block.t_s >= self.span.t0_s) & (block.t_s < t1_s)
        if self.energised:
            pick &= block.mains_on
        if not bool(pick.any()):
            return
        self.low = np.fmin(self.low, np.fmin.reduce(np.fmin(block.minimum[pick], block.mean[pick]), axis=0))
        self.high = np.fmax(self.high, np.fmax.reduce(np.fmax(block.maximum[pick], block.mean[pick]), axis=0))
        t = block.t_s[pick]
        recent = t > t[-1] - TAIL_S
        self.parts.append((t[recent], block.mean[pick][recent].astype(np.float64)))
        while len(self.parts) > 1 and self.parts[0][0][-1] <= t[-1] - TAIL_S:
            self.parts.pop(0)

    def result(self) -> StageReadings:
        if not self.parts:
            return StageReadings(self.low, self.high, np.full(N, np.nan), 0)
        t = np.concatenate([part[0] for part in self.parts])
        mean = np.concatenate([part[1] for part in self.parts])[t > t[-1] - TAIL_S]
        count = np.isfinite(mean).sum(axis=0)
        total = np.where(np.isfinite(mean), mean, 0.0).sum(axis=0)
        end = np.where(count > 0, total / np.maximum(count, 1), np.nan)
        return StageReadings(self.low, self.high, end, len(mean))


def material_of(
    header: dict[str, Any],
    status: dict[str, Any],
    notes: tuple[Note, ...],
    events: tuple[Event, ...],
    bursts: tuple[Burst, ...],
    blocks: Iterable[SampleBlock],
    lost: tuple[str, ...] = (),
) -> Material:
    """Return the material of a run; `blocks` is walked once and never held whole."""
    found = header.get("plan")
    planned = [stage for stage in found if isinstance(stage, dict)] if isinstance(found, list) else []
    known = status.get("stages")
    stages, spans = stage_progress(planned, notes, known if isinstance(known, list) else [])
    tails = [_StageTail(span, stages[span.index].get("energised") is not False) for span in spans]
    builder = EnvelopeBuilder()
    problems = list(lost)
    walk = iter(blocks)
    while True:
        try:
            block = next(walk, None)
        except RecordError as error:
            problems.append(f"The readings could not be read to their end: {error}.")
            break
        if block is None:
            break
        builder.add(block)
        for tail in tails:
            tail.add(block)
    readings: dict[int, StageReadings] = {}
    for tail in tails:
        read = tail.result()
        # A stage that was tried again after a trip shows its last attempt.
        if read.frames or tail.span.index not in readings:
            readings[tail.span.index] = read
    return Material(header, status, notes, events, bursts, stages, spans, readings, builder.result(), tuple(problems))


def gather(run_dir: Path) -> Material:
    """Read everything a run directory holds.

    Raises:
        RecordError: there is no journal, or it cannot be opened at all. What is
            damaged inside it is left out and named in `lost`.
    """
    lost: list[str] = []
    try:
        status = read_summary(run_dir)
    except RecordError:
        status = {}
        lost.append("There is no readable status file; what it held beside the journal is not known.")
    with JournalReader(run_dir) as reader:
        try:
            header = reader.header()
        except RecordDamaged as error:
            header = {}
            lost.append(f"The journal's header is damaged: {error.lost} cannot be read.")
        notes = tuple(Note(note.t_s, note.kind, note.body) for note in reader.notes())
        events = tuple(event_of(e.boot, e.seq, e.t_s, e.payload) for e in reader.events())
        by_seq = {(event.boot, event.seq): event for event in events}
        bursts = [burst_of(b.records, b.trip_index, by_seq.get((b.boot, b.trip_seq))) for b in reader.bursts()]
        found = material_of(header, status, notes, events, tuple(b for b in bursts if b), reader.blocks())
        lost += _gaps_in_words(reader)
        if not reader.closed:
            lost.append("The journal was not closed in order: its writer was stopped, or is still writing.")
    return replace(found, lost=(*lost, *found.lost))


def _gaps_in_words(reader: JournalReader) -> list[str]:
    """Return which numbered frames and events are missing, and which rows are damaged."""
    words = []
    gaps = reader.gaps()
    for what in ("frame", "event"):
        of_kind = [gap for gap in gaps if gap.what == what]
        if not of_kind:
            continue
        total = sum(gap.count for gap in of_kind)
        shown = "; ".join(
            (f"{g.first_seq}" if g.count == 1 else f"{g.first_seq} to {g.last_seq}") + f" {g.why}"
            for g in of_kind[:_MOST_NAMED]
        )
        more = f"; and {len(of_kind) - _MOST_NAMED} more stretches" if len(of_kind) > _MOST_NAMED else ""
        plural = "s" if total > 1 else ""
        words.append(f"Missing: {total} {what}{plural} (number {shown}{more}).")
    other = [d for d in reader.damage.values() if d.table not in ("frames", "events")]
    if other:
        words.append(
            f"Damaged in the journal and left out: {', '.join(f'{d.table} row {d.rowid}' for d in other[:20])}."
        )
    return words
