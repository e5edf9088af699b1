"""`benchwarden ports`: what it tells a person and another program."""

from __future__ import annotations

import json

import pytest

from benchwarden import cli
from benchwarden.link import serial_port
from benchwarden.link.serial_port import PortInfo

BOARD = PortInfo("/dev/ttyACM7", "Board in FS mode", "E66138935F1B2C2A")


@pytest.mark.parametrize(("boards", "code"), [([BOARD], 0), ([], 1)])
def test_another_program_gets_a_list_whether_there_is_a_board_or_not(
    boards: list[PortInfo], code: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(serial_port, "find_boards", lambda: boards)
    assert cli.main(["ports", "--json"]) == code
    told = json.loads(capsys.readouterr().out)
    assert told == [
        {"device": board.device, "description": board.description, "serial": board.serial} for board in boards
    ]


def test_a_person_gets_a_line_a_board(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(serial_port, "find_boards", lambda: [BOARD])
    assert cli.main(["ports"]) == 0
    assert capsys.readouterr().out == "/dev/ttyACM7  Board in FS mode  E66138935F1B2C2A\n"
    monkeypatch.setattr(serial_port, "find_boards", list)
    assert cli.main(["ports"]) == 1
    assert "No board found" in capsys.readouterr().out
