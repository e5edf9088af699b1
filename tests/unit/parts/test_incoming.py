"""The whole check of a lot: every kind of doubt, and what is not looked at never passes."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace
from importlib import resources
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.core.job_form import CHOICES, RANGES, job_from, lot_from, plain_table
from benchwarden.core.part_findings import (
    AS_EXPECTED,
    DO_NOT_FIT,
    DOUBTS,
    LEVELS,
    NOT_LOOKED_AT,
    NOTHING_FOUND,
    ODD,
    LotFindings,
)
from benchwarden.core.part_lots import PartLot, Piece
from benchwarden.core.substitutes import GainPoint, Ratings
from benchwarden.parts.incoming import check_lot
from benchwarden.parts.lot_file import example_lot
from benchwarden.parts.small_lots import critical_value

SHEET = Ratings("LM 6001N", "invented", gain=(GainPoint(1.0, 60), GainPoint(8.0, 30)), cob_pf=400)
# Readings of one batch; invented.
HFE, VBE = [84, 88, 81, 86, 85, 83], [0.682, 0.680, 0.683, 0.681, 0.682, 0.681]
CAP, LEAK = [412, 418, 409, 415, 413, 411], [0.4, 0.5, 0.3, 0.5, 0.4, 0.6]


def pieces(n: int = 6, **changed: list[Any]) -> tuple[Piece, ...]:
    rows = {"hfe": HFE, "vbe_v": VBE, "capacitance_pf": CAP, "leakage_ua": LEAK, **changed}
    return tuple(Piece(f"{i + 1}", **{key: values[i] for key, values in rows.items()}) for i in range(n))


SOUND = PartLot(
    name="outputs N",
    marking="LM 6001N",
    source="appointed distributor",
    date_code_year=2025,
    made_from=2011,
    years_source="maker's list",
    marking_style="as expected",
    ink="as expected",
    case_rest="as expected",
    case_known_good="as expected",
    gain_group="O",
    gain_low=60,
    gain_high=120,
    test_current_a=1.0,
    pieces=pieces(),
    known_good=pieces(2),
)


def check(**changed: Any) -> LotFindings:
    return check_lot(replace(SOUND, **changed), SHEET, 2026)


def abouts(found: LotFindings) -> set[str]:
    return {reason.about for reason in found.reasons}


def test_a_sound_lot_finds_nothing_and_says_what_that_proves() -> None:
    found = check()
    assert found.level == NOTHING_FOUND
    assert found.reasons == ()
    assert "only opening one, which destroys it" in found.proof
    assert "genuine" not in str(found).lower()
    assert {row.about for row in found.looked if row.state == NOT_LOOKED_AT} == {"claimed stock"}
    assert {test.found for test in found.statistics} == {False}


def test_the_demonstrations_lots_find_nothing() -> None:
    with resources.files("benchwarden.virtual").joinpath("demo_job.toml").open("rb") as source:
        job = job_from(tomllib.load(source), "demo_job.toml")
    assert len(job.lots) == 2
    for lot in job.lots:
        assert check_lot(lot, None, 2026).level == NOTHING_FOUND
        assert check_lot(lot, replace(SHEET, polarity=lot.polarity), 2026).level == NOTHING_FOUND


def test_the_example_of_small_dies_is_not_fitted_and_says_why() -> None:
    found = check_lot(example_lot(), SHEET, 2026)
    assert found.level == DO_NOT_FIT
    assert {"date code", "die against a known-good piece"} == {
        reason.about for reason in found.reasons if reason.level == DO_NOT_FIT
    }
    assert {"source", "marking style", "ink against solvent", "gain against its group", "leakage"} <= abouts(found)
    assert found.reasons[0].level == DO_NOT_FIT
    assert "do not fit" in found.headline
    assert all(reason.seen and reason.matters and reason.todo for reason in found.reasons)


@pytest.mark.parametrize(
    ("changed", "about", "level"),
    [
        ({"source": "unknown"}, "source", DOUBTS),
        ({"date_code_year": 2009}, "date code", DO_NOT_FIT),
        ({"marking_style": "odd"}, "marking style", DOUBTS),
        ({"ink": "odd"}, "ink against solvent", DOUBTS),
        ({"case_rest": "odd"}, "case against the rest", DOUBTS),
        ({"case_known_good": "odd"}, "case against a known-good piece", DOUBTS),
        ({"claimed_stock": 4000, "made_until": 2012, "date_code_year": 2012}, "claimed stock", DOUBTS),
        ({"polarity": "pnp"}, "type against the sheet", DO_NOT_FIT),
        ({"pieces": pieces(hfe=[84, 88, 0, 86, 85, 83])}, "dead pieces", DOUBTS),
        ({"gain_low": 100, "gain_high": 200}, "gain against its group", DO_NOT_FIT),
        (
            {"gain_low": 60, "gain_high": 76, "pieces": pieces(hfe=[82, 81, 80, 85, 83, 82])},
            "gain against its group",
            DOUBTS,
        ),
        (
            {"pieces": pieces(hfe=[40, 42, 41, 39, 43, 40]), "gain_low": None, "gain_high": None},
            "gain against the sheet",
            DO_NOT_FIT,
        ),
        (
            {"pieces": pieces(leakage_ua=[1500.0, 1800.0, 1600.0, 1700.0, 1900.0, 1650.0])},
            "leakage against its limit",
            DO_NOT_FIT,
        ),
        ({"pieces": pieces(hfe=[84, 88, 81, 86, 85, 160]), "gain_high": 200}, "current gain", DOUBTS),
        ({"pieces": pieces(vbe_v=[*VBE[:5], 0.702])}, "base-emitter voltage", DOUBTS),
        ({"pieces": pieces(capacitance_pf=[*CAP[:5], 205])}, "collector-base capacitance", DOUBTS),
        ({"pieces": pieces(leakage_ua=[*LEAK[:5], 40.0])}, "leakage", DOUBTS),
        ({"pieces": pieces(vbe_v=[0.682, 0.680, 0.683, 0.712, 0.713, 0.711])}, "base-emitter voltage", DOUBTS),
        (
            {"pieces": pieces(hfe=[45, 120, 70, 200, 95, 60]), "gain_low": None, "gain_high": None},
            "spread of current gain",
            DOUBTS,
        ),
        ({"pieces": pieces(vbe_v=[v + 0.018 for v in VBE])}, "die against a known-good piece", DOUBTS),
    ],
)
def test_every_kind_of_doubt(changed: dict[str, Any], about: str, level: str) -> None:
    found = check(**changed)
    mine = [reason for reason in found.reasons if reason.about == about]
    assert [reason.level for reason in mine] == [level]
    assert found.level in (level, DO_NOT_FIT)
    assert any(row.state == ODD for row in found.looked)
    assert found.level != NOTHING_FOUND


def test_two_populations_are_told_as_two() -> None:
    found = check(pieces=pieces(vbe_v=[0.682, 0.712, 0.683, 0.711, 0.681, 0.713]))
    (reason,) = (reason for reason in found.reasons if reason.about == "base-emitter voltage")
    assert "two groups" in reason.seen
    assert "mixed lot" in reason.matters


def test_one_small_die_among_few_is_found() -> None:
    # Half the area: 17.8 mV more and half the capacitance, in batches spread by 1.3 mV and 2 %.
    for n in (4, 6, 10):
        source = np.random.default_rng([7, n])
        hits = 0
        for _ in range(40):
            lot = [
                Piece(
                    f"{i}", vbe_v=0.68 + source.normal(0, 0.0013), capacitance_pf=400 * math.exp(source.normal(0, 0.02))
                )
                for i in range(n)
            ]
            lot[0] = Piece("odd", vbe_v=0.6978, capacitance_pf=200)
            hits += check(pieces=tuple(lot), known_good=()).level == DOUBTS
        assert hits >= 38, n


def test_good_lots_are_rarely_doubted() -> None:
    # Odd pieces cost 5 lots in 100, spread against a batch's usual another few where a batch is as wide as that.
    for n in (4, 6, 10):
        source = np.random.default_rng([8, n])
        doubted = 0
        for _ in range(300):
            lot = tuple(
                Piece(
                    f"{i}",
                    hfe=85 * math.exp(source.normal(0, 0.08)),
                    vbe_v=0.68 + source.normal(0, 0.003),
                    capacitance_pf=400 * math.exp(source.normal(0, 0.03)),
                    leakage_ua=2.0 * math.exp(source.normal(0, 0.5)),
                )
                for i in range(n)
            )
            doubted += check(pieces=lot, known_good=()).level != NOTHING_FOUND
        assert doubted / 300 < 0.09, n


def test_an_odd_piece_is_not_told_twice_as_spread() -> None:
    found = check(pieces=pieces(capacitance_pf=[*CAP[:5], 100]))
    assert "collector-base capacitance" in abouts(found)
    assert "spread of collector-base capacitance" not in abouts(found)


@pytest.mark.parametrize("n", [1, 2, 3])
def test_three_or_fewer_are_not_judged_for_odd_ones_and_it_is_said(n: int) -> None:
    found = check(pieces=pieces(3, hfe=[84, 88, 118], vbe_v=[0.68, 0.68, 0.74])[:n], known_good=())
    assert found.statistics == ()
    assert "too few to show" in found.shows[0]
    within = [row for row in found.looked if row.about.endswith("within the lot")]
    assert {row.state for row in within} == {NOT_LOOKED_AT}


def test_nothing_measured_is_said_in_every_place() -> None:
    found = check(pieces=(), known_good=())
    assert found.level == NOTHING_FOUND
    assert "nothing was measured" in found.headline
    assert "Nothing was measured" in found.shows[0]
    by_measuring = ("within the lot", "gain against", "leakage against", "die against", "dead pieces", "capacitance")
    measured = [row for row in found.looked if row.about.startswith(by_measuring) or "within" in row.about]
    assert len(measured) == 10
    assert {row.state for row in measured} == {NOT_LOOKED_AT}
    assert all(row.middle is None and row.n == 0 for row in found.measured)


def test_pieces_measured_in_part() -> None:
    found = check(pieces=pieces(hfe=[84, None, None, 86, None, 83], leakage_ua=[None] * 6))
    rows = {row.about: row for row in found.looked}
    assert rows["current gain within the lot"].state == NOT_LOOKED_AT
    assert rows["leakage within the lot"].state == NOT_LOOKED_AT
    assert rows["leakage against its limit"].state == NOT_LOOKED_AT
    assert rows["base-emitter voltage within the lot"].state == AS_EXPECTED
    assert any("not judged for odd ones: current gain" in words for words in found.shows)


@pytest.mark.parametrize("leaks", [[0.0] * 6, [0.0, 0.0, 0.0, 0.0, 0.0, 0.9], [0.0, 0.1, 0.0, 0.0, 0.2, 4.9]])
def test_leakage_of_nothing_and_next_to_nothing_is_no_doubt(leaks: list[float]) -> None:
    found = check(pieces=pieces(leakage_ua=leaks))
    assert found.level == NOTHING_FOUND
    row = found.measured[3]
    assert row.n == 6
    assert row.middle is not None
    assert min(leaks) <= row.middle <= max(leaks)


def test_identical_readings_and_a_meters_last_digit_are_no_doubt() -> None:
    same = check(pieces=pieces(hfe=[85] * 6, vbe_v=[0.681] * 6, capacitance_pf=[412] * 6, leakage_ua=[0.4] * 6))
    assert same.level == NOTHING_FOUND
    digit = check(
        pieces=pieces(hfe=[85, 85, 85, 85, 85, 86], vbe_v=[*[0.681] * 5, 0.682], capacitance_pf=[*[412] * 5, 413])
    )
    assert digit.level == NOTHING_FOUND
    assert any("too little to matter" in test.words for test in digit.statistics)


def test_a_gain_group_noted_the_wrong_way_round_is_not_judged() -> None:
    found = check(gain_low=120, gain_high=60)
    assert next(row for row in found.looked if row.about == "gain against its group").state == NOT_LOOKED_AT


@pytest.mark.parametrize(("low", "high", "words"), [(60, None, "from 60 at"), (None, 120, "to 120 at")])
def test_a_group_with_one_end(low: float | None, high: float | None, words: str) -> None:
    row = next(row for row in check(gain_low=low, gain_high=high).looked if row.about == "gain against its group")
    assert row.state == AS_EXPECTED
    assert words in row.words
    assert "inf" not in row.words


def test_gains_that_are_none_give_numbers_still() -> None:
    found = check(pieces=pieces(hfe=[1e-286, 1e5, 80, 80, 80, 80]))
    assert found.level != NOTHING_FOUND


def test_a_leakage_limit_that_is_given_counts() -> None:
    assert check_lot(SOUND, SHEET, 2026, leakage_limit_ua=0.1).level == DO_NOT_FIT


def test_field_effect_parts_are_not_judged_by_a_junctions_volts() -> None:
    gates = [3.42, 3.55, 3.48, 3.38, 3.51, 3.45]
    found = check_lot(replace(SOUND, polarity="n-channel", pieces=pieces(vbe_v=gates), known_good=()), None, 2026)
    assert found.level == NOTHING_FOUND
    assert [row.quantity for row in found.measured][1] == "gate-source voltage"
    far = check_lot(
        replace(SOUND, polarity="n-channel", pieces=pieces(vbe_v=[*gates[:5], 5.4]), known_good=()), None, 2026
    )
    assert "gate-source voltage" in abouts(far)


def test_the_critical_value_beside_each_test_decides() -> None:
    found = check(pieces=pieces(capacitance_pf=[*CAP[:5], 205]))
    for test in found.statistics:
        if test.found:
            assert abs(test.value) > test.critical
            assert test.p < 0.05
        assert test.source


def test_each_quantity_that_is_looked_at_is_paid_for() -> None:
    readings = pieces(capacitance_pf=[*CAP[:5], 460])
    four = check(pieces=readings, known_good=())
    alone = check(pieces=tuple(Piece(one.name, capacitance_pf=one.capacitance_pf) for one in readings), known_good=())
    tests = {test.name: test for test in alone.statistics}
    for test in four.statistics:
        if test.quantity != "collector-base capacitance":
            continue
        # Bonferroni 1936: four times the probability, and the critical value of a quarter of five in a hundred.
        assert test.p == pytest.approx(min(1.0, 4 * tests[test.name].p))
        assert test.critical == critical_value(test.name, 6, 0.05 / 4)
        assert tests[test.name].critical == critical_value(test.name, 6, 0.05)
        assert test.critical > tests[test.name].critical


def test_findings_are_plain_data() -> None:
    table = plain_table(check_lot(example_lot(), SHEET, 2026))
    assert table["level"] == DO_NOT_FIT


def test_thousands_of_pieces_are_judged() -> None:
    source = np.random.default_rng(9)
    many = tuple(Piece(f"{i}", hfe=float(80 + source.normal(0, 4)), vbe_v=0.68) for i in range(2000))
    found = check(pieces=many, known_good=many[:1500])
    assert found.measured[0].n == 2000
    assert found.level == NOTHING_FOUND


def _number(key: str) -> st.SearchStrategy[float | None]:
    low, high = RANGES[f"Piece.{key}"]
    wild = st.floats(low, high, allow_subnormal=False)
    return st.one_of(st.none(), st.sampled_from([low, high]), wild)


_TEXT = st.text(max_size=40)
_YEAR = st.one_of(st.none(), st.integers(1950, 2100))
_PIECE = st.fixed_dictionaries(
    {"name": _TEXT, **{key: _number(key) for key in ("hfe", "vbe_v", "capacitance_pf", "leakage_ua")}}
)
_LOT = st.fixed_dictionaries(
    {
        "name": _TEXT,
        "marking": _TEXT,
        "dealer": _TEXT,
        "date_code": _TEXT,
        "years_source": _TEXT,
        "gain_group": _TEXT,
        **{key: st.sampled_from(CHOICES[f"PartLot.{key}"]) for key in ("source", "polarity", "ink", "marking_style")},
        **dict.fromkeys(("date_code_year", "made_from", "made_until", "bought_year"), _YEAR),
        "date_code_week": st.one_of(st.none(), st.integers(1, 53)),
        "claimed_stock": st.one_of(st.none(), st.integers(0, 100_000_000)),
        **{
            key: st.one_of(st.none(), st.floats(*RANGES[f"PartLot.{key}"]))
            for key in ("gain_low", "gain_high", "test_current_a", "test_voltage_v")
        },
        "pieces": st.lists(_PIECE, max_size=7),
        "known_good": st.lists(_PIECE, max_size=3),
    }
)


@given(_LOT)
@settings(max_examples=100, deadline=None)
def test_whatever_the_form_lets_in_is_judged(table: dict[str, Any]) -> None:
    try:
        lot = lot_from(table, "lot")
    except ValueError:
        return  # texts the form refuses
    for ratings in (None, SHEET):
        found = check_lot(lot, ratings, 2026)
        assert found.level in LEVELS
        assert (found.level == NOTHING_FOUND) == (not found.reasons)
        assert "opening one" in found.proof
        numbers = [test.p for test in found.statistics] + [test.value for test in found.statistics]
        assert all(math.isfinite(number) for number in numbers)
        assert all(0.0 <= test.p <= 1.0 for test in found.statistics)
        plain_table(found)
