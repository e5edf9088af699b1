"""`benchwarden bench` from end to end on a few short runs, and what it refuses."""

from __future__ import annotations

import json

import pytest

from benchwarden.cli import main
from benchwarden.corpus import bench_cases, second_cases
from benchwarden.corpus.judging import RULES
from benchwarden.corpus.running import all_done, healthy_work, work_for


def first(model, kind: str) -> int:
    return next(seed for seed in range(5001, 5400, 2) if model.kind_of(seed) == kind)


def test_a_few_runs_end_in_tables_and_a_file(tmp_path, capsys):
    kind = "device-shorted limited"
    seed = first(bench_cases, kind)
    file = tmp_path / "bench.json"
    words = ["--model", "bench", "--first-seed", str(seed), "--runs", "1", "--jobs", "1"]
    assert main(["bench", *words, "--only", kind, "--verbose", "--json", str(file)]) == 0
    text = capsys.readouterr().out
    assert "tuning seeds" in text.splitlines()[0]
    assert f"seed {seed} {kind}" in text
    for rule in RULES:
        assert f"Faults, {rule}:" in text
    assert "Side by side:" in text
    found = json.loads(file.read_text(encoding="utf-8"))["models"]["bench"]
    assert [run["seed"] for run in found["runs"]] == [seed]
    assert set(RULES) <= set(found["rules"])
    for rule in RULES:
        score = found["rules"][rule]["kinds"][kind]
        assert score["runs"] == 1
        assert score["before"] + score["after"] + score["missed"] + score["silent"] + score["early"] == 1


def test_rows_come_in_the_order_of_their_seeds_from_several_processes():
    seeds = [s for s in range(5001, 5200, 2) if bench_cases.kind_of(s) == "device-shorted limited"][:2]
    work = [("bench", (seed,)) for seed in seeds]
    rows = [row for part in all_done(work, 2) for row in part]
    assert [row.truth.seed for row in rows] == seeds
    alone = [row for part in all_done(work, 1) for row in part]
    assert [(r.truth.damaged, r.trips, r.end_s) for r in rows] == [(r.truth.damaged, r.trips, r.end_s) for r in alone]


def test_second_model_runs_are_played_in_batches():
    work = work_for("second", 7000, 100)
    assert [seed for _, seeds in work for seed in seeds] == list(range(7000, 7100))
    assert len(work) == 3
    hours = healthy_work(7101, 100.0)
    extra = [seed for _, seeds in hours for seed in seeds]
    assert all(second_cases.kind_of(seed) == "healthy" for seed in extra)
    assert extra[0] == 7102
    assert len(extra) * second_cases.MEAN_HEALTHY_S >= 100.0 * 3600.0


def test_kinds_that_no_seed_has_are_said_so(capsys):
    assert main(["bench", "--model", "bench", "--runs", "1", "--first-seed", "5000", "--only", "sensor-open"]) == 0
    assert "no run of the kinds asked for" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--runs", "0"], "--runs 0; allowed: 1 to"),
        (["--first-seed", "-1"], "--first-seed -1; allowed: 0 to"),
        (["--jobs", "0"], "--jobs 0; allowed: 1 to"),
        (["--hours", "nan"], "--hours nan; allowed: 0 to"),
        (["--model", "bench", "--hours", "5"], "--hours with --model bench"),
        (["--only", "gremlins"], "--only 'gremlins'; allowed: "),
    ],
)
def test_arguments_that_make_no_sense_are_refused_in_words(words, said, capsys):
    assert main(["bench", *words]) == 2
    assert said in capsys.readouterr().err


def test_a_file_that_cannot_be_written_is_named(tmp_path, capsys):
    kind = "device-shorted limited"
    target = tmp_path / "no" / "bench.json"
    words = ["--model", "bench", "--runs", "1", "--first-seed", str(first(bench_cases, kind)), "--jobs", "1"]
    assert main(["bench", *words, "--json", str(target)]) == 2
    assert str(target) in capsys.readouterr().err
