"""Rows of the record: joined where they say the same, never where they do not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from invented_runs import UNIT, plan, write_run

from benchwarden.analysis.planner import power_up_plan
from benchwarden.core.status import stage_table
from benchwarden.report.clock_label import date_words
from benchwarden.report.content import Content, content_of
from benchwarden.report.source import gather, material_of


def of(header: dict[str, Any], status: dict[str, Any] | None = None) -> Content:
    return content_of(material_of(header, status or {}, (), (), (), ()))


def test_limits_are_listed_once_with_their_stages_and_sides() -> None:
    rows = of({"plan": plan(60.0)}).limits
    assert ("1–4", "Rail current, both rails", "–", "0.450\u00a0A") in [row[:4] for row in rows]
    assert ("5–6", "Rail current, both rails", "–", "1.200\u00a0A") in [row[:4] for row in rows]
    assert [row[1] for row in rows].count("Heatsink, left and right, rate") == 1
    # Rails are bounded on opposite sides and stay two rows.
    assert {"Positive rail", "Negative rail"} <= {row[1] for row in rows}


def test_limits_that_differ_between_the_sides_stay_apart() -> None:
    stages = plan(60.0)[:1]
    for limit in stages[0]["limits"]:
        if limit["channel"] == "offset_left_v":
            limit["high"] = 0.2
    names = [row[1] for row in of({"plan": stages}).limits]
    assert "DC offset, left" in names
    assert "DC offset, right" in names
    assert "DC offset, left and right" not in names


def test_every_limit_of_a_computed_plan_is_told_for_every_stage_it_holds_in() -> None:
    tables = [stage_table(stage) for stage in power_up_plan(UNIT).stages]
    rows = of({"plan": tables}).limits
    told = 0
    for numbers, label, *_ in rows:
        stages = sum(int(part.split("–")[-1]) - int(part.split("–")[0]) + 1 for part in numbers.split(", "))
        told += stages * (2 if "left and right" in label or "both rails" in label else 1)
    assert told == sum(len(table["limits"]) for table in tables)


def test_working_that_repeats_from_stage_to_stage_is_told_once() -> None:
    same = {"formula": "a = b", "numbers": "1", "value": 1.0, "unit": "A", "source": "s"}
    names = ["cold check", "limiter 25 %", "limiter 50 %"]
    header = {
        "plan": plan(60.0)[:3],
        "working": [
            {"quantity": "loop gain", **same},
            *({"quantity": f"{name}: limit", **same} for name in names),
            {"quantity": "limiter 50 %: limit", **same, "value": 2.0},
        ],
    }
    rows = [(row[0], row[1], row[4]) for row in of(header).working]
    assert rows == [("all", "loop gain", "1\u00a0A"), ("1–3", "limit", "1\u00a0A"), ("3", "limit", "2\u00a0A")]


@pytest.mark.parametrize("where", ["header", "status", "board in header", "board in status"])
def test_any_sign_of_the_virtual_bench_is_enough(where: str) -> None:
    header: dict[str, Any] = {"board": {"board": "e6616408"}}
    status: dict[str, Any] = {}
    if where == "header":
        header["virtual"] = True
    elif where == "status":
        status["virtual"] = True
    else:
        (header if "header" in where else status)["board"] = {"board": "Virtual-1"}
    assert of(header, status).virtual
    assert not of({"board": {"board": "e6616408"}}).virtual


def test_stages_show_what_was_expected_and_what_was_seen(tmp_path: Path) -> None:
    content = content_of(gather(write_run(tmp_path / "run", soak_s=30.0)))
    direct = content.stages[4]
    assert direct.setting == "mains at 100 %, direct, limiter bypassed, no drive"
    assert direct.status == "passed"
    assert direct.when == "from 0:01:50.0 to 0:02:50.0"
    rail = next(row for row in direct.readings if row[0] == "Positive rail")
    assert rail[1] == "37.80 to 46.20\u00a0V"
    # The generator puts 42 V with 20 mV of noise there; a hundred frames average it away.
    assert abs(float(rail[2].split("\u00a0")[0]) - 42.0) < 0.02
    assert rail[4] == "as expected"
    # The stage before ended below these: nothing of it may leak into the extremes.
    low, high = (float(part.split("\u00a0")[0]) for part in rail[3].split(" to "))
    assert 41.0 < low < 42.0 < high < 43.0


def test_readings_beside_the_expected_window_are_said_to_be(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run", soak_s=30.0)
    material = gather(run)
    material.stages[4]["expected"]["rail_pos_v"] = [43.0, 44.0, 45.0]
    material.stages[4]["expected"]["rail_neg_v"] = [-41.0, -40.0, -39.0]
    seen = {row[0]: row[4] for row in content_of(material).stages[4].readings}
    assert seen["Positive rail"] == "below"
    assert seen["Negative rail"] == "below"
    assert seen["Bias drop, left"] == "as expected"


def test_events_are_told_in_the_order_of_time_and_a_flood_keeps_its_trips(tmp_path: Path) -> None:
    from benchwarden.record.journal import Journal

    run = write_run(tmp_path / "run", trip_at_s=150.0)
    short = content_of(gather(run))
    times = [row[0] for row in short.events]
    assert times == sorted(times)
    assert short.events_note == ""
    journal = Journal.open_existing(run)
    for k in range(2000):
        journal.append_note("message", 0.05 * k, {"text": f"message {k}"})
        journal.append_note("message", 160.0 + 0.05 * k, {"text": f"message {k}"})
    journal.commit()
    journal.close()
    flooded = content_of(gather(run))
    assert len(flooded.events) < 260
    assert any(row[2] == "TRIP" for row in flooded.events)
    assert "left out" in flooded.events_note


def test_a_limit_of_one_trace_names_it(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run", soak_s=30.0)
    material = gather(run)
    for stage in material.stages:
        stage["limits"].append({"channel": "ambient_c", "kind": "value", "low": None, "high": 27.0})
    figures = {figure.title: figure for figure in content_of(material).figures}
    names = {label.text for label in figures["Temperature"].labels if label.text.startswith("limit")}
    assert "limit ambient 27.0" in names
    assert "limit 78.0" in figures["Temperature"].caption
    assert "limit 0.45" in {label.text for label in figures["Rail current"].labels}


def test_dates() -> None:
    assert date_words("2026-03-14T09:26:53Z") == "14 March 2026, 09:26 UTC"
    assert date_words("2026-03-14T09:26:53+02:00") == "14 March 2026, 07:26 UTC"
    assert date_words("some day") == "some day"


def test_the_data_for_the_page_are_plain_json(tmp_path: Path) -> None:
    from benchwarden.report.pdf import page_data, record_of
    from benchwarden.report.sheet_data import sheet_of
    from benchwarden.report.typeset import printed

    run = write_run(tmp_path / "run", soak_s=5.0)
    record = record_of(run, gather(run), sheet_of(None, "", {}))
    data = printed(page_data(record), ascii_only=False)
    assert json.loads(json.dumps(data, allow_nan=False)) == data
