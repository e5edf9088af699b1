"""Figures get words and units from their names, whatever they are."""

from __future__ import annotations

import math

import pytest

from benchwarden.report.metrics import metric_rows, name_and_unit, value_text


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
