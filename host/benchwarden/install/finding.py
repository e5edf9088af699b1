"""Which port has the board, and is it at its prompt: found on USB, or said why not and what to do."""

from __future__ import annotations

import glob
import os
import string
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from serial.tools import list_ports

from benchwarden.core.clock import Clock
from benchwarden.core.procedure import NO, Answerer, Ask, Stopped, put
from benchwarden.errors import BoardFault, FrameError, LinkError, LinkTimeout, WireVersionError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.port import BytePort
from benchwarden.link.serial_port import BOARD_VID, PortInfo, find_boards, open_port

GET_MICROPYTHON = (
    "download MicroPython 1.24 or newer for the Raspberry Pi Pico (a file RPI_PICO-....uf2 from "
    "micropython.org/download/RPI_PICO), copy it onto that drive, wait until the drive is gone, "
    "and run this command again"
)
TO_THE_PROMPT = (
    "Pull the USB plug, hold the go/stop button, plug in again and let go of the button after a second: "
    "that leaves to the interpreter's prompt, relay open"
)
ASK_PROMPT = "install.prompt"

# A board that was plugged in this moment is still at its self-test.
_HELLO_S = 4.0
_REPLUGS = 5
# In these states a board holds nothing closed and nothing waits for it.
_IDLE_STATES = ("safe", "tripped", "fault")
_INFO_FILE = "INFO_UF2.TXT"
_BOARD_ID = "Board-ID: "
_DRIVES = ("/media/*/*", "/run/media/*/*", "/media/*", "/mnt/*", "/Volumes/*")
_LABELS = "/dev/disk/by-label"
_BOOT_LABELS = ("RPI-RP2", "RP2350")
_OUR_BOOT_LABEL = _BOOT_LABELS[0]


@dataclass(frozen=True)
class BootLoader:
    """A chip that offers itself as a drive: it has no program, or BOOTSEL was held.

    Attributes:
        place: the drive, or its device when it is not mounted.
        chip: what the drive calls itself; "RPI-RP2" for an RP2040.
    """

    place: str
    chip: str


def find_boot_loaders(drives: Sequence[str] | None = None, labels: str = _LABELS) -> list[BootLoader]:
    """Return the chips that show up as a drive.

    Args:
        drives: patterns of places where drives are mounted; default: this system's.
        labels: folder of unmounted drives by label (Linux).

    Source:
        UF2 specification (github.com/microsoft/uf2): a boot loader's drive has INFO_UF2.TXT
        with a line "Board-ID: ...". The RP2040's says RPI-RP2 (from memory).
    """
    found: dict[str, BootLoader] = {}
    for pattern in _system_drives() if drives is None else drives:
        for place in sorted(glob.glob(pattern)):
            try:
                text = (Path(place) / _INFO_FILE).read_text("ascii", errors="replace")
            except OSError:
                continue  # any other drive
            ids = [line.removeprefix(_BOARD_ID).strip() for line in text.splitlines() if line.startswith(_BOARD_ID)]
            chip = ids[0] if ids else "unknown"
            found[chip] = BootLoader(place, chip)
    for label in _BOOT_LABELS:
        device = os.path.join(labels, label)
        if label not in found and os.path.exists(device):
            found[label] = BootLoader(device, label)
    return list(found.values())


def _system_drives() -> Sequence[str]:
    if sys.platform == "win32":
        return tuple(f"{letter}:\\" for letter in string.ascii_uppercase)
    return _DRIVES


@dataclass(frozen=True)
class System:
    """What the computer has plugged in; a test gives its own.

    Attributes:
        boards: ports with MicroPython behind them.
        ports: all serial ports, as pyserial lists them.
        boot_loaders: chips in their boot loader.
        opening: opens a port by name.
    """

    boards: Callable[[], list[PortInfo]] = find_boards
    ports: Callable[[], Iterable[Any]] = list_ports.comports
    boot_loaders: Callable[[], list[BootLoader]] = find_boot_loaders
    opening: Callable[[str], BytePort] = open_port


def chosen_board(name: str, system: System) -> str:
    """Return the device of the one board found when `name` is "auto", else `name`.

    Raises:
        LinkError: no board, or more than one to choose from.
        BoardFault: a chip in its boot loader, which has no MicroPython yet.
    """
    boards = system.boards()
    if name != "auto":
        return name
    if len(boards) == 1:
        return boards[0].device
    if boards:
        named = ", ".join(f"{board.device} (USB serial number {board.serial or 'none'})" for board in boards)
        raise LinkError(f"more than one board found: {named}; name one with --port, or pull the others")
    for loader in system.boot_loaders():
        if loader.chip != _OUR_BOOT_LABEL:
            raise BoardFault(
                f"{loader.place}: a chip in its boot loader that calls itself {loader.chip}; "
                f"expected {_OUR_BOOT_LABEL}: this firmware is for the RP2040"
            )
        raise BoardFault(f"{loader.place}: a board in its boot loader, no MicroPython runs on it; {GET_MICROPYTHON}")
    others = [port for port in system.ports() if port.vid == BOARD_VID]
    if others:
        port = others[0]
        raise LinkError(
            f"{port.device}: a board with USB identity {port.vid:04x}:{port.pid:04x}, not MicroPython's; "
            f"hold BOOTSEL while plugging it in, then {GET_MICROPYTHON}"
        )
    raise LinkError(
        "no board found on USB: plug it in with a cable that carries data, or name its port with --port "
        "(a board without any program shows up as a drive when BOOTSEL is held while plugging in)"
    )


def board_at_prompt(name: str, system: System, clock: Clock, answerer: Answerer) -> str:
    """Return the port of a board on which this firmware does not run, with a person's help if need be.

    Raises:
        LinkError: no board, or the port cannot be opened.
        BoardFault: a board in its boot loader, or one that supervises something right now.
        Stopped: the firmware runs, and nobody brought the board to its prompt.
    """
    for _ in range(_REPLUGS):
        port_name = chosen_board(name, system)
        running = _running(port_name, system, clock)
        if not running:
            return port_name
        answerer.tell(f"{port_name}: {running}. It takes no keys while it runs.")
        ask = Ask(ASK_PROMPT, f"{TO_THE_PROMPT}. Done?", "confirm")
        if put(ask, answerer) == NO:
            break
    raise Stopped(f"{port_name}: the firmware still runs. {TO_THE_PROMPT}; then run this command again")


def _running(port_name: str, system: System, clock: Clock) -> str:
    """Return in words which of our firmware runs there, "" when none answers."""
    client = BoardClient(system.opening(port_name), clock)
    try:
        hello = client.hello(_HELLO_S)
    except LinkTimeout:
        return ""
    except WireVersionError:
        return "the board runs this firmware in another version"
    except FrameError as error:
        return f"the board runs this firmware ({error})"
    finally:
        client.close()
    if hello.state not in _IDLE_STATES:
        raise BoardFault(
            f"{port_name}: board {hello.board} is {hello.state}, expected {', '.join(_IDLE_STATES)}; "
            "end what it does first"
        )
    return f"firmware {hello.fw} runs on board {hello.board}"
