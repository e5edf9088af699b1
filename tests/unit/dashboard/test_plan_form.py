"""What is typed on the plan page: numbers, facts and changes to the plan, and what is said of mistakes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.analysis.plan_edits import editable
from benchwarden.analysis.planner import power_up_plan
from benchwarden.core.unit import Unit
from benchwarden.core.unit_facts import FACT, FACTS
from benchwarden.dashboard.plan_edit import RunWish, planned, shown_number, texts_of_plan
from benchwarden.dashboard.plan_form import EXAMPLE, empty_texts, entry_of, number_of, number_text, texts_of

FIRST = "limiter 25 %"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0.22", 0.22),
        ("0,22", 0.22),
        (" 42 ", 42.0),
        (",5", 0.5),
        ("10 000", 10000.0),
        ("10\N{NO-BREAK SPACE}000", 10000.0),
        ("0,330", 0.33),
        ("12.345", 12.345),
        ("\N{MINUS SIGN}0.1", -0.1),
        ("1e-05", 1e-5),
    ],
)
def test_numbers_with_point_or_comma(text: str, value: float) -> None:
    assert number_of(text) == value


@pytest.mark.parametrize(
    "text", ["", "x", "1.2.3", "1,2,3", "10.000,5", "0x10", "nan", "inf", "1_000", "٣", "--1", "5 V"]
)
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a number"):
        number_of(text)


def test_a_comma_that_can_be_read_in_two_ways_is_asked_about() -> None:
    with pytest.raises(ValueError, match=r"can be read as 10\.000 or as 10000"):
        number_of("10,000")


@given(st.floats(allow_nan=False, allow_infinity=False))
@settings(deadline=None)
def test_a_number_is_read_as_it_was_written(value: float) -> None:
    assert number_of(number_text(value)) == value


@pytest.mark.parametrize("unit", [EXAMPLE, Unit(1.0, 1.0, 8.0, 0.05, 0.5, 15.0, run_type="burn-in", tj_max_c=199.95)])
def test_facts_come_back_from_their_fields(unit: Unit) -> None:
    assert entry_of(texts_of(unit)).unit == unit


def test_what_is_needed_is_asked_for_and_the_rest_is_as_usual() -> None:
    texts = empty_texts()
    wrong = entry_of(texts).wrong
    assert set(wrong) == {fact.key for fact in FACTS if fact.needed}
    assert wrong["load_ohm"] == "Needed, and empty. Allowed: 1 to 32 Ω."
    texts |= {"rated_power_w": "60", "load_ohm": "8", "rail_nominal_v": "42", "emitter_resistor_ohm": "0,22"}
    texts |= {"target_bias_drop_mv": "11", "limiter_lamp_w": "100"}
    assert entry_of(texts).unit == Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0)


@pytest.mark.parametrize(
    ("key", "text", "said"),
    [
        ("load_ohm", "eight", "“eight” is not a number. Allowed: 1 to 32 Ω."),
        ("load_ohm", "80", "“80” is not possible here. Allowed: 1 to 32 Ω."),
        ("output_pairs", "1.5", "“1.5” is not possible here. Allowed: a whole number, 1 to 8."),
        ("reservoir_uf", "10,000", "Allowed: 100 to 100000 µF."),
        ("package", "wood", "Allowed: metal-can, plastic."),
        ("load_connected", "perhaps", "Allowed: yes or no."),
        ("model", "x" * 401, "401 characters are too long. Allowed: up to 400."),
        ("model", "\ud800", "Holds a broken character"),
    ],
)
def test_mistakes_are_said_with_what_is_allowed(key: str, text: str, said: str) -> None:
    found = entry_of(texts_of(EXAMPLE) | {key: text})
    assert found.unit is None
    assert list(found.wrong) == [key]
    assert said in found.wrong[key]


def test_every_number_says_its_range_when_it_is_beyond_it() -> None:
    for fact in FACTS:
        if fact.kind in ("number", "whole"):
            wrong = entry_of(texts_of(EXAMPLE) | {fact.key: number_text(2.0 * fact.high)}).wrong
            assert f"{FACT[fact.key].low:g} to {FACT[fact.key].high:g}" in wrong[fact.key]


def _computed(stage: str, key: str) -> float:
    found = next(s for s in power_up_plan(EXAMPLE).stages if s.name == stage)
    return next(entry.computed for entry in editable(found) if entry.key == key)


def test_without_changes_the_plan_is_the_computed_one() -> None:
    found = planned(EXAMPLE, RunWish(), {})
    # Open sides of limits are NaN, which equals nothing; their text does.
    assert repr(found.plan) == repr(power_up_plan(EXAMPLE))
    assert found.table == {}
    assert found.wrong == {}


def test_changes_are_typed_in_the_bench_pages_units_and_written_in_the_files() -> None:
    found = planned(EXAMPLE, RunWish(), {FIRST: {"bias_left_v.high": "20", "rail_pos_a.for_ms": "40", "hold_s": "90"}})
    assert found.table == {
        "stage": {FIRST: {"hold_s": 90.0, "limits": {"bias_left_v": {"high": 0.02}, "rail_pos_a": {"for_ms": 40}}}}
    }
    assert found.plan is not None
    stage = found.plan.stages[1]
    limit = next(x for x in stage.figures.limits if x.channel == "bias_left_v" and x.high == 0.02)
    # The computed figure and its reason stay beside the new one.
    assert limit.why.startswith("set by the plan file, computed was 0.022: 2 x target")
    assert stage.hold_s == 90.0


@pytest.mark.parametrize(
    ("texts", "place", "said"),
    [
        ({"hold_s": "long"}, (FIRST, "hold_s"), "is not a number. Allowed: 0 to 1.2096e+06 s"),
        ({"rail_pos_a.high": "99"}, (FIRST, "rail_pos_a.high"), "beyond what the board takes. Allowed: -15 to 15 A"),
        ({"bias_left_v.high": "251"}, (FIRST, "bias_left_v.high"), "Allowed: -250 to 250 mV"),
        ({"rail_pos_a.for_ms": "20.5"}, (FIRST, "rail_pos_a.for_ms"), "no whole number. Allowed: 0 to 10000 ms"),
        ({"offset_left_v.low": "9000"}, (FIRST, "offset_left_v.low"), "low below high"),
        ({"hf_left_v.low": "1"}, (FIRST, "hf_left_v.low"), "the plan has no such number in this stage"),
    ],
)
def test_a_wrong_change_is_said_at_its_key_and_the_others_are_taken(
    texts: dict[str, str], place: tuple[str, str], said: str
) -> None:
    found = planned(EXAMPLE, RunWish(), {FIRST: texts | {"reach_s": "240"}})
    assert list(found.wrong) == [place]
    assert said in found.wrong[place]
    assert found.table is None
    assert found.plan is not None
    assert found.plan.stages[1].reach_s == 240.0


def test_two_changes_that_contradict_each_other_are_said_of_the_stage() -> None:
    # Each alone is below the computed other side.
    found = planned(EXAMPLE, RunWish(), {FIRST: {"offset_left_v.low": "3000", "offset_left_v.high": "2000"}})
    assert "low = 3, high = 2" in found.wrong[FIRST, ""]
    assert found.plan is not None
    assert repr(found.plan) == repr(power_up_plan(EXAMPLE))


def test_changes_of_a_stage_that_the_plan_has_not_are_named() -> None:
    found = planned(EXAMPLE, RunWish("burn-in"), {"idle soak": {"hold_s": "60"}})
    assert "the plan has no such stage" in found.wrong["idle soak", "hold_s"]


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        (RunWish("burn-in", "many"), "is not a number"),
        (RunWish("burn-in", "1000"), "allowed: 0.5 to 336"),
    ],
)
def test_hours_are_checked(wish: RunWish, said: str) -> None:
    found = planned(EXAMPLE, wish, {})
    assert found.plan is None
    assert said in found.wrong["", "hours"]


def test_hours_of_a_power_up_are_left_alone() -> None:
    assert planned(EXAMPLE, RunWish("power-up", "8"), {}).table == {"run_type": "power-up"}


def test_facts_that_give_no_plan_are_said() -> None:
    # Four pairs of large cans on an emitter resistor and a target that ask for more than the board's ceiling.
    impossible = Unit(
        rated_power_w=4.8, load_ohm=1.0, rail_nominal_v=78.0, emitter_resistor_ohm=0.05, target_bias_drop_mv=190.0,
        limiter_lamp_w=900.0, output_pairs=8, sink_k_per_w=29.0, package="plastic", quiescent_other_a=1.9,
    )  # fmt: skip
    found = planned(impossible, RunWish(), {})
    assert found.plan is None
    assert "allowed: " in found.wrong["", ""]


@given(
    st.dictionaries(
        st.sampled_from([entry.key for entry in editable(power_up_plan(EXAMPLE).stages[1])]),
        st.floats(0.9, 1.1),
        max_size=8,
    )
)
@settings(max_examples=60, deadline=None)
def test_a_plan_file_comes_back_from_its_fields(shares: dict[str, float]) -> None:
    texts = {
        key: shown_number(key, round(_computed(FIRST, key) * share)) for key, share in shares.items() if "_ms" in key
    }
    texts |= {
        # A person types 110, not 110.00000000000001, which is beyond the board's ceiling.
        key: shown_number(key, float(f"{_computed(FIRST, key) * share:.9g}"))
        for key, share in shares.items()
        if "_ms" not in key
    }
    found = planned(EXAMPLE, RunWish("burn-in", "5"), {FIRST: texts})
    assert found.wrong == {}
    assert found.table is not None
    wish, again = texts_of_plan(found.table)
    assert wish == RunWish("burn-in", "5")
    assert planned(EXAMPLE, wish, again).table == found.table


def test_wider_is_known_for_every_kind_of_limit() -> None:
    stage = power_up_plan(EXAMPLE).stages[1]
    known = {entry.key: entry for entry in editable(stage)}
    for key, value in (
        ("rail_pos_a.high", 1.0),
        ("rail_pos_a.low", -1.0),
        ("rail_neg_v.low", -20.0),
        ("rail_neg_v.high", -1.0),
        ("bias_left_v.rate_high", 1.0),
        ("rail_pos_a.for_ms", 5000.0),
        ("hold_s", 1.0),
        ("reach_s", 900.0),
    ):
        assert known[key].is_wider(value), key
        assert not known[key].is_wider(known[key].computed), key
    assert not known["rail_pos_a.high"].is_wider(0.1)
    assert not any(math.isnan(entry.computed) for entry in known.values())
