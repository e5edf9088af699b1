"""The plan page in a real browser: form, sets, plan, changes, and a run that is really started."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import fake_run
import pytest
from browser_bench import Served, serious_findings
from playwright.sync_api import expect

from benchwarden.core.unit import Unit, load_unit
from benchwarden.dashboard.plan_form import EXAMPLE
from benchwarden.record.unit_store import UnitStore

# As a technician types it, in the order of the fields; None stays as it is.
TYPED = (
    "Brackwater Integrated 60", "BW60-01873", "M. Lindqvist, job 2041", "bench 2", "after new transistors", None,
    None, None, "42,0", "10000", None, None,
    "60", "8", None, None, "0,22", "11",
)  # fmt: skip


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    root = tmp_path_factory.mktemp("plan")
    (root / "runs").mkdir()
    found = Served(None, root)
    yield found
    found.kill()


@pytest.fixture
def units(site: Served) -> UnitStore:
    return UnitStore(site.units)


@pytest.fixture
def plan(page: Any, site: Served) -> Iterator[Any]:
    """The plan page, open, with no complaint of the browser and no request elsewhere until the test ends."""
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.on("dialog", lambda dialog: dialog.accept())
    page.on(
        "request",
        lambda sent: complaints.append(sent.url) if not sent.url.startswith((site.url, "data:", "blob:")) else None,
    )
    page.goto(site.url + "plan/")
    page.wait_for_selector("#plan-form")
    # Fields are tied to their words once all of the page's own scripts have run.
    page.wait_for_selector("#fact-load_ohm[aria-describedby]")
    yield page
    assert complaints == []


def _example(plan: Any) -> None:
    plan.click("#open-example")
    expect(plan.locator("#plan-said")).to_contain_text("Computed for Brackwater Integrated 60")


def _save_as(plan: Any, name: str) -> None:
    plan.fill("#new-name", name)
    plan.click("#save-as")
    expect(plan.locator("#set-said")).to_have_text(f"Saved as {name}.")


def _load(plan: Any, name: str) -> None:
    plan.locator("#sets label", has_text=re.compile(f"^{name}")).click()
    plan.click("#open")
    expect(plan.locator("#set-said")).to_have_text(f"Loaded {name}.")


def _command_says(*arguments: str | Path) -> str:
    words = [sys.executable, "-m", "benchwarden", "plan", *map(str, arguments)]
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout


def test_from_first_fact_to_saved_plan_by_keyboard_alone(plan: Any, units: UnitStore) -> None:
    expect(plan.locator("#sets-said")).to_contain_text("No set is kept yet")
    plan.locator("#fact-model").focus()
    for text in TYPED:
        if text is not None:
            plan.keyboard.type(text)
        plan.keyboard.press("Tab")
    # Heatsink and devices: one pair of radio buttons, then five that are estimated.
    for _ in range(6):
        plan.keyboard.press("Tab")
    plan.keyboard.type("100")
    for _ in range(5):
        plan.keyboard.press("Tab")
    assert plan.evaluate("document.activeElement.id") == "compute"
    plan.keyboard.press("Enter")
    expect(plan.locator("#plan-said")).to_contain_text("Computed for Brackwater Integrated 60")
    plan.locator("#new-name").focus()
    plan.keyboard.type("by-keyboard")
    for _ in range(2):
        plan.keyboard.press("Tab")
    plan.keyboard.press("Enter")
    expect(plan.locator("#set-said")).to_have_text("Saved as by-keyboard.")
    wanted = Unit(
        60.0, 8.0, 42.0, 0.22, 11.0, 100.0, run="after new transistors", customer="M. Lindqvist, job 2041",
        model="Brackwater Integrated 60", serial="BW60-01873", technician="bench 2", reservoir_uf=10000.0,
    )  # fmt: skip
    assert units.open("by-keyboard").unit == wanted


def test_the_plan_shown_is_the_one_the_command_prints(plan: Any, site: Served) -> None:
    _example(plan)
    _save_as(plan, "same")
    folder = site.units / "same"
    shown = plan.locator("#plan-text").text_content()
    assert shown == _command_says(folder / "unit.toml", "--plan", folder / "plan.toml").removesuffix("\n")
    # Each number opens to its working.
    entry = plan.locator("#plan-working details").filter(has_text="Heat of one output device, 1/8")
    assert not entry.locator("dl").is_visible()
    entry.locator("summary").click()
    expect(entry.locator("dl")).to_contain_text("P channel / (2 x pairs)")
    value = re.search(r"Heat of one output device, 1/8 of rated power = (\S+) W", shown)
    assert value
    expect(entry.locator("summary")).to_contain_text(f"{value[1]} W")


def test_wrong_values_are_said_beside_the_field_and_stay(plan: Any) -> None:
    _example(plan)
    field, said = plan.locator("#fact-load_ohm"), plan.locator("#said-load_ohm")
    expect(field).to_have_attribute("aria-invalid", "false")
    field.fill("eighty")
    field.press("Tab")
    expect(said).to_have_text("“eighty” is not a number. Allowed: 1 to 32 Ω.")
    expect(field).to_have_attribute("aria-invalid", "true")
    assert set(field.get_attribute("aria-describedby").split()) == {"help-load_ohm", "said-load_ohm"}
    plan.fill("#fact-reservoir_uf", "10,000")
    plan.click("#compute")
    expect(plan.locator("#said-reservoir_uf")).to_contain_text("can be read as 10.000 or as 10000")
    expect(plan.locator("#plan-said")).to_contain_text("Not computed: 2 facts have to be corrected.")
    # The plan from before stays in sight, marked.
    expect(plan.locator("#plan-stale")).to_be_visible()
    expect(plan.locator("#plan-place")).to_have_class("is-stale")
    assert field.input_value() == "eighty"
    field.fill("8")
    plan.fill("#fact-reservoir_uf", "10000")
    plan.click("#compute")
    expect(said).to_have_text("")
    expect(plan.locator("#plan-stale")).to_be_hidden()


def test_what_is_needed_and_empty_is_asked_for_only_when_it_is_needed(plan: Any) -> None:
    expect(plan.locator("#said-rated_power_w")).to_have_text("")
    plan.click("#compute")
    expect(plan.locator("#said-rated_power_w")).to_have_text("Needed, and empty. Allowed: 1 to 500 W.")
    expect(plan.locator("#plan-place")).to_be_hidden()


def test_out_of_date_at_the_first_key(plan: Any) -> None:
    _example(plan)
    expect(plan.locator("#plan-stale")).to_be_hidden()
    plan.locator("#fact-rail_nominal_v").press("End")
    plan.keyboard.type("5")
    expect(plan.locator("#plan-stale")).to_be_visible()
    plan.keyboard.press("Backspace")
    expect(plan.locator("#plan-stale")).to_be_hidden()
    plan.locator("#wish-run label", has_text="Burn-in").click()
    expect(plan.locator("#plan-stale")).to_be_visible()
    plan.click("#compute")
    expect(plan.locator("#plan-stages")).to_contain_text("drive 1/8 power")
    expect(plan.locator("#plan-stale")).to_be_hidden()


def test_a_changed_limit_is_checked_kept_loaded_and_reset(plan: Any, units: UnitStore, site: Served) -> None:
    _example(plan)
    plan.locator("[data-channel=rail_pos_a] summary").click()
    high = plan.get_by_label(re.compile("Opens above")).first
    high.fill("0,5")
    expect(plan.locator("#edit-pending")).to_be_visible()
    wait = plan.locator("[data-channel=rail_pos_a] input").last
    wait.fill("99999")
    plan.click("#edit-check")
    expect(plan.locator("#edit-said")).to_contain_text("limiter 25 %, rail_pos_a.for_ms: “99999” is beyond")
    panel = plan.locator("#plan-panel")
    expect(panel).to_contain_text("Wider than computed: protects less.")
    expect(panel).to_contain_text("Allowed: 0 to 10000 ms.")
    assert (high.input_value(), wait.input_value()) == ("0,5", "99999")
    # A wrong one is not saved, and not lost by looking at another stage.
    plan.fill("#new-name", "changed")
    plan.click("#save-as")
    expect(plan.locator("#set-said")).to_contain_text("Not saved: first correct the plan.")
    plan.locator("#plan-stage label", has_text="idle soak").click()
    expect(panel).to_contain_text("Leave the set alone")
    plan.locator("#plan-stage label", has_text="limiter 25 %").click()
    expect(plan.locator("[data-channel=rail_pos_a] input").last).to_have_value("99999")
    plan.locator("[data-channel=rail_pos_a] input").last.fill("40")
    plan.click("#edit-check")
    expect(plan.locator("#edit-said")).to_contain_text("2 numbers differ from the computed plan, in limiter 25 %")
    expect(plan.locator("#plan-stages")).to_contain_text("2 changed")
    _save_as(plan, "changed")
    assert units.open("changed").plan == {
        "stage": {"limiter 25 %": {"limits": {"rail_pos_a": {"high": 0.5, "for_ms": 40}}}}
    }
    folder = site.units / "changed"
    printed = _command_says(folder / "unit.toml", "--plan", folder / "plan.toml")
    assert "above 0.5 for 40 ms" in printed
    assert plan.locator("#plan-text").text_content() == printed.removesuffix("\n")
    plan.click("#edit-reset")
    expect(plan.locator("#edit-said")).to_have_text("Everything as computed.")
    expect(plan.locator("#plan-unsaved")).to_contain_text("Changed since changed was loaded")
    _load(plan, "changed")
    expect(plan.locator("[data-channel=rail_pos_a] input").last).to_have_value("40")
    expect(plan.locator("#plan-unsaved")).to_be_hidden()


def test_a_file_changed_meanwhile_is_not_overwritten(plan: Any, units: UnitStore, site: Served) -> None:
    units.save("shared", EXAMPLE, {}, "")
    plan.reload()
    plan.wait_for_selector("#plan-form")
    _load(plan, "shared")
    path = site.units / "shared" / "unit.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("BW60-01873", "BW60-2"), encoding="utf-8")
    plan.fill("#fact-serial", "BW60-3")
    plan.click("#save")
    expect(plan.locator("#set-said")).to_contain_text("were changed since you loaded it")
    assert load_unit(path).serial == "BW60-2"
    assert plan.locator("#fact-serial").input_value() == "BW60-3"
    _save_as(plan, "shared-2")
    assert units.open("shared-2").unit.serial == "BW60-3"


@pytest.mark.parametrize("name", ["../evil", "Upper", "a/b", ""])
def test_a_name_is_no_path(plan: Any, site: Served, name: str) -> None:
    _example(plan)
    before = sorted(path.name for path in site.units.parent.iterdir())
    plan.fill("#new-name", name)
    plan.click("#save-as")
    expect(plan.locator("#set-said")).to_contain_text("allowed: 1 to 40 lower-case letters")
    assert sorted(path.name for path in site.units.parent.iterdir()) == before


def test_a_damaged_set_is_named_and_left(plan: Any, site: Served) -> None:
    for name, file, text in (("torn", "unit.toml", "rated_power_w = "), ("plan-torn", "plan.toml", "hold = 3\n")):
        UnitStore(site.units).save(name, EXAMPLE, {}, "")
        (site.units / name / file).write_text(text, encoding="utf-8")
    plan.reload()
    plan.wait_for_selector("#plan-form")
    expect(plan.locator("#sets-said")).to_contain_text("torn/unit.toml: not valid TOML")
    # Well formed, but not for this plan: found when it is loaded.
    plan.locator("#sets label", has_text="plan-torn").click()
    plan.click("#open")
    expect(plan.locator("#set-said")).to_contain_text("plan-torn/plan.toml: unknown key 'hold'")
    assert (site.units / "plan-torn" / "plan.toml").read_text(encoding="utf-8") == "hold = 3\n"


def test_hostile_text_is_text(plan: Any, units: UnitStore) -> None:
    _example(plan)
    for key in ("model", "customer", "run"):
        plan.fill(f"#fact-{key}", fake_run.HOSTILE)
    plan.click("#compute")
    expect(plan.locator("#plan-said")).to_contain_text("<script>window.hit=1</script>")
    _save_as(plan, "hostile")
    assert units.open("hostile").unit.model == fake_run.HOSTILE
    plan.reload()
    plan.wait_for_selector("#plan-form")
    _load(plan, "hostile")
    assert plan.locator("#fact-model").input_value() == fake_run.HOSTILE
    assert plan.evaluate("window.hit") is None


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_findings_and_no_sideways_scrolling(browser: Any, site: Served, scheme: str) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 844}, color_scheme=scheme)
    try:
        page.goto(site.url + "plan/")
        page.wait_for_selector("#fact-load_ohm[aria-describedby]")
        page.click("#open-example")
        page.wait_for_selector(".plan-glance")
        page.fill("#fact-load_ohm", "x")
        page.click("#compute")
        page.wait_for_selector("#said-load_ohm:not(:empty)")
        page.locator("[data-channel=rail_pos_a] summary").click()
        page.locator("[data-channel=rail_pos_a] input").first.fill("-9")
        page.click("#edit-check")
        page.wait_for_selector(".said-wider")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        assert serious_findings(page) == []
        page.set_viewport_size({"width": 1366, "height": 768})
        assert page.evaluate("document.documentElement.scrollWidth") <= 1366
        assert serious_findings(page) == []
        small = page.evaluate(
            "Array.from(document.querySelectorAll('#place button, #place input[type=text], #place summary'))"
            ".filter(e => e.offsetParent && e.getBoundingClientRect().height < 44).map(e => e.outerHTML.slice(0, 90))"
        )
        assert small == []
    finally:
        page.close()


def _press_twice(page: Any) -> None:
    page.click("#start-first")
    expect(page.locator("#start-step")).to_be_focused()
    # Slower than a double click.
    page.wait_for_timeout(600)
    page.click("#start-second")


def _started_pid(runs: Path) -> int:
    """Return the process that writes in `runs`, found by its own command line (Linux)."""
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "cmdline").read_bytes().split(b"\0")
            except OSError:
                continue
            if b"demo" in words and str(runs).encode() in words:
                return int(entry.name)
    return 0


@pytest.mark.skipif(not Path("/proc").exists(), reason="finds the process in /proc")
def test_a_run_is_started_by_two_presses_and_outlives_the_dashboard(browser: Any, tmp_path: Path) -> None:
    (tmp_path / "runs").mkdir()
    UnitStore(tmp_path / "units").save("one", EXAMPLE, {}, "")
    site = Served(None, tmp_path)
    pid = 0
    page = browser.new_page()
    try:
        page.goto(site.url + "plan/")
        page.wait_for_selector("#fact-load_ohm[aria-describedby]")
        page.click("#start-first")
        expect(page.locator("#start-said")).to_contain_text("Save the set first")
        _load(page, "one")
        page.locator("#start-where label", has_text="The board").click()
        page.fill("#start-port", "--runs=/")
        page.click("#start-first")
        expect(page.locator("#start-said")).to_contain_text("allowed: empty to find the board")
        # A start that fails at once says why.
        page.fill("#start-port", "/dev/tty-no-such-board")
        page.click("#start-first")
        expect(page.locator("#start-said")).to_contain_text("The checks before power do not let this run start")
        page.fill("#start-unchecked", "no board is there to be powered")
        _press_twice(page)
        expect(page.locator("#start-now")).to_contain_text("The run did not start")
        expect(page.locator("#start-now")).to_contain_text("/dev/tty-no-such-board: there is no such port")
        page.locator("#start-where label", has_text="virtual bench").click()
        page.fill("#start-speed", "1")
        page.click("#start-first")
        expect(page.locator("#start-step")).to_be_focused()
        expect(page.locator("#start-what")).to_contain_text("It closes nothing")
        page.click("#start-cancel")
        _press_twice(page)
        expect(page.locator("#start-now")).to_contain_text("-demo. To the bench page")
        # The start that failed left a folder and nothing in it.
        folder = max(path for path in (tmp_path / "runs").iterdir() if path.is_dir())
        pid = _started_pid(tmp_path / "runs")
        assert pid
        assert os.getsid(pid) == pid
        page.click("#start-first")
        expect(page.locator("#start-said")).to_contain_text("one bench, one run")
        # The bench page follows it, and the run waits for a person there.
        page.goto(site.url)
        expect(page.locator("#heading")).to_contain_text("Brackwater Integrated 60")
        site.kill()
        before = (folder / "status.json").stat().st_mtime_ns
        time.sleep(1.0)
        assert (folder / "status.json").stat().st_mtime_ns > before
        # A dashboard started anew knows of it.
        page.close()
        site.start()
        page = browser.new_page()
        page.goto(site.url + "plan/")
        page.wait_for_selector("#fact-load_ohm[aria-describedby]")
        _load(page, "one")
        page.click("#start-first")
        expect(page.locator("#start-said")).to_contain_text(f"Run {folder.name} is going on")
    finally:
        pid = pid or _started_pid(tmp_path / "runs")
        if pid:
            # Its own session: the run and the virtual bench that it started.
            os.killpg(pid, signal.SIGKILL)
        page.close()
        site.kill()
