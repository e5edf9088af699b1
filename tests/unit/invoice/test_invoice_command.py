"""`benchwarden invoice` as a person types it."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest
from invoices import GOOD, papers, signed

from benchwarden import invoice_command
from benchwarden.invoice.fitness import InvoiceRefused
from benchwarden.proof.seal import seal_journal, write_seal
from benchwarden.record.journal import Journal


def ran(*words: str | Path) -> int:
    parser = argparse.ArgumentParser()
    invoice_command.add(parser.add_subparsers(required=True))
    args = parser.parse_args([str(word) for word in words])
    code: int = args.command(args)
    return code


@pytest.fixture
def run(tmp_path: Path) -> Path:
    folder = tmp_path / "run"
    with Journal.create(folder, {"run": "demo"}):
        pass
    for paper in papers():
        (folder / paper.name).write_bytes(paper.data)
    write_seal(folder, seal_journal(folder), None)
    return folder


def test_add_companion_and_bundle(run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    invoice = tmp_path / "invoice.pdf"
    invoice.write_bytes(GOOD["PDF/A-3b"]())
    assert ran("invoice", "add", invoice, run, "-o", tmp_path / "out.pdf", "--page") == 0
    said = capsys.readouterr().out
    assert "(2 pages of the invoice, 1 added)" in said
    assert "no validator has proven it" in said
    assert (tmp_path / "out.pdf").read_bytes().startswith(invoice.read_bytes())
    assert ran("invoice", "companion", invoice, run) == 0
    assert (tmp_path / "invoice-record.json").exists()
    assert ran("invoice", "bundle", run) == 0
    assert (tmp_path / "run.zip").exists()


def test_a_signed_invoice_is_refused_and_the_offer_works(run: Path, tmp_path: Path) -> None:
    invoice = tmp_path / "invoice.pdf"
    invoice.write_bytes(signed("field"))
    with pytest.raises(InvoiceRefused, match="invoice companion"):
        ran("invoice", "add", invoice, run, "-o", tmp_path / "out.pdf")
    assert not (tmp_path / "out.pdf").exists()
    assert ran("invoice", "companion", invoice, run, "-o", tmp_path / "beside") == 0
    assert len(list((tmp_path / "beside").iterdir())) == 3


def test_a_record_without_a_seal_is_said(run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plain = papers()[0].data.partition(b"%%EOF")[0] + b"%%EOF"
    (run / "record.pdf").write_bytes(plain)
    (tmp_path / "invoice.pdf").write_bytes(GOOD["table"]())
    assert ran("invoice", "add", tmp_path / "invoice.pdf", run, "-o", tmp_path / "out.pdf") == 0
    assert "record.pdf carries no seal" in capsys.readouterr().out
