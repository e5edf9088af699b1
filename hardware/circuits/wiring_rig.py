"""The bench-supply rig on which a board is calibrated and commissioned."""

from __future__ import annotations

from schemdraw import elements as elm

from circuits import drawing_symbols as symbols
from circuits.drawing_page import Page
from circuits.wiring_parts import (
    AMP_0V,
    CABLE,
    COOL,
    OUTPUT,
    PALE,
    RAIL_NEG,
    RAIL_POS,
    barrier,
    block,
    cable,
    caution,
    meter,
    note,
)


def rig() -> Page:
    """Return the picture of the rig: bench supply, relay contact, both rail modules, resistor."""
    page = Page(
        "Wiring 5: rig for calibration and commissioning",
        "A bench supply of at most 30 V (SELV) and a power resistor stand in for the amplifier. "
        "No mains anywhere: the mains box is unplugged and its plug is in sight.",
        30.0,
        19.0,
    )
    top, low = 15.0, 7.0
    block(page, (0.8, 5.6), (4.0, 16.0), "bench supply\n0 to 30 V\ncurrent limit\n3.3 A\n\n+ above,\n- below", PALE)
    cable(page, [(4.0, top), (5.0, top)], RAIL_POS)
    symbols.contact_open(page, (5.0, top), (7.6, top), RAIL_POS)
    page.text((6.6, top + 1.55), "mains box: K1 13-14,\nin by J3, out by J5,\nlamp holder J4 left empty", 9.0, "center")

    def module(y: float, colour: str, name: str, left: str, right: str) -> None:
        page.rectangle((10.8, y - 1.2), (17.0, y + 1.2), colour, 1.8, "#fffaf2")
        page.text((13.9, y + 0.6), name, 10.0, "center")
        page.text((11.0, y - 0.08), left, 10.0, "left", colour)
        page.text((16.8, y - 0.08), right, 10.0, "right", colour)
        page.text((13.9, y - 0.08), "F1 and shunt R1", 9.0, "center", colour)

    module(top, RAIL_POS, "positive rail module, link POS", "S+", "S-")
    module(low, RAIL_NEG, "negative rail module, link NEG", "S-", "S+")
    cable(page, [(7.6, top), (10.8, top)], RAIL_POS)
    cable(page, [(17.0, top), (20.4, top), (20.4, 14.16)], RAIL_POS)
    cable(page, [(20.4, 13.44), (20.4, 12.8)], RAIL_POS)
    page.element(elm.ResistorIEC().linewidth(2.2), (20.4, 12.8), (20.4, 9.2), CABLE)
    note(page, (21.0, 11.3), "R: 10 ohm, 100 W\non a heatsink, hot:\nkeep clear")
    cable(page, [(20.4, 9.2), (20.4, low), (17.0, low)], RAIL_NEG)
    cable(page, [(10.8, low), (4.0, low)], RAIL_NEG)
    page.text((7.4, low - 0.45), "back to the supply", 9.0, "center", RAIL_NEG)
    # each module's 0 V lead goes to the far side of the resistor
    cable(page, [(13.9, top - 1.2), (13.9, 12.4), (18.4, 12.4), (18.4, 9.2), (20.4, 9.2)], AMP_0V, 1.6)
    cable(page, [(13.9, low + 1.2), (13.9, 9.9), (17.4, 9.9), (17.4, 12.8), (20.4, 12.8)], AMP_0V, 1.6)
    page.dot((20.4, 9.2), AMP_0V)
    page.dot((20.4, 12.8), AMP_0V)
    page.text((13.7, 12.9), "0 V lead of POS: below the resistor", 9.0, "right", AMP_0V)
    page.text((13.7, 9.15), "0 V lead of NEG: above the resistor", 9.0, "right", AMP_0V)
    note(
        page,
        (5.0, 11.3),
        "So both see the same current, and each sees\nthe resistor's voltage as its rail: +30 V and -30 V.",
        AMP_0V,
    )
    meter(page, (20.4, 13.8), "A")
    note(page, (21.0, 13.7), "reference ammeter")
    meter(page, (26.2, 11.0), "V")
    cable(page, [(20.4, 12.8), (26.2, 12.8), (26.2, 11.36)], CABLE, 1.4)
    cable(page, [(20.4, 9.2), (26.2, 9.2), (26.2, 10.64)], CABLE, 1.4)
    note(page, (26.8, 11.0), "reference\nvoltmeter")
    block(
        page,
        (22.6, 14.6),
        (29.2, 16.8),
        "output modules, one at a time:\ncalibrator emitter to terminal (+-0.25 V),\n"
        "terminal to amp 0 V (+-30 V), HF: generator",
        "#effafa",
        9.0,
        OUTPUT,
    )
    block(
        page,
        (22.6, 5.0),
        (29.2, 7.4),
        "NTC inputs: 1 %, then 0.1 % resistors\nin place of the sensors,\nor sensors in stirred water",
        PALE,
        9.0,
    )
    barrier(
        page, [(0.6, 4.3), (29.4, 4.3)], "insulation stays as in use: isolators, isolated supplies, relay", (0.8, 4.5)
    )
    block(
        page,
        (17.0, 0.6),
        (29.2, 3.4),
        "sense board, connected to the computer by USB\n"
        "all modules plugged in as in use, 12 V and emergency stop connected",
        COOL,
    )
    caution(
        page,
        (0.8, 0.6),
        15.4,
        "The rig is switched by the relay's contact at 30 V: take the amplifier's and the wall's leads\n"
        "off the mains box first, and check that no mains plug can be put in while the rig is wired.\n"
        "The resistor takes up to 90 W: it burns. Set the supply's current limit before switching on.\n"
        "Never calibrate on an amplifier that hangs on the mains.",
    )
    return page
