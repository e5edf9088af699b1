"""The command as a person uses it: what it prints, what it answers, and what comes of hostile files."""

from __future__ import annotations

import argparse
import json
import tomllib
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest

from benchwarden import parts_command
from benchwarden.core.job_form import job_from
from benchwarden.errors import BenchwardenError, JobError, PlanError
from benchwarden.jobs.store import open_store

DEMO = resources.files("benchwarden.virtual")
EXAMPLE = resources.files("benchwarden.parts").joinpath("example_lot.toml").read_text(encoding="utf-8")
UNIT = str(DEMO.joinpath("demo_unit.toml"))
SOUND = """
name = "four"
marking = "LM 6001N"
source = "appointed distributor"
test_current_a = 1.0
pieces = [
    { name = "1", hfe = 84, vbe_v = 0.682 },
    { name = "2", hfe = 88, vbe_v = 0.680 },
    { name = "3", hfe = 81, vbe_v = 0.683 },
    { name = "4", hfe = 86, vbe_v = 0.681 },
]
"""


class Command:
    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys

    def __call__(self, *words: str | Path) -> tuple[int, str]:
        parser = argparse.ArgumentParser(prog="benchwarden")
        parts_command.add(parser.add_subparsers())
        args = parser.parse_args(["parts", *map(str, words)])
        code = args.command(args)
        return code, self._capsys.readouterr().out


@pytest.fixture
def parts(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Command:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BENCHWARDEN_JOBS", str(tmp_path / "jobs"))
    monkeypatch.setenv("COLUMNS", "100")
    return Command(capsys)


def written(text: str, name: str = "lot.toml") -> Path:
    path = Path(name)
    path.write_text(text, encoding="utf-8")
    return path


def test_the_example_is_not_fitted_and_its_reasons_are_read_first(parts: Command) -> None:
    code, shown = parts("check", written(EXAMPLE))
    assert code == 3
    lines = shown.splitlines()
    assert lines[0].startswith("DO NOT FIT: outputs N, as bought a year ago")
    text = " ".join(shown.split())
    assert "only opening one, which destroys it" in text
    assert text.index("1. do not fit") < text.index("doubts:") < text.index("Looked at") < text.index("Measured")
    assert "as of 0.40 times the area" in text
    assert "genuine" not in text.lower()
    assert max(len(line) for line in lines) <= 160


def test_a_sound_lot_ends_with_nought_and_a_doubtful_one_with_one(parts: Command) -> None:
    code, shown = parts("check", written(SOUND))
    assert code == 0
    assert shown.startswith("NOTHING FOUND")
    assert "not looked at" in shown
    assert "opening one" in " ".join(shown.split())
    code, shown = parts("check", written(SOUND.replace("appointed distributor", "unknown")))
    assert code == 1
    assert shown.startswith("DOUBTS")


def test_a_lot_of_nothing_is_shown_too(parts: Command) -> None:
    code, shown = parts("check", written('name = ""\nmarking = ""\n'))
    assert code == 1
    assert "lot without a name" in shown
    assert "Nothing was measured" in " ".join(shown.split())


def test_all_lots_of_a_job(parts: Command, tmp_path: Path) -> None:
    job = job_from(tomllib.loads(DEMO.joinpath("demo_job.toml").read_text(encoding="utf-8")), "demo")
    bad = replace(job.lots[0], name="third", ink="odd")
    with open_store(str(tmp_path / "jobs"), create=True) as store:
        store.create(replace(job, version=0), "test")
        store.create(replace(job, number="2042", version=0, lots=(*job.lots, bad)), "test")
        store.create(replace(job, number="2043", version=0, lots=()), "test")
    code, shown = parts("check", "--job", "2041")
    assert code == 0
    assert shown.count("NOTHING FOUND") == 2
    code, shown = parts("check", "--job", "2042", "--store", tmp_path / "jobs", "--json")
    assert code == 1
    assert [one["level"] for one in json.loads(shown)] == ["nothing found", "nothing found", "doubts"]
    with pytest.raises(JobError, match="job 2043: no lots"):
        parts("check", "--job", "2043")
    with pytest.raises(BenchwardenError, match="9999"):
        parts("check", "--job", "9999")


def test_json_is_one_list_for_another_program(parts: Command) -> None:
    code, shown = parts("check", written(EXAMPLE), "--json")
    (found,) = json.loads(shown, parse_constant=lambda name: pytest.fail(name))
    assert code == 3
    assert found["level"] == "do not fit"
    assert found["proof"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name = ", "not valid TOML"),
        ("[" * 3000, "not valid TOML"),
        ('name = "a"\nmarking = "b"\ncolour = "red"\n', "colour"),
        ('name = "a"\nmarking = "b"\nsource = "a friend"\n', "appointed distributor"),
        ('name = "a"\nmarking = "b"\npieces = [{ name = "1", hfe = -4 }]\n', r"pieces.0.hfe = -4; allowed: 0 to"),
        ('name = "a"\nmarking = "b"\npieces = [{ name = "1", hfe = nan }]\n', "hfe"),
        ('name = "a"\n', "marking"),
        ("#" * 2_000_001, "at most"),
    ],
)
def test_a_wrong_file_is_refused_by_name_and_key(parts: Command, text: str, words: str) -> None:
    with pytest.raises(JobError, match=words) as caught:
        parts("check", written(text))
    assert "lot.toml" in str(caught.value)


def test_a_file_that_is_not_there_or_no_text(parts: Command) -> None:
    with pytest.raises(JobError, match="cannot be read"):
        parts("check", "missing.toml")
    with pytest.raises(JobError, match="cannot be read"):
        parts("check", ".")
    Path("bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(JobError, match="not valid TOML"):
        parts("check", "bytes.toml")


def test_what_to_check_has_to_be_said_once(parts: Command) -> None:
    for words in (("check",), ("check", "lot.toml", "--job", "1")):
        with pytest.raises(JobError, match="one of them"):
            parts(*words)


@pytest.mark.parametrize("limit", ["0", "-1", "nan", "inf"])
def test_a_leakage_limit_that_is_none(parts: Command, limit: str) -> None:
    with pytest.raises(JobError, match="leakage-limit"):
        parts("check", written(EXAMPLE), f"--leakage-limit={limit}")


def test_a_leakage_limit_counts(parts: Command) -> None:
    shown = parts("check", written(EXAMPLE), "--leakage-limit", "10")[1]
    assert "against 10 uA, the limit given" in " ".join(shown.split())


def test_hostile_words_reach_no_terminal(parts: Command) -> None:
    text = 'name = "\\u001b[2J\\u202eevil"\nmarking = "' + "x" * 200 + '"\ndealer = "\\u0007\\u009b31m"\n'
    shown = parts("check", written(text))[1]
    assert all(c.isprintable() or c == "\n" for c in shown)


def test_a_substitute_that_fails_says_no_and_why(parts: Command) -> None:
    code, shown = parts("substitute", UNIT, "LM 6001N", "2N3055")
    assert code == 3
    assert shown.startswith("NO: 2N3055 in place of LM 6001N, as output")
    assert "VCEO" in shown
    assert "CAUTION" in shown
    assert shown.index("NO  ") < shown.index("Fine")


def test_a_substitutes_answer_for_another_program(parts: Command) -> None:
    code, shown = parts("substitute", UNIT, "LM 2100N", "MJE15032", "--role", "driver", "--json")
    found = json.loads(shown, parse_constant=lambda name: pytest.fail(name))
    assert found["role"] == "driver"
    assert code == {"fine": 0, "doubt": 1, "no": 3}[found["level"]]


def test_a_type_that_is_in_no_list_is_answered_with_near_ones(parts: Command) -> None:
    with pytest.raises(JobError, match=r"'LM 6001' is not in the parts list; allowed: LM 6001"):
        parts("substitute", UNIT, "LM 6001", "2N3055")
    with pytest.raises(JobError, match="none, it is empty"):
        parts("substitute", UNIT, "a", "b", "--parts", written("", "empty.toml"))
    with pytest.raises((PlanError, JobError), match=r"nowhere\.toml"):
        parts("substitute", "nowhere.toml", "LM 6001N", "2N3055")


def test_the_list_is_the_workshops_own_where_there_is_one(parts: Command) -> None:
    code, shown = parts("list")
    assert code == 0
    assert "LM 6001N" in shown
    own = written('[parts."XY 1"]\nsource = "sheet, page 1"\npower_w = 125\n', "own.toml")
    shown = parts("list", "--parts", own)[1]
    assert "XY 1" in shown
    assert "125" in shown
    assert "LM 6001N" not in shown
    folder = Path(parts_command.DEFAULT_RECORDS)
    folder.mkdir(parents=True)
    (folder / "parts.toml").write_text(own.read_text())
    assert "XY 1" in parts("list")[1]
