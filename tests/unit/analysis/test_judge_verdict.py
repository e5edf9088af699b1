"""The verdict: pass only when enough was seen, what could not be judged is said, the form is fixed."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from signals import Bench, unit

from benchwarden.analysis.judge import Judge
from benchwarden.analysis.verdict import _finite
from benchwarden.core.channels import CAUSES, CHANNELS
from benchwarden.core.samples import SampleBlock


def verdict(bench: Bench, block: SampleBlock | None = None) -> dict[str, object]:
    judge = Judge(bench.unit)
    judge.feed(block or bench.block)
    return judge.finish()


def test_a_healthy_run_passes_and_its_figures_are_right() -> None:
    bench = Bench(unit(), 900.0)
    table = verdict(bench)
    assert table["verdict"] == "pass"
    assert table["trips"] == []
    assert table["warnings"] == []
    metrics = table["metrics"]
    assert isinstance(metrics, dict)
    assert metrics["frames"] == len(bench.block)
    assert metrics["energised_s"] == pytest.approx(895.0, abs=1.5)
    left = metrics["left"]
    # The signal: 11 mV x (0.9 + 0.1 (1 - exp(-t / 300 s))), sink 22 + 8 (1 - exp(-t / 300 s)).
    end = 11.0 * (0.9 + 0.1 * (1.0 - np.exp(-895.0 / 300.0)))
    assert left["bias_end_mv"] == pytest.approx(end, rel=0.01)
    assert left["tempco_mv_per_k"] == pytest.approx(1.1 / 8.0, rel=0.05)
    assert left["sink_worst_c"] == pytest.approx(22.0 + 8.0 * 0.949, abs=0.3)
    column = bench.block.maximum[100:, CHANNELS.index("offset_left_v")]
    assert left["offset_worst_v"] == pytest.approx(float(column.max()), abs=0.003)
    assert left["settled"] is True


def test_drift_and_its_interval_hold_the_truth() -> None:
    bench = Bench(unit(), 3600.0)
    hours = bench.block.t_s / 3600.0
    bench.add("bias_right_v", 1.5e-3 * hours)
    table = verdict(bench)["metrics"]
    assert isinstance(table, dict)
    right = table["right"]
    low, high = right["drift_95_mv_per_h"]
    # Over the last half hour the warm-up of the signal itself is nearly over: less than 0.1 mV/h.
    assert low - 0.1 <= 1.5 <= high + 0.1
    assert high - low < 0.5


def test_the_form_is_the_fixed_one_and_plain_json() -> None:
    bench = Bench(unit(), 200.0)
    bench.bump("offset_left_v", 100.0, 1e9, 3.0)
    bench.bump("rail_pos_a", 150.0, 1e9, 9.0)
    table = json.loads(json.dumps(verdict(bench), allow_nan=False))
    assert set(table) == {"verdict", "trips", "warnings", "metrics"}
    assert table["verdict"] == "trip"
    for trip in table["trips"]:
        assert set(trip) - {"after_open"} == {"t_s", "cause", "channel", "why"}
        assert trip["cause"] in CAUSES
    assert [t.get("after_open", False) for t in table["trips"]] == [False] + [True] * (len(table["trips"]) - 1)
    assert len(table["trips"]) >= 2


def test_a_short_run_is_incomplete_and_says_so() -> None:
    table = verdict(Bench(unit(), 40.0))
    assert table["verdict"] == "incomplete"
    assert any("needs 60 s" in str(w) for w in table["warnings"])  # type: ignore[attr-defined]


def test_a_run_that_never_reached_its_last_stage_is_incomplete() -> None:
    table = verdict(Bench(unit(), 29.0, on_s=0.0))
    assert table["verdict"] == "incomplete"
    assert any("last stage" in str(w) for w in table["warnings"])  # type: ignore[attr-defined]


def test_no_mains_at_all_is_incomplete() -> None:
    bench = Bench(unit(), 200.0, on_s=1e9)
    table = verdict(bench)
    assert table["verdict"] == "incomplete"
    assert "mains was never on" in str(table["warnings"])


@pytest.mark.parametrize("name", CHANNELS)
def test_a_channel_that_is_not_there_is_named(name: str) -> None:
    bench = Bench(unit(), 200.0)
    bench.put(name, np.nan)
    table = verdict(bench)
    assert table["trips"] == []
    assert any(name in str(w) for w in table["warnings"])  # type: ignore[attr-defined]
    assert table["verdict"] == ("pass" if name == "ambient_c" else "incomplete")
    metrics = table["metrics"]
    assert isinstance(metrics, dict)
    assert any(name in words for words in metrics["not_judged"])


def test_nothing_at_all_gives_a_verdict_too() -> None:
    judge = Judge(unit())
    table = judge.finish()
    assert table["verdict"] == "incomplete"
    assert table == judge.finish()
    json.dumps(table, allow_nan=False)


@pytest.mark.parametrize("drop", ["rail_pos_a", "rail_neg_a", "bias_left_v", "sink_left_c", "offset_right_v"])
def test_a_missing_channel_does_not_hide_faults_of_the_others(drop: str) -> None:
    bench = Bench(unit(), 200.0)
    bench.put(drop, np.nan)
    bench.bump("offset_left_v", 100.0, 1e9, 3.0)
    trips = verdict(bench)["trips"]
    assert isinstance(trips, list)
    assert (trips[0]["cause"], trips[0]["channel"]) == ("dc-offset", "left")


def test_memory_does_not_grow_with_the_run() -> None:
    bench = Bench(unit(sample_rate_hz=1.0), 100.0, rate_hz=1.0)
    judge = Judge(unit(sample_rate_hz=1.0))
    judge.feed(bench.block)
    tail = bench.block
    step = float(tail.t_s[-1])
    for repeat in range(1, 6):
        later = replace(tail, t_s=tail.t_s + repeat * step, mains_on=tail.mains_on | True)
        judge.feed(later)
    held = judge._metrics._blocks
    assert len(held) < 8192
    assert judge.finish()["metrics"]["frames"] == 600


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("names", [("bias_left_v",), ("sink_left_c", "sink_right_c"), CHANNELS])
def test_no_verdict_holds_what_json_has_no_number_for(bad: float, names: tuple[str, ...]) -> None:
    # RFC 8259, section 6: Infinity and NaN are not permitted.
    bench = Bench(unit(), 400.0)
    for name in names:
        bench.put(name, bad, 150.0)
    json.dumps(verdict(bench), allow_nan=False)


def test_values_without_end_become_null() -> None:
    table = _finite({"a": [1.0, math.nan, {"b": math.inf}], "c": "nan", "d": True})
    assert table == {"a": [1.0, None, {"b": None}], "c": "nan", "d": True}
