"""The mains side, from the wall to the amplifier's outlet."""

from __future__ import annotations

from schemdraw import elements as elm

from circuits import drawing_symbols as symbols
from circuits.drawing_page import Page
from circuits.wiring_parts import (
    CABLE,
    COOL,
    EARTH,
    LIVE,
    NEUTRAL,
    PALE,
    WARM,
    barrier,
    block,
    cable,
    caution,
    note,
    terminal,
)

L, N, PE = 11.0, 9.0, 7.2


def mains_side() -> Page:
    """Return the picture of the mains side."""
    page = Page(
        "Wiring 1: mains side",
        "Everything above the bold dashed line is at mains potential; below it a person and a computer may touch.",
        30.0,
        16.5,
    )
    block(page, (0.5, 6.6), (2.1, 11.6), "wall\nsocket\n\nplug", WARM)
    block(page, (5.2, 6.6), (7.2, 11.6), "residual-\ncurrent\ndevice\n30 mA\n(yours)", WARM)
    block(page, (8.4, 6.6), (11.0, 11.6), "isolating\ntransformer\nabove the set's\ninput power\n(yours)", WARM)
    block(page, (12.2, 6.6), (14.4, 11.6), "variable\ntransformer\n(yours)", WARM)
    block(page, (26.6, 6.6), (29.0, 11.6), "amplifier\noutlet", WARM)
    page.rectangle((15.3, 6.2), (25.6, 14.6), LIVE, 1.6, "none")
    note(page, (15.5, 14.15), "mains box: closed, insulating or earthed", LIVE)

    # live
    for x in (2.1, 5.2, 7.2, 8.4, 11.0, 12.2, 14.4, 26.6):
        for y, colour in ((L, LIVE), (N, NEUTRAL), (PE, EARTH)):
            terminal(page, (x, y), colour)
    page.element(elm.FuseIEC().linewidth(2.2), (2.1, L), (4.3, L), LIVE)
    cable(page, [(4.3, L), (5.2, L)], LIVE)
    page.text((2.3, L + 0.85), "F: slow, the set's\nown value, no more", 9.0)
    cable(page, [(7.2, L), (8.4, L)], LIVE)
    cable(page, [(11.0, L), (12.2, L)], LIVE)
    cable(page, [(14.4, L), (16.6, L)], LIVE)
    symbols.lamp(page, (16.6, L), (19.4, L), LIVE)
    page.text((18.2, L - 0.85), "limiter lamp\n230 V, 60 to 150 W", 9.0)
    cable(page, [(16.6, L), (16.6, 12.9)], LIVE)
    symbols.contact_open(page, (16.6, 12.9), (19.4, 12.9), LIVE)
    cable(page, [(19.4, L), (19.4, 12.9)], LIVE)
    page.dot((16.6, L), LIVE)
    page.dot((19.4, L), LIVE)
    page.text((18.0, 13.5), "K2: bypass, NO", 9.0, "center")
    cable(page, [(19.4, L), (21.4, L)], LIVE)
    symbols.contact_open(page, (21.4, L), (24.2, L), LIVE)
    cable(page, [(24.2, L), (26.6, L)], LIVE)
    page.text((22.8, L + 0.65), "K1: mains relay, NO in L", 9.0, "center")

    # neutral and earth
    cable(page, [(2.1, N), (5.2, N)], NEUTRAL)
    cable(page, [(7.2, N), (8.4, N)], NEUTRAL)
    cable(page, [(11.0, N), (12.2, N)], NEUTRAL)
    cable(page, [(14.4, N), (21.4, N)], NEUTRAL)
    symbols.contact_open(page, (21.4, N), (24.2, N), NEUTRAL)
    cable(page, [(24.2, N), (26.6, N)], NEUTRAL)
    page.text((22.55, N + 0.35), "K1: NO in N", 9.0, "right")
    for a, b in ((2.1, 5.2), (7.2, 8.4), (11.0, 12.2), (14.4, 26.6)):
        cable(page, [(a, PE), (b, PE)], EARTH)
    for x, y, name, colour in ((4.4, L, "L", LIVE), (4.4, N, "N", NEUTRAL), (4.4, PE, "PE", EARTH)):
        page.text((x + 0.25, y + 0.12), name, 10.0, "left", colour)
    note(page, (18.2, PE - 0.55), "PE goes through unbroken", EARTH)

    # the side that is touched
    barrier(
        page,
        [(0.4, 5.4), (29.6, 5.4)],
        "reinforced insulation: coil to contacts of K1 and K2, forced-guided mirror contact of K1",
        (0.5, 5.6),
    )
    for x, y0, y1 in ((18.0, 4.75, 13.1), (22.8, 4.75, 11.2)):
        page.line([(x, y0), (x, y1)], symbols.GREY, 1.0, dashed=True)
    symbols.coil(page, (17.0, 4.3), (19.0, 4.3), CABLE)
    symbols.coil(page, (21.8, 4.3), (23.8, 4.3), CABLE)
    symbols.contact_closed(page, (24.6, 4.3), (27.0, 4.3), CABLE)
    page.line([(22.8, 4.75), (25.7, 4.75), (25.7, 4.45)], symbols.GREY, 1.0, dashed=True)
    page.text((16.8, 4.2), "coil K2", 9.0, "right")
    page.text((21.6, 4.2), "coil K1", 9.0, "right")
    page.text((27.2, 4.2), "mirror, NC", 9.0, "left")
    block(
        page,
        (15.6, 0.6),
        (28.6, 2.9),
        "sense board (RP2040)\ncoils, mirror contact, emergency stop and 12 V end on its relay connectors",
        COOL,
    )
    for x in (17.0, 19.0, 21.8, 23.8, 24.6, 27.0):
        cable(page, [(x, 4.3), (x, 2.9)], CABLE, 1.4)
    block(page, (11.2, 0.6), (14.2, 1.5), "emergency stop, NC", PALE)
    block(page, (11.2, 2.0), (14.2, 2.9), "12 V SELV, class II", PALE)
    cable(page, [(14.2, 1.05), (15.6, 1.05)], CABLE, 1.4)
    cable(page, [(14.2, 2.45), (15.6, 2.45)], CABLE, 1.4)
    caution(
        page,
        (0.5, 0.6),
        10.2,
        "Mains can kill. Local codes come first; where they reserve such work,\n"
        "it is for people licensed for it. Pull the plug before opening the box.\n"
        "A residual-current device does not see a fault behind an isolating\n"
        "transformer: one hand, one earthed instrument at most.\n"
        "A lamp or a relay that has gone out does not prove the set is dead.\n"
        "Benchwarden is not a certified protective device.",
    )
    return page
