"""What a named fault of the board, its modules or the relay chain does to the virtual board."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchwarden.virtual.board import VirtualBoard

Break = Callable[["VirtualBoard", float, str], None]
EDITED_FILE = "wardenfw/guard.py"
ADDED_FILE = "wardenfw/extra.py"
WRONG_RAIL_ADDRESS, WRONG_OUTPUT_ADDRESS = 0x44, 0x4A


def break_board(board: VirtualBoard) -> None:
    """Act on every fault that waits in the load's `board_faults`; a weld stays there, the others happen once."""
    waiting = board.dut.board_faults
    for name, severity, channel in list(board.dut.active_faults):
        if name in waiting:
            if name != "relay-welded":
                waiting.discard(name)
            _BREAKS[name](board, severity, channel)


def _weld(board: VirtualBoard, severity: float, channel: str) -> None:
    board.mains.welded = True


def _reverse_shunt(board: VirtualBoard, severity: float, channel: str) -> None:
    (board.positive if channel == "left" else board.negative).reverse_shunt()


def _swap_modules(board: VirtualBoard, severity: float, channel: str) -> None:
    board.swap_outputs()


def _move_address(board: VirtualBoard, severity: float, channel: str) -> None:
    rails = severity >= 0.5
    parts = board.chip.buses[0 if rails else 1].parts
    usual = {True: (0x40, 0x41), False: (0x48, 0x49)}[rails]
    part = parts.pop(usual[0 if channel == "left" else 1])
    parts[WRONG_RAIL_ADDRESS if rails else WRONG_OUTPUT_ADDRESS] = part


def _pull_module(board: VirtualBoard, severity: float, channel: str) -> None:
    rail = "rail_pos" if channel == "left" else "rail_neg"
    board.plug_module(rail if severity >= 0.5 else f"output_{channel}", False)


def _wear_flash(board: VirtualBoard, severity: float, channel: str) -> None:
    board.flash.worn = severity


def _cut_write(board: VirtualBoard, severity: float, channel: str) -> None:
    board.flash.cut_at = severity


def _edit_program(board: VirtualBoard, severity: float, channel: str) -> None:
    files = board.flash.files
    if severity < 0.5:
        files[ADDED_FILE] = b"# not of this program\n"
        return
    content = bytearray(files[EDITED_FILE])
    content[len(content) // 2] ^= 1
    files[EDITED_FILE] = bytes(content)


def _short_pump(board: VirtualBoard, severity: float, channel: str) -> None:
    board.drive.pump_shorted = True
    board.drive.weigh()


def _short_enable(board: VirtualBoard, severity: float, channel: str) -> None:
    board.drive.enable_shorted = True
    board.drive.weigh()


def _stick_latch(board: VirtualBoard, severity: float, channel: str) -> None:
    board.drive.latch_stuck = severity < 0.5
    board.drive.weigh()


def _stick_alert(board: VirtualBoard, severity: float, channel: str) -> None:
    board.alert_stuck_high = True
    board.alert_moved()


def _no_coil_supply(board: VirtualBoard, severity: float, channel: str) -> None:
    board.drive.coil_supply(False)


def _unplug(board: VirtualBoard, severity: float, channel: str) -> None:
    board.power_off()


def _hang(board: VirtualBoard, severity: float, channel: str) -> None:
    board.hang()


_BREAKS: dict[str, Break] = {
    "relay-welded": _weld,
    "usb-unplugged": _unplug,
    "board-hang": _hang,
    "shunt-reversed": _reverse_shunt,
    "modules-swapped": _swap_modules,
    "wrong-address": _move_address,
    "module-missing": _pull_module,
    "flash-worn": _wear_flash,
    "brown-out-in-write": _cut_write,
    "program-edited": _edit_program,
    "pump-fet-shorted": _short_pump,
    "enable-fet-shorted": _short_enable,
    "latch-stuck": _stick_latch,
    "alert-stuck-high": _stick_alert,
    "coil-supply-missing": _no_coil_supply,
}
