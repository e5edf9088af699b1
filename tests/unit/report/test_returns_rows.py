"""Forecasts against outcomes, and earlier runs beside this one, as they are printed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from report_jobs import JOB

from benchwarden.analysis.returns import compared
from benchwarden.core.job import FittedPart, Job, JobRun
from benchwarden.report.forecast_rows import forecast_rows
from benchwarden.report.returns_rows import MOST_COLUMNS, earlier_runs
from benchwarden.report.wording import ENGLISH, wording

TOLD = {"t_s": 480.0, "after_s": 300.0, "final_mv": 11.2, "final_95_mv": [10.8, 11.6], "ended_after_s": 1500.0}


@pytest.mark.parametrize(
    ("ended_mv", "words"), [(11.04, "inside"), (10.79, "below"), (11.61, "above"), (None, "\N{EN DASH}")]
)
def test_a_forecast_is_held_against_where_it_ended(ended_mv: float | None, words: str) -> None:
    (row,) = forecast_rows({"forecasts": {"left": [{**TOLD, "ended_mv": ended_mv}], "right": []}}, ENGLISH)
    assert row[0] == "left"
    assert row[1] == "0:08:00.0"
    assert [cell.replace("\u00a0", " ") for cell in row[3:5]] == ["11.20 mV", "10.80 mV to 11.60 mV"]
    assert row[-1] == words


@pytest.mark.parametrize(
    "metrics",
    [None, {}, {"forecasts": 3}, {"forecasts": {"left": [7, {}, {"final_mv": "x"}], "right": {"a": 1}}}],
)
def test_forecasts_of_the_wrong_shape_are_left_out(metrics: Any) -> None:
    assert forecast_rows(metrics, ENGLISH) == ()


def run(day: str, bias_mv: float, **more: Any) -> JobRun:
    side = {"bias_end_mv": bias_mv, "drift_mv_per_h": 0.1, "drift_95_mv_per_h": [0.0, 0.2]}
    return JobRun("folder", "power-up", day, "pass", "", 900.0, metrics={"left": side, "right": side}, **more)


def job(number: str, day: str, *runs: JobRun) -> Job:
    part = FittedPart("Q11", f"type {number}", "output", "left")
    return replace(JOB, number=number, opened_at_utc=day, runs=runs, parts_fitted=(part,))


def test_runs_stand_side_by_side_the_newest_last() -> None:
    jobs = [
        job("1877", "2024-05-02T00:00:00Z", run("2024-05-02T09:00:00Z", 9.9)),
        job("2041", "2026-03-14T00:00:00Z", run("2026-03-14T09:00:00Z", 14.0)),
    ]
    found = earlier_runs(compared(jobs), ENGLISH)
    assert [head.replace("\u00a0", " ") for head in found.heads] == [
        "2 May 2024, power-up, passed, 15 min 00 s, job 1877",
        "14 March 2026, power-up, passed, 15 min 00 s, job 2041",
    ]
    assert found.rows[0] == ("Bias drop at the end, mV", "left", "9.90", "14.00", "moved")
    assert found.sentences
    assert found.part_rows == (("Q11, left", "type 1877", "type 2041", "changed"),)
    german = earlier_runs(compared(jobs), wording("de"))
    assert german.rows[0] == ("Ruhestromabfall am Ende, mV", "links", "9,90", "14,00", "verändert")


def test_no_more_runs_than_stay_legible_and_none_without_an_earlier_one() -> None:
    runs = [run(f"2026-0{month}-14T09:00:00Z", 10.0 + month) for month in range(1, 9)]
    found = earlier_runs(compared([job("1", "2026-01-01", *runs)]), ENGLISH)
    assert len(found.heads) == MOST_COLUMNS
    assert found.rows[0][-2] == "18.00"
    assert earlier_runs(compared([job("1", "2026-01-01", runs[0])]), ENGLISH).heads == ()
    assert earlier_runs(None, ENGLISH).heads == ()
