"""What the head of a record says of the board, and what `selftest` prints."""

from __future__ import annotations

import datetime as dt
import json

import pytest
from fake_board import FakeBoard, FakeClock

from benchwarden.core.calibration import MANY, Calibration, Entry
from benchwarden.errors import BoardFault, LinkError
from benchwarden.link.board_client import BoardClient
from benchwarden.link.board_facts import board_facts, calibration_facts
from benchwarden.selftest_command import self_tested
from wardenfw import wire

TODAY = dt.date(2026, 11, 25)
PARTS = {"rail_pos": "ok", "alert_neg": "alert did not fall within 50 ms"}
MADE = Calibration(
    "e66138", dt.date(2026, 1, 10), 365, 3, "meter", (Entry("rail_pos_a", 2, MANY, 1.0078125, 0.0, 0.0, 0.5, 0.25),)
)


def met(calibration: bytes = b"") -> tuple[FakeBoard, BoardClient]:
    clock = FakeClock()
    board = FakeBoard(clock)
    board.infos = {
        wire.SELFTEST_INFO: [json.dumps({"ok": False, "parts": PARTS, "took_ms": 400}).encode()],
        wire.CALIBRATION_INFO: [calibration],
        wire.PROGRAM_INFO: [json.dumps({"ok": True, "digest": "ab" * 32}).encode()],
    }
    client = BoardClient(board.port(), clock)
    client.hello()
    return board, client


def facts_of(client: BoardClient) -> dict[str, object]:
    assert client.hello_facts is not None
    return board_facts(client, client.hello_facts, TODAY)


def test_a_record_begins_with_calibration_self_test_and_program_in_full() -> None:
    _, client = met(MADE.pack())
    facts = facts_of(client)
    assert facts["cal"] == "calibrated 2026-01-10, due 2027-01-10, 1 of 13 channels"
    assert facts["selftest"] == {"ok": False, "parts": PARTS, "tested": 2}
    assert (facts["program_digest"], facts["program"], facts["wire"]) == ("ab" * 32, "0123456789abcdef", 2)
    calibration = facts["calibration"]
    assert isinstance(calibration, dict)
    assert (calibration["state"], calibration["number"], calibration["crc"]) == ("calibrated", 3, MADE.crc)
    assert bytes.fromhex(calibration["record"]) == MADE.pack()
    assert json.loads(json.dumps(facts)) == facts, "it goes into the journal"


def test_an_uncalibrated_board_says_so_and_what_is_wrong_with_its_files() -> None:
    assert facts_of(met()[1])["cal"] == "uncalibrated"
    said = "uncalibrated; slot a: record of another board (e6aa); slot b: damaged"
    facts = calibration_facts(None, said, TODAY)
    assert facts == {"state": "uncalibrated", "words": said}
    half = calibration_facts(MADE, "calibrated 2026-01-10, due 2027-01-10; slot b: damaged", dt.date(2027, 2, 1))
    assert half["state"] == "overdue"
    assert half["words"].startswith("calibration overdue since 2027-01-10")
    assert half["words"].endswith("; slot b: damaged")


def test_a_board_that_tells_nothing_stops_no_run_but_is_not_called_calibrated() -> None:
    board, client = met()
    board.deaf_to.add(wire.INFO_REQUEST)
    facts = facts_of(client)
    assert str(facts["cal"]).startswith("calibration unknown: ")
    assert "untold" in dict(facts["selftest"])  # type: ignore[call-overload]
    board, client = met(b"no record")
    facts = facts_of(client)
    assert "not whole and intact" in str(facts["cal"])


def test_a_port_that_went_away_is_an_error_even_here() -> None:
    board, client = met()
    board.ports[-1].gone = True
    with pytest.raises(LinkError, match="gone"):
        facts_of(client)


def test_the_self_test_tells_every_part_with_its_reason() -> None:
    board, client = met()
    tested = self_tested(client)
    ok, lines = tested.ok, tested.lines()
    assert not ok
    assert board.asked(wire.SELF_TEST)
    assert "  rail_pos   ok" in lines
    assert "  alert_neg  alert did not fall within 50 ms" in lines
    assert lines[-1] == "2 parts tested, not well: alert_neg. The board refuses to arm."
    board.infos[wire.SELFTEST_INFO] = [json.dumps({"ok": True, "parts": {"rail_pos": "ok"}}).encode()]
    assert self_tested(client).lines()[-1] == "All 1 parts well."
    assert self_tested(client).ok


def test_the_self_test_is_told_to_another_program_with_the_board_it_was() -> None:
    _, client = met()
    table = json.loads(json.dumps(self_tested(client).table()))
    assert table["ok"] is False
    assert table["parts"]["alert_neg"] == "alert did not fall within 50 ms"
    assert table["board"]["board"] == client.hello_facts.board  # type: ignore[union-attr]
    assert {"fw", "wire", "program", "cal", "cal_crc"} <= set(table["board"])


def test_a_board_that_will_not_test_itself_now_says_why() -> None:
    board, client = met()
    board.refusals[wire.SELF_TEST] = (wire.R_STATE, "relay is closed")
    with pytest.raises(BoardFault, match="does not test itself now: not allowed in this board state: relay is closed"):
        self_tested(client)
    board.refusals.clear()
    board.infos[wire.SELFTEST_INFO] = [b'{"ok": true}']
    with pytest.raises(BoardFault, match="names no parts"):
        self_tested(client)
    board.infos[wire.SELFTEST_INFO] = [b"{"]
    with pytest.raises(BoardFault, match="selftest cannot be read"):
        self_tested(client)
