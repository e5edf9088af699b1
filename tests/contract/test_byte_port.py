"""Every BytePort keeps the same promises: a serial device (a pseudo-terminal) and socket://."""

from __future__ import annotations

import os
import select
import socket
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import pytest

if sys.platform != "win32":
    import tty

from benchwarden.errors import LinkError, LinkTimeout
from benchwarden.link.port import BytePort
from benchwarden.link.serial_port import PortInfo, find_boards, open_port, port_finder

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")


class FarEnd(Protocol):
    name: str

    def send(self, data: bytes) -> None: ...

    def receive(self, count: int) -> bytes: ...

    def hang_up(self) -> None: ...


class PtyEnd:
    def __init__(self) -> None:
        self._fd, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.name = os.ttyname(self._slave)

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._fd, data[:1024]) :]

    def receive(self, count: int) -> bytes:
        out = b""
        while len(out) < count and select.select([self._fd], [], [], 2.0)[0]:
            out += os.read(self._fd, count - len(out))
        return out

    def hang_up(self) -> None:
        if self._fd >= 0:
            os.close(self._slave)
            os.close(self._fd)
            self._fd = -1


class SocketEnd:
    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.name = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self._peer: socket.socket | None = None

    def _connected(self) -> socket.socket:
        if self._peer is None:
            self._server.settimeout(2.0)
            self._peer, _ = self._server.accept()
            self._peer.settimeout(2.0)
        return self._peer

    def send(self, data: bytes) -> None:
        self._connected().sendall(data)

    def receive(self, count: int) -> bytes:
        out = b""
        while len(out) < count:
            out += self._connected().recv(count - len(out))
        return out

    def hang_up(self) -> None:
        if self._server.fileno() >= 0:
            self._connected().close()
            self._server.close()


@dataclass
class Pair:
    far: FarEnd
    near: BytePort


@pytest.fixture(params=[pytest.param(PtyEnd, id="serial", marks=posix_only), pytest.param(SocketEnd, id="socket")])
def pair(request: pytest.FixtureRequest) -> Iterator[Pair]:
    far = request.param()
    near = open_port(far.name)
    yield Pair(far, near)
    near.close()
    far.hang_up()


def read_all(port: BytePort, count: int) -> bytes:
    out = b""
    for _ in range(10_000):
        if len(out) >= count:
            break
        out += port.read(1.0)
    return out


def write_often(port: BytePort, times: int, data: bytes) -> None:
    for _ in range(times):
        port.write(data)


def test_it_knows_its_name(pair: Pair) -> None:
    assert pair.near.name == pair.far.name


def test_nothing_there_gives_nothing(pair: Pair) -> None:
    assert pair.near.read(0.0) == b""
    assert pair.near.read(0.05) == b""


def test_every_byte_value_passes_both_ways(pair: Pair) -> None:
    every = bytes(range(256))
    pair.far.send(every)
    assert read_all(pair.near, 256) == every
    pair.near.write(every)
    assert pair.far.receive(256) == every


def test_read_does_not_wait_for_more_than_is_there(pair: Pair) -> None:
    """The patience of ten seconds would show as this test's own timeout."""
    pair.far.send(b"x")
    assert pair.near.read(10.0) == b"x"
    timer = threading.Timer(0.05, pair.far.send, (b"later",))
    timer.start()
    assert read_all(pair.near, 5) == b"later"
    timer.join()


def test_much_at_once_arrives_whole(pair: Pair) -> None:
    data = os.urandom(200_000)
    sender = threading.Thread(target=pair.far.send, args=(data,))
    sender.start()
    assert read_all(pair.near, len(data)) == data
    sender.join()


def test_hang_up_is_an_error_that_says_so(pair: Pair) -> None:
    pair.far.send(b"last words")
    assert read_all(pair.near, 10) == b"last words"
    pair.far.hang_up()
    with pytest.raises(LinkError, match=r"gone|closed"):
        pair.near.read(1.0)
    with pytest.raises(LinkError):
        write_often(pair.near, 10, b"anybody there?")  # a socket notices with the second packet


def test_a_closed_port_is_closed(pair: Pair) -> None:
    pair.near.close()
    pair.near.close()
    with pytest.raises(LinkError, match="closed"):
        pair.near.read(0.0)
    with pytest.raises(LinkError, match="closed"):
        pair.near.write(b"x")


def test_a_far_end_that_takes_nothing_times_out(pair: Pair) -> None:
    with pytest.raises(LinkTimeout, match="taken no bytes"):
        write_often(pair.near, 200, bytes(1 << 17))


def test_bytes_sent_before_a_socket_closed_are_not_lost() -> None:
    far = SocketEnd()
    near = open_port(far.name)
    data = os.urandom(50_000)
    far.send(data)
    far.hang_up()
    time.sleep(0.05)
    assert read_all(near, len(data)) == data
    with pytest.raises(LinkError, match="closed the connection"):
        near.read(1.0)
    near.close()


@posix_only
def test_two_hosts_on_one_port_are_told() -> None:
    far = PtyEnd()
    first = open_port(far.name)
    with pytest.raises(LinkError, match="held by another program"):
        open_port(far.name)
    first.close()
    open_port(far.name).close()
    far.hang_up()


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("/dev/no-such-port", "there is no such port"),
        ("socket://127.0.0.1:1", "nothing answers there"),
        ("socket://127.0.0.1", "allowed: a device name or socket://host:port"),
        ("socket://127.0.0.1:x", "allowed: a device name or socket://host:port"),
        ("http://127.0.0.1:80", "allowed: a device name or socket://host:port"),
    ],
)
def test_what_cannot_be_opened_says_why(name: str, words: str) -> None:
    with pytest.raises(LinkError, match=words):
        open_port(name)


@posix_only
def test_a_forbidden_port_names_its_group(monkeypatch: pytest.MonkeyPatch) -> None:
    """The errno is raised in place of the system, which lets the superuser open anything."""
    import errno
    import grp

    import serial

    def forbidden(*_: object, **__: object) -> None:
        raise serial.SerialException(errno.EACCES, "could not open port: Permission denied")

    far = PtyEnd()
    monkeypatch.setattr(serial, "Serial", forbidden)
    group = grp.getgrgid(os.stat(far.name).st_gid).gr_name
    with pytest.raises(LinkError, match=rf"belongs to group {group}.*usermod -aG {group}"):
        open_port(far.name)
    far.hang_up()


@dataclass
class Listed:
    """What pyserial lists for one port."""

    device: str
    vid: int | None
    pid: int | None
    serial_number: str | None
    description: str = "Board in FS mode"


def test_boards_are_found_by_usb_identity() -> None:
    """2E8A:0005 is MicroPython on the RP2040 (github.com/raspberrypi/usb-pid)."""
    listing = [
        Listed("/dev/ttyACM1", 0x2E8A, 0x0005, "e661"),
        Listed("/dev/ttyUSB0", 0x0403, 0x6001, "ft"),
        Listed("/dev/ttyS0", None, None, None),
        Listed("/dev/ttyACM0", 0x2E8A, 0x0005, None),
    ]
    assert find_boards(lambda: listing) == [
        PortInfo("/dev/ttyACM0", "Board in FS mode", ""),
        PortInfo("/dev/ttyACM1", "Board in FS mode", "e661"),
    ]


def test_a_replugged_board_is_found_under_its_new_name() -> None:
    far = [SocketEnd(), SocketEnd()]
    present = [PortInfo("/dev/ttyACM0", "", "mine")]
    opened: list[str] = []

    def opening(name: str) -> BytePort:
        opened.append(name)
        return open_port(far[len(opened) - 1].name)

    find = port_finder("/dev/ttyACM0", lambda: present, opening)
    find().close()
    present[:] = [PortInfo("/dev/ttyACM0", "", "another"), PortInfo("/dev/ttyACM3", "", "mine")]
    find().close()
    assert opened == ["/dev/ttyACM0", "/dev/ttyACM3"]
    present[:] = [PortInfo("/dev/ttyACM0", "", "another")]
    with pytest.raises(LinkError, match="serial number mine is not plugged in"):
        find()
    for end in far:
        end.hang_up()


def test_a_port_without_usb_identity_is_opened_by_name() -> None:
    far = SocketEnd()
    find = port_finder(far.name, lambda: [PortInfo("/dev/ttyACM0", "", "other")])
    port = find()
    assert port.name == far.name
    port.close()
    far.hang_up()
