"""The live page in a real browser: every state, both ways to confirm, the control that opens the relay."""

from __future__ import annotations

import copy
import time
from pathlib import Path
from typing import Any

import fake_run
import numpy as np
import pytest
from browser_bench import Bench, Served, serious_findings
from playwright.sync_api import BrowserContext, Page, Route, expect

from benchwarden.core.channels import INDEX
from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.record.journal import Journal

# What each state must say: in the first card, at the relay control, in the alarm strip.
SAYS = {
    "connecting": ("Looking for the board", "contact not known", ""),
    "cold-check": ("relay open", "OPEN: mains is off", ""),
    "confirm": ("Set the variable transformer to 50", "OPEN: mains is off", ""),
    "remove-limiter": ("The limiter lamp comes out", "OPEN: mains is off", ""),
    "waiting-reading": ("Turn the variable transformer slowly", "CLOSED: mains is on", ""),
    "settling": ("hold still", "CLOSED: mains is on", ""),
    "holding": ("every channel is watched", "CLOSED: mains is on", ""),
    "near": ("every channel is watched", "CLOSED: mains is on", ""),
    "missing": ("every channel is watched", "CLOSED: mains is on", ""),
    "tripped": ("TRIPPED", "OPEN: mains is off", "thermal-runaway"),
    "disagree": ("", "contact reads CLOSED but the board commands OPEN", "RELAY DISAGREES"),
    "link-lost": ("", "last known: CLOSED", "LINK TO THE BOARD LOST"),
    "finished": ("Verdict: pass", "OPEN: mains is off", ""),
    "aborted": ("Verdict: incomplete", "OPEN: mains is off", ""),
    "odd": ("", "contact not known", ""),
}


def test_every_state_is_shown(live: Page, bench: Any) -> None:
    for name, (said, relay, alarm) in SAYS.items():
        bench.show(name)
        expect(live.locator("#now")).to_contain_text(said)
        expect(live.locator("#dock-said")).to_contain_text(relay)
        if alarm:
            expect(live.locator("#shout")).to_contain_text(alarm)
        else:
            expect(live.locator("#shout")).to_be_hidden()
        confirmable = name in ("confirm", "remove-limiter", "tripped")
        expect(live.locator("#confirm-first")).to_be_visible(visible=confirmable)


def test_violations_are_words_and_signs(live: Page, bench: Any) -> None:
    # WCAG 2.2, 1.4.1: colour is not the only means of telling.
    bench.show("near")
    for channel, says in (
        ("bias_left_v", "△ near limit: 1.20 mV left"),
        ("hf_left_v", "▲ PEAK ABOVE LIMIT: 2.40 V"),
        ("offset_right_v", "◇ not as expected"),
        ("bias_right_v", "●"),
    ):
        expect(live.locator(f"tr[data-channel={channel}] .says")).to_contain_text(says)
    bench.show("missing")
    expect(live.locator("tr[data-channel=sink_left_c] .says")).to_contain_text("✕ NO READING")


def test_waits_for_a_run_and_picks_it_up(page: Page, tmp_path: Path) -> None:
    own = Served(tmp_path)
    bench = Bench(tmp_path)
    try:
        page.goto(own.url)
        expect(page.locator("#now")).to_contain_text("Waiting for a run to start here")
        bench.show("settling")
        expect(page.locator("#now")).to_contain_text("hold still")
        expect(page.locator("#heading")).to_contain_text("Virtual bench. Nothing here is a measurement.")
    finally:
        bench.close()
        own.kill()


def test_closing_is_confirmed_by_two_distinct_clicks(live: Page, bench: Any) -> None:
    bench.show("confirm")
    live.locator("#confirm-first").click()
    second = live.locator("#confirm-second")
    expect(second).to_have_text("Yes: put mains on the amplifier at 50 % mains, limiter lamp in circuit")
    time.sleep(0.5)
    assert bench.asked == []
    second.click()
    assert bench.wait_for(1) == [("confirm", 7)]
    expect(live.locator("#confirm-said")).to_contain_text("Waiting for the bench")
    expect(live.locator("#confirm-first")).to_be_hidden()
    bench.show("holding")
    expect(live.locator("#confirm-said")).to_be_hidden()


def test_closing_is_confirmed_by_keyboard_alone(live: Page, bench: Any) -> None:
    # WCAG 2.2, 2.1.1: everything can be done from the keyboard.
    bench.show("remove-limiter")
    expect(live.locator("#confirm-first")).to_be_visible()
    for _ in range(30):
        if live.evaluate("document.activeElement.id") == "confirm-first":
            break
        live.keyboard.press("Tab")
    live.keyboard.press("Enter")
    expect(live.locator("#confirm-step")).to_be_focused()
    # A second Enter where the first was does nothing.
    live.keyboard.press("Enter")
    live.keyboard.press("Tab")
    expect(live.locator("#confirm-cancel")).to_be_focused()
    live.keyboard.press("Tab")
    expect(live.locator("#confirm-second")).to_be_focused()
    expect(live.locator("#confirm-second")).to_contain_text("take the limiter lamp out of circuit")
    time.sleep(0.4)
    assert bench.asked == []
    live.keyboard.press("Enter")
    assert bench.wait_for(1) == [("confirm", 7)]


def test_double_click_confirms_nothing(live: Page, bench: Any) -> None:
    bench.show("confirm")
    live.locator("#confirm-first").dblclick()
    time.sleep(0.6)
    assert bench.asked == []


def test_second_step_goes_when_the_prompt_does(live: Page, bench: Any) -> None:
    bench.show("confirm")
    live.locator("#confirm-first").click()
    expect(live.locator("#confirm-step")).to_be_visible()
    other = fake_run.fresh("confirm")
    other["prompt"]["id"] = 8
    bench.show(other)
    expect(live.locator("#confirm-step")).to_be_hidden()
    expect(live.locator("#confirm-first")).to_be_visible()
    live.locator("#confirm-first").click()
    live.locator("#confirm-cancel").click()
    expect(live.locator("#confirm-step")).to_be_hidden()
    assert bench.asked == []


def test_reset_takes_one_press(live: Page, bench: Any) -> None:
    bench.show("tripped")
    live.locator("#confirm-first").click()
    assert bench.wait_for(1) == [("confirm", 7)]


def test_run_is_ended_by_two_presses(live: Page, bench: Any) -> None:
    live.locator("#end-first").click()
    expect(live.locator("#end-second")).to_have_text("Yes: open the relay and end the run")
    time.sleep(0.5)
    assert bench.asked == []
    live.locator("#end-second").click()
    assert bench.wait_for(1) == [("abort", 0)]


def opened(bench: Any) -> None:
    def obey(action: str, _prompt_id: int) -> None:
        if action == "open":
            bench._table["relay"].update(coil=False, contact=False, state="safe")

    bench.on_ask = obey


@pytest.mark.parametrize("way", ["click", "o", "Shift+O"])
def test_control_opens_the_relay_and_tells_what_the_contact_reads(live: Page, bench: Any, way: str) -> None:
    opened(bench)
    if way == "click":
        live.locator("#open-button").click()
    else:
        live.keyboard.press(way)
    assert bench.wait_for(1) == [("open", 0)]
    expect(live.locator("#open-said")).to_have_text("Contact reads OPEN.")


def test_contact_that_stays_closed_is_shouted(live: Page, bench: Any) -> None:
    live.keyboard.press("o")
    expect(live.locator("#open-said")).to_contain_text("CONTACT STILL READS CLOSED", timeout=4000)


def test_control_works_with_callbacks_blocked(live: Page, bench: Any) -> None:
    opened(bench)
    held: list[Route] = []
    live.route("**/_dash-update-component*", lambda route: held.append(route))
    time.sleep(0.3)
    live.locator("#open-button").click()
    assert bench.wait_for(1) == [("open", 0)]
    expect(live.locator("#open-said")).to_have_text("Contact reads OPEN.")
    # And the page says that its readings do not move any more.
    expect(live.locator("#shout")).to_contain_text("READINGS ON THIS PAGE ARE STUCK")
    for route in held:
        route.abort()
    live.complaints.clear()


def test_control_works_when_the_components_never_load(page: Page, served: Any, bench: Any, outside: list[str]) -> None:
    bench.show("holding")

    def refuse(route: Route) -> None:
        route.abort()

    page.route("**/_dash-*", refuse)
    page.goto(served.url)
    expect(page.locator("#dock-said")).to_contain_text("CLOSED: mains is on")
    page.keyboard.press("o")
    assert bench.wait_for(1) == [("open", 0)]


def test_control_works_without_any_script(browser: Any, served: Any, bench: Any) -> None:
    bench.show("holding")
    context = browser.new_context(java_script_enabled=False)
    try:
        page = context.new_page()
        page.goto(served.url)
        page.get_by_role("button", name="OPEN RELAY").click()
        assert bench.wait_for(1) == [("open", 0)]
        expect(page.locator("h1")).to_contain_text("Asked the bench to open the mains relay")
    finally:
        context.close()


def test_old_data_is_shouted_within_a_second_and_counted(live: Page, bench: Any) -> None:
    live.evaluate(
        """() => { new MutationObserver(() => {
            if (!document.getElementById('shout').hidden) window.shoutedAt ??= Date.now();
        }).observe(document.getElementById('shout'), {attributes: true, childList: true}); }"""
    )
    bench.show(None)
    written_ms = (bench.run_dir / "status.json").stat().st_mtime * 1000
    expect(live.locator("#shout")).to_contain_text("LAST DATA 3 s AGO", timeout=6000)
    # Both clocks are this machine's; the figure is the promise made to the person.
    assert live.evaluate("window.shoutedAt") - written_ms < 1300
    expect(live.locator("#dock-said")).to_contain_text("last known")
    bench.show("holding")
    expect(live.locator("#shout")).to_be_hidden()


def test_frozen_dashboard_is_told_by_its_own_page(live: Page, served: Any, bench: Any) -> None:
    served.freeze()
    try:
        expect(live.locator("#shout")).to_contain_text("This page has lost its own program", timeout=4000)
        expect(live.locator("#dock-said")).to_have_text("not known any more")
        before = bench._t_s
        time.sleep(0.5)
        # The writer of the status goes on as if nothing had happened.
        assert bench._t_s > before
        live.keyboard.press("o")
        expect(live.locator("#open-said")).to_contain_text("NOT SENT", timeout=5000)
    finally:
        served.thaw()
    expect(live.locator("#shout")).to_be_hidden(timeout=5000)
    live.complaints.clear()


def test_open_page_goes_on_after_the_dashboard_was_killed_and_restarted(live: Page, served: Any, bench: Any) -> None:
    served.kill()
    expect(live.locator("#shout")).to_contain_text("This page has lost its own program", timeout=4000)
    served.start()
    bench.show("near")
    expect(live.locator("#shout")).to_be_hidden(timeout=8000)
    expect(live.locator("tr[data-channel=hf_left_v] .says")).to_contain_text("PEAK", timeout=8000)
    live.keyboard.press("o")
    assert bench.wait_for(1) == [("open", 0)]
    # The refused connections in between are the browser's to tell.
    live.complaints.clear()


def test_text_from_the_run_lands_as_text(live: Page, bench: Any) -> None:
    bench.show("hostile")
    expect(live.locator("#now")).to_contain_text('<img src=x onerror="window.hit=1">')
    expect(live.locator("#shout")).to_contain_text("<script>")
    live.reload()
    expect(live.locator("#now")).to_contain_text('<img src=x onerror="window.hit=1">')
    assert live.evaluate("window.hit") is None
    assert live.locator("#bench img, #shout img").count() == 0


def frames(first: int, count: int) -> np.ndarray:
    found = np.zeros(count, FRAME_DTYPE)
    found["t_ms"] = 1000 + 100 * np.arange(first, first + count)
    found["valid"] = 0xFFFF
    found["mean"][:, INDEX["bias_left_v"]] = 0.011 + 0.0001 * np.sin(np.arange(count) / 9)
    found["min"], found["max"] = found["mean"], found["mean"]
    return found


def wait_for_points(page: Page, count: int) -> None:
    # The browser's own waiting would need eval, which the page forbids.
    found = -1
    for _ in range(100):
        found = page.evaluate("document.querySelector('.trend-bias .js-plotly-plot')?.data?.[0].x.length ?? 0")
        if found == count:
            return
        page.wait_for_timeout(100)
    assert found == count


def test_trends_are_drawn_and_extended(page: Page, served: Any, bench: Any, outside: list[str]) -> None:
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    bench.show("holding")
    with Journal.create(served.run_dir, {"run": "test", "t0_ms": 1000}) as journal:
        journal.append_frames(1, np.arange(1, 401, dtype=np.uint32), frames(0, 400))
        journal.commit()
        page.goto(served.url)
        wait_for_points(page, 39)
        journal.append_frames(1, np.arange(401, 501, dtype=np.uint32), frames(400, 100))
        journal.commit()
        wait_for_points(page, 49)
    times = page.evaluate("document.querySelector('.trend-bias .js-plotly-plot').data[0].x")
    assert times == pytest.approx([second / 60 for second in range(49)])
    values = page.evaluate("document.querySelector('.trend-bias .js-plotly-plot').data[0].y")
    assert all(10.8 < value < 11.2 for value in values)
    assert errors == []


@pytest.mark.parametrize("size", [(1366, 768), (390, 844), (1920, 1080), (320, 568)])
def test_control_keeps_its_place_at_every_width(live: Page, bench: Any, size: tuple[int, int]) -> None:
    live.set_viewport_size({"width": size[0], "height": size[1]})
    for name in ("holding", "disagree", "hostile"):
        bench.show(name)
        for scroll in (0, 100_000):
            live.evaluate(f"window.scrollTo(0, {scroll})")
            box = live.locator("#open-button").bounding_box()
            assert box is not None
            assert box["x"] + box["width"] >= size[0] - 24
            assert box["y"] + box["height"] >= size[1] - 60
            assert box["y"] + box["height"] <= size[1]
            # WCAG 2.2, 2.5.5 (enhanced target size): at least 44 by 44 CSS pixels.
            assert min(box["width"], box["height"]) >= 44
            middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
            assert live.evaluate("([x, y]) => !!document.elementFromPoint(x, y).closest('#open-button')", middle)
        wide = "[...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > innerWidth + 1)"
        assert live.evaluate(f"{wide}.map(e => e.outerHTML.slice(0, 80))") == []


def test_main_figures_can_be_read_at_three_metres(live: Page) -> None:
    # ISO 9241-303: characters of at least 16 minutes of arc (from memory). At 3 m that is
    # 3000 mm * tan(16/60 deg) = 13.96 mm, 52.8 CSS pixels of 1/96 inch; capitals and
    # figures of these faces are at least 0.71 of the font size.
    sizes = live.evaluate(
        "[...document.querySelectorAll('.figure .big')].map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert len(sizes) == 8
    assert min(sizes) * 0.71 >= 52


_CONTRAST = """() => {
    const parts = (c) => (c.match(/[\\d.]+/g) || []).map(Number);
    const lum = (c) => { const f = c.slice(0, 3).map(v => { v /= 255;
        return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
        return 0.2126 * f[0] + 0.7152 * f[1] + 0.0722 * f[2]; };
    const out = [];
    for (const e of document.querySelectorAll('body *')) {
        const own = [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
        if (!own || e.closest('[hidden], svg, noscript, script, option') || !e.getClientRects().length) continue;
        let b = e, back = null;
        while (b && !back) { const c = parts(getComputedStyle(b).backgroundColor);
            if (c.length === 3 || c[3] === 1) back = c; b = b.parentElement; }
        const one = lum(parts(getComputedStyle(e).color)), two = lum(back || [255, 255, 255]);
        const ratio = (Math.max(one, two) + 0.05) / (Math.min(one, two) + 0.05);
        if (ratio < 4.5) out.push([ratio.toFixed(2), e.className, e.textContent.slice(0, 40)]);
    }
    return out;
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_in_light_and_dark(live: Page, bench: Any, scheme: Any) -> None:
    # WCAG 2.2, 1.4.3: contrast of at least 4.5 to 1, computed as defined there.
    live.emulate_media(color_scheme=scheme)
    for name in ("confirm", "near", "tripped", "settling", "disagree"):
        bench.show(name)
        if name == "confirm":
            live.locator("#confirm-first").click()
            expect(live.locator("#confirm-second")).to_be_visible()
        time.sleep(0.4)
        assert live.evaluate(_CONTRAST) == []


def test_two_pages_show_the_same_run(context: BrowserContext, live: Page, served: Any, bench: Any) -> None:
    other = context.new_page()
    try:
        other.goto(served.url)
        bench.show("near")
        for page in (live, other):
            expect(page.locator("tr[data-channel=hf_left_v] .says")).to_contain_text("PEAK")
    finally:
        other.close()


def test_writer_never_waits_for_readers(live: Page, bench: Any) -> None:
    # Ten statuses a second are written while the page reads; copying guards against a shared table.
    table = copy.deepcopy(fake_run.fresh("holding"))
    bench.show(table)
    before = bench._t_s
    time.sleep(2)
    assert bench._t_s - before > 1.0


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_state_is_open_to_everybody(live: Page, bench: Any, scheme: Any) -> None:
    # axe-core's rules for WCAG 2.0 to 2.2, levels A and AA, and its best practices.
    live.emulate_media(color_scheme=scheme)
    for name in ("connecting", "confirm", "holding", "near", "missing", "tripped", "link-lost", "finished"):
        bench.show(name)
        expect(live.locator("#now")).to_contain_text(SAYS[name][0])
        expect(live.locator("#shout")).to_contain_text(SAYS[name][2])
        assert serious_findings(live) == [], name
    live.emulate_media(color_scheme="light")


def test_the_forecast_is_drawn_ahead_of_the_readings(live: Page, bench: Any) -> None:
    table = fake_run.fresh("holding")
    table["outlook"]["left"] |= {
        "ahead": [[100.0, 9.4, 9.4, 9.4], [400.0, 10.9, 10.5, 11.4], [700.0, 11.7, 11.0, 12.3]],
        "sink_ahead": [[100.0, 38.0, 38.0, 38.0], [700.0, 44.0, 42.0, 46.0]],
    }
    bench.show(table)
    for plot, first, last in (("bias", 9.4, 11.7), ("temperature", 38.0, 44.0)):
        drawn = f"document.querySelector('#trend-{plot} .js-plotly-plot').data.at(-4).y"
        expect(live.locator(f"#trend-{plot} .js-fill").first).to_be_attached()
        assert live.evaluate(f"[{drawn}[0], {drawn}.at(-1)]") == [first, last]
    # The forecast goes with the run.
    bench.show("tripped")
    expect(live.locator("#trend-bias .js-fill")).to_have_count(0)


def test_what_proves_an_act_is_shown_as_it_comes(live: Page, bench: Any) -> None:
    table = fake_run.fresh("waiting-reading")
    stage = table["stages"][table["stage_index"]]
    stage["expected"] = {"rail_pos_v": [40.0, 42.0, 44.0]}
    table["values"]["rail_pos_v"] = [30.0, 30.0, 30.0]
    bench.show(table)
    row = live.locator("#proofs li", has_text="Positive rail")
    expect(row).to_have_text("◇ Positive rail 30.00 V needs 40.00 to 44.00 V")
    table["values"]["rail_pos_v"] = [41.0, 41.0, 41.0]
    expect(row).to_have_text("✓ Positive rail 41.00 V as needed (40.00 to 44.00 V)")


def test_confirming_is_not_hidden_by_the_control(live: Page, bench: Any) -> None:
    # WCAG 2.2, 2.4.11: what has the focus is not covered by the control at the bottom.
    bench.show("remove-limiter")
    live.set_viewport_size({"width": 390, "height": 500})
    live.locator("#confirm-first").focus()
    box, dock = live.locator("#confirm-first").bounding_box(), live.locator("#open-form").bounding_box()
    assert box is not None
    assert dock is not None
    assert box["y"] + box["height"] <= dock["y"]
    live.set_viewport_size({"width": 1366, "height": 768})
