"""A virtual board's flash in a file of the host: kept over the end of the bench, and refused when it is none."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchwarden.errors import PlanError
from benchwarden.virtual.board import VirtualBoard
from benchwarden.virtual.fake_machine import ChipReset
from benchwarden.virtual.kept_flash import keep_flash
from benchwarden.virtual.rig import Rig


def board(path: Path) -> VirtualBoard:
    made = VirtualBoard(Rig())
    keep_flash(made.flash, path)
    return made


def test_what_the_board_wrote_is_there_at_the_next_start_and_the_program_is_not_kept(tmp_path: Path) -> None:
    path = tmp_path / "flash.json"
    first = board(path)
    first.flash.write("cal_a.bin", bytes(range(256)))
    first.flash.write("boot.py", b"another program")
    second = board(path)
    assert second.flash.files["cal_a.bin"] == bytes(range(256))
    assert second.flash.files["boot.py"] == VirtualBoard(Rig()).flash.files["boot.py"]
    assert list(tmp_path.iterdir()) == [path]


def test_a_write_cut_short_is_kept_as_far_as_it_came(tmp_path: Path) -> None:
    path = tmp_path / "flash.json"
    first = board(path)
    first.flash.cut_at = 0.25
    with pytest.raises(ChipReset):
        first.flash.write("cal_a.bin", bytes(100))
    assert board(path).flash.files["cal_a.bin"] == bytes(25)


@pytest.mark.parametrize(
    "content", ["", "[]", "{}", '{"format": 2, "files": {}}', '{"format": 1, "files": {"cal_a.bin": "xy"}}']
)
def test_another_file_is_refused_by_name_and_left_alone(tmp_path: Path, content: str) -> None:
    path = tmp_path / "flash.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(PlanError, match=r"flash\.json: no flash of a virtual board"):
        board(path)
    assert path.read_text(encoding="utf-8") == content


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"missing.*cannot be written"):
        board(tmp_path / "missing" / "flash.json")
