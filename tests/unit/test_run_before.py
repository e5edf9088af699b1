"""What is known before power: the gate, what the journal keeps, what the run's folder gets."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from benchwarden.before_power import JOB_NAME, PARTS_NAME, Before, checked_before, labelled, leave_with_run
from benchwarden.core.cold_checks import CHANNELS, COLD_CHECKS
from benchwarden.core.job import CheckResult, Job, SetFacts
from benchwarden.core.job_form import job_from
from benchwarden.core.unit import Unit
from benchwarden.errors import PlanError, RecordError

UNIT = Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0)
# Each check excused: what is sound is the matter of another file.
WHY = "made by the previous shift"
EXCUSED = tuple(
    CheckResult(check.key, "skipped", side, why=WHY)
    for check in COLD_CHECKS
    for side in (CHANNELS if check.per_channel else ("",))
)
JOB = Job("2041", "M. Lindqvist", SetFacts("Brackwater", "Integrated 60", "BW60-01873"), cold_checks=EXCUSED)


def test_no_checks_and_no_reason_start_nothing() -> None:
    with pytest.raises(PlanError, match="nothing was closed") as caught:
        checked_before(UNIT, (), "")
    assert str(caught.value).count("not done") > 10
    with pytest.raises(PlanError, match="allowed: a reason of 8 characters or more"):
        checked_before(UNIT, (), "because")


def test_a_reason_is_kept_in_the_header_and_said() -> None:
    before = checked_before(UNIT, (), " meter is away for calibration ")
    assert before.header()["unchecked_why"] == "meter is away for calibration"
    assert "because: meter is away for calibration" in before.cautions()[0]


def test_the_checks_of_the_job_count_and_those_of_a_file_go_first() -> None:
    before = checked_before(UNIT, (), "", JOB)
    assert before.gate is not None
    assert len(before.cautions()) == sum(1 for result in EXCUSED if WHY in result.why and _required(result))
    assert before.header()["job"] == "2041"
    assert json.loads(json.dumps(before.header())) == before.header()
    with pytest.raises(PlanError, match=r"Protective earth|Mains|discharged|Reservoirs"):
        checked_before(UNIT, (CheckResult("mains fuse", "passed"),), "", JOB)


def _required(result: CheckResult) -> bool:
    return next(check.required for check in COLD_CHECKS if check.key == result.check)


def test_the_run_s_folder_gets_the_job_as_it_was(tmp_path: Path) -> None:
    leave_with_run(checked_before(UNIT, (), "", JOB), tmp_path)
    assert job_from(json.loads((tmp_path / JOB_NAME).read_text(encoding="utf-8")), "job.json") == JOB
    assert not (tmp_path / PARTS_NAME).exists()
    leave_with_run(Before(), tmp_path / "nowhere")
    with pytest.raises(RecordError, match=r"nowhere/job\.json: cannot be written"):
        leave_with_run(Before(JOB), tmp_path / "nowhere")


def test_labels_of_the_job_fill_what_the_facts_leave_open() -> None:
    found = labelled(replace(UNIT, serial="on the plate"), JOB)
    assert (found.customer, found.model) == ("M. Lindqvist, job 2041", "Brackwater Integrated 60")
    assert (found.serial, found.technician) == ("on the plate", "")
