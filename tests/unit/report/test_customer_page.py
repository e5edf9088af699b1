"""Page one: what a customer reads, and what is left out when nothing is known of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from invented_runs import write_run
from report_jobs import JOB, PARTS, with_job

from benchwarden.report.customer_page import CustomerPage, customer_page
from benchwarden.report.job_papers import papers_of
from benchwarden.report.repair_rows import check_note, check_rows, finding_notes, part_rows
from benchwarden.report.source import gather
from benchwarden.report.wording import ENGLISH, wording

GERMAN = wording("de")
# As the analysis hands over the figures of a channel.
SIDE = {
    "bias_end_mv": 11.04,
    "settled": True,
    "drift_mv_per_h": -0.12,
    "sink_worst_c": 45.6,
    "offset_worst_v": 0.0131,
    "oscillation": {"events": 0},
}


def page(run: Path, say: Any = ENGLISH) -> CustomerPage:
    material = gather(run)
    return customer_page(material, papers_of(run, material.header, say), say)


def plain(words: Any) -> str:
    return " ".join(words if isinstance(words, tuple) else (words,)).replace("\u00a0", " ").replace("\u200b", "")


def test_a_passed_run_tells_what_was_done_and_how_it_was_proven(tmp_path: Path) -> None:
    metrics = {"left": SIDE, "right": {**SIDE, "bias_end_mv": 10.8}, "full_mains_s": 360.0, "driven_s": 0.0}
    found = page(with_job(write_run(tmp_path / "run", metrics=metrics)))
    assert found.word == "Passed"
    assert dict(found.facts) == {
        "Customer": "M. Lindqvist",
        "Set": "Brackwater Integrated 60",
        "Serial": "BW60-01873",
        "Job": "2041",
        "Date": "14 March 2026, 09:26 UTC",
        "Technician": "K. Example",
    }
    assert found.work == JOB.work
    assert found.parts[0] == "Q11, left: NPN output (was burnt)"
    proven = plain(found.proven)
    assert "2 checks were made with the plug out" in proven
    assert "2 checks were failed or left out for reasons told" in proven
    assert "in 3 steps through a lamp in series" in proven
    assert "At full mains the set ran for 6 minutes" in proven
    assert "test signal" not in proven
    measured = {row[0]: row[1:3] for row in found.measured}
    assert measured["Resting current (bias) at the end"] == ("11.0\u00a0mV", "10.8\u00a0mV")
    assert measured["How steady it was"] == ("steady \N{MINUS SIGN}0.12\u00a0mV",) * 2
    assert measured["DC at the loudspeaker terminals"] == ("13\u00a0mV", "13\u00a0mV")
    assert measured["Oscillation"] == ("none seen", "none seen")


def test_a_bias_that_still_moves_is_said_beside_the_result(tmp_path: Path) -> None:
    metrics = {"left": SIDE, "right": {**SIDE, "settled": False}}
    found = page(write_run(tmp_path / "run", metrics=metrics))
    assert "had not come to rest" in plain(found.sentences)
    assert {row[0]: row[2] for row in found.measured}["How steady it was"].startswith("moving")


@pytest.mark.parametrize(
    ("facts", "word", "sentence"),
    [
        (
            {"trip_at_s": 230.0},
            "Not passed: switched off for safety",
            "After 3 minutes 50 seconds the mains was switched off, because of too much rail current.",
        ),
        ({"cut_off_s": 95.0}, "No result", "It proves nothing about the set."),
    ],
)
def test_what_did_not_pass_is_said_plainly(tmp_path: Path, facts: dict[str, Any], word: str, sentence: str) -> None:
    found = page(with_job(write_run(tmp_path / "run", **facts)))
    assert found.word == word
    assert sentence in plain(found.sentences)
    assert "held under power as planned" not in plain(found.sentences)


def test_without_a_job_the_page_is_made_from_the_run_alone(tmp_path: Path) -> None:
    found = page(write_run(tmp_path / "run"))
    names = [what for what, _ in found.facts]
    assert names == ["Customer", "Set", "Serial", "Date", "Technician"]
    assert (found.work, found.parts) == ("", ())
    bare = page(write_run(tmp_path / "bare", unit={"customer": "", "technician": "", "serial": None}, status=False))
    assert [what for what, _ in bare.facts] == ["Set", "Date"]


def test_a_channel_that_was_never_read_is_not_called_quiet(tmp_path: Path) -> None:
    metrics = {"left": SIDE, "right": SIDE}
    run = write_run(tmp_path / "run", without=("hf_right_v",), metrics=metrics)
    assert next(row for row in page(run).measured if row[0] == "Oscillation")[1:3] == ("none seen", "not watched")


def test_the_page_is_german_in_every_sentence(tmp_path: Path) -> None:
    metrics = {"left": SIDE, "right": SIDE, "full_mains_s": 360.0, "driven_s": 60.0}
    run = with_job(write_run(tmp_path / "run", metrics=metrics))
    german, english = page(run, GERMAN), page(run)
    assert german.word == "Bestanden"
    assert next(row for row in german.measured if row[0] == "Ruhestrom am Ende")[1] == "11,0\u00a0mV"
    for name in ("sentences", "proven", "not_promised", "cautions"):
        assert not set(getattr(german, name)) & set(getattr(english, name))


def test_checks_parts_and_findings_in_rows(tmp_path: Path) -> None:
    run = with_job(write_run(tmp_path / "run", soak_s=5.0))
    papers = papers_of(run, {}, ENGLISH)
    checks = check_rows(papers, ENGLISH)
    assert checks[0][:5] == ("Emitter resistors", "left, all four", "0.22\u00a0Ω", "0.221\u00a0Ω", "passed")
    assert checks[1][2:] == (
        "100\u00a0kΩ",
        "131\u00a0kΩ",
        "failed",
        "noisy; Powered up all the same, because: Renewed at the next visit.",
    )
    assert part_rows(JOB.parts_fitted, papers.lots, ENGLISH)[0][4] == "outputs 2026: doubts"
    assert finding_notes(papers.lots, ENGLISH) == (
        (
            "outputs 2026",
            "doubts",
            "Two things speak for a longer burn-in. Date code: week 53 of a year that had 52.",
        ),
    )
    (substitution,) = finding_notes(papers.substitutions, ENGLISH)
    assert substitution[0] == "old type \N{RIGHTWARDS ARROW} new type"
    assert "slower" in substitution[2]
    assert "never shown" not in substitution[2]


def test_the_checks_the_run_was_started_on_count(tmp_path: Path) -> None:
    run = with_job(write_run(tmp_path / "run", soak_s=5.0))
    before = {
        "checks": [{"check": "discharged", "state": "passed", "measured": 40.0, "position": "both"}],
        "states": [{"check": "Reservoirs discharged", "state": "failed", "why": "40 V; allowed: 2 V or less"}],
    }
    papers = papers_of(run, {"before": before}, ENGLISH)
    assert check_rows(papers, ENGLISH) == (
        ("Reservoirs discharged", "both", "", "40\u00a0V", "failed", "40 V; allowed: 2 V or less"),
    )
    bare = papers_of(tmp_path, {"before": {"unchecked_why": "Checked on the other bench."}}, ENGLISH)
    assert check_note(bare, ENGLISH) == "Powered up without checks, because: Checked on the other bench."
    assert check_note(papers_of(tmp_path, {}, ENGLISH), ENGLISH) == "No checks before power are on record."


@pytest.mark.parametrize(
    "data",
    [b"", b"{", b"[1, 2]", b'{"number": 7}', b'{"number": "1", "surprise": 1}', b"\xff\xfe", b"[" * 100_000, b"null"],
)
def test_a_damaged_job_file_is_said_and_left_out(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "job.json").write_bytes(data)
    papers = papers_of(tmp_path, {}, ENGLISH)
    assert papers.job is None
    # "null" is a file that says nothing, and says it correctly.
    assert bool(papers.trouble) is (data != b"null")
    assert all("left out" in words for words in papers.trouble)


@pytest.mark.parametrize(
    "table",
    [7, [7, "x", None], {"lots": 3}, {"lots": [{"lot": None, "reasons": {"a": 1}}]}, [*PARTS["lots"], {}], {"x": []}],
)
def test_part_findings_of_any_shape_cost_nothing(tmp_path: Path, table: Any) -> None:
    run = with_job(write_run(tmp_path / "run", soak_s=5.0), JOB, table)
    papers = papers_of(run, {"before": table}, ENGLISH)
    assert papers.job == JOB
    finding_notes((*papers.lots, *papers.substitutions), ENGLISH)


def test_many_parts_are_counted_not_crowded_in(tmp_path: Path) -> None:
    job = replace(JOB, parts_fitted=JOB.parts_fitted * 8)
    found = page(with_job(write_run(tmp_path / "run", soak_s=5.0), job))
    assert len(found.parts) == 6
    assert found.parts[-1] == "and 11 more parts, told on the following pages"
