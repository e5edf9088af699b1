"""Which symbol stands for which part, and the colours and ground marks of the insulation domains."""

from __future__ import annotations

from collections.abc import Callable

from schemdraw import elements as elm

from circuits.drawing_page import INK, Page, Point
from circuits.netlist import (
    COIL12,
    EARTH,
    LOGIC,
    OUT_LEFT,
    OUT_RIGHT,
    RAIL_NEG,
    RAIL_POS,
    SENSOR,
    Part,
    Sheet,
)
from circuits.netlist import MAINS as MAINS_DOMAIN

GREY = "#777777"
BARRIER = "#7a1fa2"
MAINS = "#c00000"

_COLOURS = {
    LOGIC: INK,
    COIL12: "#1a4fb4",
    MAINS_DOMAIN: MAINS,
    EARTH: "#2e7d32",
    RAIL_POS: "#a84600",
    RAIL_NEG: "#6a3fa0",
    OUT_LEFT: "#00727a",
    OUT_RIGHT: "#00727a",
    SENSOR: "#5d4037",
}

Draw = Callable[[Page, Point, Point, str], None]


def _along(start: Point, end: Point, along: float, across: float) -> Point:
    """Return the point at units along and across (to the left of) the way from start to end, from its middle."""
    length = ((end[0] - start[0]) ** 2 + (end[1] - start[1]) ** 2) ** 0.5
    ux, uy = (end[0] - start[0]) / length, (end[1] - start[1]) / length
    mx, my = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
    return (mx + along * ux - across * uy, my + along * uy + across * ux)


def _leads(page: Page, start: Point, end: Point, half: float, colour: str) -> None:
    page.line([start, _along(start, end, -half, 0.0)], colour, obstacle=False)
    page.line([_along(start, end, half, 0.0), end], colour, obstacle=False)


def coil(page: Page, start: Point, end: Point, colour: str) -> None:
    _leads(page, start, end, 0.3, colour)
    corners = [_along(start, end, a, b) for a, b in ((-0.3, -0.45), (0.3, -0.45), (0.3, 0.45), (-0.3, 0.45))]
    page.polygon(corners, colour)
    page.line([corners[0], corners[2]], colour, obstacle=False)


def contact_open(page: Page, start: Point, end: Point, colour: str) -> None:
    _leads(page, start, end, 0.4, colour)
    page.line([_along(start, end, -0.4, 0.0), _along(start, end, 0.35, 0.4)], colour, 1.6, obstacle=False)


def contact_closed(page: Page, start: Point, end: Point, colour: str) -> None:
    _leads(page, start, end, 0.4, colour)
    page.line([_along(start, end, 0.4, 0.0), _along(start, end, 0.4, 0.35)], colour, 1.6, obstacle=False)
    page.line([_along(start, end, -0.4, 0.0), _along(start, end, 0.5, 0.3)], colour, 1.6, obstacle=False)


def button_open(page: Page, start: Point, end: Point, colour: str) -> None:
    contact_open(page, start, end, colour)
    _plunger(page, start, end, colour)


def button_closed(page: Page, start: Point, end: Point, colour: str) -> None:
    contact_closed(page, start, end, colour)
    _plunger(page, start, end, colour)


def _plunger(page: Page, start: Point, end: Point, colour: str) -> None:
    page.line([_along(start, end, 0.0, 0.22), _along(start, end, 0.0, 0.65)], colour, dashed=True, obstacle=False)
    page.line([_along(start, end, -0.2, 0.65), _along(start, end, 0.2, 0.65)], colour, 1.6, obstacle=False)


def lamp(page: Page, start: Point, end: Point, colour: str) -> None:
    _leads(page, start, end, 0.35, colour)
    page.circle(_along(start, end, 0.0, 0.0), 0.35, colour)
    for side in (-1, 1):
        page.line([_along(start, end, -0.25, -0.25 * side), _along(start, end, 0.25, 0.25 * side)], colour)


def buzzer(page: Page, start: Point, end: Point, colour: str) -> None:
    _leads(page, start, end, 0.3, colour)
    page.circle(_along(start, end, 0.0, 0.0), 0.3, colour)


def open_link(page: Page, start: Point, end: Point, colour: str) -> None:
    for a, b, along in ((start, -0.35, -0.35), (end, 0.35, 0.35)):
        page.line([a, _along(start, end, b, 0.0)], colour, obstacle=False)
        page.circle(_along(start, end, along, 0.0), 0.07, colour, "white")


def closed_link(page: Page, start: Point, end: Point, colour: str) -> None:
    open_link(page, start, end, colour)
    page.line([_along(start, end, -0.35, 0.12), _along(start, end, 0.35, 0.12)], colour, 2.2, obstacle=False)


def varistor(page: Page, start: Point, end: Point, colour: str) -> None:
    _leads(page, start, end, 0.5, colour)
    page.polygon([_along(start, end, a, b) for a, b in ((-0.5, -0.2), (0.5, -0.2), (0.5, 0.2), (-0.5, 0.2))], colour)
    page.line(
        [_along(start, end, a, b) for a, b in ((-0.6, -0.35), (-0.4, -0.35), (0.35, 0.35))], colour, obstacle=False
    )


def electrolytic(page: Page, start: Point, end: Point, colour: str) -> None:
    page.element(elm.Capacitor2(), start, end, colour)
    x, y = _along(start, end, -0.3, 0.28)
    page.line([(x - 0.1, y), (x + 0.1, y)], colour, obstacle=False)
    page.line([(x, y - 0.1), (x, y + 0.1)], colour, obstacle=False)


TWO_ENDED: dict[str, type[elm.Element] | Draw] = {
    "resistor": elm.ResistorIEC,
    "capacitor": elm.Capacitor,
    "electrolytic": electrolytic,
    "diode": elm.Diode,
    "schottky": elm.Schottky,
    "zener": elm.Zener,
    "tvs": elm.DiodeTVS,
    "led": elm.LED,
    "fuse": elm.FuseIEC,
    "inductor": elm.Inductor,
    "thermistor": elm.Thermistor,
    "coil": coil,
    "contact-no": contact_open,
    "contact-nc": contact_closed,
    "button-no": button_open,
    "button-nc": button_closed,
    "lamp": lamp,
    "buzzer": buzzer,
    "link": closed_link,
    "open": open_link,
    "varistor": varistor,
}


_KEYS = {
    "R": "resistor",
    "C": "capacitor",
    "CP": "electrolytic",
    "D": "diode",
    "Z": "zener",
    "F": "fuse",
    "PTC": "varistor",
    "MOV": "varistor",
    "NTC": "thermistor",
    "LAMP": "lamp",
    "BUZZER": "buzzer",
    "LINK": "link",
    "OPEN": "open",
}


def key_of(part: Part) -> str:
    """Return the key in TWO_ENDED for a part with two ends.

    Raises:
        ValueError: the part has another number of ends.
    """
    if part.kind not in _KEYS:
        raise ValueError(f"{part.ref}: no two-ended symbol for kind {part.kind}")
    if part.kind == "D" and "chottky" in part.part_class:
        return "schottky"
    if part.kind == "D" and part.part_class.startswith("LED"):
        return "led"
    return _KEYS[part.kind]


def colour_of(sheet: Sheet, net: str) -> str:
    """Return the colour of a net's insulation domain; pins on no net are black."""
    return _COLOURS[sheet.nets[net].domain] if net in sheet.nets else INK


def ground(page: Page, at: Point, domain: str, colour: str) -> None:
    """Draw the ground mark of a domain hanging from `at`: no two potentials share a shape."""
    x, y = at
    if domain in (LOGIC, COIL12, SENSOR):
        for i, half in enumerate((0.3, 0.2, 0.1)):
            page.line([(x - half, y - 0.1 * i), (x + half, y - 0.1 * i)], colour, 1.6)
    elif domain == EARTH:
        page.circle((x, y - 0.15), 0.28, colour)
        for i, half in enumerate((0.18, 0.12, 0.06)):
            page.line([(x - half, y - 0.1 - 0.08 * i), (x + half, y - 0.1 - 0.08 * i)], colour)
    elif domain in (RAIL_POS, RAIL_NEG):
        page.polygon([(x - 0.28, y), (x + 0.28, y), (x, y - 0.3)], colour)
    else:
        page.polygon([(x - 0.28, y), (x + 0.28, y), (x, y - 0.3)], colour, colour)


def nfet(page: Page, gate: Point, colour: str) -> None:
    """Draw an enhancement N-channel FET; gate at `gate`, drain (+1, +1), source (+1, -1)."""
    x, y = gate
    page.line([gate, (x + 0.5, y)], colour)
    page.line([(x + 0.5, y - 0.4), (x + 0.5, y + 0.4)], colour, 1.8)
    for middle in (-0.35, 0.0, 0.35):
        page.line([(x + 0.62, y + middle - 0.13), (x + 0.62, y + middle + 0.13)], colour, 1.8)
    page.line([(x + 0.62, y + 0.35), (x + 1.0, y + 0.35), (x + 1.0, y + 1.0)], colour)
    page.line([(x + 0.62, y - 0.35), (x + 1.0, y - 0.35), (x + 1.0, y - 1.0)], colour)
    page.line([(x + 0.62, y), (x + 1.0, y), (x + 1.0, y - 0.35)], colour)
    page.polygon([(x + 0.64, y), (x + 0.8, y + 0.09), (x + 0.8, y - 0.09)], colour, colour, 0.6)


def nand(page: Page, at: Point, colour: str) -> None:
    """Draw a NAND gate as a rectangle with the IEC mark and a bubble; see `Schematic.nand`."""
    x, y = at
    page.rectangle((x + 0.5, y - 0.85), (x + 1.8, y + 0.85), colour, 1.4, "#f6f6f2")
    page.text((x + 1.65, y + 0.5), "&", 10.0, "right")
    page.circle((x + 1.9, y), 0.1, colour, "white")
    page.line([(x, y + 0.5), (x + 0.5, y + 0.5)], colour)
    page.line([(x, y - 0.5), (x + 0.5, y - 0.5)], colour)
    page.line([(x + 2.0, y), (x + 2.5, y)], colour)
