"""Every fact is asked for once, in words, and what it says is allowed is what is taken."""

from __future__ import annotations

from dataclasses import fields

import pytest

from benchwarden.core.unit import Unit, checked_fact
from benchwarden.core.unit_facts import FACT, FACTS, GROUPS, Fact
from benchwarden.errors import PlanError

NUMBERS = [fact for fact in FACTS if fact.kind in ("number", "whole")]


def test_every_fact_but_a_recordings_stages_is_asked_for() -> None:
    assert sorted(fact.key for fact in FACTS) == sorted(f.name for f in fields(Unit) if f.name != "stage")
    assert {fact.group for fact in FACTS} == set(GROUPS)


def test_every_fact_has_words() -> None:
    for fact in FACTS:
        assert fact.label, fact.key
        assert fact.help.endswith("."), fact.key
        # A unit's name ends with its unit, so a number without one is a count.
        assert fact.unit or fact.kind != "number", fact.key


def test_what_is_needed_has_no_default_and_what_is_estimated_says_how() -> None:
    assert {fact.key for fact in FACTS if fact.needed} == {
        "rated_power_w",
        "load_ohm",
        "rail_nominal_v",
        "emitter_resistor_ohm",
        "target_bias_drop_mv",
        "limiter_lamp_w",
    }
    for fact in FACTS:
        assert bool(fact.estimated) == (fact.default is None and not fact.needed), fact.key


@pytest.mark.parametrize("fact", NUMBERS, ids=lambda fact: fact.key)
def test_the_ends_of_a_range_are_allowed_and_what_lies_beyond_is_not(fact: Fact) -> None:
    for value in (fact.low, fact.high):
        if fact.kind == "number" or value == int(value):
            assert checked_fact("here", fact.key, value) == value
    step = 1 if fact.kind == "whole" else 0.001 * fact.high
    for value in (fact.low - step, fact.high + step):
        with pytest.raises(PlanError, match=f"here: {fact.key} = "):
            checked_fact("here", fact.key, value)


def test_choices_are_those_of_the_unit() -> None:
    for value, words in FACT["package"].choices:
        assert checked_fact("", "package", value) == value
        assert words
    with pytest.raises(PlanError, match="metal-can, plastic"):
        checked_fact("", "package", "wood")
    with pytest.raises(PlanError, match="unknown key 'size'"):
        checked_fact("here", "size", 1)
