"""The plain sentence and its reasons: what is shown, what is left out, what could not be judged."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from signals import Bench, unit

from benchwarden.analysis.judge import Judge
from benchwarden.analysis.margins import Margins
from benchwarden.analysis.seconds import part_of
from benchwarden.core.channels import CHANNELS
from benchwarden.core.unit import Unit


def metrics(bench: Bench, facts: Unit | None = None, piece: int = 10**9) -> dict[str, Any]:
    judge = Judge(facts or bench.unit)
    for start in range(0, len(bench.block), piece):
        judge.feed(part_of(bench.block, start, min(start + piece, len(bench.block))))
    table = judge.finish()
    found: dict[str, Any] = {**table["metrics"], "verdict": table["verdict"], "warnings": table["warnings"]}
    return found


def test_a_healthy_run_in_one_sentence() -> None:
    found = metrics(Bench(unit(), 3600.0, rate_hz=1.0))
    sentence = found["sentence"]
    assert sentence.startswith(
        "Passed: 60 min on mains, bias settled at 11.0 mV left and 11.3 mV right with drift below "
    )
    assert "hottest heatsink 3" in sentence
    assert "no oscillation" in sentence
    assert sentence.count(".") == len(re.findall(r"\d\.\d", sentence)) + 1
    bound = float(re.search(r"drift below ([\d.]+) mV/h", sentence).group(1))  # type: ignore[union-attr]
    ends = [abs(end) for side in ("left", "right") for end in found[side]["drift_95_mv_per_h"]]
    assert max(ends) <= bound <= 1.15 * max(ends) + 0.01


def test_a_trip_says_when_what_where_and_why() -> None:
    bench = Bench(unit(), 600.0)
    bench.bump("offset_left_v", 305.0, 1e9, 3.0)
    found = metrics(bench)
    assert found["verdict"] == "trip"
    assert found["sentence"].startswith("Stopped after 5 min on mains: DC on an output on the left channel, ")


def test_what_comes_after_the_relay_would_have_opened_is_no_figure() -> None:
    bench = Bench(unit(), 600.0)
    bench.bump("offset_left_v", 305.0, 1e9, 3.0)
    bench.bump("sink_right_c", 400.0, 1e9, 90.0)
    found = metrics(bench)
    assert found["right"]["sink_worst_c"] < 35.0
    assert found["frames"] == len(bench.block)
    assert found["energised_s"] == pytest.approx(301.0, abs=2.0)
    assert found == metrics(bench, piece=17)


def test_a_short_run_says_what_it_lacks() -> None:
    found = metrics(Bench(unit(), 40.0))
    assert found["sentence"].startswith(
        "Incomplete: on mains for 35 s, a power-up needs 60 s; nothing in what was seen"
    )


@pytest.mark.parametrize("name", CHANNELS)
def test_a_missing_channel_is_named_and_nothing_is_said_of_it(name: str) -> None:
    bench = Bench(unit(), 420.0, rate_hz=1.0)
    bench.put(name, np.nan)
    found = metrics(bench)
    assert any(reason.startswith("Not judged: ") and name in reason for reason in found["reasons"])
    if name.startswith("bias"):
        assert f"needed channels were missing: {name}" in found["sentence"]
        assert "mV" not in found["sentence"]
    if name.startswith("hf"):
        assert "no oscillation" not in found["sentence"]
    if name.startswith("rail") and name.endswith("_v"):
        assert found["left"]["tempco_95_mv_per_k"] is not None
    assert name not in found["margins"]


def test_no_channels_at_all_still_give_a_sentence() -> None:
    bench = Bench(unit(), 200.0, rate_hz=1.0)
    for name in CHANNELS:
        bench.put(name, np.nan)
    assert metrics(bench)["sentence"].startswith("Incomplete: ")
    assert Judge(unit()).finish()["metrics"]["sentence"].startswith("Incomplete: ")


def test_facts_that_contradict_each_other_are_among_the_warnings() -> None:
    found = metrics(Bench(unit(), 200.0), unit(rated_power_w=200.0))
    assert any("rated_power_w = 200" in w["why"] for w in found["warnings"])


def test_the_worst_value_has_its_time() -> None:
    bench = Bench(unit(), 200.0)
    bench.bump("offset_right_v", 120.0, 120.1, 0.2)
    found = metrics(bench)
    assert found["worst"]["offset_right_v"][1] == pytest.approx(0.19, abs=0.02)
    assert found["worst_at_s"]["offset_right_v"][1] == pytest.approx(120.0, abs=0.11)


def test_the_margin_is_the_largest_share_and_names_its_stage() -> None:
    bench = Bench(unit(), 400.0)
    # 22 + 8 x (1 - exp(-395/300)) = 27.9 C at the end; limit 100 C for a metal can, counted from 25 C.
    found = metrics(bench)["margins"]
    sink = found["sink_left_c"]
    assert sink["limit"] == 100.0
    assert sink["share"] == pytest.approx((sink["worst"] - 25.0) / 75.0, abs=1e-3)
    assert sink["worst"] == pytest.approx(27.9, abs=0.3)
    assert sink["stage"] == "direct"
    bias = found["bias_left_v"]
    # Twice the target is the limit.
    assert bias["limit"] == pytest.approx(0.022)
    assert bias["share"] == pytest.approx(bias["worst"] / 0.022, abs=1e-3)
    assert all(m["share"] < 1.0 for m in found.values())


def test_margins_know_nothing_before_the_first_second() -> None:
    assert Margins().table() == {}


def test_temperature_and_mains_are_told_apart() -> None:
    bench = Bench(unit(), 3000.0, rate_hz=1.0)
    t = bench.block.t_s
    swing_v = np.where(t > 60.0, 0.6 * np.sin(t / 180.0), 0.0)
    bench.add("rail_pos_v", swing_v)
    bench.add("rail_neg_v", -swing_v)
    bench.add("bias_left_v", 0.25e-3 * swing_v)
    left = metrics(bench)["left"]
    # The signal: 1.1 mV over 8 K of warm-up, and 0.25 mV per volt of rail.
    low, high = left["tempco_95_mv_per_k"]
    assert low <= 1.1 / 8.0 <= high
    assert high - low < 0.06
    low, high = left["mains_95_mv_per_v"]
    assert low <= 0.25 <= high
    assert left["tempco_apart_from_mains"] is True


def test_a_bias_on_the_move_is_not_settled() -> None:
    bench = Bench(unit(), 1500.0, rate_hz=2.0)
    bench.add("bias_right_v", np.maximum(bench.block.t_s - 300.0, 0.0) * 2e-6)
    found = metrics(bench)
    assert found["right"]["settled"] is False
    assert found["left"]["settled"] is True
    assert found["right"]["mann_kendall_p"] < 1e-4
    assert found["right"]["sen_mv_per_h"] == pytest.approx(7.2, abs=0.6)
