"""What the parts page shows of findings: marks along a line, the safe operating area, the effect on the plan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchwarden.analysis.careful import DEGREES, Doubts
from benchwarden.core.job import Job
from benchwarden.core.part_findings import DO_NOT_FIT, DOUBTS, NOTHING_FOUND, AreaCurve
from benchwarden.core.part_lots import PartLot, Piece
from benchwarden.dashboard.parts_job import Opened, head_of, not_opened
from benchwarden.dashboard.parts_result import level_words, result
from benchwarden.dashboard.parts_save import effect
from benchwarden.dashboard.parts_substitute_view import area_figure, in_order
from benchwarden.errors import JobError, RecordError
from benchwarden.parts.incoming import check_lot


def found_in(tree: Any, class_name: str) -> list[Any]:
    """Return the components of a class in a tree of them."""
    if isinstance(tree, (list, tuple)):
        return [one for part in tree for one in found_in(part, class_name)]
    own = [tree] if class_name in str(getattr(tree, "className", "")).split() else []
    return own + (found_in(tree.children, class_name) if getattr(tree, "children", None) is not None else [])


def lot_of(*gains: float) -> PartLot:
    return PartLot("outputs", "LM 1N", pieces=tuple(Piece(f"p{n}", hfe=gain) for n, gain in enumerate(gains, 1)))


def test_an_odd_piece_is_named_and_has_a_mark_of_its_own() -> None:
    lot = lot_of(84, 88, 81, 86, 85, 400)
    shown = result(lot, check_lot(lot, None, 2026))
    assert [mark.children for mark in found_in(shown, "dot-name")] == ["p6"]
    assert len(found_in(shown, "odd")) == 1
    assert len(found_in(shown, "dot")) == 6
    # The least stands at the left end, the greatest at the right, whatever the scale.
    lefts = [float(mark.style["left"].rstrip("%")) for mark in found_in(shown, "dot")]
    assert (min(lefts), max(lefts)) == (lefts[2], lefts[5]) == (4.0, 96.0)


def test_pieces_that_all_read_alike_stand_in_the_middle() -> None:
    lot = lot_of(84, 84, 84, 84)
    shown = result(lot, check_lot(lot, None, 2026))
    assert {mark.style["left"] for mark in found_in(shown, "dot")} == {"50.00%"}


def test_a_level_has_a_sign_beside_its_colour() -> None:
    words = [level_words(level) for level in (NOTHING_FOUND, DOUBTS, DO_NOT_FIT)]
    assert words == ["○ Nothing found", "△ Doubts", "✕ Do not fit"]


def test_boundaries_and_loads_differ_by_line_and_mark() -> None:
    curves = [
        AreaCurve("load", "load", "8 ohm", (1.0, 40.0), (4.0, 0.1)),
        AreaCurve("limit", "candidate", "dc", (1.0, 200.0), (15.0, 0.1)),
        AreaCurve("limit", "original", "dc", (1.0, 140.0), (10.0, 0.1)),
    ]
    assert [curve.of for curve in in_order(curves)] == ["original", "candidate", "load"]
    figure = area_figure(curves, {"original": "LM 1N", "candidate": "LM 2N"})
    assert [line.line.dash for line in figure.data] == ["dash", "solid", "dot"]
    assert len({line.marker.symbol for line in figure.data}) == 3
    assert (figure.layout.xaxis.type, figure.layout.yaxis.type) == ("log", "log")
    assert list(figure.data[1].x) == [1.0, 200.0]
    assert [line.name for line in figure.data] == ["LM 1N, dc", "LM 2N, dc", "8 ohm"]


@pytest.mark.parametrize(
    ("doubts", "degree"),
    [((), None), (("one",), DEGREES[0]), (("one", "two"), DEGREES[1]), (("1", "2", "3", "4"), DEGREES[2])],
)
def test_the_effect_on_the_plan_is_the_one_the_plan_is_made_with(doubts: tuple[str, ...], degree: Any) -> None:
    shown = repr(effect(Doubts(doubts, ())))
    assert "/plan/" in shown
    if degree is None:
        assert "as computed" in shown
        return
    assert f"degree {degree.number} of 3" in shown
    assert f"last {degree.lamp:g} times as long" in shown
    assert f"{degree.sink_k:g} K lower" in shown


def test_parts_that_should_not_be_fitted_are_said_to_stop_the_run() -> None:
    assert "does not start with them unless a person says" in repr(effect(Doubts((), ("lot a: remarked",))))


def test_a_store_that_can_only_be_read_is_said_before_anything_is_typed(tmp_path: Path) -> None:
    shown = repr(head_of(Opened(Job("2041"), "its file or folder is read-only")))
    assert "its file or folder is read-only" in shown
    assert "Nothing typed here can be kept" in shown
    assert "Nothing typed here" not in repr(head_of(Opened(Job("2041"), "")))


def test_what_is_away_and_what_is_wrong_are_told_apart() -> None:
    assert "Load this page again later" in repr(not_opened(RecordError("job store here: locked")))
    assert "later" not in repr(not_opened(JobError("job '1' is not in this store")))
