"""Drawing of the limiter bypass and the amplifier's outlet."""

from __future__ import annotations

from circuits.drawing_page import Page
from circuits.drawing_sheet import Schematic
from circuits.netlist import Sheet


def draw(sheet: Sheet) -> Page:
    """Return the page of the sheet `limiter_bypass`."""
    s = Schematic(
        sheet,
        "GND is the board's SELV ground. Red: mains. K2 without coil current: the lamp is in series.",
        35.0,
        13.5,
    )
    y = 4.4
    s.two("R21", (3.4, y), (3.4, y - 2.2))
    s.two("R20", (4.6, y), (6.8, y))
    s.wire((2.6, y), "R21.1", "R20.1", net="BYPASS")
    s.tag((2.6, y), "left")
    s.fet("Q4", (7.6, y))
    s.wire("R20.2", "Q4.G")
    s.two("K2", (8.6, y + 5.4), (8.6, y + 3.0), pins=("A1", "A2"), symbol="coil")
    s.wire("K2.A2", "Q4.D")
    s.two("D9", (12.4, y + 2.2), (12.4, y + 4.0))
    s.two("D10", (12.4, y + 5.8), (12.4, y + 4.0))
    s.wire((8.6, y + 2.2), "D9.A")
    s.wire("K2.A1", (None, y + 5.8), "D10.A")
    s.tag((8.6, y + 5.8), "up")
    s.barrier([(15.4, 0.6), (15.4, 11.8)], "reinforced insulation inside K2", (15.7, 11.5))

    top, low = 7.2, 2.6
    s.two("E1", (19.6, top), (22.4, top), text="down")
    s.two("K2", (19.6, top + 2.0), (22.4, top + 2.0), pins=("11", "14"), symbol="contact-no", note="11-14")
    s.pin("K2", "12", (22.4, top + 2.8), "right")
    s.page.text((22.6, top + 2.72), "K2.12, left free", 8.5)
    s.wire("K2.11", (18.4, None), (None, top), "E1.1")
    s.tag((18.4, top), "left")
    s.wire("K2.14", (23.6, None), (None, top), "E1.2")
    s.box("J4", (17.0, 3.2), (19.0, 4.7), right=["1", "2"])
    s.two("RV2", (24.6, top), (24.6, low))
    s.two("C20", (27.4, top), (27.4, low))
    s.box("J5", (31.6, 3.6), (33.6, 5.6), left=["L", "N", "PE"])
    s.wire((23.6, top), "RV2.1", "C20.1", (30.4, None), (None, 5.1), "J5.L", net="L_OUT")
    s.wire("RV2.2", "C20.2", (30.4, None), (None, 4.6), "J5.N")
    s.tag("J5.PE", "down")
    s.tag((23.0, low), "left", "N_SW")
    s.wire((23.0, low), "RV2.2", net="N_SW")
    s.tag((25.6, top), "up")
    s.page.text((27.0, 10.2), "MAINS", 15.0, "left", "#c00000")
    return s.finish()
