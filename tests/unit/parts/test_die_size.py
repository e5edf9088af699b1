"""Is a small die seen, against physics that every textbook holds, and is a sound one let pass?"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchwarden.core.part_findings import AS_EXPECTED, DO_NOT_FIT, DOUBTS, NOT_LOOKED_AT, ODD
from benchwarden.core.part_lots import PartLot, Piece
from benchwarden.core.substitutes import Ratings
from benchwarden.parts.die_size import area_ratio_of_vbe, compared, die_looks, die_statistics

KNOWN = (Piece("A", vbe_v=0.682, capacitance_pf=412), Piece("B", vbe_v=0.680, capacitance_pf=418))


def lot_of(
    area: float, n: int = 4, *, known: tuple[Piece, ...] = KNOWN, seed: int = 1, vbe: bool = True, cap: bool = True
) -> PartLot:
    """Return pieces whose die has this share of the known pieces' area, with a batch's usual spread."""
    source = np.random.default_rng(seed)
    kt_q = 0.025693
    pieces = tuple(
        Piece(
            f"{i}",
            vbe_v=0.681 - kt_q * math.log(area) + float(source.normal(0, 0.0012)) if vbe else None,
            capacitance_pf=415.0 * area * math.exp(float(source.normal(0, 0.012))) if cap else None,
        )
        for i in range(n)
    )
    return PartLot(name="x", marking="LM 6001N", test_current_a=1.0, pieces=pieces, known_good=known)


def test_the_voltage_of_an_area_is_the_textbooks() -> None:
    # Brokaw, IEEE J. Solid-State Circuits 9 (1974) 388: emitters 8 to 1 at equal currents differ by (kT/q) ln 8,
    # about 53.4 mV at 25 C; doubling is the 17.8 mV of every textbook (both from memory).
    assert area_ratio_of_vbe(-0.0534) == pytest.approx(8.0, rel=0.01)
    assert area_ratio_of_vbe(0.0178) == pytest.approx(0.5, rel=0.01)
    assert area_ratio_of_vbe(0.0) == 1.0


@pytest.mark.parametrize("volts", [20.0, -20.0])
def test_voltages_that_are_no_junctions_stay_numbers(volts: float) -> None:
    assert 0.0 < area_ratio_of_vbe(volts) < math.inf


def test_half_the_area_is_seen_by_both_and_not_fitted() -> None:
    for seed in range(20):
        lot = lot_of(0.5, seed=seed)
        look = die_looks(lot, None)[0]
        assert look.reason is not None
        assert look.reason.level == DO_NOT_FIT
        assert [one.area_ratio for one in compared(lot)] == pytest.approx([0.5, 0.5], rel=0.15)
        assert all(test.found and abs(test.value) > test.critical for test in die_statistics(lot))


@pytest.mark.parametrize("kwargs", [{"vbe": False}, {"cap": False}])
def test_one_figure_alone_is_a_doubt(kwargs: dict[str, bool]) -> None:
    look = die_looks(lot_of(0.5, **kwargs), None)[0]
    assert look.reason is not None
    assert look.reason.level == DOUBTS


def test_two_figures_that_contradict_each_other_are_a_doubt() -> None:
    pieces = tuple(Piece(f"{i}", vbe_v=0.681 + i * 0.0005, capacitance_pf=200.0 + i) for i in range(4))
    look = die_looks(PartLot("x", "y", test_current_a=1.0, pieces=pieces, known_good=KNOWN), None)[0]
    assert look.reason is not None
    assert look.reason.level == DOUBTS


def test_the_same_die_gives_no_reason_and_other_batches_none_either() -> None:
    for area in (1.0, 0.9, 1.1):
        for seed in range(60):
            look = die_looks(lot_of(area, seed=seed), None)[0]
            assert look.row.state == AS_EXPECTED, (area, seed)


def test_a_larger_die_is_another_die() -> None:
    look = die_looks(lot_of(2.0), None)[0]
    assert look.reason is not None
    assert look.reason.level == DOUBTS
    assert "larger" in look.reason.seen


def test_one_known_piece_is_enough() -> None:
    look = die_looks(lot_of(0.5, known=KNOWN[:1]), None)[0]
    assert look.reason is not None
    assert look.reason.level == DO_NOT_FIT


def test_piece_against_piece_has_no_spread_to_judge_by_and_doubts_only_what_is_plain() -> None:
    for area, state in ((0.5, ODD), (0.7, AS_EXPECTED)):
        look = die_looks(lot_of(area, 1, known=KNOWN[:1]), None)[0]
        assert look.row.state == state
        assert "no spread to judge by" in look.row.words
        assert look.reason is None or look.reason.level == DOUBTS
    assert die_statistics(lot_of(0.5, 1, known=KNOWN[:1])) == ()


def test_without_known_pieces_and_sheet_nothing_was_looked_at() -> None:
    assert [look.row.state for look in die_looks(lot_of(0.5, known=()), None)] == [NOT_LOOKED_AT, NOT_LOOKED_AT]


def test_against_the_sheet_only_far_below_is_odd() -> None:
    sheet = Ratings("LM 6001N", "invented", cob_pf=400)
    assert die_looks(lot_of(1.0), sheet)[1].row.state == AS_EXPECTED
    found = die_looks(lot_of(0.25), sheet)[1]
    assert found.reason is not None
    assert found.reason.level == DOUBTS


def test_voltages_at_currents_nobody_noted_are_not_compared() -> None:
    lot = replace(lot_of(0.5, cap=False), test_current_a=None)
    assert die_looks(lot, None)[0].row.state == NOT_LOOKED_AT


def test_a_gates_voltage_tells_nothing_of_area() -> None:
    pieces = tuple(Piece(f"{i}", vbe_v=3.5 + i / 100) for i in range(4))
    lot = PartLot(
        "x", "y", polarity="n-channel", test_current_a=1.0, pieces=pieces, known_good=(Piece("A", vbe_v=4.2),)
    )
    assert die_looks(lot, None)[0].row.state == NOT_LOOKED_AT


def test_a_die_somewhat_too_small_is_a_doubt_and_a_far_too_small_one_is_not_fitted() -> None:
    for area, level in ((0.72, DOUBTS), (0.65, DO_NOT_FIT)):
        kt_q = 0.025693
        pieces = tuple(
            Piece(f"{i}", vbe_v=0.681 - kt_q * math.log(area) + off, capacitance_pf=415 * area * (1 + 5 * off))
            for i, off in enumerate((-0.001, 0.0, 0.001, 0.0))
        )
        lot = PartLot("x", "y", test_current_a=1.0, pieces=pieces, known_good=KNOWN)
        look = die_looks(lot, None)[0]
        assert look.reason is not None
        assert look.reason.level == level
