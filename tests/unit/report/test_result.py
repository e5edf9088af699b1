"""The plain sentence never claims more than the run shows."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from benchwarden.report.result import BoardTrip, Result, StageEnd, result_of

HELD = (StageEnd("one", "passed", ""), StageEnd("two", "passed", ""))
SHORT = (StageEnd("one", "passed", ""), StageEnd("two", "skipped", "no time"))
PASS: dict[str, Any] = {"verdict": "pass", "trips": [], "warnings": [], "metrics": {}}
CURRENT = BoardTrip(832.0, "over-current", "rail_pos_a", 1.31, 1.2, "")
BY_HAND = BoardTrip(61.0, "operator", "", math.nan, math.nan, "button")


def of(verdict: dict[str, Any] | None, *trips: BoardTrip, stages: tuple[StageEnd, ...] = HELD) -> Result:
    return result_of(verdict, trips, stages, 900.0, 800.0, [])


@pytest.mark.parametrize(
    ("verdict", "trips", "stages", "kind"),
    [
        (PASS, (), HELD, "passed"),
        (PASS, (), SHORT, "incomplete"),
        (PASS, (CURRENT,), HELD, "tripped"),
        (PASS, (BY_HAND,), HELD, "stopped"),
        (None, (), HELD, "no result"),
        (None, (CURRENT,), HELD, "tripped"),
        ({**PASS, "verdict": "incomplete"}, (), HELD, "incomplete"),
        ({**PASS, "verdict": "trip"}, (), HELD, "tripped"),
        ({**PASS, "verdict": "trip"}, (BY_HAND, CURRENT), HELD, "tripped"),
        ({"verdict": "nonsense"}, (), HELD, "incomplete"),
        ({}, (), HELD, "no result"),
    ],
)
def test_only_a_whole_clean_run_passes(
    verdict: dict[str, Any] | None, trips: tuple[BoardTrip, ...], stages: tuple[StageEnd, ...], kind: str
) -> None:
    found = of(verdict, *trips, stages=stages)
    assert found.kind == kind
    assert found.sentence.endswith(".")


def test_the_trip_sentence_names_time_cause_place_value_and_limit() -> None:
    sentence = of(None, CURRENT).sentence.replace("\u00a0", " ")
    assert "13 min 52 s" in sentence
    assert "too much rail current (Positive rail current read 1.310 A, limit 1.200 A)" in sentence


def test_a_judged_trip_is_told_even_if_the_board_reported_none() -> None:
    trips = [
        {"t_s": 812.3, "cause": "thermal-runaway", "channel": "left", "why": "no equilibrium"},
        {"t_s": 820.0, "cause": "dc-offset", "channel": "right", "why": "later", "after_open": True},
    ]
    found = of({"verdict": "trip", "trips": trips})
    assert "thermal runaway" in found.sentence
    assert "no equilibrium." in found.reasons
    assert "later." not in found.reasons


def test_reasons_name_stages_warnings_and_losses_once() -> None:
    told = {"reasons": ["drift small", "drift small", "2 remarks in the list of warnings."]}
    verdict = {**PASS, "warnings": ["a", "b"], "metrics": told}
    found = result_of(verdict, [], SHORT, 9.0, 8.0, ["Lost something."])
    assert found.reasons.count("drift small.") == 1
    assert "Stage “two” was skipped: no time." in found.reasons
    assert "2 warnings, listed under findings." in found.reasons
    assert not any("remarks" in reason for reason in found.reasons)
    assert found.reasons[-1] == "Lost something."


@pytest.mark.parametrize(
    "junk", [{"verdict": ["pass"]}, {"trips": 3, "warnings": "x"}, {"verdict": "trip", "trips": [7]}]
)
def test_a_verdict_of_the_wrong_shape_never_passes(junk: dict[str, Any]) -> None:
    assert of(junk).kind in ("incomplete", "tripped")


def test_why_a_run_is_incomplete_stands_on_page_one() -> None:
    warnings = [{"t_s": 9.0, "cause": "", "channel": "", "why": "incomplete: on mains for 9 s, a power-up needs 60 s"}]
    found = of({"verdict": "incomplete", "trips": [], "warnings": warnings, "metrics": {}})
    assert found.reasons[0] == "incomplete: on mains for 9 s, a power-up needs 60 s."


def test_the_sentence_of_the_analysis_heads_a_passed_run() -> None:
    told = {"sentence": "Passed: 13 min on mains, bias settled.", "reasons": ["Bias left: 11.0 mV."]}
    found = of({**PASS, "metrics": told})
    assert found.sentence == "13 min on mains, bias settled."
    assert found.reasons[0].startswith("All 2 stages were held")
    assert found.reasons[1] == "Bias left: 11.0 mV."
    # A board that tripped is not told as passed, whatever the analysis says.
    tripped = of({**PASS, "metrics": told}, CURRENT)
    assert "13 min on mains" not in tripped.sentence
    assert not any("Passed" in reason for reason in tripped.reasons)


def test_the_sentence_of_the_analysis_tells_a_trip_once() -> None:
    trips = [{"t_s": 812.3, "cause": "thermal-runaway", "channel": "left", "why": "no equilibrium"}]
    told = {"sentence": "Stopped after 13 min on mains: thermal runaway on the left channel, no equilibrium."}
    verdict = {"verdict": "trip", "trips": trips, "warnings": [], "metrics": told}
    found = of(verdict)
    assert "thermal runaway" in found.sentence
    assert [reason for reason in found.reasons if "no equilibrium" in reason] == [told["sentence"]]
    by_board = of(verdict, CURRENT)
    assert any(reason.startswith("The analysis says: stopped after 13 min") for reason in by_board.reasons)
    echoed = of(verdict, replace(CURRENT, text="no equilibrium"))
    assert not any("The board adds" in reason for reason in echoed.reasons)


def test_what_an_incomplete_run_lacks_is_told_once() -> None:
    words = "on mains for 9 s, a power-up needs 60 s"
    warnings = [{"t_s": 9.0, "cause": "", "channel": "", "why": f"incomplete: {words}"}]
    told = {"sentence": f"Incomplete: {words}."}
    found = of({"verdict": "incomplete", "trips": [], "warnings": warnings, "metrics": told})
    assert [reason for reason in found.reasons if words in reason] == [f"Incomplete: {words}."]
