"""The real ports: a serial device, or `socket://host:port` where there is none."""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import serial
from serial.tools import list_ports

from benchwarden.errors import LinkError, LinkTimeout
from benchwarden.link.port import BytePort

# USB identity of MicroPython on the RP2040, assigned by Raspberry Pi:
# github.com/raspberrypi/usb-pid, vendor 0x2E8A, product 0x0005.
BOARD_VID = 0x2E8A
BOARD_PID = 0x0005

_CHUNK = 65536
_WRITE_TIMEOUT_S = 1.0
_CONNECT_TIMEOUT_S = 3.0
_BAUD = 115200  # a number is asked for; USB CDC ignores it


@dataclass(frozen=True)
class PortInfo:
    """A port with a board behind it.

    Attributes:
        device: what to open.
        description: as the system words it.
        serial: USB serial number; names the board whatever port it gets.
    """

    device: str
    description: str
    serial: str


def find_boards(listing: Callable[[], Iterable[Any]] = list_ports.comports) -> list[PortInfo]:
    """Return the ports whose USB identity is that of a board, sorted by device.

    Args:
        listing: gives the system's ports, each with vid, pid, device,
            description, serial_number.
    """
    found = [
        PortInfo(str(port.device), str(port.description or ""), str(port.serial_number or ""))
        for port in listing()
        if port.vid == BOARD_VID and port.pid == BOARD_PID
    ]
    return sorted(found, key=lambda port: port.device)


def open_port(name: str) -> BytePort:
    """Open a serial device by name, or `socket://host:port`.

    Raises:
        LinkError: saying whether it is missing, forbidden or held by another
            program, and what to do.
    """
    if "://" in name:
        return _SocketPort(name)
    return _SerialPort(name)


def port_finder(
    name: str,
    boards: Callable[[], list[PortInfo]] = find_boards,
    opening: Callable[[str], BytePort] = open_port,
) -> Callable[[], BytePort]:
    """Return a function that opens `name`, or wherever that board went since.

    A replugged board may get another device name, and its old name may go to
    another board: once the USB serial number behind `name` is known, it decides.
    """
    wanted = _serial_of(name, boards())

    def find() -> BytePort:
        nonlocal wanted
        present = boards()
        if not wanted:
            wanted = _serial_of(name, present)
        if not wanted:
            return opening(name)
        for port in present:
            if port.serial == wanted:
                return opening(port.device)
        raise LinkError(f"{name}: the board with USB serial number {wanted} is not plugged in")

    return find


def _serial_of(name: str, present: list[PortInfo]) -> str:
    # Stable names such as /dev/serial/by-id/... are links to the device.
    real = os.path.realpath(name)
    for port in present:
        if port.device == name or os.path.realpath(port.device) == real:
            return port.serial
    return ""


class _SerialPort:
    def __init__(self, name: str) -> None:
        self.name = name
        try:
            self._serial = serial.Serial(
                name, baudrate=_BAUD, timeout=0, write_timeout=_WRITE_TIMEOUT_S, exclusive=_exclusive()
            )
        except (OSError, ValueError) as error:
            raise LinkError(_why_not_opened(name, error)) from error

    def read(self, timeout_s: float) -> bytes:
        if not self._serial.is_open:
            raise LinkError(f"{self.name}: the port is closed")
        try:
            return self._read(max(timeout_s, 0.0))
        except LinkError:
            raise
        except (OSError, TypeError, ValueError) as error:
            raise LinkError(f"{self.name}: the port is gone ({error}); was the cable pulled?") from error

    def _read(self, timeout_s: float) -> bytes:
        if sys.platform == "win32":
            # Nothing to select on: wait for the first byte, then take what is there.
            self._serial.timeout = timeout_s
            first = bytes(self._serial.read(1))
            return first + bytes(self._serial.read(self._serial.in_waiting)) if first else b""
        # One system call a batch: many times faster than pyserial's own read
        # and without its wait for a full buffer.
        fd = self._serial.fileno()
        if not select.select([fd], [], [], timeout_s)[0]:
            return b""
        data = os.read(fd, _CHUNK)
        if not data:
            raise LinkError(f"{self.name}: the port is gone; was the cable pulled?")
        return data

    def write(self, data: bytes) -> None:
        if not self._serial.is_open:
            raise LinkError(f"{self.name}: the port is closed")
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException as error:
            raise LinkTimeout(f"{self.name}: the board has taken no bytes for {_WRITE_TIMEOUT_S:g} s") from error
        except (OSError, TypeError, ValueError) as error:
            raise LinkError(f"{self.name}: the port is gone ({error}); was the cable pulled?") from error

    def close(self) -> None:
        try:
            self._serial.close()
        except OSError as error:
            # A device that is gone cannot be closed in form; its descriptor is.
            if error.errno not in (errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF):
                raise LinkError(f"{self.name}: cannot be closed ({error})") from error


class _SocketPort:
    def __init__(self, name: str) -> None:
        self.name = name
        try:
            parts = urlsplit(name)
            host, number = parts.hostname, parts.port
        except ValueError as error:
            raise LinkError(f"{name}: not a port; allowed: a device name or socket://host:port ({error})") from error
        if parts.scheme != "socket" or not host or not number:
            raise LinkError(f"{name}: not a port; allowed: a device name or socket://host:port")
        try:
            self._socket: socket.socket | None = socket.create_connection((host, number), _CONNECT_TIMEOUT_S)
        except OSError as error:
            raise LinkError(f"{name}: nothing answers there ({error}); is the virtual bench running?") from error
        # Commands are short and each matters now: do not let them be collected.
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.settimeout(_WRITE_TIMEOUT_S)

    def read(self, timeout_s: float) -> bytes:
        connection = self._open()
        try:
            if not select.select([connection], [], [], max(timeout_s, 0.0))[0]:
                return b""
            data = connection.recv(_CHUNK)
        except (OSError, ValueError) as error:
            raise LinkError(f"{self.name}: the connection is gone ({error})") from error
        if not data:
            raise LinkError(f"{self.name}: the other end closed the connection")
        return data

    def write(self, data: bytes) -> None:
        connection = self._open()
        try:
            connection.sendall(data)
        except TimeoutError as error:
            raise LinkTimeout(f"{self.name}: the board has taken no bytes for {_WRITE_TIMEOUT_S:g} s") from error
        except (OSError, ValueError) as error:
            raise LinkError(f"{self.name}: the connection is gone ({error})") from error

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _open(self) -> socket.socket:
        if self._socket is None:
            raise LinkError(f"{self.name}: the port is closed")
        return self._socket


def _exclusive() -> bool | None:
    # Windows ports are exclusive by nature, and pyserial refuses the word False there.
    return None if sys.platform == "win32" else True


def _why_not_opened(name: str, error: Exception) -> str:
    number = getattr(error, "errno", None)
    held = (
        f"{name}: the port is held by another program; end the other run, or close the terminal "
        "or editor that talks to this board"
    )
    if number == errno.EBUSY or "exclusively lock" in str(error):
        return held
    if "PermissionError" in str(error) or "Access is denied" in str(error):
        return held  # how Windows says it
    if number in (errno.EACCES, errno.EPERM):
        return f"{name}: this user may not open the port; {_permission_advice(name)}"
    if number == errno.ENOENT or isinstance(error, FileNotFoundError) or "FileNotFoundError" in str(error):
        present = [port.device for port in find_boards()]
        there = f"boards found: {', '.join(present)}" if present else "no board is plugged in"
        return f"{name}: there is no such port; {there}"
    return f"{name}: cannot be opened ({error})"


def _permission_advice(name: str) -> str:
    group = "dialout"
    if sys.platform != "win32":
        import grp

        with contextlib.suppress(OSError, KeyError):
            group = grp.getgrgid(Path(name).stat().st_gid).gr_name
    return f"it belongs to group {group}: run `sudo usermod -aG {group} $USER` once, then log in again"
