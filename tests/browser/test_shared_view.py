"""The bench as a viewer on another machine sees it: everything to look at, one thing to do."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser_bench import Bench, Served, serious_findings
from playwright.sync_api import Browser, Page, expect


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    root = tmp_path_factory.mktemp("shared")
    run_dir = root / "runs" / "20260115T090000Z-now"
    run_dir.mkdir(parents=True)
    # The loopback address stands for the network's: what counts is the socket a request came in by.
    found = Served(run_dir, root, share="127.0.0.1")
    yield found
    found.kill()


@pytest.fixture
def writing(shared: Served) -> Iterator[Bench]:
    assert shared.run_dir is not None
    found = Bench(shared.run_dir)
    found.show("confirm")
    yield found
    found.close()


@pytest.fixture
def viewer(browser: Browser, shared: Served, writing: Bench) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(shared.link)
    expect(page.locator("#now")).to_contain_text("Set the variable transformer to 50")
    yield page
    context.close()


def test_joining_leads_to_the_bench_and_says_what_one_is(viewer: Page) -> None:
    expect(viewer.locator("#viewing")).to_contain_text("Viewing from another machine")
    # The link's token does not stay in the address bar.
    assert "join" not in viewer.url
    assert viewer.evaluate("document.cookie") == ""


def test_nothing_that_acts_is_offered(viewer: Page, writing: Bench) -> None:
    expect(viewer.locator("#viewing")).to_be_visible()
    for name in ("confirm-first", "end-first"):
        expect(viewer.locator(f"#{name}")).to_be_hidden()
    # Unhidden by hand it is refused all the same.
    viewer.evaluate("document.body.dataset.viewer = 'no'")
    with viewer.expect_response(lambda answer: answer.request.method == "POST" and answer.status == 403):
        viewer.evaluate("document.getElementById('confirm-first').click()")
    assert writing.asked == []


def test_the_relay_is_opened_by_a_touch(viewer: Page, writing: Bench) -> None:
    viewer.locator("#open-button").click()
    assert writing.wait_for(1) == [("open", 0)]
    expect(viewer.locator("#open-said")).to_contain_text("OPEN")


def test_readings_go_on(viewer: Page, writing: Bench) -> None:
    writing.show("holding")
    expect(viewer.locator("#now")).to_contain_text("every channel is watched")
    writing.show("tripped")
    expect(viewer.locator("#shout")).to_contain_text("thermal-runaway")


@pytest.mark.parametrize("path", ["", "bias/", "runs/", "plan/", "setup/"])
def test_every_page_is_open_to_look_at_and_keeps_the_link_to_itself(viewer: Page, shared: Served, path: str) -> None:
    address, _, token = shared.link.partition("/join/")
    held: list[str] = []
    viewer.on("response", lambda answer: held.append(_text(answer)))
    viewer.goto(f"{address}/{path}")
    expect(viewer.locator("#places a[aria-current]")).to_be_visible()
    expect(viewer.locator("h1").first).to_be_visible()
    expect(viewer.locator("#viewing")).to_be_visible()
    viewer.wait_for_timeout(500)
    assert not any(token in text for text in held)
    assert serious_findings(viewer) == []
    assert viewer.evaluate("document.documentElement.scrollWidth <= window.innerWidth + 1")


def _text(answer: Any) -> str:
    if answer.request.resource_type not in ("document", "xhr", "fetch"):
        return ""
    try:
        found: str = answer.text()
    except Exception:  # noqa: BLE001 - an answer whose page is gone has no text
        return ""
    return found


def test_without_the_link_one_is_told_where_it_is(browser: Browser, shared: Served, tmp_path: Path) -> None:
    context = browser.new_context()
    page = context.new_page()
    answer = page.goto(shared.link.partition("/join/")[0] + "/")
    assert answer is not None
    assert answer.status == 401
    expect(page.locator("body")).to_contain_text("scan the code")
    context.close()
