"""Forecasts are kept by age of a stretch, with what became of each."""

from __future__ import annotations

import csv
import math
import statistics
from pathlib import Path
from typing import Any

from benchwarden.analysis.early_forecasts import AGES_S, MOST_ROWS, EarlyForecasts
from benchwarden.replay import judge_recording

RECORDING = Path(__file__).parents[3] / "recordings" / "healthy-burn-in"


class Outlook:
    def __init__(self) -> None:
        self.asked = 0
        self.final_mv: float | None = 12.0

    def __call__(self) -> dict[str, Any]:
        self.asked += 1
        row = {"final_mv": self.final_mv, "final_95_mv": [11.0, 13.0]}
        return {"left": row, "right": row}


def played(early: EarlyForecasts, outlook: Outlook, seconds: int, t0_s: float = 0.0, drop_v: float = 0.0115) -> None:
    for age_s in range(1, seconds + 1):
        early.second(t0_s + age_s, ((float(age_s), drop_v), (0.0, math.nan)), outlook)


def test_one_forecast_an_age_and_what_it_ended_at() -> None:
    early, outlook = EarlyForecasts(("left", "right")), Outlook()
    played(early, outlook, 700)
    table = early.table()
    assert [row["after_s"] for row in table["left"]] == [300.0, 600.0]
    assert outlook.asked == 2
    assert all(row["ended_mv"] == 11.5 and row["ended_after_s"] == 700.0 for row in table["left"])
    assert table["right"] == []


def test_a_new_stretch_leaves_the_end_of_the_old_one() -> None:
    early, outlook = EarlyForecasts(("left", "right")), Outlook()
    played(early, outlook, 400)
    early.second(401.0, ((0.0, math.nan), (0.0, math.nan)), outlook)
    played(early, outlook, 350, 500.0, 0.0140)
    rows = early.table()["left"]
    assert [(row["t_s"], row["ended_mv"], row["ended_after_s"]) for row in rows] == [
        (300.0, 11.5, 400.0),
        (800.0, 14.0, 350.0),
    ]


def test_no_forecast_no_row_and_never_without_end() -> None:
    early, outlook = EarlyForecasts(("left", "right")), Outlook()
    outlook.final_mv = None
    played(early, outlook, 700)
    assert early.table()["left"] == []
    outlook.final_mv = 12.0
    for _ in range(MOST_ROWS + 5):
        early.second(0.0, ((AGES_S[0], 0.01), (0.0, math.nan)), outlook)
        early.second(0.0, ((0.0, 0.01), (0.0, math.nan)), outlook)
    assert len(early.table()["left"]) == MOST_ROWS


def test_a_recording_s_forecasts_end_where_its_readings_do() -> None:
    rows = judge_recording(RECORDING / "recording.csv", RECORDING / "unit.toml")["metrics"]["forecasts"]["left"]
    assert rows
    with open(RECORDING / "recording.csv", encoding="utf-8", newline="") as found:
        readings = [(float(r["t_s"]), float(r["bias_left_v"]) * 1e3) for r in csv.DictReader(found) if r["bias_left_v"]]
    for row in rows:
        end_s = row["t_s"] - row["after_s"] + row["ended_after_s"]
        near = [mv for t_s, mv in readings if end_s - 45.0 <= t_s <= end_s]
        # The view leans on a smoothed last minute.
        assert abs(row["ended_mv"] - statistics.median(near)) < 0.25
        low, high = row["final_95_mv"]
        assert low < row["final_mv"] < high
