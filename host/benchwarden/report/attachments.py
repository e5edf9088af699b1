"""What a record carries inside itself: samples, unit facts, verdict and job, ready to be judged again."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import UnitStage, unit_from_table
from benchwarden.errors import PlanError, RecordDamaged, RecordError
from benchwarden.record.export import unit_toml
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.run_events import event_of
from benchwarden.report.job_papers import JOB_NAME, MOST_BYTES
from benchwarden.report.lenient import as_dict, as_number
from benchwarden.report.sample_table import AFTER_TRIP_S, BEFORE_TRIP_S, SampleTable, sample_table
from benchwarden.report.wording import N_

SAMPLES_NAME = "samples.csv"
UNIT_NAME = "unit.toml"
VERDICT_NAME = "verdict.json"
SEAL_NAME = "seal.json"


@dataclass(frozen=True)
class Kind:
    """How an attachment is told in the PDF: media type, relationship as PDF/A-3 has it, and in words."""

    media_type: str
    relationship: str
    description: str


KINDS = {
    SAMPLES_NAME: Kind("text/csv", "data", N_("Readings of the run, thinned; recording format")),
    UNIT_NAME: Kind("application/toml", "data", N_("Facts of the set and stages of the run, for the readings")),
    VERDICT_NAME: Kind("application/json", "data", N_("Verdict and figures of the analysis")),
    JOB_NAME: Kind("application/json", "data", N_("Job file as it was when the run was made")),
    SEAL_NAME: Kind("application/json", "supplement", N_("Seal of the run")),
}
OTHER_KIND = Kind("application/octet-stream", "supplement", N_("Attached file"))


def attachments_of(run_dir: Path) -> dict[str, bytes]:
    """Return what the record of a run carries, by name; what the run does not have is left out.

    Raises:
        RecordError: there is no journal, or it cannot be opened at all.
    """
    with JournalReader(run_dir) as reader:
        try:
            header = reader.header()
        except RecordDamaged:
            header = {}
        trips = [event_of(e.boot, e.seq, e.t_s, e.payload) for e in reader.events()]
        table = sample_table(_sound(reader), [event.t_s for event in trips if event.what == "tripped"])
        notes = reader.notes()
        noted = next((note.body for note in reversed(notes) if note.kind == "verdict"), None)
        stages = _stages([(note.t_s, note.body) for note in notes if note.kind == "stage" and note.t_s is not None])
    found = {SAMPLES_NAME: table.csv} if table.rows else {}
    facts = _unit(as_dict(header.get("unit")), stages, table)
    if facts and found:
        found[UNIT_NAME] = facts.encode()
    verdict = _file(run_dir / VERDICT_NAME)
    if verdict is None and noted is not None:
        verdict = (json.dumps(noted, indent=1, ensure_ascii=False) + "\n").encode()
    for name, data in ((VERDICT_NAME, verdict), (JOB_NAME, _file(run_dir / JOB_NAME))):
        if data is not None:
            found[name] = data
    return found


def _sound(reader: JournalReader) -> Iterator[SampleBlock]:
    """Yield the readings as far as they can be read; the record says where they end."""
    walk = reader.blocks()
    while True:
        try:
            block = next(walk, None)
        except RecordError:
            return
        if block is None:
            return
        yield block


def _stages(notes: list[tuple[float, dict[str, Any]]]) -> list[UnitStage]:
    """Return the stages that were begun, their times strictly increasing: of two at one time the later holds."""
    stages: list[UnitStage] = []
    for t_s, body in notes:
        pct = as_number(body.get("mains_pct"))
        if body.get("status", "now") != "now" or not math.isfinite(pct):
            continue
        while stages and stages[-1].t_start_s >= t_s:
            stages.pop()
        name = str(body.get("name", ""))
        stages.append(UnitStage(t_s, name, pct, bool(body.get("limiter_in")), bool(body.get("drive_on"))))
    return stages


def _unit(facts: dict[str, Any], stages: list[UnitStage], table: SampleTable) -> str:
    """Return a unit.toml for the attached readings, "" where the run knows too little of its set."""
    rate_hz = 1.0 / table.step_s if table.step_s else facts.get("sample_rate_hz")
    try:
        text = unit_toml({**facts, "sample_rate_hz": rate_hz}, stages)
        unit_from_table(tomllib.loads(text), UNIT_NAME)
    except (PlanError, ValueError, TypeError):
        return ""
    if not table.step_s:
        return f"# Beside {SAMPLES_NAME}, which has every frame of the run.\n{text}"
    return (
        f"# Beside {SAMPLES_NAME}: a row covers up to {table.step_s} s with mean, minimum and maximum; every frame is "
        f"there from {BEFORE_TRIP_S:g} s before a trip to {AFTER_TRIP_S:g} s after it. {table.frames} frames became "
        f"{table.rows} rows; all of them are kept with the run.\n{text}"
    )


def _file(path: Path) -> bytes | None:
    """Return a file of the run, None where there is none that can be attached."""
    try:
        with open(path, "rb") as source:
            data = source.read(MOST_BYTES + 1)
    except OSError:
        return None
    return data if len(data) <= MOST_BYTES else None
