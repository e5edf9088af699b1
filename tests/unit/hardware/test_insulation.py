"""Barriers: the rules against published figures, the sheets against the rules, the page against both."""

from __future__ import annotations

from dataclasses import replace

import pytest

from circuits import insulation, insulation_page
from circuits.insulation_rules import BASIC, REINFORCED, basic_creepage_mm, need
from circuits.sheets import SHEETS


@pytest.mark.parametrize(("volts", "mm"), [(200, 2.0), (250, 2.5), (320, 3.2), (400, 4.0), (300, 3.0)])
def test_creepage_is_what_the_table_prints(volts: float, mm: float) -> None:
    # Source: IEC 60664-1 table F.4, degree 2, group III, as printed in a terminal maker's
    # catalogue (2015) p. 594; 300 V by linear interpolation.
    assert basic_creepage_mm(volts) == pytest.approx(mm)


def test_mains_needs_six_and_three_millimetres() -> None:
    # Source: 6.0 mm reinforced creepage at 300 V from the same table doubled; 1.5 and 3.0 mm
    # clearance and 4000 V d.c. from a published IEC 62368-1 test report, 5.4.2.3 and 5.4.9.
    wanted = need(REINFORCED, 300.0, transients=True)
    assert (wanted.creepage_mm, wanted.clearance_mm, wanted.strength_v) == pytest.approx((6.0, 3.0, 4000.0))
    assert need(BASIC, 300.0, transients=True).clearance_mm == 1.5


def test_beyond_the_table_is_refused_with_what_is_allowed() -> None:
    with pytest.raises(ValueError, match="400 V"):
        basic_creepage_mm(401)
    with pytest.raises(ValueError, match="reinforced"):
        need("double", 100, transients=False)


def test_every_part_across_domains_is_in_a_barrier_that_gives_enough() -> None:
    assert insulation.findings(SHEETS.values()) == []
    # Eleven parts: three on each rail module, two on each output module... and the relays, inlet, outlet.
    assert len(insulation.crossing(SHEETS.values())) == 14


def test_a_part_that_joins_two_domains_unlisted_is_found() -> None:
    sheet = SHEETS["rail_pos"]
    bridge = replace(sheet.part("C6"), ref="C99", pins={"1": "V33", "2": "P3V3"})
    broken = replace(sheet, parts=(*sheet.parts, bridge))
    assert insulation.findings([*(s for s in SHEETS.values() if s.name != "rail_pos"), broken]) == [
        "rail_pos C99 joins RAIL_POS and SELV and is in no barrier"
    ]


def test_a_narrow_part_is_found() -> None:
    mains = insulation.BARRIERS[0]
    narrow = replace(mains, places=(insulation.Given("scratch", 5.9, 2.9, 3900.0, "invented"),))
    assert insulation.findings(SHEETS.values(), [narrow, *insulation.BARRIERS[1:]]) == [
        f"{mains.name}: scratch gives creepage 5.9, needed 6",
        f"{mains.name}: scratch gives clearance 2.9, needed 3",
        f"{mains.name}: scratch gives strength 3900, needed 4000",
    ]


def test_the_page_says_what_the_program_says() -> None:
    assert insulation_page.PAGE.read_text(encoding="utf-8") == insulation_page.page(), (
        "run `python -m circuits.insulation_page` in the folder hardware/"
    )
