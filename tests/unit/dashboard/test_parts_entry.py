"""How a lot of parts is typed, pasted and read back."""

from __future__ import annotations

from importlib import resources

import pytest

from benchwarden.core.job import Job
from benchwarden.core.job_form import job_from
from benchwarden.core.part_lots import PartLot, Piece
from benchwarden.core.unit import load_toml
from benchwarden.dashboard.parts_entry import (
    LotTexts,
    doubled_names,
    entry_of,
    new_lot,
    pasted_cells,
    texts_from,
    texts_of,
)
from benchwarden.dashboard.parts_fields import ASKED, COLUMNS
from benchwarden.dashboard.parts_lots import same, typed_lots
from benchwarden.dashboard.parts_result import result
from benchwarden.parts.incoming import check_lot

BLANK = ("",) * len(COLUMNS)


def demo_job() -> Job:
    with resources.as_file(resources.files("benchwarden.virtual") / "demo_job.toml") as path:
        return job_from(load_toml(path), "demo_job.toml")


def typed(**facts: str) -> LotTexts:
    return LotTexts({**new_lot("outputs").facts, **facts}, new_lot("outputs").tables)


def test_lots_come_back_from_their_fields_as_they_were() -> None:
    for lot in demo_job().lots:
        assert entry_of(texts_of(lot)).lot == lot
        assert entry_of(texts_from(texts_of(lot).table())).lot == lot


def test_every_field_of_a_lot_is_asked_for() -> None:
    assert {asked.key for asked in ASKED} | {"pieces", "known_good"} == set(PartLot.__dataclass_fields__)
    assert {column.key for column in COLUMNS} == set(Piece.__dataclass_fields__)


def test_a_new_lot_is_one_of_which_nothing_is_known() -> None:
    assert entry_of(new_lot("lot 1")).lot == PartLot("lot 1", "")


@pytest.mark.parametrize(
    ("key", "text", "words"),
    [
        ("name", "  ", "Needed, and empty"),
        ("bought_year", "next year", "“next year” is not a number. Allowed: a whole number, 1950 to 2100."),
        ("bought_year", "2025.5", "not possible here"),
        ("date_code_week", "54", "Allowed: a whole number, 1 to 53."),
        ("test_current_a", "1,000", "can be read as 1.000 or as 1000"),
        ("claimed_stock", "-1", "Allowed: a whole number, 0 to 100000000."),
        ("source", "my uncle", "Allowed: appointed distributor, other dealer,"),
        ("marking", "x" * 201, "201 characters are too long. Allowed: up to 200 characters."),
        ("note", "x" * 20_001, "20001 characters are too long"),
    ],
)
def test_what_is_wrong_is_said_with_what_is_allowed(key: str, text: str, words: str) -> None:
    found = entry_of(typed(**{key: text}))
    assert found.lot is None
    assert words in found.wrong[key]


def test_facts_that_contradict_each_other_are_said() -> None:
    assert "Allowed: 60 or more." in entry_of(typed(gain_low="60", gain_high="40")).wrong["gain_high"]
    assert "Allowed: 1990 or later." in entry_of(typed(made_from="1990", made_until="1980")).wrong["made_until"]


def test_a_comma_is_a_decimal_point_in_the_table() -> None:
    rows = (("a", "84", "0,682", "412", "0,4"), BLANK, ("", "88", "", "", ""))
    found = entry_of(LotTexts(typed().facts, {"pieces": rows, "known_good": ()}))
    assert found.lot is not None
    assert found.lot.pieces == (Piece("a", 84.0, 0.682, 412.0, 0.4), Piece("3", 88.0))


def test_a_wrong_cell_is_named_by_row_and_column() -> None:
    rows = (BLANK, ("b", "many", "0.6", "-4", ""))
    found = entry_of(LotTexts(typed().facts, {"pieces": rows, "known_good": ()}))
    assert found.lot is None
    assert set(found.cells) == {("pieces", 1, "hfe"), ("pieces", 1, "capacitance_pf")}
    assert found.cells["pieces", 1, "hfe"] == "“many” is not a number. Allowed: 0 to 100000."


@pytest.mark.parametrize("mark", ["\t", ";"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_table_of_a_spreadsheet_is_sorted_in(mark: str, end: str) -> None:
    lines = [("Piece", "hFE", "VBE", "Cob", "ICEO"), ("1", "84", "0,682", "412", "0,4"), ("2", "88", "0,68", "418", "")]
    rows, said = pasted_cells((BLANK,) * 6, 0, "name", end.join(mark.join(line) for line in lines) + end)
    assert rows[:3] == (("1", "84", "0,682", "412", "0,4"), ("2", "88", "0,68", "418", ""), BLANK)
    assert said == "2 rows pasted. The line of headings was left out."


def test_a_column_is_pasted_from_the_cell_it_was_pasted_into() -> None:
    before = (("1", "84", "", "", ""), ("2", "88", "", "", ""))
    rows, said = pasted_cells(before, 1, "vbe_v", "0.68\n0.69\n")
    assert rows == (("1", "84", "", "", ""), ("2", "88", "0.68", "", ""), ("", "", "0.69", "", ""))
    assert said == "2 rows pasted."


def test_more_than_there_is_room_for_is_said() -> None:
    rows, said = pasted_cells((), 0, "leakage_ua", "1\t2\n" * 100)
    assert len(rows) == 60
    assert said.startswith("60 rows pasted.")
    assert "Columns beyond leakage were left out." in said
    assert "Only 60 pieces are taken." in said


def test_names_alone_are_no_headings() -> None:
    rows, said = pasted_cells((), 0, "name", "a\nb\n")
    assert [row[0] for row in rows] == ["a", "b"]
    assert said == "2 rows pasted."


def test_two_lots_of_one_name_are_found() -> None:
    assert doubled_names([new_lot("a"), new_lot("b"), new_lot("a ")]) == ("a",)


def test_fields_of_another_draft_are_left_aside() -> None:
    draft = {"n": 3, "shown": 0, "lots": [new_lot("kept").table()]}
    fact = [{"id": {"lot": "name", "kind": "text"}, "property": "value", "value": "typed"}]
    assert [lot.name for lot in typed_lots(draft, {"n": 2, "shown": 0}, fact, [])] == ["kept"]
    assert [lot.name for lot in typed_lots(draft, {"n": 3, "shown": 0}, fact, [])] == ["typed"]


def test_rows_that_stand_ready_are_no_change() -> None:
    lot = texts_of(demo_job().lots[0])
    more = LotTexts(lot.facts, {**lot.tables, "pieces": (*lot.tables["pieces"], BLANK)})
    assert same([more], [lot.table()])
    assert not same([typed(note="x")], [typed().table()])


def test_a_result_never_calls_a_part_genuine_and_says_what_it_cannot_prove() -> None:
    for lot in demo_job().lots:
        found = check_lot(lot, None, 2026)
        shown = repr(result(lot, found))
        assert "genuine" not in shown.lower()
        assert found.proof in shown
