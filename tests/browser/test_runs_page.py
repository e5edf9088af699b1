"""The runs page in a real browser: list, search, zoom, moments, replay, compare, bursts, damage."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import made_runs
import pytest
from browser_bench import Served, serious_findings
from playwright.sync_api import expect

TRIPPED = "20260316T080000Z-brackwater"
LONG = "20260317T080000Z-brackwater"
HOSTILE = "20260318T080000Z-hostile"
DAMAGED = "20260319T080000Z-damaged"
TEXT = "<img src=x onerror=\"document.title='taken'\">"

# What a plot draws in its y axis' range, and the greatest value of its first line.
_GREATEST = "id => Math.max(...document.querySelector('#' + id + ' .js-plotly-plot').data[0].y.filter(v => v !== null))"
_RANGE = "id => document.querySelector('#' + id + ' .js-plotly-plot').layout.xaxis.range"
_LINES = "id => document.querySelector('#' + id + ' .js-plotly-plot').data.map(line => line.name)"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    root: Path = tmp_path_factory.mktemp("site")
    runs = root / "runs"
    runs.mkdir()
    for day in range(10, 14):
        made_runs.write_run(runs / f"202603{day}T080000Z-brackwater", level_mv=float(day))
    made_runs.write_run(runs / "20260309T080000Z-fernwick", unit={"model": "Fernwick 260", "serial": "1"}, verdict="")
    made_runs.write_run(runs / TRIPPED, trip_at_s=500.0, gap=(300.0, 330.0), seconds=502, verdict="trip", virtual=True)
    made_runs.write_run(runs / LONG, seconds=7200, peak_at_s=4321.0)
    made_runs.write_run(runs / HOSTILE, unit={"model": TEXT, "customer": TEXT}, run=TEXT)
    made_runs.damage_header(made_runs.write_run(runs / DAMAGED))
    (runs / "20260320T080000Z-half").mkdir()
    (runs / TRIPPED / "record.pdf").write_bytes(b"%PDF-1.7")
    found = Served(None, root)
    yield found
    found.kill()


@pytest.fixture
def opened(page: Any, site: Served) -> Any:
    """Opens a run and waits for its plots."""

    def open_run(name: str, more: str = "") -> Any:
        page.goto(f"{site.url}runs/?run={name}{more}")
        page.wait_for_selector("#run-bias .js-line")
        expect(page.locator("#run-window")).not_to_be_empty()
        return page

    return open_run


def ranged(page: Any) -> tuple[float, float]:
    start, stop = page.evaluate(_RANGE, "run-bias")
    return float(start), float(stop)


def wait_until(page: Any, holds: Callable[[], bool]) -> None:
    """Wait for something the page has drawn; its content policy allows no predicate inside the page."""
    until_s = time.monotonic() + 20.0
    while not holds():
        assert time.monotonic() < until_s, f"in view: {ranged(page)}"
        page.wait_for_timeout(50)


def plot_box(page: Any) -> Any:
    """Bring the bias plot to the middle, clear of the dock, and return where it is drawn."""
    page.locator("#run-bias").evaluate("place => place.scrollIntoView({block: 'center'})")
    return page.locator("#run-bias .nsewdrag").first.bounding_box()


def wait_for_range(page: Any, least_s: float, most_s: float) -> tuple[float, float]:
    """Wait until the server has drawn a window of this width."""
    wait_until(page, lambda: least_s <= ranged(page)[1] - ranged(page)[0] <= most_s)
    return ranged(page)


def test_the_list_is_searched_and_opens_a_run(page: Any, site: Served) -> None:
    page.goto(site.url + "runs/")
    rows = page.locator(".runs-table tbody tr")
    expect(rows).to_have_count(10)
    expect(rows.nth(0)).to_contain_text("no run here")
    expect(rows.nth(1)).to_contain_text("header is damaged")
    expect(page.locator(".runs-table")).to_contain_text(TEXT)
    expect(page.locator(".runs-table")).to_contain_text("virtual bench")
    page.get_by_label("Search").fill("fernwick")
    expect(rows).to_have_count(1)
    expect(rows).to_contain_text("no verdict")
    page.get_by_label("Search").fill("lindqvist tripped")
    expect(rows).to_have_count(1)
    page.get_by_label("Search").fill("nobody")
    expect(page.locator("#runs-rows")).to_contain_text("No run has “nobody”")
    page.get_by_label("Search").fill("tripped")
    expect(rows).to_have_count(1)
    rows.locator("a").click()
    expect(page.locator("#run-head")).to_contain_text("TRIPPED")
    expect(page.locator("#run-verdict")).to_contain_text("Stopped for too much rail current.")
    page.get_by_role("link", name="All runs").click()
    expect(rows).to_have_count(10)
    assert page.title() != "taken"


def test_zoom_keeps_the_peak_and_the_keys_and_buttons_agree(opened: Any) -> None:
    page = opened(LONG)
    assert wait_for_range(page, 7190, 7210)[0] == 0.0
    assert page.evaluate(_GREATEST, "run-bias") == 99.0, "a peak of one scan in two hours"
    page.locator("#zoom-in").click()
    start_s, stop_s = wait_for_range(page, 3590, 3610)
    assert (start_s, stop_s) == (1800.0, 5400.0)
    assert page.evaluate(_GREATEST, "run-bias") == 99.0
    page.locator("#zoom-left").click()
    wait_until(page, lambda: ranged(page)[0] < 10.0)
    assert page.evaluate(_GREATEST, "run-bias") < 20.0
    page.locator("#zoom-right").click()
    page.locator("#zoom-out").click()
    wait_for_range(page, 7190, 7210)
    page.locator("#run-plots").focus()
    for _ in range(3):
        page.keyboard.press("+")
        page.wait_for_timeout(300)
    wait_for_range(page, 890, 910)
    page.keyboard.press("Home")
    wait_for_range(page, 7190, 7210)


def test_zoom_by_dragging(opened: Any) -> None:
    page = opened(LONG)
    box = plot_box(page)
    page.mouse.move(box["x"] + 0.55 * box["width"], box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.65 * box["width"], box["y"] + 62, steps=5)
    page.mouse.up()
    start_s, stop_s = wait_for_range(page, 650, 800)
    assert start_s < 4321.0 < stop_s
    # The dragged plot shows it at once; the others go along when the server has drawn the frames of the window.
    wait_until(page, lambda: page.evaluate(_RANGE, "run-track") == pytest.approx([start_s, stop_s]))
    assert page.evaluate(_GREATEST, "run-bias") == 99.0


def test_two_fingers_zoom_and_one_moves(browser: Any, site: Served) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    page = context.new_page()
    page.goto(f"{site.url}runs/?run={LONG}")
    page.wait_for_selector("#run-bias .js-line")
    wait_for_range(page, 7190, 7210)
    box = plot_box(page)
    y, middle = box["y"] + 50, box["x"] + box["width"] / 2
    touch = context.new_cdp_session(page)

    def fingers(kind: str, *xs: float) -> None:
        points = [{"x": x, "y": y, "id": k} for k, x in enumerate(xs)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    fingers("touchStart", middle - 20, middle + 20)
    for apart in (30, 40, 60, 80):
        fingers("touchMove", middle - apart, middle + apart)
    fingers("touchEnd")
    start_s, _ = wait_for_range(page, 1500, 2200)
    fingers("touchStart", middle)
    for by in (15, 30, 60, 90):
        fingers("touchMove", middle + by)
    fingers("touchEnd")
    wait_until(page, lambda: ranged(page)[0] < start_s - 300.0)
    fingers("touchStart", middle)
    fingers("touchEnd")
    expect(page.locator("#moment-table tbody tr")).to_have_count(13)
    context.close()


def test_a_moment_tells_all_channels(opened: Any) -> None:
    page = opened(LONG)
    field = page.locator("#moment-field")
    field.fill("1:12:01")
    field.press("Enter")
    table = page.locator("#moment-table")
    expect(table).to_contain_text("1:12:01.00")
    expect(table).to_contain_text("99.00")
    expect(table.locator("tbody tr")).to_have_count(13)
    expect(table).to_contain_text("mains on")
    expect(table).to_contain_text("idle soak")
    page.locator("#moment-on").click()
    expect(table).to_contain_text("1:12:01.10")
    expect(table).not_to_contain_text("99.00")
    box = plot_box(page)
    page.mouse.click(box["x"] + 200, box["y"] + 60)
    expect(page.locator("#hold-toggle")).to_have_attribute("aria-pressed", "true")
    expect(table).not_to_contain_text("1:12:01")


def test_replay_moves_and_stops_at_the_end(opened: Any) -> None:
    page = opened(LONG)
    page.locator("#speed-choice").select_option("3600")
    play = page.get_by_role("button", name="Play")
    play.click()
    expect(page.locator("#moment-table")).to_contain_text("mains on")
    expect(page.locator("#moment-field")).to_have_value("1:59:59.9", timeout=20_000)
    expect(page.locator("#replay")).to_have_text("▶ Play")


def test_events_move_the_window_and_bursts_show_every_scan(opened: Any) -> None:
    page = opened(TRIPPED)
    expect(page.locator("#event-list")).to_contain_text("no readings for 30 s")
    page.locator("#event-list .event", has_text="no readings").locator("button").click()
    start_s, stop_s = wait_for_range(page, 115, 125)
    assert start_s < 300.0 < stop_s
    assert page.evaluate("document.querySelector('#run-bias .js-plotly-plot').data[0].y.includes(null)")
    page.locator("#zoom-trip").click()
    start_s, stop_s = wait_for_range(page, 3.9, 4.1)
    assert start_s < 500.0 < stop_s
    burst = page.locator("#run-burst")
    expect(burst).to_contain_text("250 scans")
    expect(burst.locator(".js-plotly-plot").first).to_be_visible()
    drawn = burst.locator(".js-plotly-plot").first.evaluate(
        "plot => [plot.data[0].x.length, plot.layout.shapes.length]"
    )
    assert drawn[0] >= 250
    # Where there is a burst the plots above show the scans themselves.
    expect(page.locator("#run-window")).to_contain_text("every scan from 0:08:18.00 to 0:08:20.49")
    page.locator("#zoom-in").click()
    page.locator("#zoom-in").click()
    wait_for_range(page, 0.9, 1.1)
    times = page.evaluate("document.querySelector('#run-current .js-plotly-plot').data[0].x")
    assert {round(499.5 + 0.01 * k, 2) for k in range(99)} <= {round(t, 2) for t in times}


def test_another_run_and_the_spread_lie_behind(opened: Any) -> None:
    page = opened(LONG, "&over=20260310T080000Z-brackwater")
    expect(page.locator("#compare-said")).to_contain_text("2026-03-10T08:00:00Z")
    wait_until(page, lambda: len(page.evaluate(_LINES, "run-bias")) == 4)
    page.locator("#over-choice").select_option("")
    wait_until(page, lambda: len(page.evaluate(_LINES, "run-bias")) == 2)
    page.locator("#align-choice").select_option("idle soak")
    page.locator("#spread-toggle").click()
    expect(page.locator("#compare-said")).to_contain_text("of 4 passed runs")
    wait_until(page, lambda: "left, median" in page.evaluate(_LINES, "run-bias"))


def test_too_few_of_a_kind_is_said(opened: Any) -> None:
    page = opened("20260309T080000Z-fernwick")
    page.locator("#spread-toggle").click()
    expect(page.locator("#compare-said")).to_contain_text("needs at least 3")
    expect(page.locator("#run-verdict")).to_contain_text("no verdict yet")


def test_a_damaged_run_shows_what_is_left(opened: Any) -> None:
    page = opened(DAMAGED)
    expect(page.locator("#run-head")).to_contain_text("header is damaged")
    assert page.evaluate(_GREATEST, "run-bias") > 5.0


def test_hostile_text_stays_text(opened: Any) -> None:
    page = opened(HOSTILE)
    expect(page.locator("#run-head")).to_contain_text(TEXT)
    assert page.locator("img[src='x']").count() == 0
    assert page.title() != "taken"


def test_names_that_are_no_run(page: Any, site: Served) -> None:
    for name in ("..%2Fx", "%252e%252e", "nowhere"):
        page.goto(f"{site.url}runs/?run={name}")
        expect(page.locator("#runs-body")).to_contain_text("there is no run of this name here")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_finding_and_no_sideways_scrolling(browser: Any, site: Served, scheme: Any) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, color_scheme=scheme)
    page = context.new_page()
    page.goto(site.url + "runs/")
    page.wait_for_selector(".runs-table a")
    assert serious_findings(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    page.goto(f"{site.url}runs/?run={TRIPPED}")
    page.wait_for_selector("#run-bias .js-line")
    page.locator("#zoom-trip").click()
    expect(page.locator("#moment-table tbody tr")).to_have_count(13)
    assert serious_findings(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    context.close()
