"""What a records folder says of a board's commissioning, whatever state the folder is in."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchwarden.errors import PlanError
from benchwarden.record.board_records import BoardRecords
from benchwarden.record.commissioning_records import KIND, commissioning_reminders
from benchwarden.record.records_settings import NAME, interval_days, set_interval_days

BOARD = {"board": "e66138", "fw": "0.1.0", "program": "01", "cal_crc": ""}
NOW = "2026-11-25T12:00:00Z"
SHEET = {
    "format": 1, "verdict": "pass", "complete": True, "ended_at_utc": "2026-10-01T10:00:00Z", "board": BOARD,
    "results": [],
}  # fmt: skip


def test_no_folder_at_all_is_a_board_never_commissioned(tmp_path: Path) -> None:
    (said,) = commissioning_reminders(tmp_path / "nowhere", BOARD, NOW)
    assert "never commissioned" in said
    assert not (tmp_path / "nowhere").exists()


def test_the_interval_that_was_set_counts(tmp_path: Path) -> None:
    BoardRecords(tmp_path, "e66138").write(KIND, "2026-10-01T10:00:00Z", SHEET)
    assert interval_days(tmp_path) == 180
    assert commissioning_reminders(tmp_path, BOARD, NOW) == ()
    set_interval_days(tmp_path, 30)
    assert interval_days(tmp_path) == 30
    (said,) = commissioning_reminders(tmp_path, BOARD, NOW)
    assert "due every 30 days" in said


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("commissioning_interval_days = 0\n", r"commissioning_interval_days = 0; allowed: whole days, 1 to 3650"),
        ("commissioning_interval_days = true\n", "= True; allowed: whole days"),
        ('commissioning_interval_days = "90"\n', "= '90'; allowed: whole days"),
        ("interval = 3\n", "interval; allowed: commissioning_interval_days"),
        ("= 3\n", "not valid TOML"),
    ],
)
def test_settings_that_cannot_be_are_named_and_do_not_stop_a_run(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / NAME).write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match=words):
        interval_days(tmp_path)
    BoardRecords(tmp_path, "e66138").write(KIND, "2026-10-01T10:00:00Z", SHEET)
    (said,) = commissioning_reminders(tmp_path, BOARD, NOW)
    assert "180 days are taken" in said
    assert NAME in said


@pytest.mark.parametrize("days", [0, 3651])
def test_an_interval_beyond_reason_is_not_kept(tmp_path: Path, days: int) -> None:
    with pytest.raises(PlanError, match="allowed: whole days, 1 to 3650"):
        set_interval_days(tmp_path, days)
    assert not (tmp_path / NAME).exists()


def test_a_damaged_sheet_and_one_of_another_form_are_told(tmp_path: Path) -> None:
    records = BoardRecords(tmp_path, "e66138")
    records.write(KIND, "2026-10-01T10:00:00Z", SHEET)
    records.write(KIND, "2026-10-02T10:00:00Z", {**SHEET, "format": 9})
    (records.folder / "commissioning-20261003T100000Z.json").write_text('{"format": 1, "verd', encoding="utf-8")
    said = commissioning_reminders(tmp_path, BOARD, NOW)
    assert len(said) == 2
    assert "20261003T100000Z" in said[0]
    assert "another form" in said[1]


@pytest.mark.parametrize(
    "part", [{"results": [1]}, {"results": [{"test": "loop"}]}, {"results": 3}, {"board": "e66138"}]
)
def test_a_sheet_whose_inside_is_another_form_is_told_and_stops_nothing(
    tmp_path: Path, part: dict[str, object]
) -> None:
    BoardRecords(tmp_path, "e66138").write(KIND, "2026-10-01T10:00:00Z", {**SHEET, "verdict": "fail", **part})
    said = commissioning_reminders(tmp_path, BOARD, NOW)
    assert "another form" in said[0]
    assert "never commissioned" in said[1]
