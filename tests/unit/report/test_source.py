"""What is read from a run directory, against the journal's own reading of it."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from invented_runs import BOOT, T0_MS, frames, plan, write_run

from benchwarden.record.journal import Journal
from benchwarden.record.run_events import Note, event_of, stage_progress
from benchwarden.report.source import gather
from wardenfw import wire


def write(run_dir: Path, starts_ms: list[tuple[int, int]], t0_ms: int | None = T0_MS) -> Path:
    """Write a journal of parts (boot, board time of its first frame), forty frames each."""
    journal = Journal.create(run_dir, {} if t0_ms is None else {"t0_ms": t0_ms})
    for number, (boot, start_ms) in enumerate(starts_ms):
        part = frames(plan(10.0), 4.0, None, number)
        part["t_ms"] = ((start_ms + 100 * np.arange(40)) % 2**32).astype(np.uint32)
        seqs = np.arange(1 + 40 * number, 41 + 40 * number, dtype=np.uint32)
        for at in range(0, 40, 7):
            journal.append_frames(boot, seqs[at : at + 7], part[at : at + 7])
            journal.commit()
    journal.close()
    return run_dir


def test_a_board_restart_is_in_the_record(tmp_path: Path) -> None:
    material = gather(write(tmp_path / "run", [(1, T0_MS), (2, 300)]))
    assert material.envelope.frames == 80
    assert material.envelope.backwards == 0


def test_the_burst_lies_on_the_run_time_of_its_trip(tmp_path: Path) -> None:
    material = gather(write_run(tmp_path / "run", trip_at_s=150.0))
    (burst,) = material.bursts
    assert burst.trip_t_s == pytest.approx(150.0)
    assert burst.t_s[0] == pytest.approx(148.0)
    assert burst.t_s[-1] == pytest.approx(150.49)
    trip = next(event for event in material.events if event.what == "tripped")
    assert (trip.cause, trip.channel, trip.boot) == ("over-current", "rail_pos_a", BOOT)
    assert trip.value == pytest.approx(1.31)


def test_what_an_event_counts_is_kept_with_its_words() -> None:
    closed = event_of(1, 2, 3.0, wire.pack_event(3000, wire.EV_CLOSED, value=12.0, text="ms to contact"))
    assert (closed.what, closed.value, closed.text) == ("closed", 12.0, "ms to contact")
    assert math.isnan(closed.limit)
    assert math.isnan(event_of(1, 2, 3.0, wire.pack_event(3000, wire.EV_ARMED)).value)
    assert "no event" in event_of(1, 2, None, b"short").text


def test_stages_follow_the_notes_and_twins_are_kept_apart() -> None:
    planned = [{"name": "hold"}, {"name": "hold"}, {"name": "soak"}]
    notes = (
        Note(0.0, "stage", {"name": "hold", "status": "now"}),
        Note(5.0, "stage", {"name": "hold", "status": "passed", "why": "fine"}),
        Note(5.0, "stage", {"name": "hold", "status": "now"}),
        Note(9.0, "stage", {"name": "hold", "status": "passed"}),
        Note(9.0, "stage", {"name": "soak", "status": "now"}),
    )
    stages, spans = stage_progress(planned, notes, [])
    assert [stage["status"] for stage in stages] == ["passed", "passed", "now"]
    assert [(s.index, s.t0_s) for s in spans] == [(0, 0.0), (1, 5.0), (2, 9.0)]
    assert spans[1].t1_s == 9.0
    assert math.isnan(spans[2].t1_s)
    assert "status" not in planned[0]


def test_the_status_file_speaks_only_for_stages_the_journal_is_silent_on() -> None:
    planned = [{"name": "one"}, {"name": "two"}]
    stale = [{"name": "one", "status": "waiting"}, {"name": "two", "status": "skipped", "why": "no time"}]
    stages, _ = stage_progress(planned, (Note(1.0, "stage", {"name": "one", "status": "passed"}),), stale)
    assert [(s["status"], s["why"]) for s in stages] == [("passed", ""), ("skipped", "no time")]
