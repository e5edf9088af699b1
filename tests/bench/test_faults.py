"""Named faults on whole runs: the relay opens before anything is destroyed, for the right reason.

The faults are the virtual bench's own (no published source): what is checked is
that firmware, link, analysis and stages act together on them.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from playing import Played, play

from benchwarden.analysis.careful import Doubts
from benchwarden.replay import judge_recording

pytestmark = pytest.mark.bench

# Fault, when it begins (board seconds; the idle soak begins at about 56 s), how
# long the soak may last, and the causes a technician would accept for it.
FAULTS = [
    ("device-shorted:1@0", 20, {"over-current"}),
    ("device-shorted:0.5@30", 20, {"over-current"}),
    ("rail-missing:1@0", 20, {"rail-missing"}),
    ("bias-high:1@0", 20, {"bias-unstable"}),
    ("weak-devices:1@0", 20, {"bias-unstable"}),
    ("leaky-device:1@60", 60, {"bias-unstable", "thermal-runaway"}),
    ("runaway-fast:1@60", 120, {"thermal-runaway"}),
    ("runaway-slow:1@60", 400, {"thermal-runaway"}),
    ("oscillation-gross:1@60", 30, {"oscillation", "over-current"}),
    ("offset-jump:1@60", 30, {"dc-offset"}),
    ("sensor-open:1@60", 30, {"sensor-fault"}),
    ("sensor-short:1@60/right", 30, {"sensor-fault"}),
    ("relay-welded:1@0", 5, {"relay-fault"}),
]


def _checked(played: Played, causes: set[str]) -> None:
    assert played.verdict["verdict"] == "trip", played.said()
    assert played.cause in causes, played.verdict["trips"]
    assert played.truth["damaged"] == []


@pytest.mark.parametrize(("fault", "soak_s", "causes"), FAULTS, ids=[f[0] for f in FAULTS])
def test_fault_trips_before_damage(tmp_path: Path, fault: str, soak_s: float, causes: set[str]) -> None:
    played = play(tmp_path, fault, soak_s=soak_s)
    _checked(played, causes)
    if "welded" in fault:
        assert "Pull the mains plug" in played.said()
    else:
        assert played.truth["mains_closed"] is False


def test_healthy_set_passes_and_replays_to_the_last_digit(tmp_path: Path) -> None:
    played = play(tmp_path, seed=3, soak_s=60.0)
    assert played.verdict["verdict"] == "pass", played.verdict
    assert played.verdict["trips"] == []
    assert played.truth["mains_closed"] is False
    again = judge_recording(played.run_dir / "recording.csv", played.run_dir / "unit.toml")
    assert again["trips"] == played.verdict["trips"]
    assert again["metrics"] == played.verdict["metrics"]


def test_same_seed_same_run(tmp_path: Path) -> None:
    runs = []
    for name in ("one", "two"):
        folder = tmp_path / name
        folder.mkdir()
        played = play(folder, "runaway-fast:1@60", seed=7, soak_s=120.0)
        runs.append(((played.run_dir / "recording.csv").read_bytes(), played.verdict))
    assert runs[0] == runs[1]


def test_a_healthy_set_passes_the_most_careful_plan(tmp_path: Path) -> None:
    """Tighter limits are to catch a weak part, not a sound one: as tight as they get, with several seeds of noise."""
    doubts = Doubts(("lot A: date code", "lot A: ink", "lot A: source", "lot B: source"), ())
    for seed in (1, 2):
        folder = tmp_path / str(seed)
        folder.mkdir()
        played = play(folder, seed=seed, doubts=doubts)
        assert played.verdict["verdict"] == "pass", played.said()
        assert "this plan is more careful than usual" in played.said()
