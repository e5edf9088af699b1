"""The drawings say what the netlists say, can be read, and are up to date in the repository."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from itertools import pairwise

import pytest

from circuits import insulation
from circuits.drawing import DRAWINGS, FOLDER
from circuits.drawing_page import Page, TextBox
from circuits.drawing_sheet import LayoutError, Schematic
from circuits.netlist import LOGIC, Part, Sheet, nets
from circuits.sheets import SHEETS
from circuits.stock import resistor

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def pages() -> dict[str, Page]:
    return {name: make() for name, make in DRAWINGS.items()}


def words(name: str) -> list[str]:
    """Return every line of text in a committed drawing, in order."""
    root = ET.parse(FOLDER / f"{name}.svg").getroot()
    return ["".join(text.itertext()) for text in root.iter(f"{SVG}text")]


def test_every_sheet_has_a_drawing() -> None:
    assert set(SHEETS) <= set(DRAWINGS)


@pytest.mark.parametrize("name", sorted(DRAWINGS))
def test_the_committed_drawing_is_what_the_netlist_makes_today(name: str, pages: dict[str, Page]) -> None:
    committed = (FOLDER / f"{name}.svg").read_text(encoding="utf-8")
    # A second call makes everything anew: nothing may hang on the order of calls.
    assert DRAWINGS[name]().svg() == committed, "run python -m circuits.drawing in hardware/"
    assert pages[name].svg() == committed


@pytest.mark.parametrize("name", sorted(SHEETS))
def test_every_part_is_drawn_with_its_value(name: str) -> None:
    lines = words(name)
    captions = set(pairwise(lines))
    for part in SHEETS[name].parts:
        shown = [value for ref, value in captions if ref == part.ref]
        assert any(value.startswith(part.value) for value in shown), f"{part.ref} {part.value}: drawn with {shown}"


@pytest.mark.parametrize("name", sorted(DRAWINGS))
def test_no_text_leaves_the_page_or_collides(name: str, pages: dict[str, Page]) -> None:
    assert list(pages[name].collisions()) == []


@pytest.mark.parametrize("name", sorted(DRAWINGS))
def test_the_frame_holds_everything_drawn(name: str) -> None:
    root = ET.parse(FOLDER / f"{name}.svg").getroot()
    left, top, width, height = (float(v) for v in root.attrib["viewBox"].split())
    points = [float(v) for v in re.split("[ ,]+", next(root.iter(f"{SVG}polygon")).attrib["points"].strip())]
    # The first polygon is the frame; the library lets the picture grow with whatever sticks out.
    assert left == pytest.approx(min(points[::2]), abs=2.0)
    assert left + width == pytest.approx(max(points[::2]), abs=2.0)
    assert top == pytest.approx(min(points[1::2]), abs=2.0)
    assert top + height == pytest.approx(max(points[1::2]), abs=2.0)


@pytest.mark.parametrize("name", sorted({sheet for sheet, _ in insulation.crossing(SHEETS.values())}))
def test_a_sheet_with_parts_across_insulation_shows_the_barrier(name: str) -> None:
    text = (FOLDER / f"{name}.svg").read_text(encoding="utf-8")
    bold_dashed = re.findall(r"stroke-width:3\.2;stroke-dasharray:", text)
    across = {ref for sheet, ref in insulation.crossing(SHEETS.values()) if sheet == name}
    told = " ".join(line for line in words(name) if "insulation" in line)
    # Inlet and outlet are between mains and earth, drawn with the earth mark instead.
    assert not across - {"J3", "J5"} or bold_dashed
    assert all(ref in told for ref in across - {"J3", "J5"}), told


# The engine refuses what does not agree with the netlist.


def small_sheet() -> Sheet:
    parts: tuple[Part, ...] = (
        resistor("R1", "1k", "IN", "MID"),
        resistor("R2", "2.2k", "MID", "OUT"),
        resistor("R3", "3.3k", "OUT", "GND"),
    )
    return Sheet("small", "Small", "test", parts, nets(LOGIC, "IN MID OUT", grounds="GND"))


def placed() -> Schematic:
    s = Schematic(small_sheet(), "", 16.0, 8.0)
    s.two("R1", (2.0, 4.0), (4.0, 4.0))
    s.two("R2", (6.0, 4.0), (8.0, 4.0))
    s.two("R3", (11.0, 4.0), (11.0, 2.0))
    return s


def test_a_wire_between_two_nets_is_refused() -> None:
    s = placed()
    with pytest.raises(LayoutError, match=r"R2\.2 is on OUT, the wire on MID"):
        s.wire("R1.2", "R2.2")


def test_a_wire_that_runs_over_another_pin_is_refused() -> None:
    s = placed()
    s.wire("R1.2", "R2.1")
    s.wire((1.0, 4.0), (9.0, 4.0), net="OUT")
    with pytest.raises(LayoutError, match="touch"):
        s.finish()


def test_a_part_left_out_is_refused() -> None:
    s = Schematic(small_sheet(), "", 16.0, 8.0)
    s.two("R1", (2.0, 4.0), (4.0, 4.0))
    with pytest.raises(LayoutError, match=r"R2\.1 is not drawn"):
        s.finish()


def test_a_net_in_two_pieces_without_a_name_is_refused() -> None:
    s = placed()
    s.wire("R1.2", (5.0, None))
    s.wire("R2.1", (5.5, None))
    with pytest.raises(LayoutError, match="a piece of MID"):
        s.finish()


def test_a_part_drawn_twice_is_refused() -> None:
    s = placed()
    with pytest.raises(LayoutError, match=r"R1\.1 is drawn twice"):
        s.two("R1", (2.0, 6.0), (4.0, 6.0))


def test_three_arms_get_a_dot_and_a_crossing_none() -> None:
    s = placed()
    s.wire("R1.2", "R2.1")
    s.wire((5.0, 4.0), (5.0, 2.0), net="MID")
    s.wire("R2.2", (9.0, None), (None, 3.0), (4.5, None), (None, 2.5))
    s.tag((4.5, 2.5), "down")
    page = s.finish()
    assert page.svg().count("<circle") == 1


# The page knows what can be read.


def test_text_on_text_on_a_line_and_over_the_edge_is_found() -> None:
    page = Page("t", "n", 10.0, 6.0)
    page.text((2.0, 2.0), "first")
    page.text((2.2, 2.05), "second")
    page.line([(5.0, 1.0), (5.0, 3.0)])
    page.text((4.8, 2.0), "third")
    page.text((9.8, 4.0), "fourth")
    found = " | ".join(page.collisions())
    assert "'first' meets 'second'" in found
    assert "'third' at" in found
    assert "'fourth' leaves the page" in found


def test_a_line_beside_a_box_does_not_cross_it() -> None:
    box = TextBox("x", 1.0, 1.0, 2.0, 2.0)
    assert box.is_crossed_by((0.0, 0.0), (3.0, 3.0))
    assert not box.is_crossed_by((0.0, 1.0), (3.0, 1.0))
    assert not box.is_crossed_by((0.0, 2.5), (3.0, 2.5))
    assert not box.is_crossed_by((0.0, 1.5), (0.9, 1.5))
