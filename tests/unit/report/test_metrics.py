"""Figures get words and units from their names, whatever they are."""

from __future__ import annotations

import math

import pytest

from benchwarden.report.metrics import (
    margin_rows,
    metric_rows,
    name_and_unit,
    other_figures,
    side_rows,
    value_text,
    worst_rows,
)


@pytest.mark.parametrize(
    ("key", "words", "unit"),
    [
        ("drift_left_mv_per_h", "Drift left", "mV/h"),
        ("drift_left_mv_per_h_interval", "Drift left interval", "mV/h"),
        ("tau_s", "Tau", "s"),
        ("warm_up_c_per_min", "Warm up", "°C/min"),
        ("sink_k_per_w", "Sink", "K/W"),
        ("loop_gain_left", "Loop gain left", ""),
        ("bias_left_v", "Bias drop, left", "V"),
        ("sink_right_c_max", "Heatsink, right: max", "°C"),
        ("offset_left_v_drift_uv_per_k", "DC offset, left: drift", "µV/K"),
        ("ambient_c_worst", "Ambient: worst", "°C"),
        ("margin_pct", "Margin", "%"),
        ("load_ohm", "Load", "Ω"),
        ("settled", "Settled", ""),
        ("c", "C", ""),
        ("", "", ""),
    ],
)
def test_names(key: str, words: str, unit: str) -> None:
    assert name_and_unit(key) == (words, unit)


def test_values() -> None:
    assert value_text(0.031, "mV/h") == "0.031\u00a0mV/h"
    assert value_text([-0.02, 0.08], "mV/h") == "−0.02 to 0.08\u00a0mV/h"
    assert value_text(None, "s") == value_text(math.nan, "s") == "not determined"
    assert value_text(True, "s") == "yes"
    assert value_text(list(range(20)), "") == "0, 1, 2, 3, 4, 5, 6, 7 and 12 more"
    assert value_text("words", "V") == "words"
    assert value_text([], "V") == "none"


def test_nested_tables_keep_their_order_and_a_flood_is_cut() -> None:
    rows = metric_rows({"worst": {"sink_left_c_max": 45.6, "tau_s": 4}, "n": 1})
    assert rows == [("Worst: heatsink, left: max", "45.6\u00a0°C"), ("Worst: tau", "4\u00a0s"), ("N", "1")]
    flood = metric_rows({f"x{k}": k for k in range(1000)})
    assert len(flood) == 151
    assert flood[-1][0] == "850 more figures"
    assert metric_rows(None) == metric_rows([1]) == []


FIGURES = {
    "sentence": "Passed: all well.",
    "reasons": ["Because."],
    "frames": 7,
    "worst": {"bias_left_v": [0.001, 0.0123], "hf_left_v": [None, 0.5]},
    "worst_at_s": {"bias_left_v": [5.0, 3725.0], "hf_left_v": [None, 61.0]},
    "margins": {
        "bias_left_v": {"worst": 0.0123, "limit": 0.022, "share": 0.559, "stage": "idle", "t_s": 3725.0},
        "sink_left_c": {"worst": 62.5, "limit": 100.0, "share": 0.5, "stage": "driven", "t_s": 61.0},
        "hf_left_v": {"worst": 0.5, "limit": 1.0, "share": 0.9, "stage": "idle", "t_s": None},
        "foreign": {"worst": 1.0, "limit": 1.0, "share": 1.0},
    },
    "left": {"drift_95_mv_per_h": [-0.1, 0.2], "settled": True, "recovery": {"came_back": False, "tau_s": 40.0}},
    "outlook": {
        "left": {"state": "settled", "final_95_mv": [10.8, 11.2], "why": "slope nil"},
        "right": {"state": "settling"},
    },
    "right": {"drift_95_mv_per_h": None, "settled": False, "recovery": None},
}


def test_margins_stand_in_the_order_of_what_is_used() -> None:
    rows = margin_rows(FIGURES)
    assert [row[3].replace("\u00a0", " ") for row in rows] == ["90 %", "56 %", "50 %"]
    assert rows[1][1].replace("\u00a0", " ") == "12.30 mV"
    assert rows[1][4:] == ("1:02:05.0", "idle")


def test_the_two_channels_stand_side_by_side() -> None:
    rows = {words: (left, right) for words, left, right in side_rows(FIGURES)}
    assert rows["Kept within 5 % of its end"] == ("yes", "no")
    assert rows["The idle bias is"] == ("settled", "settling")
    assert rows["It would end at, 95 % interval"] == ("10.8 to 11.2\u00a0mV", "\N{EN DASH}")
    assert not any("slope nil" in row for row in side_rows(FIGURES))
    low = "\N{MINUS SIGN}0.1 to 0.2\u00a0mV/h"
    assert rows["Drift of the idle bias, 95 % interval"] == (low, "not determined")
    assert rows["Time constant of the way back"] == ("40\u00a0s", "\N{EN DASH}")


def test_worst_values_have_their_times() -> None:
    (bias, hf) = worst_rows(FIGURES)
    assert bias[2] == "0:00:05.0"
    assert bias[4] == "1:02:05.0"
    assert hf[1:3] == ("\N{EN DASH}", "\N{EN DASH}")


def test_what_has_a_table_of_its_own_is_not_told_twice() -> None:
    assert other_figures(FIGURES) == {"frames": 7}


@pytest.mark.parametrize("junk", [None, 3, {"margins": 3, "worst": [], "left": 1}, {"margins": {"bias_left_v": {}}}])
def test_figures_of_another_shape_do_no_harm(junk: object) -> None:
    assert margin_rows(junk) == side_rows(junk) == worst_rows(junk) == []
    other_figures(junk)
