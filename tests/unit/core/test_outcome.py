"""The verdict of a run tells what the board and people did, not what the analysis alone would say."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from benchwarden.core.outcome import combined_verdict
from benchwarden.core.plan import Plan
from benchwarden.core.stages import State
from benchwarden.core.unit import Unit

PLAN = Plan(Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0), "power-up", ())
JUDGED: dict[str, Any] = {
    "verdict": "pass",
    "trips": [],
    "warnings": [],
    "metrics": {"sentence": "Passed: 5 min on mains.", "reasons": ["Bias left: 11.0 mV."]},
}


def ended(outcome: str, **more: Any) -> State:
    return replace(State(PLAN), outcome=outcome, ended_s=300.0, **more)


def test_a_trip_of_the_board_is_the_sentence() -> None:
    found = combined_verdict(JUDGED, ended("tripped", cause="over-current", channel="rail_pos_a", why="1.31 A"))
    assert found["verdict"] == "trip"
    assert found["metrics"]["sentence"] == "Stopped by the board at 300 s: over-current, rail_pos_a, 1.31 A."
    assert found["metrics"]["reasons"][0] == "The analysis of the readings alone: Passed: 5 min on mains."
    assert JUDGED["metrics"]["sentence"].startswith("Passed")


def test_a_run_that_was_ended_did_not_pass() -> None:
    found = combined_verdict(JUDGED, ended("aborted", cause="operator", why="button"))
    assert found["verdict"] == "incomplete"
    assert found["metrics"]["sentence"] == "Ended before its time at 300 s: button."


def test_a_trip_both_saw_keeps_the_words_of_the_analysis() -> None:
    trip = {"t_s": 299.0, "cause": "thermal-runaway", "channel": "left", "why": "no equilibrium"}
    judged = {**JUDGED, "verdict": "trip", "trips": [trip], "metrics": {"sentence": "Stopped after 5 min."}}
    found = combined_verdict(judged, ended("tripped", cause="thermal-runaway", channel="left", why="asked"))
    assert found["metrics"]["sentence"] == "Stopped after 5 min."


def test_a_run_to_its_end_keeps_everything() -> None:
    assert combined_verdict(JUDGED, ended("finished")) == JUDGED
