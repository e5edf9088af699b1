"""Drawing of the relay chain: 12 V, emergency stop, alert latch, charge pump, coil, mains contacts."""

from __future__ import annotations

from circuits.drawing_page import Page
from circuits.drawing_sheet import Schematic
from circuits.netlist import Sheet


def draw(sheet: Sheet) -> Page:
    """Return the page of the sheet `relay_chain`."""
    s = Schematic(
        sheet,
        "GND is the board's SELV ground. Red: mains. Nets of one name are joined, on the other sheets of the main "
        "board too.",
        39.0,
        30.5,
    )
    _coil_supply(s, 27.0)
    _emergency_stop(s, 27.0)
    _latch(s, 21.2)
    _pump(s, 12.5)
    _coil(s, 12.5)
    _mirror(s, 4.2)
    _mains(s, 4.4)
    s.barrier([(14.2, 0.5), (14.2, 6.1), (38.6, 6.1)], "reinforced insulation inside K1", (14.5, 6.3))
    return s.finish()


def _coil_supply(s: Schematic, y: float) -> None:
    s.box("J1", (1.0, y - 1.0), (3.0, y + 0.5), right=["1", "2"])
    s.two("F2", (5.2, y), (7.2, y))
    s.two("D3", (8.6, y), (10.6, y))
    s.two("D4", (11.4, y - 2.2), (11.4, y))
    s.two("C3", (14.0, y), (14.0, y - 2.2))
    s.wire("J1.1", "F2.1")
    s.tag((4.2, y), "up")
    s.wire("F2.2", "D3.A")
    s.tag((7.9, y), "up")
    s.wire("D3.K", "D4.K", "C3.+")
    s.tag((12.6, y), "up")


def _emergency_stop(s: Schematic, y: float) -> None:
    s.two("S1", (18.0, y), (20.4, y), pins=("11", "12"), symbol="button-nc", text="down")
    s.box("J2", (17.8, y - 4.6), (20.0, y - 2.1), right=["1", "2", "3", "4"], label=(15.0, y - 3.0))
    s.two("R1", (27.0, y + 1.6), (27.0, y - 0.4))
    s.two("S1", (27.0, y - 0.4), (27.0, y - 2.8), pins=("21", "22"), symbol="button-nc", text="left", note="21-22")
    s.two("R2", (28.4, y - 0.4), (30.6, y - 0.4))
    s.two("R3", (31.4, y - 0.4), (31.4, y - 2.6))
    s.two("C4", (33.6, y - 0.4), (33.6, y - 2.6))
    s.wire("R1.2", "R2.1")
    s.tag((28.2, y - 0.4), "down")
    s.wire("R2.2", "R3.1", "C4.1", (35.0, y - 0.4))
    s.tag((35.0, y - 0.4), "right")


def _latch(s: Schematic, y: float) -> None:
    low = y - 3.5
    s.nand("U2", (5.0, y), ("1A", "1B"), "1Y", "set")
    s.nand("U2", (5.0, low), ("2B", "2A"), "2Y", "reset")
    s.nand("U2", (12.0, y), ("3A", "3B"), "3Y", "invert")
    s.nand("U2", (17.4, y - 0.5), ("4B", "4A"), "4Y", "gate")
    s.wire("U2.1Y", (8.0, None), (None, y - 1.5), (4.4, None), (None, low + 0.5), "U2.2B")
    s.wire("U2.2Y", (8.0, None), (None, low + 1.4), (4.0, None), (None, y - 0.5), "U2.1B")
    s.wire((8.0, y), (11.2, y), (None, y + 0.5), "U2.3A", net="LATCH_Q")
    s.wire((11.2, y), (None, y - 0.5), "U2.3B", net="LATCH_Q")
    s.tag((9.0, y), "up")
    s.two("R5", (9.8, y), (9.8, y - 2.2))
    s.two("R6", (9.8, y - 2.2), (9.8, y - 4.4))
    s.wire("R5.2", (10.8, None))
    s.tag((10.8, y - 2.2), "right")
    s.wire("U2.3Y", "U2.4B")
    s.two("R4", (3.4, y + 2.7), (3.4, y + 0.5))
    s.wire("U2.1A", "R4.2", (2.4, None))
    s.tag((2.4, y + 0.5), "left")
    s.two("R7", (3.4, low - 0.5), (3.4, low - 2.7))
    s.wire("U2.2A", "R7.1", (2.4, None))
    s.tag((2.4, low - 0.5), "left")
    s.two("R8", (16.2, y - 1.0), (16.2, y - 3.2))
    s.wire("U2.4A", "R8.1", (15.4, None))
    s.tag((15.4, y - 1.0), "left")
    s.box("U2", (23.0, y - 1.4), (25.0, y + 0.2), top=["VCC"], bottom=["GND"], label=(25.2, y - 0.4))
    s.two("C5", (30.2, y + 1.2), (30.2, y - 1.0))


def _pump(s: Schematic, y: float) -> None:
    top = y + 1.0
    s.two("R9", (3.6, y), (3.6, y - 2.2), text="left")
    s.fet("Q3", (4.6, y))
    s.wire("R9.1", "Q3.G")
    s.tag("R9.1", "left")
    s.two("R10", (5.6, top + 2.2), (5.6, top))
    s.two("R11", (7.2, top), (9.4, top))
    s.wire("Q3.D", "R11.1")
    s.two("C10", (10.2, top), (10.2, top - 2.2))
    s.two("C1", (11.8, top), (13.6, top))
    s.wire("R11.2", "C10.1", "C1.1")
    s.two("D1", (14.6, top - 2.2), (14.6, top))
    s.two("D2", (15.6, top), (17.6, top))
    s.wire("C1.2", "D1.K", "D2.A")
    s.two("C2", (18.4, top), (18.4, top - 2.2))
    s.two("R12", (26.0, top), (26.0, top - 2.2), text="left")
    s.two("D5", (20.6, top - 2.2), (20.6, top))
    s.two("R13", (22.4, top), (24.6, top))
    s.wire("D2.K", "C2.1", "D5.K", "R13.1")
    s.page.text((10.2, top + 1.6), "each rising edge of GP15 adds a little charge; R12 lets it go", 9.0)


def _coil(s: Schematic, y: float) -> None:
    top = y + 1.0
    s.fet("Q1", (27.4, top))
    s.wire("R13.2", "R12.1", "Q1.G")
    s.two("K1", (28.4, top + 4.8), (28.4, top + 2.4), pins=("A1", "A2"), symbol="coil")
    s.wire("K1.A2", "Q1.D")
    s.tag((28.4, top + 1.8), "left")
    s.two("D8", (32.8, top + 1.8), (32.8, top + 3.6))
    s.two("D7", (32.8, top + 5.4), (32.8, top + 3.6))
    s.wire((28.4, top + 1.8), "D8.A")
    s.wire("K1.A1", (None, top + 5.4), "D7.A")
    s.tag((28.4, top + 5.4), "up")
    s.fet("Q2", (27.4, y - 2.6))
    s.wire("Q1.S", "Q2.D")
    s.two("R14", (23.6, y - 2.6), (26.0, y - 2.6))
    s.wire("R14.2", "Q2.G")
    s.two("R15", (29.6, y - 0.9), (31.8, y - 0.9), text="down")
    s.wire((28.4, y - 0.9), "R15.1")
    s.tag((28.4, y - 0.4), "left")
    s.pair("D6", (33.0, y - 2.7), (33.0, y + 0.9))
    s.two("C6", (35.2, y - 0.9), (35.2, y - 3.0))
    s.wire("R15.2", "D6.M", "C6.1", (36.4, None))
    s.tag((36.4, y - 0.9), "right")


def _mirror(s: Schematic, y: float) -> None:
    s.two("R16", (2.6, y + 2.4), (2.6, y + 0.2))
    s.two("K1", (2.6, y + 0.2), (2.6, y - 2.2), pins=("41", "42"), symbol="contact-nc", note="mirror\n41-42")
    s.two("R17", (5.0, y + 0.2), (7.2, y + 0.2))
    s.two("R18", (8.2, y + 0.2), (8.2, y - 2.0))
    s.two("C7", (10.4, y + 0.2), (10.4, y - 2.0))
    s.wire("R16.2", "R17.1")
    s.wire("R17.2", "R18.1", "C7.1", (11.6, None))
    s.tag((11.6, y + 0.2), "right")


def _mains(s: Schematic, y: float) -> None:
    low = y - 2.2
    s.box("J3", (16.0, y - 2.2), (18.0, y - 0.2), right=["L", "N", "PE"], label=(16.0, y + 0.6))
    s.wire("J3.L", (19.4, None), (None, y), (20.4, y))
    s.tag("J3.PE", "down")
    s.two("F1", (20.4, y), (22.6, y))
    s.wire("J3.N", (19.8, None), (None, low), (24.4, low))
    s.two("RV1", (24.4, y), (24.4, low))
    s.two("K1", (28.0, y), (30.6, y), pins=("13", "14"), symbol="contact-no", note="13-14")
    s.two("K1", (28.0, low), (30.6, low), pins=("23", "24"), symbol="contact-no", note="23-24")
    s.two("K1", (33.4, y), (36.0, y), pins=("33", "34"), symbol="contact-no", note="33-34, left free")
    s.wire("F1.2", "RV1.1", "K1.13")
    s.wire("RV1.2", "K1.23")
    s.page.text((33.0, low), "MAINS", 15.0, "left", "#c00000")
