"""The commissioning sheet as printed: verdict, every test, cautions, the virtual bench on every page."""

from __future__ import annotations

from dataclasses import replace
from io import BytesIO
from pathlib import Path

import pytest
from pypdf import PdfReader

from benchwarden.commission_tests import TESTS
from benchwarden.core.commissioning import Measure, Rig, Sheet, TestResult
from benchwarden.errors import RecordError
from benchwarden.report.commissioning import page_data, sheet_bytes, write_sheet

BOARD = {"board": "e66138", "fw": "0.1.0", "wire": 2, "mpy": "1.24.1", "cal": "calibrated 2026-11-01, due 2027-11-01",
         "cal_crc": "0badcafe", "program": "0123456789abcdef"}  # fmt: skip
PASSED = tuple(
    TestResult(test.id, test.title, test.requirement, "pass", (Measure("a cause", "contact open", 10.0, 17.5),),
               ("seen something",), at_utc="2026-11-25T12:34:56Z")
    for test in TESTS
)  # fmt: skip
SHEET = Sheet(BOARD, False, "N. N.", "2026-11-25T12:00:00Z", "2026-11-25T13:00:00Z", 90, Rig(30.0, 10.0, 100.0, "PSU",
              "R1"), PASSED, True, "20261125T120000Z-commissioning", "0.1.0")  # fmt: skip


def pages(sheet: Sheet) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in PdfReader(BytesIO(sheet_bytes(sheet.table()))).pages]


def test_a_passed_sheet_says_who_what_and_when() -> None:
    text = " ".join(pages(SHEET))
    for words in ("PASSED", "board e66138", "0123456789abcdef", "0badcafe", "N. N.", "90 days", "Signature",
                  "PSU, at most 30.0 V", "R1, 10 ohm, 100 W", "22 passed, 0 failed, 0 not done, of 22",
                  "10 to 18 ms"):  # fmt: skip
        assert words in text, words
    assert "virtual" not in text
    for test in TESTS:
        assert test.id in text


def test_every_page_says_what_it_is_not() -> None:
    virtual = pages(replace(SHEET, virtual=True))
    assert len(virtual) >= 2
    for page in virtual:
        assert "a simulation: nothing here was measured" in page
        assert "virtual bench" in page
        assert "not a certified protective device" in page
    for page in pages(SHEET):
        assert "not a certified protective device" in page


def test_a_failed_test_names_its_part() -> None:
    bad = replace(PASSED[1], verdict="fail", why="rail_pos_a reads -1.978 A, expected +2.000 A", part="shunt reversed")
    rest = tuple(replace(r, verdict="not done", measures=(), why="loop did not pass") for r in PASSED[2:])
    text = " ".join(pages(replace(SHEET, results=(PASSED[0], bad, *rest))))
    assert "FAILED" in text
    assert "Look at: shunt reversed" in text
    assert "1 passed, 1 failed, 20 not done" in text
    assert "PASSED" not in text


def test_a_partial_one_is_never_shown_as_passed() -> None:
    text = " ".join(pages(replace(SHEET, complete=False, results=PASSED[:2])))
    assert "INCOMPLETE" in text
    assert "PASSED" not in text
    assert "Only some of the tests were asked for" in text


def test_foreign_words_stay_words() -> None:
    text = " ".join(pages(replace(SHEET, operator="#panic() \N{HIGH VOLTAGE SIGN} <b>", rig=None)))
    assert "#panic()" in text
    assert "<U+26A1>" in text
    assert "not reached" in text


def test_the_same_sheet_gives_the_same_bytes_and_is_written_whole(tmp_path: Path) -> None:
    out = write_sheet(SHEET.table(), tmp_path / "sheet.pdf")
    assert out.read_bytes() == sheet_bytes(SHEET.table())
    assert [p.name for p in tmp_path.iterdir()] == ["sheet.pdf"]
    with pytest.raises(RecordError, match="cannot be written"):
        write_sheet(SHEET.table(), tmp_path / "nowhere" / "sheet.pdf")


def test_an_uncalibrated_board_is_told_in_the_head() -> None:
    data = page_data(replace(SHEET, board={**BOARD, "cal": "uncalibrated", "cal_crc": ""}).table())
    assert data["head_calibration"] == "uncalibrated"
    assert ["Calibration", "uncalibrated"] in data["board_rows"]
