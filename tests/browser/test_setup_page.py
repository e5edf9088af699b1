"""The setup page in Chromium: every card, by clicks and by keyboard; the board is virtual, the second address real."""

from __future__ import annotations

import http.server
import json
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from typing import Any

import fake_run
import pytest
from browser_bench import Served, serious_findings
from playwright.sync_api import expect

from benchwarden.record.alert_settings import load_alerts
from benchwarden.record.board_records import BoardRecords
from benchwarden.record.records_settings import interval_days
from benchwarden.record.summary import write_summary
from benchwarden.virtual.demo import VirtualBench

BOARD = {"board": "e6614103", "fw": "0.0.9", "program": "01", "cal_crc": "aa"}
SECRET = "q7-never-shown"


def result(test: str, verdict: str, why: str = "") -> dict[str, Any]:
    return {
        "test": test,
        "title": f"Test of {test}",
        "requirement": {"text": "contact open at most 45 ms after", "at_most_ms": 45.0, "source": "hardware"},
        "verdict": verdict,
        "measures": [{"since": "a", "until": "b", "low_ms": 12.0, "high_ms": 30.0}],
        "why": why,
        "part": "the relay" if why else "",
    }


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    root = tmp_path_factory.mktemp("bench")
    (root / "runs").mkdir()
    records = BoardRecords(root / "records", "e6614103")
    sheet = {
        "format": 1, "verdict": "pass", "complete": True, "ended_at_utc": "2020-10-01T10:00:00Z",
        "operator": "I. Sørensen", "board": BOARD, "results": [result("loop", "pass"), result("bypass", "pass")],
    }  # fmt: skip
    records.write("commissioning", "2020-10-01T10:00:00Z", sheet)
    part = {**sheet, "complete": False, "verdict": "fail", "ended_at_utc": "2020-11-01T10:00:00Z",
            "results": [result("bypass", "fail", fake_run.HOSTILE)]}  # fmt: skip
    records.write("commissioning", "2020-11-01T10:00:00Z", part)
    made = {
        "board": "e6614103", "fw": "0.0.9", "program": "01", "utc": "2020-09-30T10:00:00Z", "date": "2020-09-30",
        "due": "2021-09-30", "crc": "aa", "number": 2, "operator": fake_run.HOSTILE, "reference": "meter 7",
        "channels": {"rail_pos_a": {"entry": {}}},
    }  # fmt: skip
    records.write("calibration", "2020-09-30T10:00:00Z", made)
    (records.folder / "calibration-20201231T000000Z.json").write_text("{", encoding="utf-8")
    found = Served(None, root)
    yield found
    found.kill()


@pytest.fixture
def setup(page: Any, place: Served) -> Iterator[Any]:
    """The page, open and complete, with no complaint of the browser and no request elsewhere until the test ends."""
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.on("request", lambda request: complaints.append(request.url) if elsewhere(request.url, place) else None)
    page.goto(place.url + "setup/")
    expect(page.get_by_role("heading", name="Setup")).to_be_visible()
    expect(page.locator("#ports-found")).to_contain_text("Looked")
    yield page
    assert complaints == []


def elsewhere(url: str, place: Served) -> bool:
    return not url.startswith((place.url, "data:", "blob:"))


def until(true: Callable[[], bool], seconds: float = 10.0) -> bool:
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        if true():
            return True
        time.sleep(0.05)
    return true()


def test_every_card_is_there_and_says_what_stands(setup: Any, place: Served) -> None:
    for name in ("Ports and boards", "Board of the run", "Self-test", "Calibration and commissioning", "Alerts",
                 "Sharing", "Where things are kept", "What this is not"):  # fmt: skip
        expect(setup.get_by_role("heading", name=name, exact=True)).to_be_visible()
    known = setup.locator("#known")
    for words in ("Board e6614103", "2021-09-30", "OVERDUE", "1 of 13 calibrated", "I. Sørensen", "2 of 2 tests passed",
                  "A test failed after the last commissioning, on 2020-11-01: bypass",
                  "calibration-20201231T000000Z.json: not a record"):  # fmt: skip
        expect(known).to_contain_text(words)
    known.locator("summary").click()
    expect(known.locator(".tests li").first).to_contain_text("Measured: 12 to 30 ms")
    # Hostile words are words.
    expect(known).to_contain_text('<img src=x onerror="window.hit=1">')
    assert setup.evaluate("window.hit") is None
    expect(setup.locator("body")).to_contain_text(str(place.records.resolve()))
    expect(setup.locator("body")).to_contain_text("GB free")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_is_hard_to_read_or_to_reach(setup: Any, scheme: str) -> None:
    setup.emulate_media(color_scheme=scheme)
    setup.locator("#known summary").click()
    assert serious_findings(setup) == []
    setup.set_viewport_size({"width": 390, "height": 844})
    assert setup.evaluate("document.documentElement.scrollWidth") <= 390
    # WCAG 2.2, 2.5.5 target size (enhanced): 44 px.
    for button in setup.locator("#place button:visible:not(.dash-input-stepper)").all():
        box = button.bounding_box()
        assert box["height"] >= 44, button.inner_text()
        assert box["width"] >= 44, button.inner_text()


def test_a_command_is_copied_whole(setup: Any) -> None:
    setup.context.grant_permissions(["clipboard-read", "clipboard-write"])
    row = setup.locator(".to-type .copyable").nth(1)
    row.get_by_role("button").click()
    expect(row.get_by_role("button")).to_have_text("Copied")
    copied = setup.evaluate("navigator.clipboard.readText()")
    assert copied == row.locator("code").inner_text()
    assert " commission --records /" in copied


def test_a_real_self_test_of_a_virtual_board_by_the_keyboard(setup: Any, place: Served) -> None:
    with VirtualBench(None, "none", 0.0, 1, ("--socket", "0")) as bench:
        field = setup.get_by_label("Or type a port")
        field.focus()
        setup.keyboard.type(bench.port)
        setup.keyboard.press("Enter")
        expect(setup.locator("#selftest-found .told")).to_have_text("✓ All 20 parts well.", timeout=60_000)
    expect(setup.locator("#selftest-found .parts li")).to_have_count(20)
    expect(setup.locator("#selftest-found")).to_contain_text("relay_contact ok")
    # The bench is gone now: the same press says so, in words.
    setup.get_by_role("button", name="Test the board there").click()
    expect(setup.locator("#selftest-found .told")).to_have_text("✕ No result.", timeout=60_000)
    expect(setup.locator("#selftest-found")).to_contain_text("nothing answers there")
    field.fill("--help")
    field.press("Enter")
    expect(setup.locator("#selftest-said")).to_contain_text("is no port; allowed: /dev/")


def test_no_self_test_while_a_run_goes_on(setup: Any, place: Served) -> None:
    run_dir = place.runs / "20260115-090000-job"
    run_dir.mkdir()
    write_summary(run_dir, fake_run.fresh("holding"))
    field = setup.get_by_label("Or type a port")
    field.fill("socket://127.0.0.1:9")
    field.press("Enter")
    expect(setup.locator("#selftest-said")).to_contain_text("The run 20260115-090000-job is going on")
    expect(setup.locator("#board-now")).to_contain_text("e6614103")
    # Commissioned with another firmware than the board of this run has.
    expect(setup.locator("#known")).to_contain_text("Commissioned on 2020-10-01 with firmware version 0.0.9, now")
    write_summary(run_dir, fake_run.fresh("finished"))


def test_the_interval_is_set_and_read_back(setup: Any, place: Served) -> None:
    field = setup.get_by_label("Commission again after (days)")
    field.fill("45")
    field.press("Tab")
    setup.get_by_role("button", name="Save the interval").click()
    expect(setup.locator("#interval-said")).to_contain_text("Saved")
    expect(setup.locator("#known")).to_contain_text("every 45 days")
    assert interval_days(place.records) == 45


class Hook(http.server.BaseHTTPRequestHandler):
    """Takes what is posted to it."""

    got: list[dict[str, Any]]

    def do_POST(self) -> None:
        self.got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_words: Any) -> None:
        pass


@pytest.fixture
def hook() -> Iterator[tuple[str, list[dict[str, Any]]]]:
    got: list[dict[str, Any]] = []
    server = http.server.HTTPServer(("127.0.0.1", 0), type("OwnHook", (Hook,), {"got": got}))
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"json://127.0.0.1:{server.server_port}/{SECRET}", got
    server.shutdown()
    thread.join()
    server.server_close()


def test_alerts_are_added_tested_and_removed_and_the_address_never_comes_back(
    setup: Any, place: Served, hook: tuple[str, list[dict[str, Any]]]
) -> None:
    address, got = hook
    answers: list[str] = []
    setup.on("response", lambda answer: answers.append(answer.text()) if "_dash-" in answer.url else None)
    for name in ("Sound", "Desktop"):
        setup.get_by_role("button", name=f"{name}: ON").click()
        expect(setup.get_by_role("button", name=f"{name}: off")).to_be_visible()
    expect(setup.locator("#alert-addresses")).to_contain_text("nobody is told")
    field = setup.get_by_label("Add an address")
    assert field.get_attribute("type") == "password"
    field.fill(address)
    field.press("Enter")
    expect(setup.locator("#alert-said")).to_contain_text("Added: json://127.0.0.1")
    expect(field).to_have_value("")
    setup.get_by_role("button", name="Send a test alert").click()
    expect(setup.locator("#alert-tested")).to_contain_text("✓ went out", timeout=60_000)
    assert len(got) == 1
    assert "test" in got[0]["message"]
    setup.get_by_label("“Still alive” every").fill("15")
    setup.get_by_role("button", name="Save the times").click()
    expect(setup.locator("#alert-said")).to_have_text("Saved.")
    kept = load_alerts(place.records)
    assert (kept.addresses, kept.sound, kept.desktop, kept.alive_every_min) == ((address,), False, False, 15)
    setup.reload()
    expect(setup.locator("#alert-addresses")).to_contain_text("json://127.0.0.1")
    assert SECRET not in setup.content()
    setup.get_by_role("button", name="Remove address 1").click()
    expect(setup.locator("#alert-addresses")).to_contain_text("No address is set")
    assert load_alerts(place.records).addresses == ()
    assert len(answers) > 5
    assert not any(SECRET in answer for answer in answers)


def dead(url: str) -> bool:
    try:
        urllib.request.urlopen(url, timeout=3).close()
    except (urllib.error.URLError, ConnectionError):
        return True
    return False


def test_sharing_takes_two_clicks_is_seen_elsewhere_and_ends_at_once(setup: Any, place: Served, browser: Any) -> None:
    expect(setup.locator("#share-line")).to_have_text("Sharing is off: this dashboard answers this machine only.")
    first = setup.get_by_role("button", name="Share at 127.0.0.1")
    first.click()
    expect(setup.locator("#share-step")).to_be_focused()
    setup.get_by_role("button", name="Not now").click()
    expect(setup.locator("#share-step")).to_be_hidden()
    first.click()
    setup.get_by_role("button", name="Yes: share at 127.0.0.1").click()
    expect(setup.locator("#share-line")).to_contain_text("SHARING IS ON at http://127.0.0.1:")
    link = setup.locator("#share-link").inner_text()
    code = setup.get_by_alt_text("QR code of the link above")
    expect(code).to_be_visible()
    assert code.bounding_box()["width"] >= 200
    assert serious_findings(setup) == []

    elsewhere = browser.new_context(viewport={"width": 390, "height": 844})
    complaints: list[str] = []
    try:
        viewer = elsewhere.new_page()
        viewer.goto(link)
        # Joining leads to the bench page by itself.
        viewer.wait_for_url(link.split("/join/")[0] + "/")
        viewer.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
        viewer.goto(link.split("/join/")[0] + "/setup/")
        expect(viewer.locator("#place")).to_contain_text("you are looking from another machine")
        expect(viewer.locator("#known")).to_contain_text("Board e6614103")
        # What the page is told as time goes on is looked at as well.
        with viewer.expect_response(lambda answer: "_dash-update" in answer.url, timeout=15_000) as told:
            pass
        assert told.value.status in (200, 204)
        assert viewer.locator("#place button:visible").count() == 0
        for secret in (link, link.rsplit("/", 1)[1], str(place.records)):
            assert secret not in viewer.content()
        assert viewer.evaluate("document.documentElement.scrollWidth") <= 390
        assert serious_findings(viewer) == []
        assert complaints == []

        setup.get_by_role("button", name="Stop sharing").click()
        expect(setup.locator("#share-said")).to_contain_text("worth nothing now")
        expect(setup.locator("#share-line")).to_contain_text("Sharing is off")
        assert setup.locator("#share-link").inner_text() == ""
        assert until(lambda: dead(link))
    finally:
        elsewhere.close()


def test_sharing_by_the_keyboard_alone(setup: Any) -> None:
    setup.get_by_role("button", name="Share at 127.0.0.1").focus()
    setup.keyboard.press("Enter")
    expect(setup.locator("#share-step")).to_be_focused()
    setup.keyboard.press("Tab")
    setup.keyboard.press("Enter")
    expect(setup.locator("#share-on")).to_be_focused()
    link = setup.locator("#share-link").inner_text()
    assert not dead(link)
    setup.keyboard.press("Tab")
    expect(setup.locator("#share-copy")).to_be_focused()
    setup.keyboard.press("Tab")
    expect(setup.locator("#share-stop")).to_be_focused()
    setup.keyboard.press("Enter")
    expect(setup.locator("#share-choice")).to_be_focused()
    assert until(lambda: dead(link))
