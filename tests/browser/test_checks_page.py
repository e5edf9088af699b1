"""The checks page in Chromium: a sheet filled in until power may go on, a reason given, two writers, hostile text."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from browser_bench import Served, serious_findings
from playwright.sync_api import expect

from benchwarden.core.cold_checks import gate
from benchwarden.core.job import CheckResult, Job, SetFacts
from benchwarden.core.job_form import job_from
from benchwarden.core.unit import load_toml, unit_from_table
from benchwarden.jobs.store import JobStore, open_store

HOSTILE = '<img src=x onerror="window.hit=1">\N{RIGHT-TO-LEFT OVERRIDE}gnihton ' + "x" * 3000
# What a sound set reads, check by check; the last of a pair is its marking.
READINGS = {
    "discharged": ("0.4",), "mains insulation": ("48M",), "emitter resistors": ("0R223", "0R22"),
    "output network capacitor": ("99.2n", "100n"), "reservoir capacitors": ("9300", "10m"),
}  # fmt: skip
TO_DO = (*READINGS, "mains fuse")


def demo_unit() -> dict[str, Any]:
    with resources.as_file(resources.files("benchwarden.virtual") / "demo_unit.toml") as path:
        return load_toml(path)


def done_before() -> tuple[CheckResult, ...]:
    """What the invented job has of the sheet, but for the checks that are left to do."""
    with resources.as_file(resources.files("benchwarden.virtual") / "demo_job.toml") as path:
        job = job_from(load_toml(path), "demo_job.toml")
    return tuple(one for one in job.cold_checks if one.check not in TO_DO)


class Site:
    """The dashboard and the job store that it finds where it was started."""

    def __init__(self, root: Path) -> None:
        (root / "runs").mkdir()
        self.store_path = root / "benchwarden-jobs"
        with contextlib.chdir(root):
            self.served = Served(None, root)
        self.url = self.served.url
        self.count = 0

    def store(self) -> JobStore:
        return open_store(self.store_path)

    def make(self, **known: Any) -> str:
        """Keep a new job and return its number."""
        self.count += 1
        number = f"30{self.count:02d}"
        with self.store() as store:
            store.create(Job(number, amplifier=SetFacts("Brackwater", "Integrated 60"), unit=demo_unit(), **known))
        return number

    def job(self, number: str) -> Job:
        with self.store() as store:
            return store.open(number)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    found = Site(tmp_path_factory.mktemp("checks"))
    yield found
    found.served.kill()


@pytest.fixture
def checks(page: Any, site: Site) -> Iterator[Any]:
    """A page with no complaint of the browser and no request elsewhere until the test ends."""
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.on("dialog", lambda dialog: dialog.accept())
    page.on(
        "request",
        lambda sent: complaints.append(sent.url) if not sent.url.startswith((site.url, "data:", "blob:")) else None,
    )
    yield page
    assert complaints == []


def show(page: Any, site: Site, number: str) -> None:
    page.goto(f"{site.url}checks/?job={number}")
    expect(page.locator("#job-said")).to_contain_text(f"Job {number}")
    expect(page.locator("#save-stands")).not_to_be_empty()
    page.wait_for_selector(".is-number input[aria-describedby]")


def lines(page: Any, check: str) -> Any:
    return page.locator(f'[data-check="{check}"] .checks-line')


def box(line: Any, label: str) -> Any:
    return line.get_by_label(label, exact=False).first


def fill(page: Any, check: str) -> None:
    """Fill in every row of a check as a sound set reads."""
    for number in range(lines(page, check).count()):
        line = lines(page, check).nth(number)
        reading = READINGS.get(check)
        if reading is None:
            line.get_by_text("Passed", exact=True).first.click()
            continue
        if len(reading) > 1:
            line.get_by_label("Marked").fill(reading[1])
        # Left by going on to the next.
        line.get_by_label("Measured").fill(reading[0])


def test_without_a_job_the_store_is_looked_through(checks: Any, site: Site) -> None:
    checks.goto(site.url + "checks/")
    expect(checks.locator("#job-found")).to_contain_text("Jobs are made on the jobs page")
    assert serious_findings(checks) == []
    number = site.make(customer="M. Lindqvist")
    checks.reload()
    expect(checks.locator("#job-said")).to_have_text("No job is chosen.")
    expect(checks.locator("#checks-place")).to_be_hidden()
    checks.get_by_label("Choose a job").fill("lindq")
    checks.get_by_role("link", name=number).click()
    expect(checks.locator("#job-said")).to_contain_text(f"Job {number}, Brackwater Integrated 60, M. Lindqvist")
    checks.goto(f"{site.url}checks/?job=nobody")
    expect(checks.locator("#job-said")).to_contain_text("'nobody' is not in this store")


def test_a_sheet_filled_in_until_power_may_go_on(checks: Any, site: Site) -> None:
    number = site.make(cold_checks=done_before())
    show(checks, site, number)
    stands = checks.locator("#save-stands")
    expect(stands).to_contain_text("✕ Power must not go on: Reservoirs discharged: not done (and ")
    for check in TO_DO:
        fill(checks, check)
    checks.locator("#save").focus()
    expect(stands).to_have_text("○ Power may go on, in stages.")
    expect(checks.locator("#unsaved")).to_be_visible()
    # A capacitor that dried out shuts the gate, whatever is ticked.
    caps = lines(checks, "reservoir capacitors")
    caps.get_by_text("Passed", exact=True).click()
    caps.get_by_label("Measured").fill("4700")
    caps.get_by_label("Measured").press("Enter")
    expect(caps.locator(".checks-verdict")).to_contain_text("✕ Failed: measured 4700 uF, marked 10000 uF, 47 % of it")
    expect(stands).to_contain_text("Power must not go on: Reservoir capacitors: failed")
    # A reason of a word is none; one that says why opens it.
    reason = caps.get_by_label("Power up all the same")
    reason.fill("no")
    reason.press("Tab")
    expect(stands).to_contain_text("must not")
    reason.fill("replacements are on their way, idle test only")
    reason.press("Tab")
    expect(stands).to_have_text("○ Power may go on, in stages.")
    expect(checks.locator("#gate")).to_contain_text("because: replacements are on their way, idle test only")
    assert serious_findings(checks) == []
    checks.get_by_role("button", name="Save the checks").click()
    expect(checks.locator("#save-said")).to_have_text("Saved as version 2.")
    expect(checks.locator("#unsaved")).to_be_hidden()
    kept = site.job(number)
    found = gate(kept.cold_checks, unit_from_table(kept.unit, "unit"))
    assert found.is_open
    assert [one.check for one in kept.cold_checks if one.state == "failed"] == []  # ticked passed, judged failed
    assert [one.check.key for one in found.judged if one.is_excused] == ["reservoir capacitors"]
    # Opened again, it stands as it was.
    show(checks, site, number)
    expect(stands).to_have_text("○ Power may go on, in stages.")
    expect(lines(checks, "emitter resistors").first.get_by_label("Measured")).to_have_value("0.223")
    checks.get_by_role("button", name="Save the checks").click()
    expect(checks.locator("#save-said")).to_have_text("Nothing was changed since it was saved.")


def test_by_the_keyboard_alone(checks: Any, site: Site) -> None:
    number = site.make()
    show(checks, site, number)
    line = lines(checks, "discharged").first
    line.get_by_label("Part or place").focus()
    checks.keyboard.type("C701")
    checks.keyboard.press("Tab")
    checks.keyboard.press("ArrowRight")
    expect(line.get_by_role("radio", name="Passed")).to_be_checked()
    checks.keyboard.press("Tab")
    checks.keyboard.type("0.4")
    checks.keyboard.press("Tab")
    expect(line.locator(".checks-verdict")).to_have_text("✓ Passed: measured 0.4 V")
    checks.keyboard.type("both rails")
    checks.keyboard.press("Tab")
    expect(checks.get_by_role("button", name="Add a row to Reservoirs discharged")).to_be_focused()
    checks.keyboard.press("Enter")
    second = lines(checks, "discharged").nth(1)
    expect(second).to_be_visible()
    checks.keyboard.press("Shift+Tab")
    checks.keyboard.press("Shift+Tab")
    checks.keyboard.type("60")
    checks.keyboard.press("Tab")
    expect(second.locator(".checks-verdict")).to_contain_text("✕ Failed: measured 60 V; allowed: -2 to 2 V")
    checks.get_by_role("button", name="Save the checks").focus()
    checks.keyboard.press("Enter")
    expect(checks.locator("#save-said")).to_have_text("Saved as version 2.")
    assert [(one.position, one.measured, one.note) for one in site.job(number).cold_checks] == [
        ("C701", 0.4, "both rails"), ("", 60.0, ""),
    ]  # fmt: skip


def test_what_cannot_be_read_is_said_and_stays(checks: Any, site: Site) -> None:
    number = site.make()
    show(checks, site, number)
    field = lines(checks, "emitter resistors").first.get_by_label("Measured")
    field.fill("o,22")
    field.press("Tab")
    verdict = lines(checks, "emitter resistors").first.locator(".checks-verdict")
    expect(verdict).to_have_text(
        "✕ Cannot be read: “o,22” is not a number. Allowed: ohms as 0.22, 0R22, 4k7, 2M2 or 1.5M."
    )
    expect(field).to_have_attribute("aria-invalid", "true")
    assert field.get_attribute("aria-describedby") == verdict.get_attribute("id")
    checks.get_by_role("button", name="Save the checks").click()
    expect(checks.locator("#save-said")).to_contain_text("Not saved: one row cannot be read")
    expect(field).to_have_value("o,22")
    assert site.job(number).version == 1


def test_two_writers_lose_nothing(checks: Any, site: Site) -> None:
    number = site.make()
    show(checks, site, number)
    fill(checks, "discharged")
    with site.store() as store:
        store.save(replace(store.open(number), complaint="hums"), by="bench 2")
    checks.get_by_role("button", name="Save the checks").click()
    said = checks.locator("#save-said")
    expect(said).to_contain_text("saved by bench 2")
    expect(said).to_contain_text("Changed by them: complaint.")
    assert serious_findings(checks) == []
    assert site.job(number).cold_checks == ()
    expect(lines(checks, "discharged").get_by_label("Measured")).to_have_value("0.4")
    checks.get_by_role("button", name="Keep the checks as typed here").click()
    expect(said).to_have_text("Saved as version 3.")
    kept = site.job(number)
    assert (kept.complaint, kept.cold_checks[0].measured) == ("hums", 0.4)


def test_a_store_that_is_away_is_said_and_nothing_typed_is_lost(checks: Any, site: Site) -> None:
    number = site.make()
    show(checks, site, number)
    fill(checks, "discharged")
    away = site.store_path.with_name("away")
    site.store_path.rename(away)
    try:
        checks.get_by_role("button", name="Save the checks").click()
        expect(checks.locator("#save-said")).to_contain_text("Not saved: job store")
        expect(checks.locator("#save-said")).to_contain_text("Everything typed is still here.")
        expect(lines(checks, "discharged").get_by_label("Measured")).to_have_value("0.4")
    finally:
        away.rename(site.store_path)
    checks.get_by_role("button", name="Save the checks").click()
    expect(checks.locator("#save-said")).to_have_text("Saved as version 2.")


def test_hostile_text_is_only_text(checks: Any, site: Site) -> None:
    number = site.make(customer=HOSTILE[:180])
    show(checks, site, number)
    line = lines(checks, "mains fuse")
    line.get_by_text("Failed", exact=True).click()
    line.get_by_label("Note").fill(HOSTILE)
    line.get_by_label("Power up all the same").fill(HOSTILE)
    checks.get_by_role("button", name="Save the checks").click()
    expect(checks.locator("#save-said")).to_have_text("Saved as version 2.")
    show(checks, site, number)
    expect(checks.locator("#gate")).to_contain_text("<img src=x onerror=")
    expect(line.get_by_label("Note")).to_have_value(HOSTILE)
    assert checks.evaluate("window.hit") is None
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in checks.locator("#gate").inner_text()
    for width in (1366, 390):
        checks.set_viewport_size({"width": width, "height": 800})
        assert checks.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_is_hard_to_read_or_to_reach(checks: Any, site: Site, scheme: str) -> None:
    show(checks, site, site.make())
    checks.emulate_media(color_scheme=scheme)
    fill(checks, "discharged")
    lines(checks, "mains fuse").get_by_text("Failed", exact=True).click()
    expect(lines(checks, "mains fuse").locator(".checks-verdict")).to_contain_text("Failed")
    assert serious_findings(checks) == []
    checks.set_viewport_size({"width": 390, "height": 844})
    assert checks.evaluate("document.documentElement.scrollWidth") <= 390
    # WCAG 2.2, 2.5.5 target size (enhanced): 44 px.
    for target in checks.locator("#place button:visible, #place input[type=text]:visible").all():
        assert target.bounding_box()["height"] >= 44


def test_it_prints_as_a_sheet(checks: Any, site: Site) -> None:
    show(checks, site, site.make())
    checks.emulate_media(media="print")
    for hidden in ("#open-form", "#places", "#parts-bar", "#job-search"):
        expect(checks.locator(hidden)).to_be_hidden()
    for shown in ("#checks-cautions", "#gate", "#check-emitter-resistors"):
        expect(checks.locator(shown)).to_be_visible()
    pages = checks.pdf(format="A4")
    assert pages.startswith(b"%PDF")
