"""One part of a sense path open, shorted or drifted: what the table says is what the simulation does."""

from __future__ import annotations

import csv

import pytest

from circuits import insulation_page, sense_fault
from circuits.output_bench import ANALOGUE
from circuits.sense_fault import Outcome
from circuits.sheets import ntc_input, rail_module
from circuits.sheets.output_module import LEFT

pytestmark = pytest.mark.ngspice

with sense_fault.TABLE.open(encoding="utf-8", newline="") as _file:
    TABLE = [Outcome(**row) for row in csv.DictReader(_file)]


def test_simulation_says_what_the_table_says() -> None:
    assert [*sense_fault.output_faults(), *sense_fault.rail_faults(), *sense_fault.sensor_faults()] == TABLE


def test_every_analogue_part_is_in_the_table() -> None:
    for module, sheet, refs in (
        ("output module", LEFT, ANALOGUE),
        ("rail module", rail_module.POSITIVE, sense_fault.RAIL_PARTS),
        ("sensor input", ntc_input.SHEET, sense_fault.SENSOR_PARTS),
    ):
        expected = [(fault.part.ref, fault.words) for fault in sense_fault.faults(sheet, refs)]
        assert [(row.part, row.fault) for row in TABLE if row.module == module] == expected


def test_what_nobody_notices_is_told_on_the_page() -> None:
    silent = [row for row in TABLE if "nobody in between" in row.told_by]
    # A dead offset or HF path reads 0, as a good set does.
    assert {row.part for row in silent} >= {"R6", "R7", "R8", "C4", "D3"}
    page = insulation_page.page()
    assert all(row.told_by in page for row in silent)


def test_divider_by_hand() -> None:
    """Closed form: (R6 + R7 + R8) / R8 against 55, with R6 a tenth high."""
    row = next(row for row in TABLE if (row.module, row.part, row.fault) == ("output module", "R6", "10 % high"))
    assert f"offset x {55 / (27 * 1.1 + 27 + 1):.2f}" in row.reads
