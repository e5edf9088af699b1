"""The jobs page in Chromium: from an empty store to a record on an invoice, by two people and by the keyboard alone.

Runs, customers and invoices are invented. What leaves the page is read by others than wrote it: the store's
own methods in this process, Pillow for pictures, pikepdf for invoices, zipfile for bundles.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import fake_run
import pikepdf
import pytest
from browser_bench import Served, serious_findings
from made_runs import write_run
from PIL import Image
from playwright.sync_api import expect

from benchwarden.core.job import EarlierRepair, FittedPart, Job, SetFacts
from benchwarden.dashboard.plan_form import EXAMPLE
from benchwarden.jobs.run_facts import run_facts
from benchwarden.jobs.store import JobStore, open_store
from benchwarden.record.unit_store import UnitStore

_SERVE = """
import sys
from pathlib import Path
from benchwarden.dashboard.app import serve
from benchwarden.dashboard.context import Folders
root, port = Path(sys.argv[1]), int(sys.argv[2])
places = Folders(root / "runs", root / "records", root / "units", str(root / "jobs"))
serve(None, port=port, ready=lambda url: print(url, flush=True), folders=places)
"""
SET = SetFacts("Brackwater", "Integrated 60", "BW60-01873")
FIRST, SECOND = "20260115T090000Z-first", "20261120T080000Z-second"


class JobsServed(Served):
    """The dashboard with a job store of its own, in a folder of its own."""

    def __init__(self, root: Path) -> None:
        self.root = root
        (root / "runs").mkdir(parents=True)
        super().__init__(None, root)

    def start(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", _SERVE, str(self.root), str(self.port)],
            # Keys are looked for where the dashboard was started: nobody's own are here.
            cwd=self.root,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._process.stdout is not None
        self.url = self._process.stdout.readline().strip()
        self.port = int(self.url.rstrip("/").rsplit(":", 1)[1])

    def store(self) -> JobStore:
        return open_store(self.root / "jobs")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[JobsServed]:
    found = JobsServed(tmp_path_factory.mktemp("jobs"))
    yield found
    found.kill()


@pytest.fixture
def jobs(page: Any, site: JobsServed) -> Iterator[Any]:
    """A page with no complaint of the browser, and no request elsewhere, until the test ends."""
    complaints: list[str] = []
    _watch(page, site, complaints)
    yield page
    assert complaints == []


def _watch(page: Any, site: JobsServed, complaints: list[str]) -> None:
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.on(
        "request",
        lambda sent: complaints.append(sent.url) if not sent.url.startswith((site.url, "data:", "blob:")) else None,
    )


def _kept(site: JobsServed, number: str) -> Job:
    with site.store() as store:
        return store.open(number)


def _make(site: JobsServed, job: Job) -> Job:
    with site.store() as store:
        return store.create(job, "bench 2")


def _show(page: Any, site: JobsServed, number: str) -> None:
    page.goto(f"{site.url}jobs/?job={number}")
    expect(page.locator("#job-head")).to_have_text(f"Job {number}")
    # Its own script has been at the fields.
    page.wait_for_selector("#photo-file")


def _measured_run(runs: Path, name: str, bias_mv: float) -> tuple[Path, str]:
    """Return a run with figures in its verdict, and the verdict as the journal has it."""
    run_dir = write_run(runs / name, seconds=240)
    path = run_dir / "verdict.json"
    text = path.read_text(encoding="utf-8")
    found = json.loads(text)
    side = {"bias_end_mv": bias_mv, "sink_end_c": 42.0, "offset_worst_v": 0.012}
    found["metrics"] = {"sentence": "Bias stayed within its limits.", "duration_s": 240.0, "left": side,
                        "right": {**side, "bias_end_mv": 11.0}}  # fmt: skip
    path.write_text(json.dumps(found), encoding="utf-8")
    return run_dir, text


def test_from_an_empty_store_to_a_saved_job_by_the_keyboard_alone(jobs: Any, site: JobsServed) -> None:
    jobs.goto(site.url + "jobs/")
    expect(jobs.locator("#jobs-notice")).to_contain_text("There is no job store yet")
    expect(jobs.locator("#jobs-rows")).to_contain_text("Open the first one")
    expect(jobs.get_by_label("Number", exact=True)).to_have_value("1")
    assert serious_findings(jobs) == []
    assert not (site.root / "jobs").exists()
    jobs.get_by_label("Number", exact=True).focus()
    jobs.keyboard.press("Control+A")
    jobs.keyboard.type("2041")
    jobs.keyboard.press("Tab")
    jobs.keyboard.type("M. Lindqvist")
    jobs.keyboard.press("Enter")
    # The keyboard is where the new job begins.
    expect(jobs.locator("#job-head")).to_be_focused()
    for _ in range(5):
        jobs.keyboard.press("Tab")
    expect(jobs.get_by_label("Customer")).to_be_focused()
    for text in ("", SET.maker, SET.model, SET.serial, "I. Sørensen"):
        jobs.keyboard.type(text)
        jobs.keyboard.press("Tab")
    jobs.keyboard.press("ArrowDown")
    for text in ("85,50", "R-7", "Hum.\nWorse when warm.", "Both output pairs."):
        jobs.keyboard.press("Tab")
        jobs.keyboard.type(text)
    jobs.keyboard.press("Tab")
    jobs.keyboard.press("Enter")
    expect(jobs.get_by_label("What can be seen of it")).to_be_focused()
    jobs.keyboard.type("odd emitter resistors")
    for text in ("", "unknown", "2019"):
        jobs.keyboard.type(text)
        jobs.keyboard.press("Tab")
    for _ in range(2):
        jobs.keyboard.press("Tab")
    jobs.keyboard.press("Enter")
    expect(jobs.get_by_label("Position")).to_be_focused()
    jobs.keyboard.type("Q11")
    jobs.keyboard.press("Tab")
    jobs.keyboard.type("l")
    jobs.keyboard.press("Tab")
    jobs.keyboard.press("Tab")
    jobs.keyboard.type("2SC5200-O")
    expect(jobs.locator("#job-unsaved")).to_be_visible()
    jobs.keyboard.press("Control+s")
    expect(jobs.locator("#job-said")).to_have_text("✓ Saved as version 2.")
    expect(jobs.locator("#job-unsaved")).to_be_hidden()
    kept = _kept(site, "2041")
    assert kept.amplifier == SET
    assert (kept.customer, kept.technician, kept.state) == ("M. Lindqvist", "I. Sørensen", "under test")
    assert (kept.charge, kept.invoice) == ("85.50", "R-7")
    assert (kept.complaint, kept.work) == ("Hum.\nWorse when warm.", "Both output pairs.")
    assert kept.earlier_repairs == (EarlierRepair("odd emitter resistors", "unknown", "2019"),)
    assert kept.parts_fitted == (FittedPart("Q11", "2SC5200-O", "other", "left"),)


def test_search_as_it_is_typed_by_state_and_page_by_page(jobs: Any, site: JobsServed) -> None:
    for number in range(100, 128):
        _make(site, Job(str(number), "K. Ferrau", SetFacts("Tarn", "Power 4", f"T{number}"), state="done"))
    jobs.goto(site.url + "jobs/")
    expect(jobs.locator("#jobs-said")).to_contain_text("1 to 25 shown")
    jobs.click("#jobs-next")
    expect(jobs.locator("#jobs-said")).to_contain_text("26 to")
    jobs.get_by_label("Search").press_sequentially("tarn t107")
    expect(jobs.locator("#jobs-said")).to_have_text("1 job, the last changed first.")
    row = jobs.locator("#jobs-rows tbody tr")
    expect(row).to_contain_text("K. Ferrau")
    jobs.get_by_label("State").select_option("open")
    expect(jobs.locator("#jobs-rows")).to_contain_text("No job for “tarn t107” and state “open”")
    assert serious_findings(jobs) == []
    jobs.get_by_label("State").select_option("done")
    row.get_by_role("link").click()
    expect(jobs.locator("#job-head")).to_have_text("Job 107")
    assert jobs.url.endswith("/jobs/?job=107")
    expect(jobs.get_by_label("State", exact=True)).to_have_value("done")
    for page in ("parts", "checks", "plan"):
        expect(jobs.locator(f"a[href='/{page}/?job=107']")).to_be_visible()


def test_two_tabs_and_nothing_of_either_is_lost(jobs: Any, site: JobsServed, context: Any) -> None:
    _make(site, Job("300", "O. Brandt", SET, complaint="Hum.", parts_fitted=(FittedPart("Q1", "2SC5200"),)))
    complaints: list[str] = []
    other = context.new_page()
    _watch(other, site, complaints)
    try:
        _show(jobs, site, "300")
        _show(other, site, "300")
        other.get_by_label("Your name").fill("A. Ruiz")
        other.get_by_label("Complaint").fill("Hum and a smell.")
        other.get_by_label("Invoice number").fill("R-9")
        other.get_by_label("New note").fill("smells of the transformer")
        other.click("#note-add")
        expect(other.locator("#note-said")).to_contain_text("✓")
        # A note bumps the version; that alone is nothing to decide.
        other.click("#job-save")
        expect(other.locator("#job-said")).to_have_text("✓ Saved as version 3.")
        # A page behind another is slowed down by the browser.
        jobs.bring_to_front()
        jobs.get_by_label("Complaint").fill("Hum, left only.")
        jobs.get_by_label("Technician").fill("I. Sørensen")
        jobs.get_by_label("Marking").fill("2SC5200-O")
        jobs.click("#job-save")
        expect(jobs.locator("#job-said")).to_contain_text("somebody saved this job meanwhile")
        panel = jobs.locator(".jobs-clash")
        expect(jobs.locator("#clash-head")).to_be_focused()
        expect(panel).to_contain_text("was saved by A. Ruiz")
        field = panel.get_by_role("group", name="Complaint")
        expect(field).to_contain_text("Both changed it.")
        expect(field).to_contain_text("Hum, left only.")
        expect(field).to_contain_text("Hum and a smell.")
        # What one side alone changed is chosen already.
        for name, taken in (("Technician", "Take yours"), ("Invoice number", "Take theirs")):
            pressed = panel.get_by_role("group", name=name).locator("[aria-pressed=true]")
            expect(pressed).to_have_text(f"✓ {taken}")
        expect(panel.get_by_role("group", name="Parts fitted")).to_contain_text("marking: 2SC5200-O")
        expect(panel.get_by_text("Save what was chosen")).to_be_disabled()
        assert serious_findings(jobs) == []
        assert _kept(site, "300").version == 3
        # Somebody is quicker once more; and this person types on meanwhile.
        other.bring_to_front()
        other.get_by_label("Complaint").fill("Hum and smoke.")
        other.click("#job-save")
        expect(other.locator("#job-said")).to_have_text("✓ Saved as version 4.")
        jobs.bring_to_front()
        jobs.get_by_label("Serial number").fill("BW60-1")
        field.get_by_role("button").first.click()
        expect(panel).to_contain_text("Everything is chosen.")
        panel.get_by_text("Save what was chosen").click()
        expect(panel).to_contain_text("Hum and smoke.")
        expect(panel).to_contain_text("Still to be chosen: Complaint.")
        panel.get_by_role("group", name="Complaint").get_by_role("button").nth(1).click()
        panel.get_by_text("Save what was chosen").click()
        expect(jobs.locator("#job-said")).to_have_text("✓ Saved as version 5.")
        expect(panel).to_have_count(0)
        expect(jobs.get_by_label("Complaint")).to_have_value("Hum and smoke.")
        expect(jobs.get_by_label("Invoice number")).to_have_value("R-9")
        expect(jobs.locator("#job-unsaved")).to_be_hidden()
        kept = _kept(site, "300")
        assert (kept.complaint, kept.technician, kept.invoice) == ("Hum and smoke.", "I. Sørensen", "R-9")
        assert (kept.amplifier.serial, kept.parts_fitted[0].marking) == ("BW60-1", "2SC5200-O")
        assert kept.notes[0].text == "smells of the transformer"
        jobs.locator("#job-history summary").click()
        expect(jobs.locator("#job-history li").first).to_contain_text("Version 5")
        expect(jobs.locator("#job-history li").nth(1)).to_contain_text("A. Ruiz: complaint changed")
    finally:
        other.close()
    assert complaints == []


def _picture(kind: str, size: tuple[int, int] = (640, 400)) -> bytes:
    out = io.BytesIO()
    image = Image.new("RGB", size, (120, 60, 30))
    if kind == "JPEG":
        exif = image.getexif()
        exif[0x010E] = "taken at somebody's home"
        image.save(out, kind, exif=exif)
    else:
        image.save(out, kind)
    return out.getvalue()


def test_notes_and_photos(jobs: Any, site: JobsServed) -> None:
    _make(site, Job("400", "O. Brandt"))
    _show(jobs, site, "400")
    jobs.click("#note-add")
    expect(jobs.locator("#note-said")).to_contain_text("✕ Not added")
    jobs.get_by_label("New note").fill("line one\nline two")
    jobs.click("#note-add")
    expect(jobs.locator("#note-said")).to_have_text("✓ Note 1 is kept.")
    expect(jobs.locator("#job-notes .jobs-lines")).to_have_text("line one\nline two", use_inner_text=True)
    expect(jobs.get_by_label("New note")).to_have_value("")

    jobs.click("#photo-add")
    expect(jobs.locator("#photo-said")).to_have_text("✕ Choose a file first.")
    field = jobs.get_by_label("Picture")
    field.set_input_files({"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": b"<script>no picture</script>"})
    jobs.click("#photo-add")
    expect(jobs.locator("#photo-said")).to_contain_text("is no picture of these kinds; allowed: a JPEG or PNG")
    field.set_input_files({"name": "board.jpg", "mimeType": "image/jpeg", "buffer": _picture("JPEG")})
    jobs.get_by_label("Caption").fill("burnt resistor")
    jobs.click("#photo-add")
    expect(jobs.locator("#photo-said")).to_contain_text("✓ board.jpg is kept, 640 × 400")
    image = jobs.get_by_alt_text("burnt resistor")
    expect(image).to_be_visible()
    expect(image).to_have_js_property("naturalWidth", 320)
    (photo,) = _kept(site, "400").photos
    whole = jobs.request.get(f"{site.url}jobs/photo/{photo.sha256}")
    found = Image.open(io.BytesIO(whole.body()))
    assert (whole.headers["content-type"], found.size, dict(found.getexif())) == ("image/jpeg", (640, 400), {})
    for wrong in ("0" * 64, "..%2f..%2fetc%2fpasswd", photo.sha256[:-1]):
        assert jobs.request.get(f"{site.url}jobs/photo/{wrong}").status == 404
    assert serious_findings(jobs) == []


def test_leaving_with_unsaved_changes_asks(jobs: Any, site: JobsServed) -> None:
    _make(site, Job("410", "O. Brandt"))
    _show(jobs, site, "410")
    asked: list[str] = []
    jobs.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.dismiss()))
    jobs.get_by_label("Customer").press("End")
    jobs.keyboard.type("x")
    expect(jobs.locator("#job-unsaved")).to_be_visible()
    jobs.get_by_text("All jobs").click()
    jobs.wait_for_timeout(200)
    assert asked == ["beforeunload"]
    assert jobs.get_by_label("Customer").input_value() == "O. Brandtx"
    jobs.get_by_label("Customer").fill("O. Brandt")
    expect(jobs.locator("#job-unsaved")).to_be_hidden()
    # A note that was typed and not added would be lost as well.
    jobs.get_by_label("New note").fill("half a")
    jobs.get_by_text("All jobs").click()
    jobs.wait_for_timeout(200)
    assert asked == ["beforeunload"] * 2
    jobs.get_by_label("New note").fill("")
    jobs.get_by_text("All jobs").click()
    expect(jobs.locator("#jobs-rows")).to_contain_text("O. Brandt")


def test_hostile_and_huge_text_is_text_and_a_wrong_value_is_said(jobs: Any, site: JobsServed) -> None:
    hostile = fake_run.HOSTILE
    _make(site, Job("=cmd|' /C calc'!A0", hostile, SetFacts(hostile, hostile, hostile)))
    jobs.goto(site.url + "jobs/")
    jobs.get_by_label("Search").fill("calc")
    row = jobs.locator("#jobs-rows tbody tr")
    expect(row).to_have_count(1)
    expect(row).to_contain_text("<script>window.hit=1</script>")
    row.get_by_role("link").click()
    expect(jobs.locator("#job-glance")).to_contain_text('<img src=x onerror="window.hit=1">')
    jobs.wait_for_selector("#photo-file")
    # A field for one line takes none of the marks that a line does not print.
    jobs.get_by_label("Complaint").fill(f"{hostile}\n" * 100)
    jobs.get_by_label("New note").fill(hostile)
    jobs.click("#note-add")
    expect(jobs.locator("#job-notes")).to_contain_text("<script>window.hit=1</script>")
    jobs.click("#job-save")
    expect(jobs.locator("#job-said")).to_contain_text("✓ Saved")
    jobs.get_by_label("Complaint").fill("x" * 20_001)
    jobs.click("#job-save")
    expect(jobs.locator("#job-said")).to_contain_text("complaint has 20001 characters; allowed: 20000 at most")
    assert jobs.get_by_label("Complaint").input_value() == "x" * 20_001
    jobs.get_by_label("Complaint").fill("")
    jobs.get_by_label("Charge").fill("a lot")
    jobs.click("#job-save")
    expect(jobs.locator("#job-said")).to_contain_text("charge “a lot” is no amount; allowed: empty, or 0 to")
    jobs.get_by_label("Charge").fill("")
    jobs.get_by_label("Customer").fill("y" * 200)
    jobs.click("#job-save")
    expect(jobs.locator("#job-said")).to_contain_text("✓ Saved")
    jobs.set_viewport_size({"width": 390, "height": 844})
    assert jobs.evaluate("document.documentElement.scrollWidth") <= 390
    jobs.set_viewport_size({"width": 1366, "height": 768})
    assert jobs.evaluate("window.hit") is None
    jobs.goto(f"{site.url}jobs/?job={'<script>'}")
    expect(jobs.locator("#jobs-away")).to_contain_text("Job '<script>' is not in this store.")


def test_a_run_its_papers_a_check_the_invoice_and_what_moved(jobs: Any, site: JobsServed) -> None:
    runs = site.root / "runs"
    before, _ = _measured_run(runs, FIRST, 11.0)
    now, as_judged = _measured_run(runs, SECOND, 12.9)
    UnitStore(site.units).save("brackwater", EXAMPLE, {}, "")
    serial = replace(SET, serial="BW60-09")
    _make(site, Job("500", "M. Lindqvist", serial, parts_fitted=(FittedPart("Q11", "2SC3281", "output", "left"),)))
    with site.store() as store:
        store.add_run("500", run_facts(before), "bench 2")
    fitted = FittedPart("Q11", "2SC5200", "output", "left", "2SC3281")
    _make(site, Job("501", "M. Lindqvist", serial, work="Both output pairs.", parts_fitted=(fitted,)))
    _show(jobs, site, "501")
    expect(jobs.locator("#job-invoice-run")).to_contain_text("First make the papers of a run")

    jobs.click("#unit-copy")
    expect(jobs.locator("#unit-said")).to_contain_text("✓ The facts of set brackwater")
    expect(jobs.locator("#job-unit")).to_contain_text("42")
    assert _kept(site, "501").unit["rail_nominal_v"] == EXAMPLE.rail_nominal_v

    choice = jobs.get_by_label("Attach a run of the runs folder")
    choice.select_option(SECOND)
    jobs.click("#run-attach")
    expect(jobs.locator("#run-said")).to_contain_text("2400 samples are kept.")
    expect(jobs.locator("#job-runs")).to_contain_text("✓ passed: burn-in of 2026-11-20 08:00 UTC, 4 min 00 s")
    expect(choice.locator(f"option[value='{SECOND}']")).to_have_count(0)

    back = jobs.locator("#job-earlier")
    expect(back.get_by_role("link", name="Job 500")).to_be_visible()
    expect(back).to_contain_text("11.00 then, 12.90 mV now")
    moved = back.locator("tr", has_text="Bias drop at the end, left")
    expect(moved.locator("td").last).to_have_text("▲ +1.90 MOVED")
    expect(back.locator("tr", has_text="Bias drop at the end, right").locator("td").last).to_contain_text(
        "○ +0.00, within"
    )
    part = back.locator("tr", has_text="Q11")
    for words in ("2SC3281", "2SC5200", "≠ CHANGED"):
        expect(part).to_contain_text(words)

    # Its figures were for the comparison alone: what is sealed has to say what the journal says.
    (now / "verdict.json").write_text(as_judged, encoding="utf-8")
    jobs.get_by_role("button", name=f"Verify {SECOND}").click()
    expect(jobs.locator(".jobs-verified")).to_contain_text("Cannot be judged in whole", timeout=30_000)
    jobs.get_by_role("button", name=f"Make the papers of {SECOND}").click()
    expect(jobs.locator("#job-runs")).to_contain_text("being made …")
    expect(jobs.locator("#job-runs")).to_contain_text("✓ The papers are made.", timeout=60_000)
    (run,) = _kept(site, "501").runs
    assert len(run.head) == 64
    expect(jobs.locator("#job-runs")).to_contain_text(run.head)
    record = jobs.request.get(f"{site.url}jobs/paper/{SECOND}/record.pdf")
    assert record.headers["content-type"] == "application/pdf"
    with pikepdf.open(io.BytesIO(record.body())) as pdf:
        assert len(pdf.pages) > 1
    for wrong in (f"{SECOND}/journal.sqlite", f"{SECOND}/..%2f..%2fjobs%2fjobs.sqlite", "..%2f..%2fx/record.pdf",
                  f"{SECOND}/no.pdf"):  # fmt: skip
        assert jobs.request.get(f"{site.url}jobs/paper/{wrong}").status == 404
    jobs.get_by_role("button", name=f"Verify {SECOND}").click()
    expect(jobs.locator(".jobs-verified").first).to_contain_text(f"✓ As it was sealed: {SECOND}", timeout=30_000)
    expect(jobs.locator(".jobs-verified")).to_have_count(3)
    assert serious_findings(jobs) == []

    invoice = _invoice()
    field = jobs.get_by_label("Invoice (PDF)")
    field.set_input_files({"name": "R-7.pdf", "mimeType": "application/pdf", "buffer": _locked(invoice)})
    jobs.click("#invoice-add")
    made = jobs.locator("#invoice-made")
    expect(made).to_contain_text("Refused; the invoice is as it was", timeout=30_000)
    expect(made).to_contain_text("the PDF is locked with a password")
    jobs.click("#bundle-make")
    expect(made.get_by_role("link", name=f"{SECOND}.zip")).to_be_visible(timeout=30_000)
    with jobs.expect_download() as came:
        made.get_by_role("link").click()
    with zipfile.ZipFile(came.value.path()) as bundle:
        assert {"record.pdf", "bias-log.pdf"} <= set(bundle.namelist())
    field.set_input_files({"name": "R-7.pdf", "mimeType": "application/pdf", "buffer": invoice})
    jobs.click("#invoice-add")
    expect(made.get_by_role("link", name="R-7-with-record.pdf")).to_be_visible(timeout=30_000)
    with jobs.expect_download() as came:
        made.get_by_role("link").click()
    result = Path(came.value.path()).read_bytes()
    # What the invoice was stays in front, byte for byte.
    assert result.startswith(invoice)
    with pikepdf.open(io.BytesIO(result)) as pdf:
        assert {"record.pdf", "bias-log.pdf"} <= set(pdf.attachments)
        assert pdf.attachments["record.pdf"].get_file().read_bytes() == record.body()


def _invoice() -> bytes:
    out = io.BytesIO()
    with pikepdf.new() as pdf:
        pdf.add_blank_page(page_size=(595, 842))
        pdf.save(out)
    return out.getvalue()


def _locked(invoice: bytes) -> bytes:
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(invoice)) as pdf:
        pdf.save(out, encryption=pikepdf.Encryption(owner="o", user="u"))
    return out.getvalue()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_is_hard_to_read_or_to_reach(jobs: Any, site: JobsServed, scheme: str) -> None:
    jobs.emulate_media(color_scheme=scheme)
    number = f"508-{scheme}"
    _make(site, Job(number, "M. Lindqvist"))
    try:
        for address, ready in (("jobs/", "#jobs-rows table"), (f"jobs/?job={number}", "#photo-file")):
            jobs.goto(site.url + address)
            jobs.wait_for_selector(ready)
            for width in (1366, 390):
                jobs.set_viewport_size({"width": width, "height": 844})
                assert jobs.evaluate("document.documentElement.scrollWidth") <= width
                assert serious_findings(jobs) == []
                # WCAG 2.2, 2.5.5 target size (enhanced): 44 px.
                small = jobs.evaluate(
                    "Array.from(document.querySelectorAll('#place :is(button, input, select, textarea, summary)'))"
                    ".filter(e => e.offsetParent && e.getBoundingClientRect().height < 44).map(e => e.outerHTML)"
                )
                assert small == []
    finally:
        jobs.set_viewport_size({"width": 1366, "height": 768})


def test_a_store_that_is_moved_or_damaged_is_said(page: Any, tmp_path: Path) -> None:
    site, complaints = JobsServed(tmp_path / "own"), []
    _watch(page, site, complaints)
    place, folder = site.root / "elsewhere", site.root / "jobs"
    try:
        _make(site, Job("600", "O. Brandt"))
        _show(page, site, "600")
        page.get_by_label("Customer").fill("O. Brandt and son")
        folder.rename(place)
        page.click("#job-save")
        expect(page.locator("#job-said")).to_contain_text("✕ Not saved: Job store")
        expect(page.locator("#job-said")).to_contain_text("What you typed stays here.")
        assert page.get_by_label("Customer").input_value() == "O. Brandt and son"
        place.rename(folder)
        page.click("#job-save")
        expect(page.locator("#job-said")).to_have_text("✓ Saved as version 2.")
        (folder / "jobs.sqlite").write_bytes(b"no database at all, and longer than a header " * 40)
        page.reload()
        expect(page.locator("#jobs-away")).to_contain_text("The job store cannot be read")
        assert serious_findings(page) == []
    finally:
        page.close()
        site.kill()
    assert complaints == []
