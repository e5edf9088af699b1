"""One image of the firmware for all tests here; skipped without a MicroPython image."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

IMAGE = os.environ.get("BENCHWARDEN_UF2", "")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.emulator)
            if not IMAGE:
                item.add_marker(pytest.mark.skip(reason="BENCHWARDEN_UF2 names no MicroPython image"))


@pytest.fixture
def boards(tmp_path: Path) -> Iterator[Callable[..., Any]]:
    """Return `make(main=None)`: a board that has been started with the firmware, or another main.py, on it."""
    from emulated_board import EmulatedBoard, flash_files, installable

    made = []

    def make(main: str | None = None) -> EmulatedBoard:
        folder = installable(tmp_path / f"fw{len(made)}", main)
        board = EmulatedBoard(flash_files(folder, tmp_path / f"fs{len(made)}.img"), IMAGE)
        made.append(board)
        board.start()
        return board

    yield make
    for board in made:
        board.stop()
