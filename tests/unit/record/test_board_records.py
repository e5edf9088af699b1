"""What is kept of each board: nothing overwritten, drafts whole, damaged files named."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchwarden.errors import RecordError
from benchwarden.record.board_records import BoardRecords

NOW = "2026-11-25T12:00:00Z"


def test_records_are_kept_apart_and_in_order(tmp_path: Path) -> None:
    records = BoardRecords(tmp_path, "e66138528361")
    paths = [records.write("calibration", NOW, {"n": n}) for n in range(11)]
    early = records.write("calibration", "2025-01-01T00:00:00Z", {"n": -1})
    records.write("commissioning", NOW, {"n": 100})
    assert paths[0] == tmp_path / "boards" / "e66138528361" / "calibration-20261125T120000Z.json"
    assert len(set(paths)) == 11, "none was overwritten"
    found, damaged = records.read("calibration")
    assert [record["n"] for record in found] == [-1, *range(11)]
    assert (found[0]["path"], damaged) == (str(early), [])
    assert BoardRecords(tmp_path, "other").read("calibration") == ([], [])


def test_a_damaged_record_is_named_and_the_others_read(tmp_path: Path) -> None:
    records = BoardRecords(tmp_path, "e6")
    whole = records.write("calibration", NOW, {"n": 1})
    (records.folder / "calibration-20270101T000000Z.json").write_text(whole.read_text()[:-4])
    found, damaged = records.read("calibration")
    assert [record["n"] for record in found] == [1]
    assert len(damaged) == 1
    assert "calibration-20270101T000000Z.json: not a record" in damaged[0]


def test_a_draft_is_replaced_and_dropped(tmp_path: Path) -> None:
    records = BoardRecords(tmp_path, "e6")
    assert records.draft("calibration") is None
    records.keep_draft("calibration", {"points": [1]})
    records.keep_draft("calibration", {"points": [1, 2]})
    assert records.draft("calibration") == {"points": [1, 2]}
    assert records.read("calibration") == ([], []), "a draft is no record"
    records.drop_draft("calibration")
    records.drop_draft("calibration")
    assert records.draft("calibration") is None


def test_what_cannot_be_kept_is_said(tmp_path: Path) -> None:
    (tmp_path / "boards").write_text("a file where the folder should be")
    records = BoardRecords(tmp_path, "e6")
    with pytest.raises(RecordError, match="cannot be written"):
        records.write("calibration", NOW, {})
    with pytest.raises(RecordError, match="draft cannot be written"):
        records.keep_draft("calibration", {})
    with pytest.raises(RecordError, match="without an id"):
        BoardRecords(tmp_path, "")
    with pytest.raises(RecordError, match="record cannot be written"):
        BoardRecords(tmp_path / "elsewhere", "e6").write("calibration", NOW, {"u": float("nan")})


def test_a_board_id_stays_one_folder_name(tmp_path: Path) -> None:
    assert BoardRecords(tmp_path, "../../x").folder == tmp_path / "boards" / "______x"
