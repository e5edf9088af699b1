"""The reference recordings are judged as their notes say; any recording gives the live result."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchwarden.analysis.judge import Judge
from benchwarden.analysis.seconds import part_of
from benchwarden.core.unit import load_unit
from benchwarden.errors import PlanError
from benchwarden.record.recording import load_recording
from benchwarden.replay import judge_recording

RECORDINGS = Path(__file__).resolve().parents[3] / "recordings"
# Folder: cause and side of the first trip, when the fault began, how long it may take.
TRUTH: dict[str, tuple[str, str, float, float] | None] = {
    "healthy-power-up": None,
    "healthy-burn-in": None,
    "fault-device-shorted": ("over-current", "left", 10.0, 1.0),
    "fault-runaway-slow": ("thermal-runaway", "right", 200.0, 300.0),
    "fault-runaway-fast": ("thermal-runaway", "left", 120.0, 60.0),
    "fault-oscillation-burst": ("oscillation", "right", 90.0, 40.0),
    "fault-offset-creep": ("dc-offset", "left", 100.0, 400.0),
    "fault-sensor-off": ("sensor-fault", "left", 600.0, 60.0),
}


def test_every_recording_is_known_here_small_and_says_where_it_came_from() -> None:
    folders = {p.parent.name for p in RECORDINGS.glob("*/recording.csv")}
    assert folders == set(TRUTH)
    assert sum(p.stat().st_size for p in RECORDINGS.glob("*/recording.csv")) < 3_000_000
    for name in folders:
        note = (RECORDINGS / name / "NOTE.md").read_text(encoding="utf-8")
        for word in ("Virtual bench", "seed", "recordings/make.py"):
            assert word in note


@pytest.mark.parametrize("name", TRUTH)
def test_a_reference_recording_is_judged_as_it_is(name: str) -> None:
    table = judge_recording(RECORDINGS / name / "recording.csv", RECORDINGS / name / "unit.toml")
    truth = TRUTH[name]
    if truth is None:
        assert (table["verdict"], table["trips"]) == ("pass", [])
        return
    cause, side, at_s, within_s = truth
    first = table["trips"][0]
    assert (table["verdict"], first["cause"], first["channel"]) == ("trip", cause, side)
    assert at_s <= first["t_s"] <= at_s + within_s


def test_a_recording_and_the_live_stream_give_the_same_json() -> None:
    folder = RECORDINGS / "fault-runaway-fast"
    recording = load_recording(folder / "recording.csv")
    unit = load_unit(folder / "unit.toml")
    judge = Judge(unit, stages=())
    stages = list(unit.stage)
    for i in range(len(recording.block)):
        while stages and stages[0].t_start_s <= recording.block.t_s[i]:
            s = stages.pop(0)
            judge.set_stage(s.t_start_s, s.mains_pct, s.limiter_in, s.drive_on, s.name)
        judge.feed(part_of(recording.block, i, i + 1))
    live = judge.finish()
    assert json.dumps(live) == json.dumps(judge_recording(folder / "recording.csv", folder / "unit.toml"))


def test_a_bad_recording_is_named_by_file_and_line(tmp_path: Path) -> None:
    (tmp_path / "unit.toml").write_text((RECORDINGS / "healthy-power-up" / "unit.toml").read_text())
    (tmp_path / "r.csv").write_text("t_s,bias_left_v\n0,0.01\n0.1,much\n")
    with pytest.raises(PlanError, match=r"r\.csv: line 3, column 2 \(bias_left_v\)"):
        judge_recording(tmp_path / "r.csv", tmp_path / "unit.toml")
