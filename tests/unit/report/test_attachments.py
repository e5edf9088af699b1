"""What a record carries inside: it says of the run what the run itself says."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from invented_runs import UNIT, write_run

from benchwarden.record.recording import read_recording
from benchwarden.replay import judge_recording
from benchwarden.report.attachments import attachments_of


def put(folder: Path, found: dict[str, bytes]) -> Path:
    folder.mkdir()
    for name, data in found.items():
        (folder / name).write_bytes(data)
    return folder


def test_a_run_carries_readings_unit_and_verdict(tmp_path: Path) -> None:
    found = attachments_of(write_run(tmp_path / "run", soak_s=30.0))
    assert list(found) == ["samples.csv", "unit.toml", "verdict.json"]
    unit = tomllib.loads(found["unit.toml"].decode())
    assert unit["rated_power_w"] == UNIT.rated_power_w
    assert [stage["name"] for stage in unit["stage"]][:2] == ["cold check", "limiter 25 %"]
    assert json.loads(found["verdict.json"])["verdict"] == "pass"


@pytest.mark.parametrize(("soak_s", "most_rows", "step_s"), [(400.0, 9000, 0), (1800.0, 9000, 1), (1800.0, 300, 10)])
def test_what_is_attached_can_be_judged_as_the_whole_run_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, soak_s: float, most_rows: int, step_s: int
) -> None:
    from benchwarden.record.export import export_csv

    monkeypatch.setattr("benchwarden.report.sample_table.MOST_ROWS", most_rows)
    run = write_run(tmp_path / "run", soak_s=soak_s, batch=6000)
    inside = put(tmp_path / "inside", attachments_of(run))
    rate_hz = tomllib.loads((inside / "unit.toml").read_text())["sample_rate_hz"]
    assert rate_hz == (1.0 / step_s if step_s else UNIT.sample_rate_hz)
    export_csv(run, tmp_path / "whole.csv")
    small = judge_recording(inside / "samples.csv", inside / "unit.toml")
    whole = judge_recording(tmp_path / "whole.csv", tmp_path / "unit.toml")
    assert small["verdict"] == whole["verdict"]
    assert small["metrics"]["gaps"] == whole["metrics"]["gaps"] == 0
    for side in ("left", "right"):
        for key in ("bias_end_mv", "sink_worst_c", "offset_worst_v"):
            assert small["metrics"][side][key] == pytest.approx(whole["metrics"][side][key], rel=0.01)


def test_around_a_trip_the_attached_readings_are_the_journals_own(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run", soak_s=1500.0, trip_at_s=1400.0, batch=6000)
    inside = put(tmp_path / "inside", attachments_of(run))
    read = read_recording(inside / "samples.csv")
    near = (read.t_s > 1370.0) & (read.t_s < 1402.0)
    assert np.diff(read.t_s[near]).max() < 0.11
    assert "every frame is there from 30 s before a trip" in (inside / "unit.toml").read_text()


def test_files_of_the_run_go_in_as_they_are(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run", soak_s=5.0)
    (run / "job.json").write_bytes(b'{"number": "2041"}\n')
    (run / "verdict.json").write_bytes(b'{"verdict":"pass"}')
    found = attachments_of(run)
    assert found["job.json"] == b'{"number": "2041"}\n'
    assert found["verdict.json"] == b'{"verdict":"pass"}'


def test_a_run_without_readings_or_facts_leaves_out_what_it_does_not_have(tmp_path: Path) -> None:
    from benchwarden.record.journal import Journal

    journal = Journal.create(tmp_path / "run", {"run": "nothing", "unit": {"rated_power_w": "lots"}})
    journal.commit()
    journal.close()
    assert attachments_of(tmp_path / "run") == {}
