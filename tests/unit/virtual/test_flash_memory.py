"""Flash on the bench: the interface of wardenfw.flash, what wear and power cuts leave, and what a board makes of it.

The reference for the interface is the firmware's own Flash on this machine's
files: both are asked the same.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from played_board import Run

from benchwarden.core import program_listing
from benchwarden.virtual.clock import VirtualClock
from benchwarden.virtual.flash_memory import FlashMemory
from benchwarden.virtual.installed import flash_content
from benchwarden.virtual.parts import Misuse
from benchwarden.virtual.rig import Rig
from wardenfw import wire
from wardenfw.flash import Flash


class PowerGone(BaseException):
    pass


def _gone() -> None:
    raise PowerGone


def flash(files: dict[str, bytes] | None = None, coil_on: bool = False) -> FlashMemory:
    return FlashMemory(VirtualClock(), files or {}, lambda: coil_on, _gone)


def test_answers_as_the_firmwares_own_flash_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    os.mkdir("folder")
    ours, theirs = flash(), Flash()
    content = bytes(range(100))
    for made in (ours, theirs):
        made.write("a.bin", content)
        made.write("folder/b.bin", b"")
        made.write("a.bin", content[:90])
        found = []
        for name, offset in (("a.bin", 0), ("a.bin", 80), ("a.bin", 200), ("none", 0), ("folder/b.bin", 0)):
            buf = bytearray(32)
            found.append((made.read_into(name, offset, buf), bytes(buf)))
        found += [made.size(name) for name in ("a.bin", "folder/b.bin", "none")]
        found += [made.names(folder) for folder in ("", "folder", "none")]
        if made is ours:
            first = found
    assert found == first


def test_writing_takes_time_and_is_forbidden_with_the_relay_held() -> None:
    memory = flash()
    memory.write("a", bytes(300))
    assert memory._clock.now_us > 45_000
    with pytest.raises(Misuse, match="relay held"):
        flash(coil_on=True).write("a", b"x")


@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
def test_cut_write_leaves_the_beginning(share: float) -> None:
    memory = flash({"a": b"old" * 10})
    memory.cut_at = share
    with pytest.raises(PowerGone):
        memory.write("a", b"new" * 10)
    assert memory.files["a"] == (b"new" * 10)[: int(share * 30)]
    memory.write("a", b"whole")
    assert memory.files["a"] == b"whole", "it is cut once"


def test_worn_cells_refuse_or_lose_a_bit() -> None:
    memory = flash({"a": b"old"})
    memory.worn = 0.2
    with pytest.raises(OSError, match="5"):
        memory.write("a", b"new")
    assert memory.files["a"] == b"old"
    memory.worn = 1.0
    memory.write("a", b"\xff" * 9)
    assert len(memory.files["a"]) == 9
    assert sum(byte.bit_count() for byte in memory.files["a"]) == 71


def test_flash_comes_with_the_firmware_and_a_listing_that_fits() -> None:
    files = flash_content()
    listing = program_listing.parse_listing(files.pop(program_listing.NAME))
    assert listing == program_listing.build_listing(files)
    assert {"boot.py", "main.py", "wardenfw/guard.py", "wardenfw/sensors/ina228.py"} <= set(files)


# A calibration on the whole board


def record(board: str, gain: float, number: int = 1) -> bytes:
    channel = wire.CHANNELS.index("offset_left_v")
    entries = [(channel, 2, 255, gain, 0.0, 0.0, 1e-3, 1e-4)]
    return wire.pack_calibration(board, 9000, 365, number, "reference", entries)


def calibrated(gain: float, number: int = 1) -> Run:
    """Return the run of a board that was given a calibration at 1.5 s and asked who it is at 3.5 s."""
    rig = Rig()
    rig.apply("offset_left_v", 10.0)
    run = Run(load=rig)
    run.refusals = True
    board = run.board.chip.unique_id.decode()
    run.acts = {
        1.5: lambda run: run.send(wire.CAL_WRITE, record(board, gain, number)),
        3.5: lambda run: run.send(wire.HELLO_REQUEST),
    }
    return run


def test_calibration_is_stored_and_used_at_once() -> None:
    run = calibrated(1.02).play(4.0)
    assert run.replies[0][:2] == (wire.CAL_WRITE, wire.DONE), run.replies
    assert run.reading("offset_left_v") == pytest.approx(10.2, abs=0.06)
    assert str(run.hellos[-1]["cal"]).startswith("calibrated 2024-08-22")
    assert [name for name in run.board.flash.files if name.startswith("cal_")] == ["cal_a.bin"]


@pytest.mark.parametrize("severity", [0.2, 1.0])
def test_worn_flash_is_told_and_the_board_stays_uncalibrated(severity: float) -> None:
    run = calibrated(1.02)
    run.board.dut.inject("flash-worn", severity)
    run.play(4.0)
    assert run.replies[0][:2] == (wire.CAL_WRITE, wire.R_FLASH), run.replies
    assert run.reading("offset_left_v") == pytest.approx(10.0, abs=0.06)


@pytest.mark.parametrize("severity", [0.0, 0.1, 0.5, 0.9, 0.999])
def test_brown_out_in_a_write_leaves_the_old_calibration_in_force(severity: float) -> None:
    run = calibrated(1.05, number=2)
    run.board.flash.files["cal_a.bin"] = record(run.board.chip.unique_id.decode(), 1.02, number=1)
    run.board.dut.inject("brown-out-in-write", severity)
    run.play(4.5)
    assert run.board.chip.resets == ["power", "power"]
    assert run.hellos[0]["boot"] != run.hellos[-1]["boot"]
    assert str(run.hellos[-1]["cal"]).startswith("calibrated 2024-08-22")
    assert "slot b" in str(run.hellos[-1]["cal"]), "what was found wrong is told"
    assert run.reading("offset_left_v") == pytest.approx(10.2, abs=0.06)


def test_words_kept_by_the_watchdog_outlive_its_reset_and_not_a_power_loss() -> None:
    run = Run(load=Rig())
    kept: list[int] = []

    def keep(run: Run) -> None:
        run.board.chip.modules()["machine"].mem32[0x40058010] = 0x12345678
        run.board.hang()

    def look(run: Run) -> None:
        kept.append(run.board.chip.scratch[0x40058010])
        run.board.power_off()

    def plug(run: Run) -> None:
        run.board.power_on()

    run.play(8.0, {1.5: keep, 4.0: look, 4.5: plug})
    assert run.board.chip.resets == ["power", "watchdog", "power"]
    assert kept == [0x12345678]
    assert run.board.chip.scratch[0x40058010] == 0
    with pytest.raises(Misuse, match="not the firmware's business"):
        run.board.chip.modules()["machine"].mem32[0x40000000]
