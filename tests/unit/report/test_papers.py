"""A finished run's papers: made, sealed, verified as one, and joined to its job."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pypdf
import pytest
from invented_runs import write_run

from benchwarden.before_power import Before, leave_with_run
from benchwarden.core.job import FittedPart, Job, SetFacts
from benchwarden.core.workshop import Workshop
from benchwarden.jobs.store import open_store
from benchwarden.papers import Printing, make_papers
from benchwarden.proof.signing import new_key
from benchwarden.proof.verify import trust_in, verify
from benchwarden.record.workshop_settings import demo_workshop
from benchwarden.run_job import beside_earlier, job_of, keep_with_job

NOW = "2026-11-29T15:00:00Z"
SET = SetFacts("Brackwater", "Integrated 60", "BW60-01873")
OLD = Job("1907", "M. Lindqvist", SET, parts_fitted=(FittedPart("Q601", "OM 5", "output", "left"),))
NEW = Job("2041", "M. Lindqvist", SET, parts_fitted=(FittedPart("Q601", "LM 6001N", "output", "left"),))


def pages(pdf: Path) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(pdf).pages]


def test_record_log_and_seal_fit_each_other(tmp_path: Path) -> None:
    run, keys = write_run(tmp_path / "run", soak_s=20.0), tmp_path / "keys"
    leave_with_run(Before(NEW), run)
    said: list[str] = []
    papers = make_papers(run, Printing(demo_workshop(), new_key(keys)), said.append)
    assert said == []
    assert (papers.record, papers.log, papers.seal) == (run / "record.pdf", run / "bias-log.pdf", run / "seal.json")
    found = verify(run, trust_in(None, keys), NOW)
    assert found.exit_code == 0, found.lines()
    # Each by itself, as the customer holds it.
    for paper in (run / "record.pdf", run / "bias-log.pdf"):
        assert verify(paper, trust_in(None, keys), NOW).exit_code == 0
        # "Head hash on every page": its first sixteen digits stand in the foot of each.
        shown = papers.head[:16]
        assert all(shown in text.replace(" ", "").replace("\n", "") for text in pages(paper))
    assert set(pypdf.PdfReader(run / "record.pdf").attachments) >= {
        "samples.csv",
        "verdict.json",
        "job.json",
        "seal.json",
    }


def test_printing_again_names_the_seal_before(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run", soak_s=10.0)
    first = make_papers(run, Printing(), lambda text: None)
    again = make_papers(run, Printing(Workshop(language="de")), lambda text: None)
    assert again.head == first.head
    seal = json.loads((run / "seal.json").read_text(encoding="utf-8"))
    assert [earlier["head"] for earlier in seal["earlier"]] == [first.head]
    assert verify(run, trust_in(None, tmp_path), NOW).exit_code == 0


def test_what_cannot_be_made_takes_nothing_from_the_rest(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run", soak_s=10.0)
    (run / "bias-log.pdf").mkdir()
    said: list[str] = []
    papers = make_papers(run, Printing(why_unsigned="no key"), said.append)
    assert papers.record is not None
    assert papers.log is None
    assert papers.seal is not None
    assert [text.split(":")[0] for text in said] == ["The bias log could not be printed", "no key"]


def test_a_run_joins_its_job_and_stands_beside_earlier_ones(tmp_path: Path) -> None:
    address = str(tmp_path / "jobs")
    with open_store(address) as store:
        store.create(OLD)
        store.create(NEW)
    before = write_run(tmp_path / "20240201T090000Z-power-up", soak_s=20.0)
    said: list[str] = []
    keep_with_job(address, "1907", before, said.append)
    run = write_run(tmp_path / "20261129T090000Z-power-up", soak_s=20.0, seed=2)
    leave_with_run(Before(NEW), run)
    job = job_of(address, "2041")
    printing = Printing(beside_earlier=lambda one: beside_earlier(address, job, replace(one, started_at_utc=NOW)))
    papers = make_papers(run, printing, said.append)
    keep_with_job(address, "2041", run, said.append)
    assert said == ["Kept with job 1907.", "Kept with job 2041."]
    with open_store(address) as store:
        (kept,) = store.open("2041").runs
        assert kept.head == papers.head
        assert [samples.folder for samples in store.samples_of("2041")] == [run.name]
    text = " ".join(pages(run / "record.pdf"))
    assert "1907" in text
    assert "OM 5" in text


def test_a_store_that_is_away_costs_nothing(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run", soak_s=5.0)
    said: list[str] = []
    keep_with_job(str(tmp_path / "nowhere"), "2041", run, said.append)
    assert len(said) == 1
    assert f"`benchwarden job attach-run 2041 {run}` tries again" in said[0]
    printing = Printing(beside_earlier=lambda one: beside_earlier(str(tmp_path / "nowhere"), NEW, one))
    assert make_papers(run, printing, said.append).record is not None
    assert "Earlier runs of the set could not be put beside this one" in said[1]


@pytest.mark.parametrize("kind", ["", "{", '{"number": 3}'])
def test_a_half_written_job_file_does_not_stop_the_record(tmp_path: Path, kind: str) -> None:
    run = write_run(tmp_path / "run", soak_s=5.0)
    (run / "job.json").write_text(kind, encoding="utf-8")
    said: list[str] = []
    assert make_papers(run, Printing(), said.append).record is not None
    assert "job.json" in " ".join(pages(run / "record.pdf"))
