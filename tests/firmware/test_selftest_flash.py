"""Files on the board, as the firmware's one module for them sees them; here on the PC's own file system."""

from __future__ import annotations

from pathlib import Path

import pytest

from wardenfw.flash import Flash


@pytest.fixture(autouse=True)
def in_an_empty_root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_what_was_written_is_read_back_in_pieces() -> None:
    flash = Flash()
    flash.write("cal_a.bin", bytes(range(100)))
    buf = bytearray(64)
    assert flash.size("cal_a.bin") == 100
    assert flash.read_into("cal_a.bin", 0, buf) == 64
    assert bytes(buf) == bytes(range(64))
    assert flash.read_into("cal_a.bin", 64, buf) == 36
    assert bytes(buf[:36]) == bytes(range(64, 100))
    assert flash.read_into("cal_a.bin", 100, buf) == 0


def test_a_file_that_is_not_there_is_no_error() -> None:
    flash = Flash()
    assert flash.size("none.bin") == -1
    assert flash.read_into("none.bin", 0, bytearray(4)) == -1
    assert flash.names("none") == []


def test_a_file_that_cannot_be_opened_is_one(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(OSError):  # noqa: PT011 - any but "no such file"
        Flash().read_into("folder", 0, bytearray(4))
    with pytest.raises(OSError):  # noqa: PT011
        Flash().write("no/such/folder.bin", b"1")


def test_names_lists_every_file_below_a_folder(tmp_path: Path) -> None:
    for name in ("wardenfw/sensors/ntc.mpy", "wardenfw/app.mpy", "boot.py"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    assert Flash().names("wardenfw") == ["wardenfw/app.mpy", "wardenfw/sensors/ntc.mpy"]
    assert Flash().names("") == ["boot.py", "wardenfw/app.mpy", "wardenfw/sensors/ntc.mpy"]
