"""The whole hardware on one page: modules, what each floats on, and every insulation barrier."""

from __future__ import annotations

from circuits.drawing_page import Page
from circuits.wiring_parts import (
    AMP_0V,
    CABLE,
    COOL,
    LIVE,
    OUTPUT,
    PALE,
    RAIL_NEG,
    RAIL_POS,
    WARM,
    barrier,
    block,
    cable,
    note,
)


def overview() -> Page:
    """Return the block diagram with the barriers drawn."""
    page = Page(
        "Overview: modules and insulation barriers",
        "Left of and below the bold dashed line: touched by a person and a computer (SELV). Beyond it: mains, "
        "rails, output terminals. Every crossing is reinforced insulation.",
        30.0,
        18.5,
    )
    block(page, (0.8, 8.4), (3.4, 11.4), "computer\n\nUSB cable", PALE)
    page.rectangle((5.6, 2.2), (11.6, 16.2), "#111111", 1.8, COOL)
    page.text((8.6, 15.6), "sense board", 12.0, "center")
    page.text((8.6, 15.15), "RP2040, SELV, USB-fed", 9.0, "center")
    cable(page, [(3.4, 9.9), (5.6, 9.9)])
    rows = (
        (13.4, "I2C0: rail monitors\nGP4, GP5; alert GP21"),
        (9.9, "I2C1: output modules\nGP6, GP7"),
        (6.6, "ADC: three NTCs\nGP26, GP27, GP28"),
        (3.4, "relay chain\nGP14, GP15, GP16; reads\nGP3, GP18, GP20, GP22"),
    )
    for y, text in rows:
        block(page, (6.4, y - 0.75), (10.8, y + 0.75), text, "white", 9.0)
    barrier(
        page,
        [(14.6, 16.6), (14.6, 7.9), (22.5, 7.9), (22.5, 5.4), (14.6, 5.4), (14.6, 0.9)],
        "reinforced insulation",
        (16.0, 5.0),
    )

    def module(y: float, colour: str, name: str, floats: str) -> None:
        block(page, (16.0, y - 0.65), (21.6, y + 0.65), f"{name}\n{floats}", "white", 9.0, colour)

    module(14.3, RAIL_POS, "rail module POS, 0x40", "shunt in + rail; ground = amplifier 0 V")
    module(12.5, RAIL_NEG, "rail module NEG, 0x41", "shunt in - rail; floats on - rail")
    module(10.6, OUTPUT, "output module left, 0x48", "floats on left output terminal")
    module(8.9, OUTPUT, "output module right, 0x49", "floats on right output terminal")
    block(page, (16.0, 6.2), (21.6, 7.4), "NTC left, right, ambient\nring terminals, sleeve = barrier", "white", 9.0)
    for y0, ys in ((13.4, (14.3, 12.5)), (9.9, (10.6, 8.9)), (6.6, (6.8,))):
        for y in ys:
            cable(page, [(10.8, y0), (12.6, y0), (12.6, y), (16.0, y)], CABLE, 1.5)
    for y, text in (
        (14.3, "isolator, DC/DC"),
        (12.5, "isolator, DC/DC"),
        (10.6, "isolator, DC/DC"),
        (8.9, "isolator, DC/DC"),
    ):
        page.text((12.75, y + 0.12), text, 7.5)
    page.rectangle((23.6, 6.2), (29.2, 15.0), "#111111", 1.8, WARM)
    page.text((26.4, 14.4), "amplifier under test", 11.0, "center")
    for y, text, colour in (
        (13.4, "rails, up to 70 V each", RAIL_POS),
        (10.0, "output junctions", OUTPUT),
        (8.4, "0 V (may be earthed)", AMP_0V),
        (6.8, "heatsinks", "#111111"),
    ):
        page.text((26.6, y - 0.1), text, 9.0, "center", colour)
    for y, to, colour in (
        (14.3, 14.3 - 0.6, RAIL_POS),
        (12.5, 13.1, RAIL_NEG),
        (10.6, 10.3, OUTPUT),
        (8.9, 9.7, OUTPUT),
        (6.8, 6.8, CABLE),
    ):
        cable(page, [(21.6, y), (22.6, y), (22.6, to), (23.6, to)], colour, 1.8)

    block(
        page,
        (16.0, 2.3),
        (21.6, 4.5),
        "mains relay K1, two poles, forced-guided\nbypass relay K2 across the lamp",
        "white",
        9.0,
        LIVE,
    )
    block(
        page,
        (24.0, 2.3),
        (29.2, 4.5),
        "mains box: fuse, transformers,\nlimiter lamp, amplifier outlet",
        WARM,
        9.0,
        LIVE,
    )
    cable(page, [(21.6, 3.4), (24.0, 3.4)], LIVE)
    cable(page, [(26.6, 4.5), (26.6, 6.2)], LIVE)
    cable(page, [(10.8, 3.4), (16.0, 3.4)], CABLE, 1.5)
    page.text((11.75, 3.52), "coils 12 V, mirror contact", 7.5)
    block(page, (0.8, 4.4), (3.4, 5.6), "12 V SELV\nclass II", PALE, 9.0)
    block(page, (0.8, 2.4), (3.4, 3.6), "emergency\nstop, NC", PALE, 9.0)
    cable(page, [(3.4, 5.0), (4.4, 5.0), (4.4, 3.7), (5.6, 3.7)], CABLE, 1.5)
    cable(page, [(3.4, 3.0), (5.6, 3.0)], CABLE, 1.5)
    note(
        page,
        (0.8, 1.3),
        "Computer, USB cable, 12 V adapter, button and emergency stop are\n"
        "touched: they share the board's SELV ground.",
    )
    note(
        page,
        (16.0, 1.3),
        "An isolator's two grounds are never joined. Each of the four modules has a supply of its own.",
    )
    return page
