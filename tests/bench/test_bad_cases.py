"""What people, cables and computers do wrong: the relay ends open, words say why, nothing recorded is lost."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from playing import UNIT_TOML, play

from benchwarden.core import stages as sm
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.recover import recover
from benchwarden.report.pdf import write_record
from benchwarden.virtual.demo import VirtualBench
from benchwarden.virtual.hands import Hands

pytestmark = pytest.mark.bench

# A host of its own process, so that it can be killed; it plays the technician too.
HOST = """
import resource, sys
from pathlib import Path
from benchwarden.core.clock import SystemClock
from benchwarden.core.unit import load_unit
from benchwarden.run import supervise
from benchwarden.supervisor import RunInfo
from benchwarden.virtual.hands import Hands
from benchwarden.virtual.technician import Technician
sys.path.insert(0, {tests!r})
from playing import short_plan
port, hands, unit, run_dir, room = sys.argv[1:6]
if int(room):
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(room), int(room)))
    import signal
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
clock = SystemClock()
plan = short_plan(load_unit(Path(unit)), 5.0, 600.0)
supervise(plan, port, Path(run_dir), clock, RunInfo("killed", clock.utc_label(), True), Technician(Hands(hands)))
"""


def _host(tmp_path: Path, bench: VirtualBench, room: int = 0) -> tuple[subprocess.Popen[str], Path]:
    run_dir = tmp_path / "run"
    run_dir.mkdir()
    script = HOST.format(tests=str(Path(__file__).parent))
    unit = tmp_path / "unit.toml"
    command = [sys.executable, "-c", script, bench.port, bench.hands, str(unit), str(run_dir), str(room)]
    return subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True), run_dir


def _wait_until_closed(hands: Hands) -> None:
    end = time.monotonic() + 60
    while not hands.state()["mains_closed"]:
        assert time.monotonic() < end, "the relay never closed"
        time.sleep(0.1)


def _wait_until_open(hands: Hands) -> float:
    """Return board seconds from now until the mains contact is open."""
    began = hands.state()["t_s"]
    end = time.monotonic() + 60
    while (state := hands.state())["mains_closed"]:
        assert time.monotonic() < end, "the relay never opened"
        time.sleep(0.05)
    return float(state["t_s"] - began)


def test_person_who_never_confirms(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sm, "PROMPT_EXPIRES_S", 15.0)
    played = play(tmp_path, confirms=False)
    assert played.verdict["verdict"] == "incomplete"
    assert "Nobody confirmed" in played.said()
    assert played.truth["mains_closed"] is False
    assert played.status["relay"]["contact"] is False


def test_person_who_takes_a_minute_over_every_prompt(tmp_path: Path) -> None:
    # Longer than the board's challenge lives, twice over.
    played = play(tmp_path, reads_s=65.0)
    assert played.verdict["verdict"] == "pass"
    assert played.said().count("does not arm") == 0


def test_person_who_turns_the_transformer_too_far(tmp_path: Path) -> None:
    played = play(tmp_path, overshoot_pct=20.0)
    assert played.verdict["verdict"] == "trip"
    assert played.cause == "operator"
    assert played.truth["mains_closed"] is False
    assert "rail" in played.verdict["trips"][0]["why"]


def test_cable_pulled_and_not_put_back(tmp_path: Path) -> None:
    played = play(tmp_path, "usb-unplugged@20")
    assert played.verdict["verdict"] == "incomplete"
    assert played.truth["mains_closed"] is False
    assert "Link to the board lost" in played.said()
    assert recover(played.run_dir).gaps == ()


def test_stalled_board_lets_the_relay_go(tmp_path: Path) -> None:
    # Virtual time stands still now and then while nobody acknowledges: the restart takes seconds of the wall.
    played = play(tmp_path, "board-hang@20", give_up_s=30.0)
    assert played.verdict["verdict"] == "incomplete"
    assert played.truth["mains_closed"] is False
    assert "restarted" in played.said()


def test_host_killed_while_the_relay_is_closed(tmp_path: Path) -> None:
    (tmp_path / "unit.toml").write_text(UNIT_TOML, encoding="utf-8")
    with VirtualBench(tmp_path / "unit.toml", "none", 10.0, 1) as bench, Hands(bench.hands) as hands:
        host, run_dir = _host(tmp_path, bench)
        _wait_until_closed(hands)
        time.sleep(0.5)
        os.kill(host.pid, signal.SIGKILL)
        host.communicate()
        _wait_until_open(hands)
        assert hands.state()["damaged"] == []
    recovery = recover(run_dir)
    assert recovery.header_ok
    assert not recovery.closed
    assert recovery.gaps == ()
    assert recovery.damage == ()
    assert recovery.frames > 0
    pdf = write_record(run_dir)
    assert pdf.read_bytes().startswith(b"%PDF-")


@pytest.mark.skipif(sys.platform != "linux", reason="file size limits are set the POSIX way")
def test_disk_that_fills_up_mid_run(tmp_path: Path) -> None:
    (tmp_path / "unit.toml").write_text(UNIT_TOML, encoding="utf-8")
    with VirtualBench(tmp_path / "unit.toml", "none", 0.0, 1) as bench, Hands(bench.hands) as hands:
        host, run_dir = _host(tmp_path, bench, room=1_300_000)
        _, words = host.communicate(timeout=120)
        assert host.returncode != 0
        assert "journal" in words
        assert "takes no more" in words or "disk is full" in words
        _wait_until_open(hands)
    with JournalReader(run_dir) as reader:
        assert sum(len(block) for block in reader.blocks()) > 0
        assert reader.gaps() == []
    assert write_record(run_dir).read_bytes().startswith(b"%PDF-")
