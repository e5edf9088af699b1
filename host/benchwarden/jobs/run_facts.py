"""What a job keeps of a run: read from the run's folder, whatever of it is there."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from benchwarden.core.job import JobRun
from benchwarden.errors import RecordDamaged, RecordError
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.summary import read_summary

VERDICT_NAME = "verdict.json"
SEAL_NAME = "seal.json"
VERDICTS = ("pass", "trip", "incomplete")
# Figures of the whole run and of each side, under the names that the verdict gives them (analysis.metrics,
# analysis.outlook): a comparison that knows the verdict knows these.
_OF_RUN = ("duration_s", "energised_s", "driven_s", "full_mains_s", "rail_a_worst", "ambient_c_worst", "gaps")
_OF_SIDE = (
    "bias_start_mv",
    "bias_end_mv",
    "bias_worst_mv",
    "settled",
    "time_to_settle_s",
    "final_mv",
    "tau_s",
    "drift_mv_per_h",
    "drift_95_mv_per_h",
    "drift_over_s",
    "tempco_mv_per_k",
    "tempco_95_mv_per_k",
    "offset_worst_v",
    "hf_worst_v",
    "sink_worst_c",
    "sink_end_c",
)
_OF_OUTLOOK = ("state", "target_mv", "final_mv", "final_95_mv", "tau_s", "tau_95_s", "loop_gain", "loop_gain_95")
_LONGEST_SENTENCE = 20_000
_SIDES = ("left", "right")


def run_facts(run_dir: Path) -> JobRun:
    """Return the run of a folder as a job keeps it.

    The journal counts; verdict.json and status.json are asked where they are newer or it says nothing.

    Returns:
        `metrics` holds, where known, the run's own figures ("duration_s", "ambient_c_worst", ...) and for
        "left" and "right" the figures of the verdict under its names; what the fitted loop foretold
        ("final_mv", "tau_s" and their intervals, "loop_gain") goes before what a curve in time did.

    Raises:
        RecordError: there is no run.
    """
    with JournalReader(run_dir) as reader:
        try:
            header = reader.header()
        except RecordDamaged:
            header = {}
        noted = [note.body for note in reader.notes() if note.kind == "verdict"]
        end_s = reader.end_s
    try:
        status = read_summary(run_dir)
    except RecordError:
        status = {}
    verdict = _table(run_dir / VERDICT_NAME) or (noted[-1] if noted else {}) or _dict(status.get("verdict"))
    figures = _dict(verdict.get("metrics"))
    word = verdict.get("verdict")
    duration_s = _number(figures.get("duration_s"))
    sentence = figures.get("sentence") or (
        "" if word in VERDICTS else "The run has no verdict: it did not end in order."
    )
    head = _table(run_dir / SEAL_NAME).get("head", "")
    return JobRun(
        folder=run_dir.resolve().name,
        run_type=_text(header.get("run_type") or status.get("run_type")),
        started_at_utc=_text(header.get("started_at_utc") or status.get("started_at_utc")),
        verdict=word if word in VERDICTS else "incomplete",
        sentence=_text(sentence)[:_LONGEST_SENTENCE],
        duration_s=max((end_s or 0.0) if duration_s is None else duration_s, 0.0),
        virtual=bool(header.get("virtual", status.get("virtual", False))),
        head=head if isinstance(head, str) and len(head) == 64 else "",
        metrics=_metrics(figures),
    )


def _metrics(figures: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {name: figures[name] for name in _OF_RUN if _number(figures.get(name)) is not None}
    outlook = _dict(figures.get("outlook"))
    for side in _SIDES:
        told, ahead = _dict(figures.get(side)), _dict(outlook.get(side))
        kept = {name: told[name] for name in _OF_SIDE if _plain(told.get(name))}
        kept |= {name: ahead[name] for name in _OF_OUTLOOK if _plain(ahead.get(name))}
        if kept:
            found[side] = kept
    return found


def _plain(value: Any) -> bool:
    """Whether it is a figure, a pair of figures, a truth or a short word."""
    if isinstance(value, list):
        return len(value) == 2 and all(_number(entry) is not None for entry in value)
    if isinstance(value, str):
        return len(value) <= 40
    return isinstance(value, bool) or _number(value) is not None


def _number(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value)


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _dict(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _table(path: Path) -> dict[str, Any]:
    """Return a JSON table, empty where there is none or it cannot be read: the journal says the rest."""
    try:
        return _dict(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError):
        return {}
