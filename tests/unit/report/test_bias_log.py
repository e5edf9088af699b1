"""The log for the invoice: one page, whatever is in it."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pikepdf
import pypdf
import pytest
from invented_runs import write_run
from report_jobs import JOB, job_of, with_job

from benchwarden.core.workshop import Workshop
from benchwarden.errors import RecordError
from benchwarden.record.workshop_settings import demo_workshop
from benchwarden.report.bias_log import NAME, bias_log_bytes, write_bias_log

HEAD = "0123456789abcdef" * 4
SIDE = {
    "bias_start_mv": 8.71,
    "bias_end_mv": 11.04,
    "settled": True,
    "drift_mv_per_h": -0.1234,
    "drift_95_mv_per_h": [-0.2, 0.05],
    "tempco_mv_per_k": 0.118,
    "tempco_95_mv_per_k": [0.11, 0.126],
    "sink_worst_c": 45.6,
    "offset_worst_v": 0.0131,
}
METRICS = {"left": SIDE, "right": SIDE}


def text_of(data: bytes | Path) -> str:
    import io

    reader = pypdf.PdfReader(io.BytesIO(data) if isinstance(data, bytes) else data)
    assert len(reader.pages) == 1
    return " ".join(reader.pages[0].extract_text().replace("\u200b", "").split())


def test_the_log_says_what_the_run_showed(tmp_path: Path) -> None:
    run = with_job(write_run(tmp_path / "run", metrics=METRICS))
    target = write_bias_log(run, workshop=demo_workshop(), seal_head=HEAD)
    assert target == run / NAME
    text = text_of(target)
    for words in (
        "Lindenmoor Repair Workshop",
        "M. Lindqvist",
        "BW60-01873",
        "R-0117",
        "14 March 2026, 09:26 UTC",
        "Bias, target 11 mV 11 mV",
        "\N{MINUS SIGN}0.123 mV/h (\N{MINUS SIGN}0.2 to 0.05)",
        "0.118 mV/K (0.11 to 0.126)",
        "Supervised run: €48.00",
        "kept by the workshop",
        "seal 0123 4567 89ab cdef",
        "not a certified protective device",
        "page 1 of 1",
    ):
        assert words in text, words
    assert HEAD in text.replace(" ", "")
    assert "Passed" in text


def test_it_speaks_german(tmp_path: Path) -> None:
    run = with_job(write_run(tmp_path / "run", metrics=METRICS, trip_at_s=230.0))
    text = text_of(bias_log_bytes(run, workshop=Workshop(language="de", currency="SEK"), record_attached=True))
    for words in (
        "Nicht bestanden",
        "Ruhestrom, Sollwert",
        "48,00 SEK",
        "liegt dieser Rechnung bei",
        "nicht versiegelt",
    ):
        assert words in text, words


@pytest.mark.parametrize("charge", ["a lot", "NaN", "-5", "1e400", "Infinity", "9" * 200])
def test_a_charge_that_is_none_is_left_out_and_said(tmp_path: Path, charge: str) -> None:
    run = with_job(write_run(tmp_path / "run", soak_s=5.0), replace(JOB, charge=charge))
    text = text_of(bias_log_bytes(run))
    assert "Supervised run" not in text
    assert "is no amount and is left out" in text


def test_the_run_alone_is_enough(tmp_path: Path) -> None:
    text = text_of(bias_log_bytes(write_run(tmp_path / "run", cut_off_s=95.0)))
    assert "No result" in text
    assert "Supervised run" not in text


def test_a_virtual_run_says_so(tmp_path: Path) -> None:
    text = text_of(bias_log_bytes(write_run(tmp_path / "run", soak_s=20.0, virtual=True)))
    assert text.lower().count("virtual bench") >= 3


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("piece", ["W", "word ", "\U0001f600", "\u65e5", "#panic() "])
def test_huge_text_everywhere_still_makes_one_page(tmp_path: Path, piece: str, language: str) -> None:
    long, name = (piece * 20_000)[:20_000], (piece * 200)[:200]
    run = with_job(write_run(tmp_path / "run", soak_s=20.0, words=long[:10_000]), job_of(long, name))
    workshop = Workshop("W" * 60, ("W" * 40,) * 5, "W" * 80, "W" * 160, language=language, logo=demo_workshop().logo)
    data = bias_log_bytes(run, workshop=workshop, invoice=name, seal_head=HEAD)
    assert re.search(r"(page 1 of 1|Seite 1 von 1)", text_of(data))


@pytest.mark.parametrize("head", ["0" * 63, "G" * 64, "0123 4567", "A" * 64])
def test_a_head_that_is_none_is_refused(tmp_path: Path, head: str) -> None:
    run = write_run(tmp_path / "run", soak_s=5.0)
    with pytest.raises(RecordError, match="64 hexadecimal digits"):
        bias_log_bytes(run, seal_head=head)


def test_two_prints_are_byte_identical_and_sound(tmp_path: Path) -> None:
    run = with_job(write_run(tmp_path / "run", soak_s=20.0, metrics=METRICS))
    facts: dict[str, Any] = {"workshop": demo_workshop(), "seal_head": HEAD}
    first = write_bias_log(run, tmp_path / "a.pdf", **facts).read_bytes()
    assert write_bias_log(run, tmp_path / "b.pdf", **facts).read_bytes() == first
    with pikepdf.open(tmp_path / "a.pdf") as pdf:
        assert pdf.check_pdf_syntax() == []
