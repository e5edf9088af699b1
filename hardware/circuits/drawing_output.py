"""Drawing of the output module, for either channel."""

from __future__ import annotations

from circuits.drawing_isolation import crossing
from circuits.drawing_page import Page
from circuits.drawing_sheet import Schematic
from circuits.netlist import Sheet


def draw(sheet: Sheet) -> Page:
    """Return the page of the sheet `output_left` or `output_right`."""
    s = Schematic(
        sheet,
        "GM (filled triangle) is the module's own ground, half a supply below the output terminal TERM; "
        "GND (three bars) is the board's. Never join them.",
        42.0,
        25.0,
    )
    _bias(s, 20.4)
    _offset(s, 14.2)
    _hf(s, 7.8)
    s.box("J1", (3.0, 1.0), (6.4, 3.0), right=["1", "2", "3"])
    _middle(s)
    _converter(s)
    crossing(s, "U2", 20.0, ("VCC2", "SDA2", "SCL2", "GND2"), ("VCC1", "SDA1", "SCL1", "GND1"), "C9", "C10")
    crossing(s, "U3", 13.4, ("VISO", "SEL", "GNDS"), ("VINP", "EN", "GNDP"), "C12", "C11")
    s.barrier([(32.0, 0.6), (32.0, 23.2)], "reinforced insulation: U2, U3", (32.3, 23.1))
    s.box("J2", (37.6, 3.0), (40.2, 6.5), left=["1", "2", "3", "4", "5", "6"])
    return s.finish()


def _bias(s: Schematic, y: float) -> None:
    low = y - 2.8
    s.two("R3", (3.0, y), (5.2, y))
    s.two("R4", (6.0, y), (8.2, y))
    s.wire("R3.2", "R4.1")
    s.pair("D1", (9.6, y), (9.6, low))
    s.pair("D2", (12.2, low), (12.2, y))
    s.two("C3", (14.8, y), (14.8, low))
    s.two("R5", (16.0, y), (18.0, y))
    s.wire("R4.2", "D1.A", "D2.K", "C3.1", "R5.1")
    s.wire((8.8, low), "D1.K", "D2.A", "C3.2", net="TERM")
    s.tag((8.8, low), "left")
    s.page.text((3.0, low), "bias drop: AIN0 - AIN3", 9.0)


def _offset(s: Schematic, y: float) -> None:
    low = y - 2.6
    s.two("R6", (3.0, y), (5.2, y))
    s.two("R7", (6.0, y), (8.2, y))
    s.wire("R6.2", "R7.1")
    s.two("R8", (9.6, y), (9.6, low))
    s.two("C4", (12.2, y), (12.2, low))
    s.wire("R7.2", "R8.1", "C4.1", (13.6, None))
    s.tag((13.6, y), "right")
    s.wire((8.8, low), "R8.2", "C4.2", net="TERM")
    s.tag((8.8, low), "left")
    s.page.text((3.0, low), "DC offset: AIN2 - AIN3", 9.0)


def _hf(s: Schematic, y: float) -> None:
    low = y - 2.6
    s.two("C5", (2.6, y), (4.4, y))
    s.two("R9", (5.0, y), (5.0, low))
    s.two("C6", (6.2, y), (8.0, y))
    s.wire("C5.2", "R9.1", "C6.1")
    s.two("R10", (8.8, y), (8.8, low))
    s.two("D3", (10.2, y), (12.0, y))
    s.wire("C6.2", "R10.1", "D3.A")
    s.two("C7", (12.6, y), (12.6, low))
    s.two("R11", (14.0, y), (15.8, y))
    s.wire("D3.K", "C7.1", "R11.1")
    s.two("R12", (16.6, y), (16.6, low))
    s.wire("R11.2", "R12.1", (18.0, None))
    s.tag((18.0, y), "right")
    s.wire((4.2, low), "R9.2", "R10.2", "C7.2", "R12.2", net="TERM")
    s.tag((4.2, low), "left")
    s.page.text((9.0, low - 0.7), "HF level: AIN1 - AIN3", 9.0)


def _middle(s: Schematic) -> None:
    s.two("R1", (21.0, 22.0), (21.0, 20.0), text="left")
    s.two("R2", (21.0, 20.0), (21.0, 18.0), text="left")
    s.two("C1", (23.2, 22.0), (23.2, 20.0))
    s.two("C2", (23.2, 20.0), (23.2, 18.0))
    s.wire("R1.2", "C1.2", (24.6, None))
    s.tag((24.6, 20.0), "right")


def _converter(s: Schematic) -> None:
    s.box(
        "U1",
        (20.0, 10.6),
        (23.6, 15.0),
        left=["AIN0", "AIN1", "AIN2", "AIN3"],
        right=["SDA", "SCL", "", "ADDR", "ALERT"],
        top=["VDD"],
        bottom=["GND"],
        label=(22.6, 15.8),
    )
    s.two("C8", (16.4, 12.6), (16.4, 10.4))
    for ref, x in (("R13", 20.4), ("R14", 22.8)):
        s.two(ref, (x, 7.2), (x, 5.2))
    s.box("U4", (26.2, 6.8), (29.0, 8.3), left=["VIN"], right=["VOUT"], bottom=["GND"])
    s.two("C13", (25.8, 4.4), (25.8, 2.2))
    s.two("D4", (28.6, 2.2), (28.6, 4.4))
