"""How a page saves its own part of a job, alone and beside others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from benchwarden.core.job import CheckResult, Job
from benchwarden.core.part_lots import PartLot
from benchwarden.dashboard.parts_job import Clashed, address_of, clash_told, found_jobs, number_in, opened, save_own
from benchwarden.errors import RecordError
from benchwarden.jobs.store import JobStore, open_store

LOTS = (PartLot("outputs", "LM 1N"),)
CHECKS = (CheckResult("mains fuse", "passed"),)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[JobStore]:
    with open_store(tmp_path / "jobs") as found:
        found.create(Job("2041", customer="M. Lindqvist"))
        yield found


@pytest.fixture
def place(tmp_path: Path, store: JobStore) -> str:
    return str(tmp_path / "jobs")


def test_only_the_pages_own_fields_are_written(place: str, store: JobStore) -> None:
    job = save_own(place, "2041", 1, 1, {"cold_checks": CHECKS}, "checks")
    assert job.version == 2
    assert store.open("2041") == replace(store.open("2041", 1), cold_checks=CHECKS, version=2,
                                         changed_at_utc=job.changed_at_utc)  # fmt: skip
    assert [(kept.by, kept.what) for kept in store.history("2041")][1] == ("bench", "checks")


def test_a_save_over_somebody_elses_is_refused_and_then_decided(place: str, store: JobStore) -> None:
    theirs = store.save(replace(store.open("2041"), complaint="hums", cold_checks=CHECKS), by="bench 2")
    mine = (CheckResult("mains fuse", "failed"),)
    with pytest.raises(Clashed) as found:
        save_own(place, "2041", 1, 1, {"cold_checks": mine}, "checks")
    clash = found.value.clash
    assert store.open("2041") == theirs
    assert set(clash.theirs) == {"complaint", "cold_checks"}
    assert clash.own == ("cold_checks",)
    assert "saved by bench 2" in clash.words
    shown = repr(clash_told(clash, "the checks", "Theirs has 1.", "2041"))
    assert "Both of you changed: checks before power. Theirs has 1." in shown
    # Kept as typed, on the version that the person was told of: what they wrote elsewhere stays.
    kept = save_own(place, "2041", 1, clash.newest.version, {"cold_checks": mine}, "checks")
    assert (kept.complaint, kept.cold_checks) == ("hums", mine)


def test_a_third_save_meanwhile_is_told_again(place: str, store: JobStore) -> None:
    store.save(replace(store.open("2041"), complaint="hums"), by="bench 2")
    store.save(replace(store.open("2041"), complaint="hums more"), by="bench 3")
    with pytest.raises(Clashed):
        save_own(place, "2041", 1, 2, {"lots": LOTS}, "parts")


def test_what_the_page_did_not_change_stays_theirs(place: str, store: JobStore) -> None:
    store.save(replace(store.open("2041"), lots=LOTS), by="bench 2")
    with pytest.raises(Clashed) as found:
        save_own(place, "2041", 1, 1, {"lots": (), "cold_checks": CHECKS}, "both")
    assert found.value.clash.own == ()
    kept = save_own(place, "2041", 1, 2, {"lots": (), "cold_checks": CHECKS}, "both")
    assert (kept.lots, kept.cold_checks) == (LOTS, CHECKS)


@pytest.mark.parametrize("number", ["2041", "A/12 b&c", "ø 7", "1+1=2"])
def test_a_number_survives_the_address(number: str) -> None:
    assert number_in(address_of(number)) == number


@pytest.mark.parametrize("search", [None, "", "?", "?other=1", "?job="])
def test_an_address_without_a_job_names_none(search: str | None) -> None:
    assert number_in(search) == ""


def test_a_store_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(RecordError):
        opened(str(tmp_path / "nowhere"), "2041")
    assert "there is none here" in repr(found_jobs(str(tmp_path / "nowhere"), ""))


def test_jobs_are_found_by_any_word(place: str) -> None:
    assert "?job=2041" in repr(found_jobs(place, "lindqvist"))
    assert "No job holds these words" in repr(found_jobs(place, "nobody"))
