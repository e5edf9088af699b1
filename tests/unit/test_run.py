"""The frame around a run: folders, ports, hours, commands."""

from __future__ import annotations

from pathlib import Path

import pytest

import benchwarden.run as run_module
from benchwarden.cli import EXIT_ERROR, main
from benchwarden.errors import LinkError, PlanError, RecordError
from benchwarden.link.serial_port import PortInfo
from benchwarden.papers import Papers
from benchwarden.run import checked_hours, chosen_port, new_run_dir


def test_every_run_gets_a_folder_of_its_own(tmp_path: Path) -> None:
    first = new_run_dir(tmp_path, "New outputs, left!", "2026-11-25T09:00:00Z")
    second = new_run_dir(tmp_path, "New outputs, left!", "2026-11-25T09:00:00Z")
    assert first.name == "20261125T090000Z-new-outputs-left"
    assert second.name == first.name + "-2"


def test_no_run_starts_on_a_disk_without_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run_module, "LEAST_FREE_BYTES", 1 << 62)
    with pytest.raises(RecordError, match="nothing was started"):
        new_run_dir(tmp_path, "x", "2026-11-25T09:00:00Z")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("found", "words"),
    [([], "no board found"), ([PortInfo("/dev/a", "", ""), PortInfo("/dev/b", "", "")], "/dev/a, /dev/b")],
)
def test_port_that_cannot_be_chosen(monkeypatch: pytest.MonkeyPatch, found: list[PortInfo], words: str) -> None:
    monkeypatch.setattr(run_module, "find_boards", lambda: found)
    with pytest.raises(LinkError, match=words):
        chosen_port("auto")


@pytest.mark.parametrize("text", ["soon", "0", "1000", "nan"])
def test_hours_that_are_none(text: str) -> None:
    with pytest.raises(PlanError, match="allowed: hours"):
        checked_hours(text)


def test_mistakes_end_with_words_and_no_traceback(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", str(tmp_path / "none.toml")]) == EXIT_ERROR
    assert "cannot be read" in capsys.readouterr().err
    assert main(["recover", str(tmp_path)]) == EXIT_ERROR
    assert main(["report", str(tmp_path)]) == EXIT_ERROR
    assert main(["judge", str(tmp_path / "no.csv"), str(tmp_path / "none.toml")]) == EXIT_ERROR


def test_outcome_is_written_where_it_can_be(tmp_path: Path) -> None:
    said: list[str] = []
    (tmp_path / "verdict.json").mkdir()

    outcome = run_module.write_outcome(tmp_path, {"verdict": "incomplete"}, said.append)
    assert outcome.verdict == {"verdict": "incomplete"}
    assert outcome.csv is None
    assert outcome.papers == Papers(None, None, None, "")
    # Verdict, recording, seal, reading, attachments, record, log, status.
    assert len(said) == 8
    assert not (tmp_path / "status.json").exists()
