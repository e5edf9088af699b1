"""The commands as a person types them: words, exit codes, and what stays on disk."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pytest
from sealed_runs import sealed_run, write_journal

from benchwarden import proof_command
from benchwarden.errors import BenchwardenError, RecordError
from benchwarden.proof.seal import read_seal


def ran(*words: str | Path) -> int:
    parser = argparse.ArgumentParser()
    proof_command.add(parser.add_subparsers(required=True))
    args = parser.parse_args([str(word) for word in words])
    code: int = args.command(args)
    return code


@pytest.fixture(autouse=True)
def _no_passphrase(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(proof_command.PASSPHRASE_VARIABLE, raising=False)


def test_a_run_is_sealed_signed_and_verified(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    keys = tmp_path / "keys"
    run = write_journal(tmp_path / "run", 50)
    assert ran("key", "show", "--keys", keys) == 1
    assert ran("seal", run, "--keys", keys) == 0
    assert "WITHOUT a signature" in capsys.readouterr().out
    assert ran("key", "new", "--keys", keys) == 0
    assert ran("seal", run, "--keys", keys) == 0
    said = capsys.readouterr().out
    assert "It replaces 1 earlier seal(s)" in said
    assert read_seal(run).seal.head in said
    assert ran("verify", run, "--keys", keys) == 0
    assert "signed with a key at hand" in capsys.readouterr().out
    (public,) = keys.glob("public-*.pem")
    assert ran("verify", run, "--key", public) == 0
    assert ran("key", "show", "--keys", keys) == 0
    assert "signs now" in capsys.readouterr().out


def test_exit_codes_are_as_the_help_says(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = sealed_run(tmp_path / "run", None, count=50)
    (tmp_path / "text.txt").write_text("nothing")
    assert ran("verify", run, run / "record.pdf", "--keys", tmp_path / "none") == 0
    assert ran("verify", run, tmp_path / "text.txt", "--keys", tmp_path / "none") == 2
    (run / "job.json").write_text("{}")
    capsys.readouterr()
    assert ran("verify", run, tmp_path / "text.txt", "--json", "--keys", tmp_path / "none") == 1
    told = json.loads(capsys.readouterr().out)
    assert [one["verdict"] for one in told] == ["changed", "unknown"]
    assert {"kind": "changed", "subject": "job.json", "words": "is not what was sealed (2 bytes now, 46 then)"} in told[
        0
    ]["findings"]


def test_a_locked_key_takes_its_passphrase_from_the_environment(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    keys = tmp_path / "keys"
    run = write_journal(tmp_path / "run", 50)
    with pytest.raises(RecordError, match="no key was made"):
        ran("key", "new", "--keys", keys, "--passphrase")
    monkeypatch.setenv(proof_command.PASSPHRASE_VARIABLE, "open sesame")
    assert ran("key", "new", "--keys", keys, "--passphrase") == 0
    assert ran("seal", run, "--keys", keys) == 0
    assert read_seal(run).signature_fits
    monkeypatch.setenv(proof_command.PASSPHRASE_VARIABLE, "wrong")
    capsys.readouterr()
    assert ran("seal", run, "--keys", keys) == 0
    assert "the passphrase does not open it" in capsys.readouterr().out
    assert read_seal(run).signature is None


def test_bad_input_is_named(tmp_path: Path) -> None:
    with pytest.raises(BenchwardenError, match="no run here"):
        ran("seal", tmp_path)
    (tmp_path / "key.pem").write_text("no key")
    with pytest.raises(BenchwardenError, match=r"key\.pem: not a public key"):
        ran("verify", tmp_path, "--key", tmp_path / "key.pem")
    (tmp_path / "folder").mkdir()
    with pytest.raises(BenchwardenError, match="no public key here"):
        ran("verify", tmp_path, "--key", tmp_path / "folder")
