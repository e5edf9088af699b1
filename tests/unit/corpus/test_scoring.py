"""Rates and their intervals against published tables; counting on runs made by hand."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace

import numpy as np
import pytest

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import SampleBlock
from benchwarden.corpus.case import HEALTHY, Question, Truth
from benchwarden.corpus.judging import ANALYSIS, CUSUM, FORGIVEN, THRESHOLDS, Answer, Row
from benchwarden.corpus.random_unit import random_unit
from benchwarden.corpus.rules import Trip
from benchwarden.corpus.safe_limits import unsafe_s
from benchwarden.corpus.scoring import (
    binomial_interval,
    by_kind,
    false_trips,
    final_bias,
    loop_gain,
    poisson_interval,
    summary,
)
from benchwarden.corpus.tables import table


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


def test_what_leaves_no_time_is_counted_apart_and_what_destroyed_itself_not_at_all():
    rows = [
        row("device-shorted", Trip(100.3, "thermal-runaway"), 100.0, 100.1),
        row("device-shorted", Trip(101.0, "thermal-runaway"), 100.0, 101.5),
        row("device-shorted", Trip(104.0, "thermal-runaway"), 100.0, 110.0),
        row("device-shorted", Trip(60.0, "thermal-runaway"), 100.0, 90.0),
    ]
    found = summary(by_kind(rows, ANALYSIS))
    assert (found.saved, found.destroyed) == (2, 3)
    assert (found.later_saved, found.later) == (1, 1)
    score = false_trips(rows, ANALYSIS)
    assert (score.trips, score.apart) == (0, [1])


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


def test_an_idle_bias_that_stays_far_beyond_its_target_is_not_healthy():
    n = 6000
    mean = np.zeros((n, len(CHANNELS)), dtype=np.float32)
    mean[:, INDEX["bias_left_v"]] = np.where(np.arange(n) >= 3000, 0.04, 0.01)
    on, off = np.ones(n, dtype=np.bool_), np.zeros(n, dtype=np.bool_)
    block = SampleBlock(np.arange(1, n + 1) / 10.0, mean, mean, mean, on, off, off)
    facts = random_unit(random.Random(3))
    facts = replace(facts, target_bias_drop_mv=10.0)
    assert unsafe_s(facts, block) == pytest.approx(300.1, abs=1.1)
    driven = replace(block, drive_on=on)
    assert unsafe_s(facts, driven) == math.inf


def test_the_table_is_plain_json_with_wrong_causes_by_name():
    rows = [row("runaway-slow", Trip(300.0, "sensor-fault"), 100.0, 500.0)]
    found = json.loads(json.dumps(table(rows)))
    assert found["rules"][ANALYSIS]["kinds"]["runaway-slow"]["wrong"] == {"sensor-fault": 1}
