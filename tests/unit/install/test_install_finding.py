"""Which board is meant, and whether its prompt can be had."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from fake_prompt import Person, refuser

from benchwarden.core.procedure import Ask, Stopped
from benchwarden.errors import BoardFault, LinkError
from benchwarden.install.finding import BootLoader, System, board_at_prompt, chosen_board, find_boot_loaders
from benchwarden.link.serial_port import PortInfo
from wardenfw import wire

ONE = PortInfo("/dev/ttyACM0", "Board in FS mode", "e66164084373532b")
TWO = PortInfo("/dev/ttyACM1", "Board in FS mode", "e660583883724a28")


class Clock:
    """Time passes with every look, so that waiting for silence ends."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def monotonic_s(self) -> float:
        self.now_s += 0.05
        return self.now_s

    def utc_label(self) -> str:
        return "2000-01-01T00:00:00Z"


class Port:
    """Says what it is given, in answer to anything; b"" is silence."""

    name = "fake"

    def __init__(self, says: bytes = b"") -> None:
        self._says = says
        self._waiting = b""
        self.closed = False

    def read(self, timeout_s: float) -> bytes:
        out, self._waiting = self._waiting, b""
        return out

    def write(self, data: bytes) -> None:
        self._waiting += self._says

    def close(self) -> None:
        self.closed = True


def hello(state: str = "safe") -> bytes:
    words = {
        "board": "e66164084373532b",
        "fw": "0.1.0",
        "wire": wire.WIRE_VERSION,
        "boot": 7,
        "selftest": {"ok": True, "parts": {}},
        "state": state,
    }
    return wire.encode(wire.HELLO, 1, json.dumps(words).encode())


def other_version() -> bytes:
    line = hello()
    known = wire.WIRE_VERSION
    try:
        wire.WIRE_VERSION = known - 1
        line = wire.encode(wire.HELLO, 1, b"{}")
    finally:
        wire.WIRE_VERSION = known
    return line


def system(
    boards: list[PortInfo] | None = None,
    ports: list[Any] | None = None,
    loaders: list[BootLoader] | None = None,
    says: bytes = b"",
) -> System:
    return System(lambda: boards or [], lambda: ports or [], lambda: loaders or [], lambda name: Port(says))


def test_one_board_is_taken() -> None:
    assert chosen_board("auto", system([ONE])) == ONE.device


def test_a_named_port_is_taken_as_it_is() -> None:
    assert chosen_board("/dev/ttyACM7", system([ONE, TWO])) == "/dev/ttyACM7"


def test_two_boards_are_both_named() -> None:
    with pytest.raises(LinkError, match="more than one board") as caught:
        chosen_board("auto", system([ONE, TWO]))
    for word in (ONE.device, ONE.serial, TWO.device, TWO.serial, "--port"):
        assert word in str(caught.value)


def test_no_board() -> None:
    with pytest.raises(LinkError, match="no board found on USB"):
        chosen_board("auto", system())


def test_a_board_in_its_boot_loader_is_told_what_it_needs() -> None:
    with pytest.raises(BoardFault, match=r"/media/me/RPI-RP2: a board in its boot loader.*MicroPython 1\.24 or newer"):
        chosen_board("auto", system(loaders=[BootLoader("/media/me/RPI-RP2", "RPI-RP2")]))


def test_another_chip_in_its_boot_loader_is_refused() -> None:
    with pytest.raises(BoardFault, match="calls itself RP2350; expected RPI-RP2"):
        chosen_board("auto", system(loaders=[BootLoader("/media/me/RP2350", "RP2350")]))


def test_a_board_with_another_program_is_named() -> None:
    # 2e8a:000a is a program made with the maker's own kit (github.com/raspberrypi/usb-pid; from memory).
    port = SimpleNamespace(device="/dev/ttyACM3", vid=0x2E8A, pid=0x000A)
    with pytest.raises(LinkError, match="/dev/ttyACM3: a board with USB identity 2e8a:000a, not MicroPython's"):
        chosen_board("auto", system(ports=[port, SimpleNamespace(device="/dev/ttyS0", vid=None, pid=None)]))


def test_drives_of_boot_loaders_are_found(tmp_path: Path) -> None:
    # The text of an RP2040's drive (from memory; the keys are those of github.com/microsoft/uf2).
    pico = tmp_path / "media" / "RPI-RP2"
    pico.mkdir(parents=True)
    (pico / "INFO_UF2.TXT").write_text("UF2 Bootloader v3.0\nModel: Raspberry Pi RP2\nBoard-ID: RPI-RP2\n")
    (tmp_path / "media" / "stick").mkdir()
    labels = tmp_path / "by-label"
    labels.mkdir()
    (labels / "RP2350").write_text("")
    (labels / "RPI-RP2").write_text("")
    found = find_boot_loaders((str(tmp_path / "media" / "*"),), str(labels))
    assert found == [BootLoader(str(pico), "RPI-RP2"), BootLoader(str(labels / "RP2350"), "RP2350")]
    assert find_boot_loaders((), str(tmp_path)) == []


def test_a_silent_port_may_be_a_prompt() -> None:
    person = Person()
    assert board_at_prompt("auto", system([ONE]), Clock(), person) == ONE.device
    assert person.asked == []


@pytest.mark.parametrize("says", [hello(), hello("tripped"), other_version()])
def test_a_running_firmware_is_told_apart_and_the_way_to_the_prompt_is_told(says: bytes) -> None:
    person = refuser()
    with pytest.raises(Stopped, match="hold the go/stop button, plug in again"):
        board_at_prompt("auto", system([ONE], says=says), Clock(), person)
    assert "hold the go/stop button" in person.asked[0].text
    assert any("runs" in line for line in person.told)


def test_after_the_button_the_board_is_looked_for_again() -> None:
    # It ran at ACM0 and comes back with its prompt at ACM1.
    ports = {ONE.device: Port(hello()), TWO.device: Port()}
    present = [ONE]

    def replugged(ask: Ask) -> None:
        present[:] = [PortInfo(TWO.device, ONE.description, ONE.serial)]

    person = Person(then=replugged)
    at = board_at_prompt("auto", System(lambda: present, list, list, lambda name: ports[name]), Clock(), person)
    assert at == TWO.device
    assert len(person.asked) == 1
    assert ports[ONE.device].closed
    assert ports[TWO.device].closed


def test_a_person_who_says_done_without_doing_is_not_asked_for_ever() -> None:
    person = Person()
    with pytest.raises(Stopped, match="still runs"):
        board_at_prompt("auto", system([ONE], says=hello()), Clock(), person)
    assert 1 < len(person.asked) < 20


@pytest.mark.parametrize("state", ["armed", "closing", "closed"])
def test_a_board_that_supervises_is_left_alone(state: str) -> None:
    person = Person()
    with pytest.raises(BoardFault, match=f"is {state}, expected safe"):
        board_at_prompt("auto", system([ONE], says=hello(state)), Clock(), person)
    assert person.asked == []


def test_a_port_that_is_not_there_is_named(tmp_path: Path) -> None:
    # The real opener; busy and forbidden ports are its own tests' matter.
    with pytest.raises(LinkError, match="there is no such port"):
        board_at_prompt(str(tmp_path / "ttyACM9"), System(boards=list), Clock(), Person())
