"""What the rows of the check sheet amount to."""

from __future__ import annotations

from dataclasses import replace
from importlib import resources

import pytest

from benchwarden.core.cold_checks import BY_KEY, COLD_CHECKS, gate
from benchwarden.core.job import CheckResult, Job
from benchwarden.core.job_form import job_from
from benchwarden.core.unit import Unit, load_toml, unit_from_table
from benchwarden.dashboard.checks_rows import Row, row_from, rows_of, sheet_of, strangers
from benchwarden.dashboard.checks_view import short_statement, statement


def demo_job() -> Job:
    with resources.as_file(resources.files("benchwarden.virtual") / "demo_job.toml") as path:
        return job_from(load_toml(path), "demo_job.toml")


def demo_unit() -> Unit:
    with resources.as_file(resources.files("benchwarden.virtual") / "demo_unit.toml") as path:
        return unit_from_table(load_toml(path), "demo_unit.toml")


def with_row(check: str, side: str = "", **typed: str) -> tuple[Row, ...]:
    """The demo job's rows, those of one check and channel replaced by one."""
    rows = [row for row in rows_of(demo_job().cold_checks) if (row.check, row.side) != (check, side)]
    return (*rows, Row(check, side, **typed))


def test_a_jobs_results_come_back_from_the_sheet_as_they_were() -> None:
    job = demo_job()
    rows = rows_of(job.cold_checks)
    found = sheet_of(rows, demo_unit())
    assert sorted(found.results, key=repr) == sorted(job.cold_checks, key=repr)
    # What the page says is what the start of a run will say.
    assert found.gate == gate(found.results, demo_unit())
    assert found.is_open
    assert short_statement(found) == "○ Power may go on, in stages."


def test_an_empty_sheet_has_a_row_for_every_check_and_channel_and_lets_nothing_through() -> None:
    rows = rows_of(())
    assert len(rows) == sum(2 if check.per_channel else 1 for check in COLD_CHECKS)
    found = sheet_of(rows, None)
    assert found.results == ()
    assert len(found.blocking) == sum((2 if check.per_channel else 1) for check in COLD_CHECKS if check.required)
    assert short_statement(found).startswith("✕ Power must not go on: Reservoirs discharged: not done (and ")


def test_a_reading_alone_is_enough_and_the_limits_judge_it() -> None:
    found = sheet_of(with_row("discharged", measured="0.4"), None)
    assert found.is_open
    # 12 V is above the 2 V of the sheet, whatever was ticked.
    for state in ("", "passed"):
        found = sheet_of(with_row("discharged", state=state, measured="12"), None)
        assert [words[:48] for words in found.blocking] == ["Reservoirs discharged: failed (measured 12 V; al"]


def test_a_failed_check_goes_on_with_a_reason_of_eight_letters() -> None:
    typed = {"state": "failed", "measured": "10M", "note": "one piece"}
    assert not sheet_of(with_row("discharged", state="failed", why="no"), None).is_open
    found = sheet_of(with_row("protective earth", state="failed", measured="0.5", why="cord of seven metres"), None)
    assert found.is_open
    assert found.gate.excused[0].endswith("Powered up all the same, because: cord of seven metres")
    assert sheet_of(with_row("discharged", **typed), None).wrong  # 10M is no voltage


def test_something_typed_without_tick_or_reading_is_kept_as_skipped() -> None:
    found = sheet_of(with_row("mains fuse", note="could not read the rating"), None)
    assert found.results[-1] == CheckResult("mains fuse", "skipped", note="could not read the rating")
    assert not found.is_open


def test_what_cannot_be_read_blocks_once_and_is_not_kept() -> None:
    found = sheet_of(with_row("emitter resistors", "left", marked="0R22", measured="o,22"), None)
    assert found.wrong == 1
    assert len(found.blocking) == 1
    assert found.blocking[0].startswith("Emitter resistors, left: cannot be read. “o,22” is not a number")
    assert ("emitter resistors", "left") not in {(one.check, one.position[:4]) for one in found.results}


def test_a_marking_that_is_not_the_plans_is_held_against_it() -> None:
    found = sheet_of(with_row("emitter resistors", "left", marked="0R33", measured="0.33"), demo_unit())
    assert any("the plan is computed with 0.22 ohm" in words for words in found.blocking)
    assert sheet_of(with_row("emitter resistors", "left", marked="0R33", measured="0.33"), None).is_open


def test_several_rows_of_a_check_all_have_to_pass() -> None:
    rows = (*rows_of(demo_job().cold_checks), Row("emitter resistors", "right", "R634", marked="0R22", measured="0R30"))
    found = sheet_of(rows, None)
    assert found.results[-1].position == "right, R634"
    assert found.blocking == (
        "Emitter resistors, right: failed (measured 0.3 ohm, marked 0.22 ohm, 136 % of it; allowed: 90 to 110 % of the "
        "marked value). " + BY_KEY["emitter resistors"].harm,
    )


def test_results_without_a_row_are_left_alone_and_named() -> None:
    odd = CheckResult("junctions", "passed", "middle")
    other = CheckResult("smell", "passed")
    assert strangers((*demo_job().cold_checks, odd, other)) == (odd, other)


def test_a_text_without_end_is_refused_in_words() -> None:
    found = sheet_of(with_row("mains fuse", state="passed", note="x" * 30_000), None)
    assert found.wrong == 1
    assert "20000 at most" in found.blocking[0]


def test_a_browser_may_send_anything_for_a_row() -> None:
    row = row_from({"check": "mains fuse", "part": None, "state": 3, "noisy": ["a"]})
    found = sheet_of([row], None)
    assert found.entries[0].wrong


@pytest.mark.parametrize("held", [True, False])
def test_what_stands_in_the_way_leads_to_its_check(held: bool) -> None:
    shown = repr(statement(sheet_of(rows_of(()), None), held))
    assert "#check-emitter-resistors" in shown
    assert ("no complete unit facts" in shown) is not held


def test_case_of_the_channel_makes_no_new_row() -> None:
    results = [replace(one, position=one.position.capitalize()) for one in demo_job().cold_checks]
    assert len(rows_of(results)) == len(rows_of(demo_job().cold_checks))
