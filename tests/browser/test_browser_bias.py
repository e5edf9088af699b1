"""The bias page in a real browser: the run that is going on, zoom by hand and by keys, any moment."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from browser_bench import Served, serious_findings
from playwright.sync_api import Browser, Page, expect
from run_frames import NAME, N, write_run


@pytest.fixture(scope="module")
def bias(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    root = tmp_path_factory.mktemp("bias")
    ahead = [[600.0, 11.0, 11.0, 11.0], [900.0, 11.4, 11.2, 11.7]]
    write_run(root / "runs", "holding", ahead=ahead)
    found = Served(None, root)
    yield found
    found.kill()


@pytest.fixture
def view(browser: Browser, bias: Served, request: pytest.FixtureRequest) -> Iterator[Page]:
    width, scheme = getattr(request, "param", (1366, "light"))
    context = browser.new_context(viewport={"width": width, "height": 844}, color_scheme=scheme)
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    page.goto(bias.url + "bias/")
    expect(page.locator("#bias-run")).to_contain_text("invented stereo receiver")
    page.wait_for_selector("#bias-over-time .scatterlayer .trace")
    yield page
    context.close()
    assert complaints == []


def test_drift_forecast_and_verdict_are_told(view: Page) -> None:
    expect(view.locator("#bias-left-told")).to_contain_text("On its way")
    expect(view.locator("#bias-left-told")).to_contain_text("mV/K")
    expect(view.locator("#bias-over-time")).to_contain_text("left, forecast")
    assert view.locator("#bias-over-time .js-fill").count() == 1
    expect(view.locator("#bias-on-view")).to_contain_text("the whole run")


def test_zoom_by_drag_and_back(view: Page) -> None:
    plot = view.locator("#bias-over-time")
    plot.scroll_into_view_if_needed()
    box = view.locator("#bias-over-time .nsewdrag").first.bounding_box()
    assert box is not None
    view.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 40)
    view.mouse.down()
    view.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 45, steps=6)
    view.mouse.up()
    expect(view.locator("#bias-on-view")).not_to_contain_text("the whole run")
    # Drawn from the frames of that part, not from the picture before.
    first, last = view.evaluate(
        "() => { const place = document.querySelector('#bias-over-time .js-plotly-plot');"
        " return [place.data[0].x[0], place.data[0].x.at(-1)]; }"
    )
    assert last - first < 0.5 * N / 600.0
    view.locator("#bias-whole").click()
    expect(view.locator("#bias-on-view")).to_contain_text("the whole run")


def test_zoom_and_moment_by_the_keyboard_alone(view: Page) -> None:
    for wanted in ("bias-in", "bias-right", "bias-whole"):
        _tab_to(view, wanted)
        view.keyboard.press("Enter")
        expect(view.locator("#bias-on-view")).to_contain_text(
            "the whole run" if wanted == "bias-whole" else "On view: 0:0"
        )
    _tab_to(view, "bias-at")
    view.keyboard.type("300")
    view.keyboard.press("Enter")
    expect(view.locator("#bias-all")).to_contain_text("At 0:05:00.0.")
    expect(view.locator("#bias-all")).to_contain_text("limiter lamp OUT")
    _tab_to(view, "step-2")
    view.keyboard.press("Enter")
    expect(view.locator("#bias-all")).to_contain_text("At 0:05:01.0.")


def test_pointing_at_the_plot_shows_all_channels(view: Page) -> None:
    view.locator("#bias-over-time").scroll_into_view_if_needed()
    box = view.locator("#bias-over-time .nsewdrag").first.bounding_box()
    assert box is not None
    view.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 50)
    expect(view.locator("#bias-all")).to_contain_text("DC offset, right")


def test_a_run_that_is_not_there_is_said(view: Page, bias: Served) -> None:
    view.goto(bias.url + "bias/?run=../../etc")
    expect(view.locator("#bias-run")).to_contain_text("there is no run of this name here")


@pytest.mark.parametrize("view", [(1366, "light"), (1366, "dark"), (390, "light")], indirect=True)
def test_everybody_can_read_it(view: Page) -> None:
    # WCAG 2.2, 1.4.3 and 1.4.10 among others, by axe-core.
    assert serious_findings(view) == []
    assert view.evaluate("document.documentElement.scrollWidth <= window.innerWidth + 1")


def _tab_to(page: Page, name: str) -> None:
    for _ in range(80):
        if page.evaluate("document.activeElement.id") == name:
            return
        page.keyboard.press("Tab")
    pytest.fail(f"{name} is not reached by Tab")


def test_the_relay_control_is_there_and_works(view: Page, bias: Served) -> None:
    view.keyboard.press("o")
    expect(view.locator("#open-said")).to_contain_text("Ask")
    inbox = bias.runs / NAME / "inbox"
    view.wait_for_timeout(300)
    asked: list[Any] = [path.read_text() for path in inbox.glob("*.json")]
    assert any('"open"' in text for text in asked)
