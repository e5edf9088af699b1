"""The command as a person uses it: what it prints, what it leaves, what it answers to mistakes."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pytest
from invented_jobs import picture
from PIL import Image
from test_run_facts import made

from benchwarden import job_command
from benchwarden.errors import BenchwardenError, JobConflict, JobError, RecordError


class Bench:
    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys

    def __call__(self, *words: str | Path) -> tuple[int, str]:
        parser = argparse.ArgumentParser(prog="benchwarden")
        job_command.add(parser.add_subparsers())
        args = parser.parse_args(["job", *map(str, words)])
        code = args.command(args)
        return code, self._capsys.readouterr().out


@pytest.fixture
def job(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BENCHWARDEN_JOBS", str(tmp_path / "jobs"))
    return Bench(capsys)


def test_a_repair_from_the_first_call_to_the_record(job: Bench, tmp_path: Path) -> None:
    assert (
        job("new", "2041", "customer=M. Lindqvist", "maker=Brackwater", "model=Integrated 60", "serial=BW60-01873")[0]
        == 0
    )
    assert (tmp_path / "jobs" / "jobs.sqlite").is_file()
    assert "Job 2042 opened" in job("new", "complaint=hums")[1]
    assert job("note", "2041", "fuse bridged = bad", "--by", "K. Osei")[0] == 0
    assert job("set", "2041", "state=under test", "work=a = b")[0] == 0
    (tmp_path / "a.jpg").write_bytes(picture())
    assert "a.jpg kept, 64 x 48" in job("photo", "2041", "a.jpg", "--caption", "left")[1]
    run_dir = made(tmp_path / "20261125T101500Z-2041")
    assert "0 samples kept" in job("attach-run", "2041", run_dir)[1]
    shown = job("show", "2041")[1]
    for words in ("under test", "M. Lindqvist", "a = b", "K. Osei: fuse bridged = bad", "pass, VIRTUAL", "a.jpg"):
        assert words in shown
    code, listed = job("list")
    assert sorted(line.split()[0] for line in listed.splitlines()) == ["2041", "2042", "job"]
    assert job("find", "LINDQVIST", "bridged")[1].splitlines()[1].startswith("2041")
    assert job("find", "nobody")[0] == 1
    assert json.loads(job("list", "--json", "--state", "open")[1])[0]["number"] == "2042"
    history = job("history", "2041")[1].splitlines()
    assert [line.split()[0] for line in history] == ["1", "2", "3", "4", "5"]
    assert "state, work set" in history[2]
    assert "run 20261125T101500Z-2041 attached" in history[4]
    assert code == 0
    job("photo", "2041", "--out", "out")
    (kept,) = (tmp_path / "out").iterdir()
    with Image.open(kept) as image:
        assert image.size == (64, 48)
    job("samples", "2041", "20261125T101500Z-2041", "s.parquet")
    assert (tmp_path / "s.parquet").read_bytes()[:4] == b"PAR1"


def test_a_document_goes_out_and_in_and_meets_a_conflict(job: Bench, tmp_path: Path) -> None:
    job("new", "1", "customer=a")
    document = json.loads(job("show", "1", "--json")[1])
    document["parts_fitted"] = [{"position": "Q11", "marking": "2SC5200", "role": "output"}]
    (tmp_path / "job.json").write_text(json.dumps(document))
    assert "version 2" in job("set", "1", "--file", "job.json")[1]
    assert "Q11: 2SC5200" in job("show", "1")[1]
    with pytest.raises(JobConflict, match="as version 2, yours began from 1"):
        job("set", "1", "--file", "job.json")
    (tmp_path / "job.toml").write_text('number = "1"\nversion = 2\ncustomer = "b"\n[amplifier]\nmaker = "c"\n')
    job("set", "1", "--file", "job.toml")
    assert json.loads(job("show", "1", "--json")[1])["amplifier"]["maker"] == "c"
    (tmp_path / "new.toml").write_text('number = "7"\n')
    assert "Job 7 opened" in job("new", "--file", "new.toml")[1]
    assert json.loads(job("show", "1", "--version", "2", "--json")[1])["customer"] == "a"


def test_export_import_and_backup(job: Bench, tmp_path: Path) -> None:
    job("new", "1", "customer=a")
    assert "1 jobs in 1 versions" in job("export", "all.zip")[1]
    other = str(tmp_path / "other")
    assert job("import", "all.zip", "--store", other)[1].startswith("1 jobs added")
    job("set", "1", "customer=b", "--store", other)
    job("set", "1", "customer=c")
    job("export", "two.zip")
    code, told = job("import", "two.zip", "--store", other)
    assert (code, "CONFLICT: job 1 differs" in told) == (1, True)
    assert "CAUTION: 1 version(s)" in job("show", "1", "--store", other)[1]
    assert "CONFLICT from two.zip: version 2" in job("history", "1", "--store", other)[1]
    assert job("backup", "b.sqlite")[1].strip() == "b.sqlite"


def test_unit_facts_are_taken_from_their_file(job: Bench, tmp_path: Path) -> None:
    demo = Path(job_command.__file__).with_name("virtual") / "demo_unit.toml"
    job("new", "1", "--unit", demo)
    assert json.loads(job("show", "1", "--json")[1])["unit"]["rail_nominal_v"] > 0
    (tmp_path / "bad.toml").write_text("rail_nominal_v = -5\n")
    with pytest.raises(BenchwardenError, match=r"bad\.toml"):
        job("set", "1", "--unit", "bad.toml")


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("set", "1", "colour=red"), "allowed: KEY=VALUE with a key of maker"),
        (("set", "1", "customer"), "allowed: KEY=VALUE"),
        (("set", "1", "state=lost"), "state = 'lost'; allowed: open"),
        (("set", "1"), "nothing to change"),
        (("set", "1", "--file", "no.json"), r"no\.json: cannot be read"),
        (("set", "1", "--file", "bad.json"), r"bad\.json: no JSON"),
        (("set", "1", "--file", "bad.toml"), r"bad\.toml: no TOML"),
        (("set", "1", "--file", "odd.txt"), r"odd\.txt: allowed: a \.json or \.toml file"),
        (("set", "1", "--file", "key.json"), r"key\.json: evil is not a key"),
        (("set", "1", "--file", "other.json"), "number '2'; allowed: '1'"),
        (("set", "1", "--file", "old.json"), "version is missing; begin from"),
        (("set", "1", "customer=x", "--file", "bad.json"), "--file with other facts"),
        (("note", "1", " "), "an empty note"),
        (("note", "9", "x"), "job '9' is not in this store"),
        (("photo", "1"), "files to add, or --out"),
        (("photo", "1", "bad.json"), "photo 'bad.json' is no picture"),
        (("photo", "1", "none.jpg"), r"none\.jpg: cannot be read"),
        (("samples", "1", "run"), "a run without a file"),
        (("attach-run", "1", "nowhere"), "no run here"),
        (("import", "bad.json"), r"bad\.json"),
        (("list", "--store", "elsewhere"), "there is none here"),
        (("list", "--limit", "0"), "limit 0"),
        (("new", "1"), "exists already"),
    ],
)
def test_a_mistake_is_answered_with_what_is_allowed(
    job: Bench, tmp_path: Path, words: tuple[str, ...], why: str
) -> None:
    job("new", "1")
    for name, text in (
        ("bad.json", "{"),
        ("bad.toml", "= 1"),
        ("odd.txt", ""),
        ("key.json", '{"number": "1", "evil": 1}'),
        ("other.json", '{"number": "2", "version": 1}'),
        ("old.json", '{"number": "1"}'),
    ):
        (tmp_path / name).write_text(text)
    with pytest.raises((JobError, RecordError), match=why):
        job(*words)
    assert json.loads(job("show", "1", "--json")[1])["version"] == 1
    assert not (tmp_path / "elsewhere").exists()


def test_what_a_terminal_would_act_on_is_not_printed(job: Bench) -> None:
    job("new", "1", "customer=\x1b[2J\x07evil", "complaint=a\u202eb\r\nc")
    for out in (job("show", "1")[1], job("list")[1], job("find", "evil")[1], job("show", "1", "--json")[1]):
        assert not {"\x1b", "\x07", "\u202e", "\r"} & set(out)
    assert json.loads(job("show", "1", "--json")[1])["customer"] == "\x1b[2J\x07evil"
