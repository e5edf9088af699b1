"""Rates and their intervals against published tables; counting on runs made by hand."""

from __future__ import annotations

import math

import pytest

from benchwarden.corpus.case import HEALTHY, Question, Truth
from benchwarden.corpus.judging import ANALYSIS, CUSUM, FORGIVEN, THRESHOLDS, Answer, Row
from benchwarden.corpus.rules import Trip
from benchwarden.corpus.scoring import (
    binomial_interval,
    by_kind,
    false_trips,
    final_bias,
    loop_gain,
    poisson_interval,
    summary,
)


# Exact 95 % limits of a Poisson mean, Garwood, Biometrika 28 (1936) 437; table values from memory.
@pytest.mark.parametrize(
    ("count", "low", "high"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (2, 0.242, 7.225), (10, 4.795, 18.39)]
)
def test_poisson_interval_is_garwoods(count, low, high):
    found = poisson_interval(count)
    assert found[0] == pytest.approx(low, abs=0.001)
    assert found[1] == pytest.approx(high, abs=0.005)


# None of ten: upper limit 1 - 0.025^(1/10) (Clopper and Pearson 1934, closed form of that case).
def test_binomial_interval_is_clopper_and_pearsons():
    assert binomial_interval(0, 10) == (0.0, pytest.approx(1.0 - 0.025**0.1))
    assert binomial_interval(10, 10) == (pytest.approx(0.025**0.1), 1.0)


def row(kind: str, trip: Trip | None, onset_s: float = math.inf, damage_s: float | None = None, **more: object) -> Row:
    truth = Truth(
        "bench",
        kind,
        1,
        look_alikes=("phone",) if kind == HEALTHY else (),
        onset_s=onset_s,
        causes=frozenset() if kind == HEALTHY else frozenset({"thermal-runaway"}),
        damaged=() if damage_s is None else ((damage_s, "output device left"),),
        **more,
    )
    trips = {ANALYSIS: trip, THRESHOLDS: None, CUSUM: None, FORGIVEN: None}
    return Row(truth, 3600.0, 36000, trips, "", (), 1.0)


def test_faults_are_counted_by_when_and_why_they_were_tripped():
    right, wrong = "thermal-runaway", "sensor-fault"
    rows = [
        row("runaway-slow", Trip(200.0, right), 100.0, 500.0),
        row("runaway-slow", Trip(300.0, wrong), 100.0, 500.0),
        row("runaway-slow", Trip(600.0, right), 100.0, 500.0),
        row("runaway-slow", Trip(50.0, right), 100.0, 500.0),
        row("runaway-slow", None, 100.0, 500.0),
        row("runaway-slow", None, 100.0),
    ]
    score = by_kind(rows, ANALYSIS)["runaway-slow"]
    assert (score.runs, score.destroyed, score.saved) == (6, 5, 2)
    assert (score.before, score.after, score.early, score.missed, score.silent) == (2, 1, 1, 1, 1)
    assert (score.right, dict(score.wrong)) == (2, {wrong: 1})
    assert score.delays_s == [100.0, 200.0, 500.0]
    assert score.leads_s == [300.0, 200.0, -100.0]
    # The one that nobody tripped counts as no lead at all.
    assert summary({"runaway-slow": score}).slow_lead_s == 100.0
    assert by_kind(rows, THRESHOLDS)["runaway-slow"].missed == 5


def test_false_trips_count_hours_up_to_the_trip_and_before_an_onset():
    rows = [
        row(HEALTHY, None),
        row(HEALTHY, Trip(1800.0, "oscillation")),
        row(HEALTHY, Trip(900.0, "oscillation"), damage_s=3000.0),
        row("runaway-slow", Trip(360.0, "oscillation"), 720.0),
        row("runaway-slow", Trip(900.0, "oscillation"), 720.0),
    ]
    score = false_trips(rows, ANALYSIS)
    assert score.hours == pytest.approx(1.0 + 0.5 + 0.1 + 0.2)
    assert score.trips == 2
    assert score.apart == [1]
    assert score.by_look_alike == {"phone": (pytest.approx(1.5), 1)}
    assert score.before_onset == (pytest.approx(0.3), 1)
    assert score.per_1000_h == pytest.approx(2e3 / 1.8)


def test_forecasts_are_held_against_the_truth():
    question = Question(100.0, 0, 1.5, 10e-3, 0.5, 60.0)
    nan = math.nan
    answers = [
        Answer(question, 10.2e-3, (9.5e-3, 10.5e-3), 0.55, (0.4, 0.7)),
        Answer(question, 11.0e-3, (10.5e-3, 11.5e-3), 0.75, (0.7, 0.8)),
        Answer(question, nan, (nan, nan), nan, (nan, nan)),
    ]
    bias = final_bias(answers, 1.5)
    assert (bias.asked, bias.answered, bias.within, bias.intervals, bias.covering) == (3, 2, 1, 2, 1)
    assert bias.error[0] == pytest.approx(0.06)
    gain = loop_gain(answers, 1.5)
    assert (gain.asked, gain.answered, gain.within, gain.covering) == (3, 2, 1, 1)
    assert final_bias(answers, 3.0).asked == 0
