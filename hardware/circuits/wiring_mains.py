"""The mains side, from the wall to the amplifier's outlet."""

from __future__ import annotations

from schemdraw import elements as elm

from circuits import drawing_symbols as symbols
from circuits.drawing_page import Page
from circuits.sheets import SHEETS
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
        34.0,
        16.5,
    )
    for x0, x1, text in (
        (0.5, 2.1, "wall\nsocket\n\nplug"),
        (5.2, 7.2, "residual-\ncurrent\ndevice\n30 mA\n(yours)"),
        (8.4, 11.0, "isolating\ntransformer\nabove the set's\ninput power\n(yours)"),
        (12.2, 14.4, "variable\ntransformer\n(yours)"),
        (31.0, 33.4, "amplifier"),
    ):
        block(page, (x0, 6.6), (x1, 11.6), text, WARM)
        for x in (x0, x1):
            for y, colour in ((L, LIVE), (N, NEUTRAL), (PE, EARTH)):
                if 2.0 < x < 32.0:
                    terminal(page, (x, y), colour)
    _box(page)
    page.element(elm.FuseIEC().linewidth(2.2), (2.2, L), (4.3, L), LIVE)
    page.text((2.3, L + 0.85), "fuse of the\nworkplace", 9.0)
    cable(page, [(4.3, L), (5.1, L)], LIVE)
    cable(page, [(2.2, N), (5.1, N)], NEUTRAL)
    cable(page, [(2.2, PE), (5.1, PE)], EARTH)
    for a, b in ((7.3, 8.3), (11.1, 12.1), (14.5, 15.6), (29.4, 30.9)):
        for y, colour in ((L, LIVE), (N, NEUTRAL), (PE, EARTH)):
            cable(page, [(a, y), (b, y)], colour)
    for y, name, colour in ((L, "L", LIVE), (N, "N", NEUTRAL), (PE, "PE", EARTH)):
        page.text((4.45, y + 0.12), name, 10.0, "left", colour)

    # the side that is touched
    barrier(
        page,
        [(0.4, 5.4), (33.6, 5.4)],
        "reinforced insulation: coil to contacts of K1 and K2, forced-guided mirror contact of K1",
        (0.5, 5.6),
    )
    for x, y0, y1 in ((20.8, 4.75, 11.2), (25.2, 4.75, 13.1)):
        page.line([(x, y0), (x, y1)], symbols.GREY, 1.0, dashed=True)
    symbols.contact_closed(page, (16.2, 4.3), (18.6, 4.3), CABLE)
    symbols.coil(page, (19.8, 4.3), (21.8, 4.3), CABLE)
    symbols.coil(page, (24.2, 4.3), (26.2, 4.3), CABLE)
    page.line([(20.8, 4.95), (17.4, 4.95), (17.4, 4.55)], symbols.GREY, 1.0, dashed=True)
    page.text((26.4, 4.2), "coil K2", 9.0, "left")
    page.text((22.0, 4.2), "coil K1", 9.0, "left")
    page.text((16.0, 4.2), "mirror 41-42", 9.0, "right")
    block(
        page,
        (15.6, 0.6),
        (28.6, 2.9),
        "sense board (RP2040): the box and the board's SELV side may share a case, 8 mm apart",
        COOL,
    )
    for x in (16.2, 18.6, 19.8, 21.8, 24.2, 26.2):
        cable(page, [(x, 4.3), (x, 2.9)], CABLE, 1.4)
    block(page, (11.2, 0.6), (14.2, 1.5), "emergency stop S1", PALE)
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


def _box(page: Page) -> None:
    """Draw the mains box: what the sheets relay_chain and limiter_bypass hold on the mains side."""
    chain, limiter = SHEETS["relay_chain"], SHEETS["limiter_bypass"]
    page.rectangle((15.6, 6.2), (29.4, 14.8), LIVE, 1.6, "none")
    note(page, (16.0, 14.3), "mains box: closed, insulating or earthed", LIVE)
    for x, ref, name in ((15.6, "J3", "inlet"), (29.4, "J5", "outlet")):
        for y, colour in ((L, LIVE), (N, NEUTRAL), (PE, EARTH)):
            terminal(page, (x, y), colour)
        sheet = chain if ref == "J3" else limiter
        page.text((x + (0.2 if ref == "J3" else -0.2), 12.0), f"{sheet.part(ref).ref}\n{name}", 9.0, _side(ref))
    page.element(elm.FuseIEC().linewidth(2.0), (15.7, L), (18.6, L), LIVE)
    page.text((17.15, L - 0.6), f"F1 {chain.part('F1').value}", 9.0, "center")
    cable(page, [(18.6, L), (19.4, L)], LIVE)
    symbols.contact_open(page, (19.4, L), (22.2, L), LIVE)
    page.text((20.6, L + 0.9), "K1 13-14,\nmains relay", 9.0, "right")
    cable(page, [(15.7, N), (19.4, N)], NEUTRAL)
    symbols.contact_open(page, (19.4, N), (22.2, N), NEUTRAL)
    page.text((20.6, N + 0.45), "K1 23-24", 9.0, "right")
    cable(page, [(22.2, N), (29.3, N)], NEUTRAL)
    cable(page, [(22.2, L), (23.8, L)], LIVE)
    symbols.lamp(page, (23.8, L), (26.6, L), LIVE)
    page.text((25.4, L - 0.75), f"limiter lamp E1 at J4\n{limiter.part('E1').value}", 9.0)
    cable(page, [(23.8, L), (23.8, 12.9)], LIVE)
    symbols.contact_open(page, (23.8, 12.9), (26.6, 12.9), LIVE)
    page.text((25.0, 13.45), "K2 11-14, bypass", 9.0, "right")
    cable(page, [(26.6, 12.9), (26.6, L)], LIVE)
    page.dot((23.8, L), LIVE)
    page.dot((26.6, L), LIVE)
    cable(page, [(26.6, L), (29.3, L)], LIVE)
    cable(page, [(15.7, PE), (29.3, PE)], EARTH)
    note(page, (15.9, PE - 0.55), "PE goes through unbroken", EARTH)


def _side(ref: str) -> str:
    return "left" if ref == "J3" else "right"
