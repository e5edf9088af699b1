"""Drawing of the three temperature inputs."""

from __future__ import annotations

from circuits.drawing_page import Page
from circuits.drawing_sheet import Schematic
from circuits.netlist import Sheet


def draw(sheet: Sheet) -> Page:
    """Return the page of the sheet `ntc_input`."""
    s = Schematic(
        sheet,
        "Ratiometric: the converter's reference is the 3.3 V that feeds the dividers. "
        "TH1 and TH2 on the heatsinks, TH3 in free air.",
        27.0,
        18.5,
    )
    for n, pin in ((1, "GP26"), (2, "GP27"), (3, "GP28")):
        _input(s, n, 13.5 - 5.2 * (n - 1), pin)
    s.barrier(
        [(0.6, 1.2), (0.6, 16.4)], "insulation of ring terminal and lead; the heatsink is on the left", (0.9, 16.2)
    )
    return s.finish()


def _input(s: Schematic, n: int, y: float, pin: str) -> None:
    j, th, c, d = f"J{20 + n}", f"TH{n}", f"C{20 + n}", f"D{20 + n}"
    up, up2, series, last = (f"R{20 + k + 10 * n}" for k in range(4))
    s.two(th, (2.2, y), (2.2, y - 2.0))
    s.box(j, (4.6, y - 1.0), (6.4, y + 0.5), right=["1", "2"])
    s.two(up, (9.2, y + 2.0), (9.2, y))
    s.two(up2, (11.6, y + 2.0), (11.6, y))
    s.two(series, (13.2, y), (15.4, y))
    s.pair(d, (16.4, y - 1.7), (16.4, y + 1.7))
    s.two(last, (17.4, y), (19.6, y))
    s.two(c, (21.0, y), (21.0, y - 1.7))
    s.wire(f"{j}.1", f"{up}.2", f"{up2}.2", f"{series}.1")
    s.tag((8.0, y), "up")
    s.wire(f"{series}.2", f"{d}.M", f"{last}.1")
    s.wire(f"{last}.2", f"{c}.1", (22.4, y))
    s.tag((22.4, y), "right")
    s.page.text((25.0, y - 0.08), f"to {pin}", 9.0)
