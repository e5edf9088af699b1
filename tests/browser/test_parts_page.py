"""The parts page in Chromium: a lot typed and pasted, doubts shown, substitutes judged, two writers, hostile text."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from importlib import resources
from typing import Any

import pytest
from browser_bench import serious_findings
from playwright.sync_api import expect
from test_checks_page import HOSTILE, Site

from benchwarden.core.job import Job
from benchwarden.core.job_form import job_from
from benchwarden.core.part_lots import PartLot, Piece
from benchwarden.core.unit import load_toml
from benchwarden.parts.incoming import PROOF
from benchwarden.parts.parts_list import example_parts

# hFE, VBE, capacitance and leakage of six pieces, the last of another kind; invented.
PASTED = (
    "Piece\thFE\tVBE\tCob\tICEO\n1\t84\t0,682\t412\t0,4\n2\t88\t0,680\t418\t0,5\n3\t81\t0,683\t409\t0,3\n"
    "4\t86\t0,681\t415\t0,5\n5\t85\t0,681\t413\t0,4\n6\t240\t0,650\t150\t0,4\n"
)
PASTE = """(field, text) => {
  const data = new DataTransfer();
  data.setData("text/plain", text);
  field.dispatchEvent(new ClipboardEvent("paste", {clipboardData: data, bubbles: true, cancelable: true}));
}"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    found = Site(tmp_path_factory.mktemp("parts"))
    yield found
    found.served.kill()


@pytest.fixture
def parts(page: Any, site: Site) -> Iterator[Any]:
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


def demo_job() -> Job:
    with resources.as_file(resources.files("benchwarden.virtual") / "demo_job.toml") as path:
        return job_from(load_toml(path), "demo_job.toml")


def show(page: Any, site: Site, number: str) -> None:
    page.goto(f"{site.url}parts/?job={number}")
    expect(page.locator("#job-said")).to_contain_text(f"Job {number}")
    expect(page.locator("#plan-effect")).not_to_be_empty()


def save(page: Any) -> Any:
    page.get_by_role("button", name="Save lots and substitutes").click()
    return page.locator("#save-said")


def cell(page: Any, column: str, row: int) -> Any:
    return page.get_by_role("group", name="Measured pieces of the lot, table").get_by_label(
        f"{column}, row {row}", exact=True
    )


def test_a_lot_typed_by_the_keyboard_alone_saved_and_opened_again(parts: Any, site: Site) -> None:
    number = site.make()
    show(parts, site, number)
    expect(parts.locator("#lots-list")).to_contain_text("This job has no lots yet.")
    parts.locator("#add-lot").focus()
    parts.keyboard.press("Enter")
    name = parts.get_by_label("Name of the lot")
    expect(name).to_have_value("lot 1")
    name.focus()
    press, write = parts.keyboard.press, parts.keyboard.type
    press("Control+A")
    write("outputs")
    press("Tab")
    write("LM 6001P")
    press("Tab")
    press("ArrowRight")  # pnp
    expect(parts.get_by_role("radio", name="pnp")).to_be_checked()
    press("Tab")
    press("ArrowUp")  # from unknown to pulled from a set
    expect(parts.get_by_role("radio", name="pulled from a set")).to_be_checked()
    press("Tab")
    write("an old receiver")
    parts.get_by_role("group", name="Measured pieces of the lot, table").focus()
    for text in ("a", "84", "0,682", "412", "0,4"):
        press("Tab")
        write(text)
    press("Tab")
    result = parts.locator("#lot-result")
    expect(result).to_contain_text("△ Doubts")
    expect(result).to_contain_text("pulled from a set (an old receiver)")
    expect(result).to_contain_text(PROOF)
    expect(parts.locator("#plan-effect")).to_contain_text("more careful, degree 1 of 3")
    expect(parts.locator("#unsaved")).to_be_visible()
    parts.locator("#save").focus()
    press("Enter")
    expect(parts.locator("#save-said")).to_have_text("Saved as version 2.")
    wanted = PartLot("outputs", "LM 6001P", "pnp", "pulled from a set", "an old receiver",
                     pieces=(Piece("a", 84.0, 0.682, 412.0, 0.4),))  # fmt: skip
    assert site.job(number).lots == (wanted,)
    show(parts, site, number)
    expect(name).to_have_value("outputs")
    expect(cell(parts, "VBE", 1)).to_have_value("0.682")
    expect(result).to_contain_text("△ Doubts")
    expect(parts.locator("#unsaved")).to_be_hidden()


def test_a_pasted_table_is_sorted_in_and_its_odd_piece_named(parts: Any, site: Site) -> None:
    number = site.make(lots=(PartLot("outputs", "LM 1N", source="appointed distributor"),))
    show(parts, site, number)
    expect(parts.locator("#lot-result")).to_contain_text("○ Nothing found")
    cell(parts, "Piece", 1).evaluate(PASTE, PASTED)
    expect(parts.locator("#pasted-said")).to_have_text("6 rows pasted. The line of headings was left out.")
    expect(cell(parts, "Capacitance", 6)).to_have_value("150")
    strip = parts.get_by_role("img", name="collector-base capacitance")
    assert "6 150 pF (odd)" in strip.get_attribute("aria-label")
    assert "5 413 pF," in strip.get_attribute("aria-label") + ","
    expect(strip.locator(".dot-name")).to_have_text(["6"])
    parts.get_by_text("Statistics: ").click()
    expect(parts.get_by_role("group", name="Statistical tests")).to_contain_text("Grubbs 1969, Technometrics 11")
    expect(save(parts)).to_have_text("Saved as version 2.")
    assert site.job(number).lots[0].pieces[5] == Piece("6", 240.0, 0.65, 150.0, 0.4)


def test_what_is_wrong_is_said_where_it_is_and_stays_when_another_lot_is_looked_at(parts: Any, site: Site) -> None:
    number = site.make(lots=(PartLot("first", "LM 1N"), PartLot("second", "LM 1P", "pnp")))
    show(parts, site, number)
    cell(parts, "hFE", 2).fill("many")
    parts.get_by_label("Bought in").fill("soon")
    parts.get_by_label("Bought in").press("Tab")
    said = parts.get_by_text("Row 2, hFE: “many” is not a number. Allowed: 0 to 100000.")
    expect(said).to_be_visible()
    expect(cell(parts, "hFE", 2)).to_have_attribute("aria-invalid", "true")
    assert cell(parts, "hFE", 2).get_attribute("aria-describedby") == said.get_attribute("id")
    expect(parts.get_by_label("Bought in")).to_have_attribute("aria-invalid", "true")
    expect(parts.locator("#lot-result")).to_contain_text("Not judged while something cannot be read: Bought in")
    parts.get_by_role("button", name="second").click()
    expect(parts.get_by_label("Name of the lot")).to_have_value("second")
    expect(save(parts)).to_contain_text("Not saved: first correct first.")
    parts.get_by_role("button", name="first").click()
    expect(cell(parts, "hFE", 2)).to_have_value("many")
    cell(parts, "hFE", 2).fill("")
    parts.get_by_label("Bought in").fill("2024")
    # Two lots of one name would not tell which one a fitted part is of.
    parts.get_by_label("Name of the lot").fill("second")
    expect(save(parts)).to_contain_text("more than one lot is called second")
    parts.locator("#remove-lot").click()
    expect(parts.locator("#pasted-said")).to_contain_text("is taken out here; the job keeps it until this is saved")
    expect(parts.get_by_role("button", name="second")).to_have_count(1)
    expect(save(parts)).to_have_text("Saved as version 2.")
    assert [lot.marking for lot in site.job(number).lots] == ["LM 1P"]


def test_two_writers_lose_nothing(parts: Any, site: Site) -> None:
    number = site.make(lots=(PartLot("outputs", "LM 1N"),))
    show(parts, site, number)
    parts.get_by_role("textbox", name="Dealer").fill("by the harbour")
    with site.store() as store:
        theirs = (PartLot("outputs", "LM 1N", ink="odd"), PartLot("drivers", "LM 2N"))
        store.save(replace(store.open(number), complaint="hums", lots=theirs), by="bench 2")
    said = save(parts)
    expect(said).to_contain_text("saved by bench 2")
    expect(said).to_contain_text("Both of you changed: lots of parts. Their lots: outputs, drivers.")
    assert serious_findings(parts) == []
    expect(parts.get_by_role("textbox", name="Dealer")).to_have_value("by the harbour")
    assert site.job(number).lots == theirs
    parts.get_by_role("button", name="Keep lots and substitutes as typed here").click()
    expect(said).to_have_text("Saved as version 3.")
    kept = site.job(number)
    assert (kept.complaint, [lot.dealer for lot in kept.lots]) == ("hums", ["by the harbour"])


def test_a_substitute_from_the_list_is_judged_row_by_row(parts: Any, site: Site) -> None:
    original, candidate, *_ = [
        one for one in example_parts().values() if one.polarity == "npn" and one.soa and (one.power_w or 0.0) > 90.0
    ]
    number = site.make()
    show(parts, site, number)
    expect(parts.locator("#substitutes-list")).to_contain_text("This job has no substitutes")
    parts.locator("#add-sub").click()
    expect(parts.locator("#substitute-result")).to_contain_text("Not judged while something is to be corrected")
    for side, ratings in (("original", original), ("candidate", candidate)):
        group = parts.locator("#substitute-form fieldset.plan-group").nth(0 if side == "original" else 1)
        group.get_by_label("Type").first.fill("no such type")
        parts.get_by_role("button", name=f"Fill in the {side} from the parts list").click()
        expect(parts.locator("#fill-said")).to_contain_text("“no such type” is not in the list. Allowed: ")
        group.get_by_label("Type").first.fill(ratings.marking)
        parts.get_by_role("button", name=f"Fill in the {side} from the parts list").click()
        expect(parts.locator("#fill-said")).to_contain_text(ratings.marking)
    table = parts.get_by_role("group", name="Original and candidate, rating by rating")
    expect(table.locator("tbody tr").first).to_be_visible()
    expect(table.locator("thead")).to_contain_text(candidate.marking)
    picture = parts.locator(".parts-area")
    expect(picture.locator(".js-plotly-plot .trace").first).to_be_visible()
    assert original.marking in picture.get_attribute("aria-label") or "original" in picture.get_attribute("aria-label")
    # Lines differ without colour: broken, whole, dotted.
    dashes = picture.locator(".scatterlayer .js-line").evaluate_all(
        "lines => [...new Set(lines.map(l => getComputedStyle(l).strokeDasharray))]"
    )
    assert len(dashes) == 3
    assert serious_findings(parts) == []
    expect(save(parts)).to_have_text("Saved as version 2.")
    kept = site.job(number).substitutions
    assert [(one.role, one.original, one.candidate) for one in kept] == [("output", original, candidate)]
    parts.set_viewport_size({"width": 390, "height": 844})
    assert parts.evaluate("document.documentElement.scrollWidth") <= 390


def test_without_unit_facts_a_substitute_is_not_judged(parts: Any, site: Site) -> None:
    one, other = list(example_parts().values())[:2]
    with site.store() as store:
        job = replace(demo_job(), number="facts", unit={}, lots=())
        store.create(replace(job, substitutions=()))
    show(parts, site, "facts")
    parts.locator("#add-sub").click()
    for at, ratings in enumerate((one, other)):
        parts.locator("#substitute-form fieldset.plan-group").nth(at).get_by_label("Type").first.fill(ratings.marking)
        parts.get_by_role("button", name="Fill in the").nth(at).click()
        expect(parts.locator("#fill-said")).to_contain_text(ratings.marking)
    expect(parts.locator("#substitute-result")).to_contain_text("the job's unit facts are not complete")


def test_hostile_text_is_only_text(parts: Any, site: Site) -> None:
    short = HOSTILE[:190]
    lot = PartLot(short, short, dealer=short, note=HOSTILE, ink="odd", pieces=tuple(
        Piece(short[:60] + str(n), 80.0 + n * n * n, 0.6, 100.0, 1.0) for n in range(6)))  # fmt: skip
    number = site.make(lots=(lot,), customer=short)
    show(parts, site, number)
    expect(parts.locator("#lot-result")).to_contain_text("<img src=x onerror=")
    expect(parts.get_by_label("Name of the lot")).to_have_value(short)
    for width in (1366, 390):
        parts.set_viewport_size({"width": width, "height": 800})
        assert parts.evaluate("document.documentElement.scrollWidth") <= width
    assert parts.evaluate("window.hit") is None
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in parts.locator("#lots-list").inner_text()
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in parts.locator("#lot-result").inner_text()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_is_hard_to_read_or_to_reach(parts: Any, site: Site, scheme: str) -> None:
    job = demo_job()
    doubtful = replace(job.lots[0], name="doubtful", source="unknown", ink="odd", date_code_year=2099)
    number = site.make(lots=(doubtful, *job.lots))
    show(parts, site, number)
    parts.emulate_media(color_scheme=scheme)
    expect(parts.locator("#lot-result")).to_contain_text("✕ Do not fit")
    expect(parts.locator("#plan-effect")).to_contain_text("should not be fitted")
    assert serious_findings(parts) == []
    parts.set_viewport_size({"width": 390, "height": 844})
    assert parts.evaluate("document.documentElement.scrollWidth") <= 390
    # WCAG 2.2, 2.5.5 target size (enhanced): 44 px.
    for target in parts.locator("#place button:visible, #place input[type=text]:visible").all():
        assert target.bounding_box()["height"] >= 44
