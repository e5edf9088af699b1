"""An invented job, and text that somebody might put anywhere."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from benchwarden.core.job import CheckResult, EarlierRepair, FittedPart, Job, JobNote, JobRun, SetFacts
from benchwarden.core.job_form import plain_table

JOB = Job(
    number="2041",
    customer="M. Lindqvist",
    amplifier=SetFacts("Brackwater", "Integrated 60", "BW60-01873"),
    complaint="No sound on the left, the mains fuse blew twice.",
    work="Output stage of the left channel rebuilt, bias set anew in both channels.",
    parts_fitted=(
        FittedPart("Q11", "NPN output", "output", "left", "burnt", "outputs 2026"),
        FittedPart("R41", "0.22 ohm", "other", "left"),
    ),
    cold_checks=(
        CheckResult("emitter resistors", "passed", "left, all four", 0.22, 0.221),
        CheckResult("carbon resistors", "failed", "input board", 100e3, 131e3, True, why="Renewed at the next visit."),
        CheckResult("output inductor", "skipped", "left", why="Cannot be reached."),
    ),
    technician="K. Example",
    charge="48.00",
    invoice="R-0117",
)
PARTS = {
    "lots": [
        {
            "lot": "outputs 2026",
            "level": "doubts",
            "headline": "Two things speak for a longer burn-in",
            "reasons": [{"about": "date code", "seen": "week 53 of a year that had 52"}],
        }
    ],
    "substitutions": [
        {
            "original": "old type",
            "candidate": "new type",
            "level": "doubt",
            "headline": "Fits with doubts",
            "rows": [
                {"quantity": "transition frequency", "verdict": "doubt", "why": "slower"},
                {"quantity": "power", "verdict": "fine", "why": "never shown"},
            ],
        }
    ],
}


def with_job(run_dir: Path, job: Job = JOB, parts: Any = PARTS) -> Path:
    """Put a job beside a run and return the run's folder."""
    (run_dir / "job.json").write_text(json.dumps(plain_table(job), ensure_ascii=False), encoding="utf-8")
    (run_dir / "parts.json").write_text(json.dumps(parts, ensure_ascii=False), encoding="utf-8")
    return run_dir


def job_of(long: str, name: str) -> Job:
    """Return a job with `long` in every text and `name` in every name."""
    part = FittedPart(name, name, "other", "left", name, name, long)
    check = CheckResult("carbon resistors", "failed", name, 1.0, 2.0, True, long, long)
    return replace(
        JOB,
        number=name,
        customer=name,
        amplifier=SetFacts(name, name, name),
        complaint=long,
        work=long,
        earlier_repairs=(EarlierRepair(long, name, name),) * 4,
        parts_fitted=(part,) * 40,
        cold_checks=(check,) * 40,
        notes=(JobNote(long, name, name),) * 5,
        runs=(JobRun(name, name, name, name, long, 1e9),),
        technician=name,
        charge=name,
        invoice=name,
    )
