"""Shapes the wiring pictures share: boxes, terminals and wires with the colour of what they carry."""

from __future__ import annotations

from collections.abc import Sequence

from circuits.drawing_page import INK, Page, Point
from circuits.drawing_symbols import BARRIER, GREY, MAINS

LIVE = MAINS
NEUTRAL = "#1a4fb4"
EARTH = "#2e7d32"
RAIL_POS = "#c05000"
RAIL_NEG = "#6a3fa0"
OUTPUT = "#00727a"
AMP_0V = "#444444"
CABLE = "#111111"
PALE = "#f6f6f2"
WARM = "#fdeeee"
COOL = "#eef4fb"


def block(
    page: Page, low: Point, high: Point, text: str, fill: str = PALE, size: float = 9.5, color: str = INK
) -> None:
    """Draw a box with its lines of text centred in it."""
    page.rectangle(low, high, color, 1.4, fill)
    lines = text.split("\n")
    middle = (low[1] + high[1]) / 2
    top = middle + (len(lines) - 1) * 0.625 * size / 36.0 - 0.1
    page.text(((low[0] + high[0]) / 2, top), text, size, "center")


def terminal(page: Page, at: Point, color: str = INK) -> None:
    page.circle(at, 0.09, color, "white", 1.4)


def meter(page: Page, at: Point, letter: str) -> None:
    page.circle(at, 0.36, INK, "white", 1.4, obstacle=False)
    page.text((at[0], at[1] - 0.12), letter, 10.0, "center")


def cable(page: Page, points: Sequence[Point], color: str = CABLE, lw: float = 2.2) -> None:
    page.line(points, color, lw)


def barrier(page: Page, points: Sequence[Point], text: str, at: Point) -> None:
    """Draw an insulation barrier: bold, dashed, named."""
    page.line(points, BARRIER, 3.4, dashed=True)
    page.text(at, text, 9.0, "left", BARRIER)


def note(page: Page, at: Point, text: str, color: str = INK, size: float = 9.0) -> None:
    page.text(at, text, size, "left", color)


def caution(page: Page, low: Point, width: float, text: str) -> None:
    """Write cautions in a red frame whose lower left corner is `low`."""
    lines = text.split("\n")
    height = 0.35 + 0.32 * len(lines)
    page.rectangle(low, (low[0] + width, low[1] + height), MAINS, 1.6, WARM)
    page.text((low[0] + 0.2, low[1] + height - 0.4), text, 9.0, "left", MAINS)


__all__ = [
    "AMP_0V",
    "BARRIER",
    "CABLE",
    "COOL",
    "EARTH",
    "GREY",
    "LIVE",
    "NEUTRAL",
    "OUTPUT",
    "PALE",
    "RAIL_NEG",
    "RAIL_POS",
    "WARM",
    "barrier",
    "block",
    "cable",
    "caution",
    "meter",
    "note",
    "terminal",
]
