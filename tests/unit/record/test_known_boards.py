"""What the records folder says of all its boards, whatever state it is in."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from benchwarden.record.board_records import BoardRecords
from benchwarden.record.commissioning_records import KIND
from benchwarden.record.disk_room import EXPORT_BYTES_PER_HOUR, JOURNAL_BYTES_PER_HOUR, room
from benchwarden.record.known_boards import CALIBRATION, known_boards
from benchwarden.record.records_settings import NAME, set_interval_days

NOW = "2026-11-25T12:00:00Z"
FACTS = {"board": "e66138", "fw": "0.1.0", "program": "01", "cal_crc": "aa"}
RESULT = {
    "test": "over-current-pos",
    "title": "Over-current by software, positive rail",
    "requirement": {"text": "contact open at most 45 ms after", "at_most_ms": 45.0, "source": "hardware"},
    "verdict": "pass",
    "measures": [{"since": "a", "until": "b", "low_ms": 12.2, "high_ms": 30.1}],
    "why": "",
    "part": "",
}
SHEET = {
    "format": 1, "verdict": "pass", "complete": True, "ended_at_utc": "2026-10-01T10:00:00Z", "operator": "Ida",
    "board": FACTS, "results": [RESULT],
}  # fmt: skip
MADE = {
    "board": "e66138", "fw": "0.1.0", "program": "01", "utc": "2026-09-30T10:00:00Z", "date": "2026-09-30",
    "due": "2027-09-30", "crc": "aa", "number": 2, "operator": "Ida", "reference": "meter 7",
    "channels": {"rail_pos_a": {"entry": {}}, "rail_neg_a": {"entry": {}}, "hf_left_v": {}},
}  # fmt: skip


def records(root: Path) -> BoardRecords:
    return BoardRecords(root, "e66138")


def test_no_folder_is_no_board_and_no_complaint(tmp_path: Path) -> None:
    known = known_boards(tmp_path / "nowhere", {}, NOW)
    assert (known.boards, known.problem, known.interval_days) == ((), "", 180)


def test_a_board_in_order_is_told_with_what_is_due_when(tmp_path: Path) -> None:
    records(tmp_path).write(CALIBRATION, MADE["utc"], MADE)  # type: ignore[arg-type]
    records(tmp_path).write(KIND, "2026-10-01T10:00:00Z", SHEET)
    set_interval_days(tmp_path, 60)
    known = known_boards(tmp_path, {}, NOW)
    (board,) = known.boards
    assert (board.board, board.reminders, board.damaged) == ("e66138", (), ())
    assert board.calibration is not None
    # 25 November to 30 September: 5 + 31 + 31 + 28 + 31 + 30 + 31 + 30 + 31 + 31 + 30 days.
    assert (board.calibration.due_in_days, board.calibration.channels) == (309, 2)
    assert board.commissioning is not None
    # 60 days after 1 October.
    assert (board.commissioning.due, board.commissioning.due_in_days) == ("2026-11-30", 5)
    (test,) = board.commissioning.tests
    # Bounds rounded outwards.
    assert (test.verdict, test.measured, test.required) == ("pass", "12 to 31 ms", "contact open at most 45 ms after")


def test_what_changed_since_is_judged_by_the_newest_that_is_known_of_the_board(tmp_path: Path) -> None:
    records(tmp_path).write(KIND, "2026-10-01T10:00:00Z", SHEET)
    assert known_boards(tmp_path, {}, NOW).boards[0].reminders == ()
    # Calibrated after the commissioning: the record itself tells that the board measures otherwise now.
    later = {**MADE, "utc": "2026-10-05T08:00:00Z", "crc": "bb"}
    records(tmp_path).write(CALIBRATION, later["utc"], later)  # type: ignore[arg-type]
    (board,) = known_boards(tmp_path, {}, NOW).boards
    assert "calibration record aa, now it has bb" in board.reminders[0]
    seen = {"e66138": ("2026-11-20T08:00:00Z", {**FACTS, "fw": "0.2.0"})}
    (board,) = known_boards(tmp_path, seen, NOW).boards
    assert (board.as_of_utc, len(board.reminders)) == ("2026-11-20T08:00:00Z", 1)
    assert "firmware version 0.1.0, now it has 0.2.0" in board.reminders[0]


def test_the_whole_sheet_counts_and_a_later_failed_part_is_reminded_of(tmp_path: Path) -> None:
    records(tmp_path).write(KIND, "2026-10-01T10:00:00Z", SHEET)
    failed = {
        **SHEET, "complete": False, "verdict": "fail", "ended_at_utc": "2026-11-01T10:00:00Z",
        "results": [{**RESULT, "verdict": "fail"}],
    }  # fmt: skip
    records(tmp_path).write(KIND, "2026-11-01T10:00:00Z", failed)
    (board,) = known_boards(tmp_path, {}, NOW).boards
    assert board.commissioning is not None
    assert (board.commissioning.verdict, board.commissionings) == ("pass", 2)
    assert "A test failed after the last commissioning, on 2026-11-01: over-current-pos" in board.reminders[0]


def test_damage_is_named_by_its_place_within_the_folder(tmp_path: Path) -> None:
    records(tmp_path).write(CALIBRATION, MADE["utc"], MADE)  # type: ignore[arg-type]
    folder = records(tmp_path).folder
    (folder / "calibration-20261101T100000Z.json").write_text('{"board": "e6', encoding="utf-8")
    (folder / "calibration-20261102T100000Z.json").write_text('{"board": "e66138"}', encoding="utf-8")
    (folder / "commissioning-20261103T100000Z.json").write_text("[]", encoding="utf-8")
    (folder / "calibration.draft.json").write_text("{", encoding="utf-8")
    (tmp_path / NAME).write_text("commissioning_interval_days = 0\n", encoding="utf-8")
    known = known_boards(tmp_path, {}, NOW)
    (board,) = known.boards
    assert board.calibration is not None
    assert board.calibrations == 1
    said = [*board.damaged, known.problem]
    for name in ("20261101T100000Z", "20261102T100000Z", "20261103T100000Z", "calibration.draft", "settings.toml"):
        assert any(name in words for words in said), name
    assert not any(str(tmp_path) in words for words in said)
    assert "180 days are taken" in known.problem


@pytest.mark.parametrize(
    "change",
    [{"due": "soon"}, {"due": None}, {"channels": []}, {"date": 3}],
)
def test_a_calibration_of_another_form_is_not_taken_for_one(tmp_path: Path, change: dict[str, Any]) -> None:
    records(tmp_path).write(CALIBRATION, MADE["utc"], {**MADE, **change})  # type: ignore[arg-type]
    (board,) = known_boards(tmp_path, {}, NOW).boards
    assert board.calibration is None
    assert "another form" in board.damaged[0]


def test_a_begun_calibration_is_told(tmp_path: Path) -> None:
    records(tmp_path).keep_draft(CALIBRATION, {"begun": "2026-11-24T10:00:00Z"})
    (board,) = known_boards(tmp_path, {}, NOW).boards
    assert (board.board, board.draft_begun) == ("e66138", "2026-11-24T10:00:00Z")
    assert "never commissioned" in board.reminders[0]


def test_room_is_that_of_the_disk_even_where_the_folder_is_still_to_come(tmp_path: Path) -> None:
    found = room(tmp_path / "not" / "yet")
    # Python's own view of the same disk; other programs may use it meanwhile.
    assert found.free_bytes == pytest.approx(shutil.disk_usage(tmp_path).free, rel=0.05)
    assert found.hours == found.free_bytes / (JOURNAL_BYTES_PER_HOUR + EXPORT_BYTES_PER_HOUR)
