"""What can be told of a lot without an instrument: one oddness at a time."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from benchwarden.core.part_findings import AS_EXPECTED, DO_NOT_FIT, DOUBTS, NOT_LOOKED_AT, ODD
from benchwarden.core.part_lots import PartLot
from benchwarden.parts.looks import Look
from benchwarden.parts.origin import origin_looks

SOUND = PartLot(
    name="a lot",
    marking="LM 6001N",
    source="appointed distributor",
    date_code="1931",
    date_code_year=2019,
    date_code_week=31,
    made_from=2011,
    made_until=2020,
    years_source="maker's notice",
    marking_style="as expected",
    ink="as expected",
    case_rest="as expected",
    case_known_good="as expected",
    claimed_stock=40,
    bought_year=2021,
)


def look(about: str, **changed: Any) -> Look:
    (found,) = (one for one in origin_looks(replace(SOUND, **changed), 2026) if one.row.about == about)
    return found


def test_a_sound_lot_gives_no_reason() -> None:
    looks = origin_looks(SOUND, 2026)
    assert [one.row.state for one in looks] == [AS_EXPECTED] * len(looks)
    assert all(one.reason is None for one in looks)


def test_what_was_not_looked_at_is_never_as_expected() -> None:
    looks = origin_looks(PartLot(name="", marking=""), 2026)
    states = {one.row.about: one.row.state for one in looks}
    assert states.pop("source") == ODD
    assert set(states.values()) == {NOT_LOOKED_AT}


@pytest.mark.parametrize(
    ("source", "level"),
    [
        ("appointed distributor", None),
        ("other dealer", None),
        ("auction or marketplace", DOUBTS),
        ("pulled from a set", DOUBTS),
        ("unknown", DOUBTS),
    ],
)
def test_where_it_was_bought(source: str, level: str | None) -> None:
    found = look("source", source=source, dealer="somebody")
    assert (found.reason.level if found.reason else None) == level
    assert "somebody" in found.row.words


@pytest.mark.parametrize(
    ("changed", "level", "words"),
    [
        ({"date_code_year": 2010, "date_code": ""}, DO_NOT_FIT, "before the type was first made in 2011"),
        ({"date_code_year": 2010, "date_code": "", "years_source": " "}, DOUBTS, "no source given"),
        ({"date_code_year": 2023, "date_code": "", "bought_year": 2024}, DO_NOT_FIT, "3 years after the type ended"),
        ({"date_code_year": 2021, "date_code": ""}, DOUBTS, "1 year after the type ended"),
        ({"date_code_year": 2027, "date_code": ""}, DO_NOT_FIT, "not yet come"),
        ({"date_code_year": 2020, "date_code": "", "bought_year": 2019}, DO_NOT_FIT, "bought in 2019"),
        ({"date_code_week": 53, "date_code": ""}, DOUBTS, "that year has 52 weeks"),
        ({"date_code": "1913"}, DOUBTS, "four digits usually are year and week"),
    ],
)
def test_a_date_code_that_cannot_be(changed: dict[str, Any], level: str, words: str) -> None:
    found = look("date code", **changed)
    assert found.reason is not None
    assert found.reason.level == level
    assert words in found.reason.seen
    assert found.reason.matters
    assert found.reason.todo


def test_years_with_53_weeks_are_those_of_iso_8601() -> None:
    # Years of 53 weeks of this century's first third, from the standard's calendar (from memory): 2004, 2009, 2015,
    # 2020, 2026, 2032.
    long = {2004, 2009, 2015, 2020, 2026, 2032}
    for year in range(2001, 2033):
        lot = replace(
            SOUND,
            date_code="",
            date_code_year=year,
            date_code_week=53,
            made_from=2000,
            made_until=None,
            bought_year=None,
        )
        found = next(one for one in origin_looks(lot, 2040) if one.row.about == "date code")
        assert (found.reason is None) == (year in long), year
        assert date(year, 12, 28).isocalendar().week == (53 if year in long else 52)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"date_code": "KX", "date_code_year": None, "date_code_week": None}, "not read as a year"),
        ({"date_code": "", "date_code_year": None, "date_code_week": None}, "no date code noted"),
        ({"made_from": None, "made_until": None}, "not known"),
        ({"made_from": 2020, "made_until": 2011}, "is after its last"),
    ],
)
def test_a_date_code_that_says_nothing_is_not_passed(changed: dict[str, Any], words: str) -> None:
    found = look("date code", **changed)
    assert found.reason is None
    assert found.row.state == NOT_LOOKED_AT
    assert words in found.row.words


@pytest.mark.parametrize(
    ("key", "about"),
    [
        ("marking_style", "marking style"),
        ("ink", "ink against solvent"),
        ("case_rest", "case against the rest"),
        ("case_known_good", "case against a known-good piece"),
    ],
)
def test_what_eyes_and_a_swab_see(key: str, about: str) -> None:
    assert look(about, **{key: "not looked"}).row.state == NOT_LOOKED_AT
    found = look(about, **{key: "odd"})
    assert found.reason is not None
    assert found.reason.level == DOUBTS
    assert found.row.state == ODD


@pytest.mark.parametrize(
    ("stock", "until", "state"),
    [
        (500, 2021, ODD),
        (499, 2021, AS_EXPECTED),
        (100_000_000, 2022, AS_EXPECTED),
        (100_000_000, None, NOT_LOOKED_AT),
        (None, 2001, NOT_LOOKED_AT),
        (0, 2100, AS_EXPECTED),
    ],
)
def test_a_stock_too_large_for_its_age(stock: int | None, until: int | None, state: str) -> None:
    assert look("claimed stock", claimed_stock=stock, made_until=until).row.state == state
