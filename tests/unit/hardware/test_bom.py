"""The bill of materials lists every part of every sheet, once, and is up to date in the repository."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import replace

import pytest

from circuits import bom
from circuits.bom_prices import EXTRAS, unit_price_eur
from circuits.sheets import SHEETS
from circuits.stock import resistor


@pytest.fixture(scope="module")
def rows() -> list[dict[str, str]]:
    with bom.FILE.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_committed_bill_is_what_the_netlists_make_today() -> None:
    assert bom.FILE.read_text(encoding="utf-8") == bom.table(SHEETS.values()), "run python -m circuits.bom in hardware/"


def test_every_part_is_in_one_line_of_its_board(rows: list[dict[str, str]]) -> None:
    listed = Counter((row["board"], ref) for row in rows for ref in row["references"].split())
    drawn = {(sheet.board, part.ref) for sheet in SHEETS.values() for part in sheet.parts}
    assert set(listed) == drawn
    assert {key: n for key, n in listed.items() if n != 1} == {}


def test_quantities_are_those_of_the_whole_bench(rows: list[dict[str, str]]) -> None:
    bought = sum(int(row["quantity"]) for row in rows if row["references"])
    links = sum(1 for s in SHEETS.values() for p in s.parts if p.kind in ("LINK", "OPEN"))
    modules_with_links = sum(1 for s in SHEETS.values() if any(p.kind == "LINK" for p in s.parts))
    assert bought == sum(len(s.parts) for s in SHEETS.values()) - links + modules_with_links


def test_every_line_names_class_rating_example_and_price(rows: list[dict[str, str]]) -> None:
    for row in rows[:-1]:
        for column in ("part_class", "rating", "example", "example_status", "unit_eur", "line_eur", "price_status"):
            assert row[column], f"{row['board']} {row['references']}: no {column}"
        assert "from memory, check before ordering" in row["example_status"]
        assert float(row["line_eur"]) == pytest.approx(int(row["quantity"]) * float(row["unit_eur"]), abs=0.005)


def test_the_total_is_the_sum_of_the_lines(rows: list[dict[str, str]]) -> None:
    assert rows[-1]["board"] == "total"
    assert float(rows[-1]["line_eur"]) == pytest.approx(sum(float(row["line_eur"]) for row in rows[:-1]), abs=0.01)
    assert "estimate" in rows[-1]["price_status"]
    assert sum(1 for row in rows if row["board"] == "not on a sheet") == len(EXTRAS)


def test_a_class_without_a_price_is_refused() -> None:
    part = replace(resistor("R1", "1k", "A", "B"), part_class="unobtainium", example="none")
    with pytest.raises(KeyError, match="no price for 'unobtainium'"):
        unit_price_eur(part)
