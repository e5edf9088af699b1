"""A run for a job: read from whatever its folder still holds, under the verdict's own names."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from invented_jobs import whole_job

from benchwarden.analysis.returns import compared
from benchwarden.core.job_form import job_from, plain_table
from benchwarden.errors import RecordError
from benchwarden.jobs.run_facts import run_facts
from benchwarden.record.journal import Journal

HEADER = {"run_type": "burn-in", "started_at_utc": "2026-11-25T10:15:00Z", "virtual": True, "unit": {}}
HEAD = "0123456789abcdef" * 4


def verdict(bias_mv: float = 12.8) -> dict[str, Any]:
    side = {
        "bias_end_mv": bias_mv,
        "drift_mv_per_h": -8.7,
        "drift_95_mv_per_h": [-9.4, -8.0],
        "tempco_mv_per_k": 0.27,
        "tempco_95_mv_per_k": [0.26, 0.28],
        "offset_worst_v": 0.0103,
        "hf_worst_v": 0.045,
        "sink_worst_c": 52.7,
        "sink_end_c": 35.6,
        "settled": False,
        "tau_s": 956.0,
        "final_mv": None,
        "recovery": {"drives": 1},
    }
    ahead = {"state": "settling", "loop_gain": 0.127, "loop_gain_95": [0.02, 0.23], "final_mv": 10.9, "tau_s": None}
    return {
        "verdict": "pass",
        "trips": [],
        "warnings": [],
        "metrics": {
            "sentence": "Passed: 47 min on mains.",
            "duration_s": 2816.6,
            "ambient_c_worst": 21.07,
            "rail_a_worst": math.nan,
            "left": side,
            "right": side,
            "outlook": {"left": ahead, "right": {**ahead, "final_mv": "x" * 500}},
        },
    }


def made(run_dir: Path, *, noted: bool = True, filed: bool = True) -> Path:
    with Journal.create(run_dir, HEADER) as journal:
        if noted:
            journal.append_note("verdict", 2816.0, json.loads(json.dumps(verdict()).replace("NaN", "null")))
    if filed:
        (run_dir / "verdict.json").write_text(json.dumps(verdict()))
    return run_dir


def test_what_a_comparison_needs_is_there(tmp_path: Path) -> None:
    run = run_facts(made(tmp_path / "20261125T101500Z-2041"))
    assert (run.folder, run.run_type, run.verdict) == ("20261125T101500Z-2041", "burn-in", "pass")
    assert (run.started_at_utc, run.duration_s, run.virtual) == ("2026-11-25T10:15:00Z", 2816.6, True)
    assert (run.sentence, run.head) == ("Passed: 47 min on mains.", "")
    assert run.metrics["ambient_c_worst"] == 21.07
    assert "rail_a_worst" not in run.metrics
    left = run.metrics["left"]
    assert (left["bias_end_mv"], left["loop_gain"], left["loop_gain_95"]) == (12.8, 0.127, [0.02, 0.23])
    # The fitted loop's end goes before the curve's; where it tells none the curve's stands.
    assert (left["final_mv"], left["tau_s"]) == (10.9, 956.0)
    assert "final_mv" not in run.metrics["right"]
    assert "recovery" not in left


def test_a_job_takes_it_and_a_comparison_reads_it(tmp_path: Path) -> None:
    """Names agree with analysis.returns: two runs of a set are compared figure by figure."""
    first = run_facts(made(tmp_path / "20261125T101500Z-a"))
    second = run_facts(made(tmp_path / "20261126T101500Z-b"))
    table = {**plain_table(whole_job()), "runs": [plain_table(first), plain_table(second)]}
    told = compared([job_from(table, "a job")])
    known = {figure.quantity for figure in told.figures if figure.values[-1] is not None}
    assert known == {
        "Bias drop at the end",
        "Bias drift",
        "Bias per kelvin of heatsink",
        "Thermal loop gain",
        "Heatsink above the room at the end",
        "Worst DC offset",
        "Worst HF level",
    }


def test_the_head_of_its_seal(tmp_path: Path) -> None:
    run_dir = made(tmp_path / "run")
    for text, head in (
        (json.dumps({"head": HEAD}), HEAD),
        (json.dumps({"head": 5}), ""),
        (json.dumps({"head": "short"}), ""),
        (json.dumps([HEAD]), ""),
        ("no json", ""),
    ):
        (run_dir / "seal.json").write_text(text)
        assert run_facts(run_dir).head == head


def test_the_journal_tells_where_the_files_are_gone(tmp_path: Path) -> None:
    run = run_facts(made(tmp_path / "run", filed=False))
    assert (run.verdict, run.metrics["left"]["bias_end_mv"]) == ("pass", 12.8)
    (tmp_path / "run" / "verdict.json").write_text("{ torn")
    assert run_facts(tmp_path / "run").verdict == "pass"


def test_a_run_without_a_verdict_is_incomplete(tmp_path: Path) -> None:
    run = run_facts(made(tmp_path / "run", noted=False, filed=False))
    assert run.verdict == "incomplete"
    assert "no verdict" in run.sentence
    assert run.metrics == {}
    with pytest.raises(RecordError, match="no run here"):
        run_facts(tmp_path / "none")
