"""Drawing of the processor with its pin map, the module sockets, button and buzzer."""

from __future__ import annotations

from circuits.drawing_page import Page
from circuits.drawing_sheet import Schematic
from circuits.netlist import Sheet

_LEFT = (
    "VBUS",
    "VSYS",
    "3V3",
    "GP26",
    "GP27",
    "GP28",
    "",
    "GP18",
    "GP19",
    "GP20",
    "GP21",
    "GP22",
    "GP3",
    "AGND",
    "GND",
)
_RIGHT = ("GP4", "GP5", "GP6", "GP7", "", "GP14", "GP15", "GP16", "GP17")
# Places on the module's two 20-way headers. Source: Raspberry Pi Pico datasheet, pin-out (from memory).
_HEADER = {
    "VBUS": "40",
    "VSYS": "39",
    "3V3": "36",
    "AGND": "33",
    "GND": "38",
    "GP3": "5",
    "GP4": "6",
    "GP5": "7",
    "GP6": "9",
    "GP7": "10",
    "GP14": "19",
    "GP15": "20",
    "GP16": "21",
    "GP17": "22",
    "GP18": "24",
    "GP19": "25",
    "GP20": "26",
    "GP21": "27",
    "GP22": "29",
    "GP26": "31",
    "GP27": "32",
    "GP28": "34",
}


def draw(sheet: Sheet) -> Page:
    """Return the page of the sheet `board`."""
    s = Schematic(
        sheet,
        "The pin map: GP numbers are the firmware's (wardenfw/board.py). Small grey numbers: places on the module. "
        "All SELV.",
        31.0,
        25.5,
    )
    s.box("U1", (5.0, 13.8), (10.0, 22.0), left=_LEFT, right=_RIGHT, numbers=_HEADER)
    s.two("F3", (2.4, 11.2), (4.6, 11.2))
    s.two("C30", (5.6, 11.2), (5.6, 9.0))
    s.wire("F3.2", "C30.+")
    s.tag((5.6, 11.2), "up")
    s.two("C31", (8.6, 11.2), (8.6, 9.0))
    s.two("C32", (11.0, 11.2), (11.0, 9.0))

    for i, ref in enumerate(("R60", "R61", "R62", "R63")):
        x = 14.6 + 2.2 * i
        s.two(ref, (x, 22.0), (x, 19.8))
    for i, ref in enumerate(("J10", "J11", "J12", "J13")):
        high = 22.0 - 4.9 * i
        s.box(ref, (27.0, high - 3.5), (29.4, high), left=["1", "2", "3", "4", "5", "6"])
    for i, ref in enumerate(("J10", "J11")):
        y = 22.0 - 4.9 * i - 3.0
        resistor, diode = ("R64", "D30") if i == 0 else ("R65", "D31")
        del ref
        s.two(diode, (21.2, y - 0.4), (23.4, y - 0.4))
        s.two(resistor, (24.6, y - 0.4), (24.6, y - 2.6), text="left")
        s.wire(f"{diode}.K", f"{resistor}.1", (26.0, None), (None, y), f"J{10 + i}.6")
        s.tag((25.4, y - 0.4), "up")

    y = 4.6
    s.box("J14", (1.2, y - 1.0), (3.2, y + 0.5), right=["1", "2"])
    s.two("S2", (5.6, y), (5.6, y - 2.2), symbol="button-no", text="left")
    s.two("R66", (5.6, y + 2.2), (5.6, y))
    s.two("R67", (8.6, y), (10.8, y))
    s.wire("J14.1", "S2.13", "R67.1")
    s.tag((7.6, y), "up")
    s.two("C33", (11.8, y), (11.8, y - 2.2))
    s.wire("R67.2", "C33.1", (13.0, None))
    s.tag((13.0, y), "right")

    s.two("R69", (18.2, y), (18.2, y - 2.2))
    s.two("R68", (19.4, y), (21.6, y))
    s.wire((17.4, y), "R69.1", "R68.1", net="LAMP")
    s.tag((17.4, y), "left")
    s.fet("Q5", (22.4, y))
    s.wire("R68.2", "Q5.G")
    s.two("BZ1", (23.4, y + 3.6), (23.4, y + 1.6))
    s.wire("BZ1.-", "Q5.D")
    return s.finish()
