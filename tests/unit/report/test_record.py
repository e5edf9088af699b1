"""The PDF of whole runs, read back page by page by a library that did not make it (pypdf)."""

from __future__ import annotations

import datetime as dt
import sqlite3
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pypdf
import pytest
from invented_runs import HELLO, write_run

from benchwarden.core.calibration import MANY, Calibration, Entry, uncertainty, unpack_calibration
from benchwarden.core.channels import CHANNELS
from benchwarden.errors import RecordError
from benchwarden.report import pdf
from benchwarden.report.content import content_of
from benchwarden.report.pdf import NAME
from benchwarden.report.source import gather

# What is attached has tests of its own.
write_record = partial(pdf.write_record, attachments={})


def pages(path: Path) -> list[str]:
    """Return every page's text with white space and soft breaks evened out."""
    reader = pypdf.PdfReader(BytesIO(path.read_bytes()))
    return [" ".join(page.extract_text().replace("\u200b", "").split()) for page in reader.pages]


def whole(path: Path) -> str:
    return " ".join(pages(path))


def dense(text: str) -> str:
    """Return text without white space and hyphenation: where a line breaks is no matter of these tests."""
    return "".join(text.split()).replace("\u2010", "").replace("\u00ad", "").replace("-", "")


@pytest.mark.parametrize(
    "facts",
    [
        {"virtual": True},
        {"hello": {"board": "virtual-7"}},
        {"virtual": True, "hello": {"board": "virtual-7"}, "trip_at_s": 230.0},
        {"hello": {"board": "virtual-7"}, "cut_off_s": 95.0, "status": False},
    ],
    ids=["header", "board", "tripped", "cut off"],
)
def test_every_page_of_a_virtual_run_says_virtual_bench(tmp_path: Path, facts: dict[str, Any]) -> None:
    found = pages(write_record(write_run(tmp_path / "run", **facts)))
    assert len(found) >= 4
    for number, text in enumerate(found, 1):
        # Band on top, foot line and watermark: three places on each page.
        assert text.lower().count("virtual bench") >= 3, f"page {number}"


def test_a_measured_run_never_speaks_of_the_virtual_bench(tmp_path: Path) -> None:
    assert "virtual" not in whole(write_record(write_run(tmp_path / "run"))).lower()


def test_uncalibrated_is_said_on_every_page_and_only_when_true(tmp_path: Path) -> None:
    for text in pages(write_record(write_run(tmp_path / "bare"))):
        assert "uncalibrated" in text
    done = whole(write_record(write_run(tmp_path / "done", hello={"cal": "2026-01-10, slot A"})))
    assert "uncalibrated" not in done
    assert "calibration: 2026-01-10, slot A" in done
    for text in pages(write_record(write_run(tmp_path / "silent", hello={"cal": None}))):
        assert "calibration unknown" in text


def test_a_passed_run_says_what_was_held_and_what_it_does_not_promise(tmp_path: Path) -> None:
    text = whole(write_record(write_run(tmp_path / "run")))
    assert "All 6 stages were held, 7 min 40 s under power" in text
    for words in ("Fernwick 260 integrated", "00417", "A. Example", "M. Muster", "14 March 2026, 09:26 UTC"):
        assert words in text
    for words in ("not a certified protective device", "licensed", "Capacitors hold charge", "does not promise"):
        assert words in text
    assert "Nothing is known to be missing." in text
    # Board identity, a limit with its origin, a figure with its unit, a line of working.
    for words in ("e66164084319632e", "halfway from healthy to shorted", "0.031 mV/h", "Lamp resistance, cold"):
        assert words in text


def test_a_trip_is_told_with_time_cause_value_limit_and_its_full_rate_plot(tmp_path: Path) -> None:
    text = whole(write_record(write_run(tmp_path / "run", trip_at_s=230.0)))
    assert "The mains relay opened 3 min 50 s into the run because of too much rail current" in text
    assert "read 1.310 A, limit 1.200 A" in text
    assert "Around trip 1" in text
    assert "250 scans" in text
    assert "0:03:50.0" in text
    assert "Passed" not in text


def test_a_run_that_was_cut_off_is_said_to_prove_nothing(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run", cut_off_s=95.0)
    text = whole(write_record(run))
    assert "No result" in text
    assert "The record ends at 1 min 35 s without a verdict" in text
    assert "Stage “limiter 100 %” was under way." in text
    assert "Stage “idle soak” was not reached." in text
    assert "The journal was not closed in order" in text
    assert "Passed" not in text


def test_without_a_status_file_the_record_is_made_from_the_journal(tmp_path: Path) -> None:
    text = whole(write_record(write_run(tmp_path / "run", status=False)))
    assert "All 6 stages were held" in text
    assert "There is no readable status file" in text


def test_a_lost_stretch_is_named_to_the_frame(tmp_path: Path) -> None:
    text = whole(write_record(write_run(tmp_path / "run", gap=(100.0, 112.0))))
    # Frames carry seq 1 at 0.1 s, so 100.0 s up to 112.0 s is 1000 to 1119.
    assert "Missing: 120 frames (number 1000 to 1119 never received)" in text
    assert "Readings are missing in 1 place, 12.1 s in all" in text
    assert "0:01:39.9 0:01:52.0" in text


def test_a_damaged_batch_costs_that_batch_and_is_named(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run")
    with sqlite3.connect(run / "journal.sqlite") as db:
        (blob,) = db.execute("SELECT data FROM frames WHERE id = 1200").fetchone()
        db.execute("UPDATE frames SET data = ? WHERE id = 1200", (blob[:50] + bytes([blob[50] ^ 1]) + blob[51:],))
    db.close()
    text = whole(write_record(run))
    assert "Missing: 600 frames (number 601 to 1200 damaged in the journal (row 1200))" in text


def test_a_channel_that_was_never_there_is_not_plotted_and_is_named(tmp_path: Path) -> None:
    text = whole(write_record(write_run(tmp_path / "run", without=("hf_left_v", "hf_right_v", "ambient_c"))))
    assert "HF level: no value in this record." in text
    assert "Never seen in this run: Ambient, HF level, left, HF level, right." in text


HOSTILE = [
    pytest.param('"quoted" \\back #emph[x] $a^2$ *b* _c_ `d` <lbl> @ref // no comment', id="markup"),
    pytest.param("#panic()", id="panic"),
    pytest.param('#read("/etc/hostname") #import "@preview/x:0.1.0"', id="read"),
    pytest.param('</svg><script>alert(1)</script> & "x"', id="svg"),
    pytest.param("'; DROP TABLE frames; --", id="sql"),
    pytest.param("= Passed", id="heading"),
    pytest.param("{{7*7}} %s %d {0} \\u{41}", id="templates"),
]


@pytest.mark.parametrize("words", HOSTILE)
def test_hostile_text_lands_as_the_text_it_is(tmp_path: Path, words: str) -> None:
    text = dense(whole(write_record(write_run(tmp_path / "run", words=words, trip_at_s=230.0))))
    # Customer, technician, set, stage names, reasons, working: many times over.
    assert text.count(dense(words)) > 10


def test_text_without_glyphs_is_printed_by_code(tmp_path: Path) -> None:
    words = "amp \U0001f600 \u65e5\u672c \x00\x07\x1b[31m \u202egnp.exe \udcff e\u0301\u0301"
    text = dense(whole(write_record(write_run(tmp_path / "run", words=words.replace("\udcff", "\ufffe")))))
    for code in ("1F600", "65E5", "0000", "0007", "001B", "202E", "FFFE", "0301"):
        assert f"<U+{code}>" in text
    assert "\u202e" not in text
    assert "\u00e9" in text


def test_ten_thousand_characters_everywhere_still_make_a_record(tmp_path: Path) -> None:
    for number, words in enumerate(("x" * 10_000, "word " * 2_000, "\U0001f600" * 2_500)):
        found = pages(write_record(write_run(tmp_path / str(number), words=words, soak_s=20.0)))
        assert "morecharacters,keptinthejournal" in dense(" ".join(found))
        # The heading keeps to its line on every page, and the record to a readable length.
        assert all("uncalibrated" in text for text in found)
        assert len(found) < 40


def test_values_of_the_wrong_kind_are_printed_not_trusted(tmp_path: Path) -> None:
    unit = {"model": {"a": [1]}, "serial": 417, "customer": None, "rated_power_w": "lots", "load_ohm": None}
    metrics = {"x_v": float("nan"), "y": {"z": {"deep": {"er": {"still": 1}}}}, "w": [1, "two", None], "": 3}
    run = write_run(
        tmp_path / "run", unit=unit, metrics=metrics, hello={"selftest": {"ok": False, "parts": {"x": "open"}}}
    )
    text = whole(write_record(run))
    assert "{'a': [1]}" in text
    assert "FAILED: x: open" in text
    assert "not determined" in text


def test_the_same_run_gives_the_same_bytes(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run", trip_at_s=230.0, gap=(50.0, 53.0))
    first = write_record(run).read_bytes()
    assert write_record(run, tmp_path / "again.pdf").read_bytes() == first


def test_the_file_claims_pdf_a_3b_and_embeds_every_font(tmp_path: Path) -> None:
    reader = pypdf.PdfReader(write_record(write_run(tmp_path / "run", virtual=True)))
    root = reader.trailer["/Root"]
    # ISO 19005-3, 6.6.4 (identification in XMP), 6.2.3 (output intent) and
    # 6.2.11.4 (fonts embedded), from memory. That is structure, not validation.
    xmp = root["/Metadata"].get_data().decode()
    assert "<pdfaid:part>3</pdfaid:part>" in xmp
    assert "<pdfaid:conformance>B</pdfaid:conformance>" in xmp
    assert root["/OutputIntents"][0]["/S"] == "/GTS_PDFA1"
    assert not reader.attachments
    seen = set()
    for page in reader.pages:
        for font in page["/Resources"].get("/Font", {}).values():
            for below in font.get_object()["/DescendantFonts"]:
                descriptor = below.get_object()["/FontDescriptor"]
                assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor)
                seen.add(str(descriptor["/FontName"]).split("+")[-1])
    assert any("Libertinus" in name for name in seen)
    assert any("DejaVu" in name for name in seen)


def test_the_record_is_replaced_whole_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    run = write_run(tmp_path / "run")
    target = write_record(run)
    assert target == run / NAME
    target.write_bytes(b"old")
    assert write_record(run).read_bytes().startswith(b"%PDF-")
    assert not list(run.glob("*.new"))
    assert whole(write_record(run, tmp_path / "other.pdf")) == whole(target)


def test_without_a_run_or_a_place_to_write_the_error_says_so(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no run here"):
        write_record(tmp_path)
    run = write_run(tmp_path / "run")
    with pytest.raises(RecordError, match="cannot be written"):
        write_record(run, tmp_path / "missing" / "record.pdf")


def test_an_empty_run_still_makes_a_record(tmp_path: Path) -> None:
    from benchwarden.record.journal import Journal

    journal = Journal.create(tmp_path / "run", {"run": "nothing", "board": HELLO})
    journal.commit()
    journal.close()
    text = whole(write_record(tmp_path / "run"))
    assert "No result" in text
    assert "The journal holds no readings." in text
    assert "The journal holds no plan." in text


def _calibrated(**changes: Any) -> dict[str, Any]:
    entries = tuple(Entry(name, 2, MANY, 1.0, 0.0, 0.0, 0.0, 0.0) for name in CHANNELS if name != "hf_left_v")
    made = Calibration(HELLO["board"], dt.date(2026, 1, 10), 365, 4, "bench meter no. 7", entries)
    calibration = {
        "state": "calibrated", "words": made.words(dt.date(2026, 3, 14)), "number": 4, "crc": made.crc,
        "reference": made.reference, "channels": [entry.channel for entry in entries], "record": made.pack().hex(),
    }  # fmt: skip
    calibration |= changes
    return {"cal": calibration["words"], "calibration": calibration, "program_digest": "ab" * 32}


def test_figures_carry_their_expanded_uncertainty(tmp_path: Path) -> None:
    bare = whole(write_record(write_run(tmp_path / "bare")))
    done = whole(write_record(write_run(tmp_path / "done", hello=_calibrated())))
    for text in (bare, done):
        assert "U (95 %)" in text
        assert "expanded uncertainty for 95 % coverage" in text
    assert dense("uncertainties stated follow from the parts") in dense(bare)
    assert "was not calibrated" not in done
    assert "number 4, CRC" in done
    assert "bench meter no. 7" in done
    assert "Not calibrated HF level, left" in done
    assert "abababab" in done.replace(" ", "")


def test_the_uncertainty_beside_a_worst_value_is_that_of_the_value(tmp_path: Path) -> None:
    """Lowest and highest of a channel, and the larger U of the two, as core/calibration gives it."""
    for name, hello in (("bare", {}), ("done", _calibrated())):
        run = write_run(tmp_path / name, hello=hello)
        material = gather(run)
        made = None if name == "bare" else unpack_calibration(bytes.fromhex(hello["calibration"]["record"]))
        rows = {row[0]: row for row in content_of(material).watched_rows}
        k = CHANNELS.index("sink_left_c")
        worst = [float(np.nanmin(material.envelope.low[:, k])), float(np.nanmax(material.envelope.high[:, k]))]
        expected = max(uncertainty("sink_left_c", value, made).half_width for value in worst)
        shown, unit = rows["Heatsink, left"][3].split("\u00a0")
        assert (float(shown), unit) == (pytest.approx(expected, rel=0.05), "\N{DEGREE SIGN}C")


@pytest.mark.parametrize(
    ("hello", "head", "caution"),
    [
        (
            {"cal": "uncalibrated; slot a: record of another board (e6aa)"},
            "uncalibrated; slot a: record of another board",
            "The board reports a calibration file it does not use: slot a: record of another board (e6aa).",
        ),
        (
            _calibrated(state="overdue", words="calibration overdue since 2026-02-01, made 2025-02-01"),
            "calibration overdue since 2026-02-01",
            "The calibration was overdue when the run began",
        ),
        (
            _calibrated(words="calibrated 2026-01-10, due 2027-01-10; slot b: damaged"),
            "calibrated 2026-01-10, due 2027-01-10; slot b: damaged",
            "The board reports a calibration file it does not use: slot b: damaged.",
        ),
    ],
)
def test_what_is_wrong_with_a_calibration_is_on_every_page(
    tmp_path: Path, hello: dict[str, Any], head: str, caution: str
) -> None:
    pdf = write_record(write_run(tmp_path / "run", hello=hello))
    for text in pages(pdf):
        assert head in text
    assert dense(caution) in dense(whole(pdf))
