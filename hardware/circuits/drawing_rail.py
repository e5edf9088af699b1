"""Drawing of the rail module, for either position of its link block."""

from __future__ import annotations

from circuits.drawing_isolation import crossing
from circuits.drawing_page import Page
from circuits.drawing_sheet import Schematic
from circuits.netlist import Sheet


def draw(sheet: Sheet) -> Page:
    """Return the page of the sheet `rail_pos` or `rail_neg`."""
    s = Schematic(
        sheet,
        "GM (open triangle) is the module's own ground on the amplifier's side; GND (three bars) the board's. "
        "Never join them.",
        42.0,
        24.0,
    )
    _power_path(s, 20.0)
    _voltage(s)
    _links(s)
    _monitor(s)
    crossing(s, "U2", 20.0, ("VCC2", "SDA2", "SCL2", "GND2"), ("VCC1", "SDA1", "SCL1", "GND1"), "C4", "C5")
    crossing(s, "U3", 14.6, ("VCC1", "IN", "GND1"), ("VCC2", "OUT", "GND2"), "C6", "C7")
    crossing(s, "U4", 9.8, ("VISO", "SEL", "GNDS"), ("VINP", "EN", "GNDP"), "C9", "C8")
    s.barrier([(32.0, 0.6), (32.0, 22.4)], "reinforced insulation: U2, U3, U4", (32.3, 22.3))
    s.box("J3", (37.6, 1.0), (40.2, 4.5), left=["1", "2", "3", "4", "5", "6"])
    return s.finish()


def _power_path(s: Schematic, y: float) -> None:
    s.box("J1", (1.0, y - 1.0), (3.0, y + 0.5), right=["1", "2"])
    s.two("F1", (4.8, y), (7.2, y))
    s.wire("J1.1", "F1.1")
    s.two("D3", (8.2, y - 2.2), (8.2, y))
    s.shunt("R1", (10.6, y))
    s.two("D4", (16.0, y - 2.2), (16.0, y))
    s.wire("F1.2", "D3.K", "R1.I+")
    s.tag((8.2, y), "up")
    s.wire("R1.I-", "D4.K", (17.0, None))
    s.tag((17.0, y), "right")
    s.two("R2", (11.5, y - 0.6), (11.5, y - 2.8), text="left")
    s.two("R3", (12.7, y - 0.6), (12.7, y - 2.8))
    s.two("C1", (11.0, y - 4.8), (13.2, y - 4.8), text="down")
    s.two("D1", (9.6, y - 7.0), (9.6, y - 4.8), text="left")
    s.two("D2", (14.6, y - 7.0), (14.6, y - 4.8))
    s.wire("R2.2", (None, y - 3.6), (9.6, None), "D1.K", "C1.1")
    s.wire("R3.2", (None, y - 3.6), (14.6, None), "D2.K", "C1.2")
    s.tag((9.6, y - 3.6), "left")
    s.tag((14.6, y - 3.6), "right")


def _voltage(s: Schematic) -> None:
    s.box("J2", (1.0, 11.1), (3.0, 12.1), right=["1"])
    s.two("R4", (4.6, 11.6), (7.0, 11.6))
    s.wire("J2.1", "R4.1")
    s.two("R5", (3.6, 8.6), (6.0, 8.6))
    s.two("C2", (7.4, 8.6), (7.4, 6.4))
    s.two("D5", (10.4, 6.4), (10.4, 8.6))
    s.wire("R5.2", "C2.1", "D5.K", (12.0, None))
    s.tag((12.0, 8.6), "right")


def _links(s: Schematic) -> None:
    s.page.rectangle((0.6, 0.6), (18.2, 5.1), "#777777", dashed=True)
    s.page.text(
        (14.2, 4.5), "link block, one of two\npositions:\nJP1 A to C closed: positive\nJP2 A to C closed: negative", 9.0
    )
    for i, letter in enumerate("ABC"):
        y = 3.8 - 1.35 * i
        s.two(f"JP1{letter}", (3.4, y), (5.4, y))
        s.two(f"JP2{letter}", (9.8, y), (11.8, y))


def _monitor(s: Schematic) -> None:
    s.box(
        "U1",
        (19.6, 9.6),
        (23.4, 15.0),
        left=["IN+", "IN-", "", "VBUS", "", "A0", "A1"],
        right=["SDA", "SCL", "", "ALERT"],
        top=["VS"],
        bottom=["GND"],
        label=(22.3, 15.8),
    )
    for ref, x in (("R6", 19.6), ("R7", 22.0), ("R8", 24.4)):
        s.two(ref, (x, 20.6), (x, 18.6))
    s.two("C3", (24.6, 12.0), (24.6, 9.8))
    s.box("U5", (15.0, 6.9), (17.8, 8.4), left=["VIN"], right=["VOUT"], bottom=["GND"])
    s.two("C10", (20.8, 6.6), (20.8, 4.4))
    s.two("D6", (23.4, 4.4), (23.4, 6.6))
