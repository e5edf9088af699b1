"""Inside the amplifier: rail modules, output modules and heatsink sensors."""

from __future__ import annotations

from schemdraw import elements as elm

from circuits.drawing_page import Page
from circuits.sheets import SHEETS
from circuits.wiring_parts import (
    AMP_0V,
    CABLE,
    COOL,
    OUTPUT,
    PALE,
    RAIL_NEG,
    RAIL_POS,
    WARM,
    barrier,
    block,
    cable,
    caution,
    note,
    terminal,
)


def rail_modules() -> Page:
    """Return the picture of the two rail modules at the rail fuses."""
    page = Page(
        "Wiring 2: rail modules at the rail fuses",
        "The set is unplugged and its reservoirs are measured below 2 V before anything here is touched. "
        "Each module takes the place of one rail fuse and carries a fuse of the same value (F1).",
        30.0,
        19.5,
    )
    pos, zero, neg = 15.0, 11.0, 7.0
    block(page, (0.6, 6.2), (3.0, 15.8), "the set's\npower\ntransformer\nand\nrectifier", WARM)
    for y, colour in ((pos, RAIL_POS), (zero, AMP_0V), (neg, RAIL_NEG)):
        cable(page, [(3.0, y), (6.6, y)], colour)
    page.element(elm.Capacitor2(), (4.8, pos), (4.8, zero), RAIL_POS)
    page.element(elm.Capacitor2(), (4.8, zero), (4.8, neg), RAIL_NEG)
    note(page, (5.2, 13.3), "reservoir +\nstays charged")
    note(page, (5.2, 9.3), "reservoir -\nstays charged")
    for y, colour in ((pos, RAIL_POS), (neg, RAIL_NEG)):
        for x in (7.4, 21.6):
            terminal(page, (x, y), colour)
        cable(page, [(6.6, y), (7.31, y)], colour)
        cable(page, [(21.69, y), (24.4, y)], colour)
    cable(page, [(6.6, zero), (24.4, zero)], AMP_0V)
    for y in (pos, zero, neg):
        page.dot((4.8, y))
    block(page, (24.4, 6.2), (26.6, 15.8), "amplifier\nboards,\nleft and\nright", PALE)

    for y, colour, name, link, left, right in (
        (pos, RAIL_POS, "positive rail module (0x40)", "link block JP1: positive", "S+", "S-"),
        (neg, RAIL_NEG, "negative rail module (0x41)", "link block JP2: negative", "S-", "S+"),
    ):
        page.rectangle((11.2, y - 1.4), (18.2, y + 1.4), colour, 1.8, "#fffaf2")
        page.text((14.7, y + 0.85), name, 10.0, "center")
        page.text((14.7, y + 0.4), link, 9.0, "center", colour)
        page.text((11.35, y + 0.25), left, 10.0, "left", colour)
        page.text((18.05, y + 0.25), right, 10.0, "right", colour)
        cable(page, [(7.49, y), (11.2, y)], colour)
        fuse_x, shunt_x = (12.1, 15.1) if left == "S+" else (15.1, 12.1)
        page.element(elm.FuseIEC().linewidth(2.0), (fuse_x, y - 0.3), (fuse_x + 2.2, y - 0.3), colour)
        page.element(elm.ResistorIEC().linewidth(2.0), (shunt_x, y - 0.3), (shunt_x + 2.2, y - 0.3), colour)
        page.text((fuse_x + 1.1, y - 1.0), "F1", 9.0, "center")
        page.text((shunt_x + 1.1, y - 1.0), "shunt R1", 9.0, "center")
        cable(page, [(11.2, y), (12.1, y - 0.3)], colour, 1.4)
        cable(page, [(14.3, y - 0.3), (15.1, y - 0.3)], colour, 1.4)
        cable(page, [(17.3, y - 0.3), (18.2, y)], colour, 1.4)
        cable(page, [(18.2, y), (21.51, y)], colour)
        note(page, (6.3, y - 0.62), "fuse clip,\nreservoir side", colour)
        note(page, (19.2, y - 0.62), "fuse clip,\namplifier side", colour)
    cable(page, [(14.7, pos - 1.4), (14.7, zero)], AMP_0V, 1.6)
    cable(page, [(14.7, neg + 1.4), (14.7, zero)], AMP_0V, 1.6)
    page.dot((14.7, zero), AMP_0V)
    page.text((14.5, pos - 1.75), "0 V", 9.0, "right", AMP_0V)
    page.text((14.5, neg + 1.55), "0 V", 9.0, "right", AMP_0V)
    note(page, (15.0, zero + 0.18), "amplifier 0 V (the reservoirs' common point)", AMP_0V)

    barrier(
        page,
        [(27.4, 4.6), (27.4, 17.9)],
        "reinforced insulation in each module: isolator, isolated supply",
        (21.3, 18.1),
    )
    for edge, y in ((pos + 1.4, pos + 2.0), (neg - 1.4, neg - 2.0)):
        cable(page, [(16.0, edge), (16.0, y), (28.1, y)], CABLE, 1.4)
        note(page, (16.3, y + 0.12), "to the sense board: 5 V, ground, SDA, SCL, alert")
    block(page, (28.1, 4.6), (29.7, 17.9), "sense\nboard,\nrail\nconnec-\ntors", COOL)
    caution(
        page,
        (0.6, 0.5),
        14.0,
        "Both modules are the same board: set the link block before wiring, one POS, one NEG,\n"
        "and mark the case. S+ is where current enters: reservoir side on the positive rail,\n"
        "amplifier side on the negative one. Swapped leads read as a negative current.\n"
        "The module's own ground is amplifier 0 V (POS) or the negative rail (NEG): never touch,\n"
        "never join two modules' grounds, never earth one.",
    )
    page.rectangle((15.4, 0.5), (29.7, 4.0), "#111111", 1.2, "none")
    note(page, (15.6, 3.6), "Check before power, set unplugged:", size=10.0)
    note(
        page,
        (15.6, 3.15),
        "1. fuse clip to fuse clip through the module: below 0.2 ohm (fuse F1 and 10 mohm shunt)\n"
        "2. each clip to amplifier 0 V: the same as without the module, no short\n"
        "3. 0 V lead: continuity to the reservoirs' common point, not to a chassis screw\n"
        "4. any lead of the module to the sense board's ground: above 100 Mohm at 500 V d.c.\n"
        "5. no bare metal of a module within 8 mm of the chassis or of another module",
    )
    return page


def output_modules() -> Page:
    """Return the picture of one output module; the other channel is the same."""
    page = Page(
        "Wiring 3: output modules, one per channel",
        "Left module 0x48, right module 0x49. The module floats on the output terminal: its ground follows the signal.",
        30.0,
        18.0,
    )
    rail, out, low = 15.6, 11.2, 6.6
    cable(page, [(2.0, rail), (7.0, rail)], RAIL_POS)
    cable(page, [(2.0, low), (7.0, low)], RAIL_NEG)
    note(page, (2.0, rail + 0.2), "positive rail", RAIL_POS)
    note(page, (2.0, low + 0.2), "negative rail", RAIL_NEG)
    block(page, (4.0, 13.6), (6.0, 14.6), "upper device", PALE)
    block(page, (4.0, 7.4), (6.0, 8.4), "lower device", PALE)
    cable(page, [(5.0, rail), (5.0, 14.6)], RAIL_POS)
    cable(page, [(5.0, low), (5.0, 7.4)], RAIL_NEG)
    page.element(elm.ResistorIEC().linewidth(1.8), (5.0, 13.6), (5.0, out), OUTPUT)
    page.element(elm.ResistorIEC().linewidth(1.8), (5.0, out), (5.0, 8.4), OUTPUT)
    note(page, (2.0, 12.3), "emitter resistor\n(one of a pair\nis enough)")
    note(page, (2.6, 9.8), "emitter resistor")
    page.dot((5.0, 13.2), OUTPUT)
    page.dot((5.0, out), OUTPUT)
    cable(page, [(5.0, out), (7.4, out)], OUTPUT)
    page.element(elm.Inductor2().linewidth(1.6), (7.4, out), (10.0, out), OUTPUT)
    page.text((8.7, out + 0.45), "output coil, if any", 9.0, "center")
    cable(page, [(10.0, out), (12.0, out)], OUTPUT)
    terminal(page, (12.1, out), OUTPUT)
    note(page, (10.5, out - 0.6), "loudspeaker +", OUTPUT)
    cable(page, [(2.0, 4.6), (12.0, 4.6)], AMP_0V)
    terminal(page, (12.1, 4.6), AMP_0V)
    note(page, (10.5, 4.0), "loudspeaker -", AMP_0V)
    note(page, (2.0, 4.8), "amplifier 0 V", AMP_0V)

    page.rectangle((16.0, 6.0), (21.4, 15.2), OUTPUT, 1.8, "#effafa")
    page.text((18.9, 14.6), "output module", 11.0, "center", OUTPUT)
    plug = SHEETS["output_left"].part("J1")
    for y, name, what in (
        (13.2, "2", "device's end of the resistor"),
        (10.2, "1", "output junction, module's middle"),
        (7.2, "3", "amplifier 0 V"),
    ):
        terminal(page, (16.0, y), OUTPUT)
        page.text((16.3, y - 0.1), f"J1.{name} {plug.pin_label(name)}", 10.0)
        page.text((16.3, y - 0.5), what, 8.0, "left")
    cable(page, [(5.0, 13.2), (15.91, 13.2)], OUTPUT, 1.6)
    cable(page, [(6.6, out), (6.6, 10.2), (15.91, 10.2)], OUTPUT, 1.6)
    page.dot((6.6, out), OUTPUT)
    cable(page, [(8.0, 4.6), (8.0, 7.2), (15.91, 7.2)], AMP_0V, 1.6)
    page.dot((8.0, 4.6), AMP_0V)
    note(page, (9.0, 13.35), "twist these two, at most 0.5 m")
    note(page, (9.0, 7.35), "0 V at the loudspeaker terminal")
    cable(page, [(21.4, 10.6), (26.6, 10.6)], CABLE, 1.4)
    page.text((22.3, 10.75), "5 V, ground, SDA, SCL", 9.0)
    barrier(page, [(21.8, 5.4), (21.8, 15.8)], "reinforced insulation:\nisolator, isolated supply", (22.1, 15.4))
    block(page, (26.6, 6.0), (29.4, 15.2), "sense board,\noutput\nconnector\nleft / right", COOL)
    note(
        page,
        (22.3, 9.4),
        "The module is left or right by its\naddress bridge at U1 (ADDR):\nleft 0x48, right 0x49.\n"
        "Mark both modules and both\nsets of clips L and R.",
    )
    caution(
        page,
        (0.6, 0.5),
        14.0,
        "Discharge the reservoirs before clipping on. The clips carry full rail when a device fails:\n"
        "use insulated clips and wire for 300 V; the series resistors sit in the module.\n"
        "Emitter and terminal lead on the same resistor. Swapped, the bias reads negative.\n"
        "Bridged or BTL outputs: the second terminal is not 0 V; do not use this wiring.",
    )
    page.rectangle((15.4, 0.5), (29.4, 3.6), "#111111", 1.2, "none")
    note(page, (15.6, 3.2), "Which point is the terminal", size=10.0)
    note(
        page,
        (15.6, 2.75),
        "before the output coil and before a loudspeaker relay, at the emitter resistors:\n"
        "an open speaker relay would leave the terminal floating and the offset unread.\n"
        "No load connected until the offset has been seen to be small.",
    )
    return page


def heatsink_sensors() -> Page:
    """Return the picture of where the three NTCs go."""
    page = Page(
        "Wiring 4: heatsink and ambient sensors",
        "Sink temperature is the one the bias circuit and the limits are about; a case temperature is another thing.",
        30.0,
        16.0,
    )
    page.rectangle((1.0, 5.0), (18.0, 13.4), "#111111", 1.8, "#eceff1")
    for i in range(14):
        page.line([(1.6 + i * 1.22, 13.4), (1.6 + i * 1.22, 14.0)], "#555555", 2.4)
    note(page, (1.2, 12.9), "heatsink, seen from the devices' side (fins behind, upright)")
    for x, name in ((4.2, "output device"), (13.2, "output device")):
        page.rectangle((x - 1.2, 8.2), (x + 1.2, 11.0), "#111111", 1.6, "#cfd8dc")
        page.circle((x, 9.6), 0.75, "#111111", "#b0bec5", 1.4)
        page.text((x, 11.3), name, 9.0, "center")
    page.circle((8.7, 9.6), 0.42, "#2e7d32", "#c8e6c9", 2.0)
    page.circle((8.7, 9.6), 0.14, "#2e7d32", "white", 1.6)
    page.text((8.7, 10.35), "NTC, ring terminal", 9.5, "center", "#2e7d32")
    page.text((8.7, 8.85), "M3, insulated, thin paste", 9.0, "center", "#2e7d32")
    page.line([(5.4, 7.6), (8.28, 7.6)], "#2e7d32", 1.0)
    page.line([(5.4, 7.45), (5.4, 7.75)], "#2e7d32", 1.0)
    page.line([(8.28, 7.45), (8.28, 7.75)], "#2e7d32", 1.0)
    page.text((6.85, 7.15), "10 to 20 mm", 9.0, "center", "#2e7d32")
    page.circle((13.2, 9.6), 0.3, "#c00000", "#ffcdd2", 1.6)
    page.line([(12.8, 9.2), (13.6, 10.0)], "#c00000", 2.0)
    page.line([(12.8, 10.0), (13.6, 9.2)], "#c00000", 2.0)
    note(
        page, (12.0, 7.6), "not on a can, a tab or\na screw of a device:\nthat metal may be at\nrail voltage", "#c00000"
    )
    cable(page, [(8.7, 9.18), (8.7, 9.05)], "#2e7d32", 1.6)
    cable(page, [(8.7, 8.75), (8.7, 3.6), (20.6, 3.6)], "#2e7d32", 1.6)
    note(page, (9.0, 3.75), "twisted pair, insulated for 300 V, away from the output leads")
    page.circle((28.0, 12.6), 0.3, "#1a4fb4", "#bbdefb", 2.0)
    note(
        page,
        (18.6, 14.2),
        "ambient NTC: beside the set, at the height of its base,\n"
        "0.3 m or more away, not above it, out of draught and sun",
        "#1a4fb4",
    )
    cable(page, [(28.0, 12.3), (28.0, 6.0)], "#1a4fb4", 1.6)
    block(
        page,
        (20.6, 2.4),
        (28.6, 6.0),
        "sense board, NTC connectors\nleft, right, ambient\n10 kohm at 25 C, B 3977 K\n"
        "NTC to ground, 10 kohm 0.1 % to 3.3 V",
        COOL,
    )
    note(
        page,
        (18.6, 10.6),
        "The insulation between sink and sensor is the barrier here:\n"
        "insulated bead in the ring, and a polyimide washer under it.\n"
        "Measure it: ring to lead above 100 Mohm at 500 V d.c.\n"
        "Sensors left and right warmed by hand one after the other\n"
        "must move the channel of that name.",
    )
    caution(
        page,
        (1.0, 0.6),
        17.0,
        "A heatsink may be live: some sets bolt devices to it without insulation. Measure it first\n"
        "against amplifier 0 V and earth. A sensor that came loose reads cold: strain relief on the lead,\n"
        "and a spring washer under the ring.",
    )
    return page
