"""A set that comes back: what counts as a move, and which parts changed."""

from __future__ import annotations

import math
from typing import Any

import pytest

from benchwarden.analysis.returns import compared
from benchwarden.core.calibration import uncertainty
from benchwarden.core.job import FittedPart, Job, JobRun


def run(started: str, run_type: str = "burn-in", virtual: bool = False, **left: Any) -> JobRun:
    side = {
        "bias_end_mv": 12.0,
        "drift_mv_per_h": 0.1,
        "drift_95_mv_per_h": [0.0, 0.2],
        "tempco_mv_per_k": 0.2,
        "tempco_95_mv_per_k": [0.19, 0.21],
        "sink_end_c": 35.0,
        "offset_worst_v": 0.01,
        "hf_worst_v": 0.05,
    }
    metrics = {"left": side | left, "right": dict(side), "ambient_c_worst": 22.0}
    return JobRun(started, run_type, started, "pass", virtual=virtual, metrics=metrics)


def job(number: str, *runs: JobRun, parts: tuple[FittedPart, ...] = ()) -> Job:
    return Job(number, runs=runs, parts_fitted=parts, opened_at_utc=runs[0].started_at_utc if runs else number)


def figure(found: Any, quantity: str, side: str = "left") -> Any:
    return next(f for f in found.figures if f.quantity == quantity and f.side == side)


def test_the_same_readings_have_not_moved() -> None:
    found = compared([job("2", run("2026-11")), job("1", run("2024-02"))])
    assert found.jobs == ("1", "2")
    assert found.against == 0
    assert not any(f.moved for f in found.figures)
    assert found.sentences == ("Nothing moved by more than two readings of the same may differ by.",)


def test_a_bias_that_the_heatsink_explains_has_not_moved() -> None:
    # 5 K at 0.2 mV/K is 1.0 mV.
    warmer = compared([job("1", run("2024")), job("2", run("2026", bias_end_mv=13.0, sink_end_c=40.0))])
    assert figure(warmer, "Bias drop at the end").moved is False
    cool = compared([job("1", run("2024")), job("2", run("2026", bias_end_mv=13.0))])
    assert figure(cool, "Bias drop at the end").moved is True
    assert "Bias drop at the end, left: 12.00 then, 13.00 mV now" in cool.sentences[0]


def test_readings_may_differ_by_their_uncertainties_in_quadrature() -> None:
    # JCGM 100:2008, 5.1.2: uncorrelated standard uncertainties add in squares; equal coverage factors.
    found = figure(compared([job("1", run("2024")), job("2", run("2026", bias_end_mv=12.3))]), "Bias drop at the end")
    u = [uncertainty("bias_left_v", mv / 1e3).half_width * 1e3 for mv in (12.0, 12.3)]
    assert found.may_differ == pytest.approx(math.hypot(*u), rel=1e-12)


@pytest.mark.parametrize(("drift", "moved"), [(0.24, False), (0.25, True)])
def test_two_intervals_that_just_part(drift: float, moved: bool) -> None:
    # Half-widths 0.1 each: apart by more than 0.1 * sqrt(2) = 0.141 counts.
    later = run("2026", drift_mv_per_h=drift, drift_95_mv_per_h=[drift - 0.1, drift + 0.1])
    found = compared([job("1", run("2024")), job("2", later)])
    assert figure(found, "Bias drift").moved is moved


def test_no_interval_tells_nothing_and_no_figure_is_left_out() -> None:
    later = run("2026", drift_mv_per_h=9.0, drift_95_mv_per_h=None, offset_worst_v=None)
    found = compared([job("1", run("2024")), job("2", later)])
    assert figure(found, "Bias drift").moved is False
    offset = figure(found, "Worst DC offset")
    assert (offset.values, offset.change) == ((0.01, None), None)
    assert not any(f.quantity == "Thermal loop gain" for f in found.figures)


def test_only_runs_of_one_kind_are_held_against_each_other() -> None:
    runs = [run("2024-01", "power-up"), run("2024-02"), run("2026-01", "power-up", bias_end_mv=20.0)]
    found = compared([job("1", *runs)])
    assert found.against == 0
    assert compared([job("1", *runs[1:])]).against is None
    assert "No earlier run of this set is a power-up" in compared([job("1", *runs[1:])]).sentences[0]
    assert compared([]).sentences == ("There is no earlier run of this set.",)


def test_a_model_s_runs_are_not_held_against_measured_ones() -> None:
    found = compared([job("1", run("2024", virtual=True)), job("2", run("2025"), run("2026"))])
    assert [r.started_at_utc for r in found.runs] == ["2025", "2026"]
    assert len(compared([job("1", run("2024", virtual=True))]).runs) == 1


def test_damaged_figures_are_no_figures() -> None:
    broken = JobRun("x", "burn-in", "2025", metrics={"left": "much", "right": {"bias_end_mv": True}})
    found = compared([job("1", broken), job("2", run("2026"))])
    assert figure(found, "Bias drop at the end").values == (None, 12.0)


def test_parts_then_and_now() -> None:
    old = (FittedPart("Q601", "HT 1", "output", "left", replaced="OEM 9"), FittedPart("R7", "0.22", "other"))
    new = (FittedPart("Q601", "HT 2", "output", "left"), FittedPart("Q602", "HT 2", "output", "left", replaced="ht 2 "))
    found = compared([job("2024", parts=old), job("2026", parts=new)])
    assert found.part_jobs == ("2024", "2026")
    rows = {row.position: row for row in found.parts}
    assert rows["Q601"].markings == ("HT 1", "HT 2")
    assert rows["Q601"].changed
    # Named by the older job only, and the same marking in other letters.
    assert not rows["R7"].changed
    assert not rows["Q602"].changed
