"""What goes wrong with board, modules and flash, end to end: never armed or opened, the part named, nothing lost.

The faults are the virtual bench's own (no published source): what is checked is
that firmware, link, procedures and records act together on them.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from playing import Played, play
from pypdf import PdfReader

from benchwarden.calibrate_driver import guided
from benchwarden.calibrate_script import ScriptedPerson
from benchwarden.cli import main
from benchwarden.core.calibration import Calibration, Entry
from benchwarden.core.clock import SystemClock
from benchwarden.core.procedure import Ask
from benchwarden.errors import BoardFault, LinkError
from benchwarden.link import board_client
from benchwarden.link.board_client import BoardClient
from benchwarden.link.serial_port import open_port, port_finder
from benchwarden.record.board_records import BoardRecords
from benchwarden.record.journal_reader import JournalReader
from benchwarden.virtual.demo import VirtualBench
from benchwarden.virtual.hands import Hands
from wardenfw import wire

pytestmark = pytest.mark.bench

CHANNEL = "offset_left_v"
BOARD = "virtual-00000001"


def kept(path: Path, **slots: bytes) -> Path:
    """Write the flash of a virtual board with these calibration slots (a, b)."""
    files = {f"cal_{slot}.bin": content.hex() for slot, content in slots.items()}
    path.write_text(json.dumps({"format": 1, "files": files}), encoding="utf-8")
    return path


def record(number: int = 1, board: str = BOARD, due_days: int = 365) -> bytes:
    entry = Entry(CHANNEL, 3, 50, 1.0005, 0.001, 0.0, 0.001, 0.0005)
    day = dt.datetime.now(dt.UTC).date()
    return Calibration(board, day, due_days, number, "meter no. 7", (entry,)).pack()


def events(played: Played) -> list[str]:
    with JournalReader(played.run_dir) as reader:
        return [wire.EVENTS[wire.unpack_event(event.payload)[1]] for event in reader.events()]


def printed(played: Played) -> str:
    pages = PdfReader(played.run_dir / "record.pdf").pages
    return " ".join("".join(page.extract_text() for page in pages).split())


@contextmanager
def met(flash: Path, fault: str = "none") -> Iterator[tuple[BoardClient, Hands]]:
    """Give a board that has said hello, on the rig, and the hands there."""
    with VirtualBench(None, fault, 0.0, 1, flash=flash) as bench, Hands(bench.hands) as hands:
        client = BoardClient(open_port(bench.port), SystemClock(), port_finder(bench.port))
        try:
            client.hello(10.0)
            yield client, hands
        finally:
            with suppress(LinkError):
                client.close()


class Watched(ScriptedPerson):
    """The scripted person, whose questions are kept."""

    def __init__(self, hands: Hands) -> None:
        super().__init__(hands)
        self.asked: list[str] = []

    def answer(self, ask: Ask) -> str:
        self.asked.append(ask.id)
        return super().answer(ask)


def calibrated(tmp_path: Path, client: BoardClient, hands: Hands, channel: str = CHANNEL) -> tuple[Watched, str]:
    """Calibrate one channel; return the person and the record's path, "" when nothing was written."""
    facts = client.hello_facts
    assert facts is not None
    person = Watched(hands)
    records = BoardRecords(tmp_path / "records", facts.board)
    outcome = guided(client, SystemClock(), records, person, (channel,), virtual=True)
    return person, outcome.path


@pytest.mark.parametrize(
    ("fault", "part"),
    [
        ("sensor-open:1", "ntc_left: open"),
        ("module-missing:1", "rail_pos: does not answer at 0x40"),
        ("wrong-address:0/right", "output_right: answers at 0x4A, expected 0x49"),
        ("program-edited:1", "program: wardenfw/guard.py changed"),
        ("program-edited:0", "program: wardenfw/extra.py not part of the program"),
    ],
)
def test_what_the_self_test_finds_is_named_and_the_run_never_begins(tmp_path: Path, fault: str, part: str) -> None:
    played = play(tmp_path, fault)
    words = f"Self-test of the board failed: {part}."
    assert played.verdict["verdict"] == "incomplete"
    (stopped,) = [w for w in played.verdict["warnings"] if w["cause"]]
    assert (stopped["cause"], stopped["why"]) == ("sensor-fault", words)
    assert words in played.said()
    assert part in printed(played)
    assert not {"armed", "closed"} & set(events(played))
    assert played.truth["mains_closed"] is False


def test_a_board_whose_program_was_edited_does_not_arm_for_anybody(tmp_path: Path) -> None:
    with met(tmp_path / "flash.json", "program-edited") as (client, _):
        assert client.hello(10.0).parts == {"program": "wardenfw/guard.py changed"}
        reply = client.request(wire.ARM)
    assert (reply.done, reply.text) == (False, "fault")


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("module-missing:0@25", "sensor-fault (Bias drop, left, no reading)"),
        ("module-missing:1@25/right", "rail module rail_neg pulled the alert line and does not answer"),
    ],
)
def test_a_module_pulled_while_the_relay_is_closed_opens_it(tmp_path: Path, fault: str, words: str) -> None:
    played = play(tmp_path, fault)
    assert (played.verdict["verdict"], played.cause) == ("trip", "sensor-fault")
    assert words in played.verdict["trips"][0]["why"]
    assert words in printed(played)
    assert played.truth["mains_closed"] is False
    # Opened, and nothing closed it again.
    said = events(played)
    assert said.count("closed") == 1
    assert said.index("closed") < said.index("tripped")


@pytest.mark.parametrize(("side", "rail"), [("left", "pos"), ("right", "neg")])
def test_a_reversed_shunt_trips_for_the_sensor_and_names_the_leads(tmp_path: Path, side: str, rail: str) -> None:
    played = play(tmp_path, f"shunt-reversed@0/{side}")
    assert (played.verdict["verdict"], played.cause) == ("trip", "sensor-fault")
    assert f"S+ and S- of module rail_{rail} are exchanged" in printed(played)
    assert played.truth["mains_closed"] is False


def test_swapped_output_modules_pass_a_run_which_says_that_it_cannot_tell(tmp_path: Path) -> None:
    """Both channels of a sound set read alike; calibration and commissioning tell (test_commissioning.py)."""
    played = play(tmp_path, "modules-swapped", soak_s=5.0, records=tmp_path / "records")
    assert played.verdict["trips"] == []
    words = "a run cannot tell output modules that sit on each other's channel"
    assert words in played.said()
    assert words in printed(played)


def test_swapped_output_modules_cannot_be_calibrated(tmp_path: Path) -> None:
    with met(tmp_path / "flash.json", "modules-swapped") as (client, hands):
        person, path = calibrated(tmp_path, client, hands)
        assert path == ""
        assert client.hello(10.0).cal == "uncalibrated"
    assert any("instead offset_right_v by" in t and "leads or modules are swapped" in t for t in person.told)


def test_worn_flash_keeps_the_old_calibration_in_force_and_the_points(tmp_path: Path) -> None:
    flash = kept(tmp_path / "flash.json", a=record(1))
    with met(flash, "flash-worn:0") as (client, hands):
        old = client.info(wire.CALIBRATION_INFO)
        with pytest.raises(BoardFault, match=r"slot b takes no writing .* goes on with what it had: calibrated"):
            calibrated(tmp_path, client, hands)
        assert client.info(wire.CALIBRATION_INFO) == old == record(1)
    (draft,) = (tmp_path / "records").rglob("*.draft.json")
    points = json.loads(draft.read_text(encoding="utf-8"))["channels"][CHANNEL]["points"]
    assert len(points) == 3


@pytest.fixture
def no_long_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    """The board has lost the command with its supply: its answer cannot come, however long one waits."""
    monkeypatch.setattr(board_client, "_FLASH_S", 2.0)


def test_a_brown_out_while_the_calibration_is_stored_keeps_old_and_points_and_is_gone_on_from(
    tmp_path: Path, no_long_wait: None
) -> None:
    flash = kept(tmp_path / "flash.json", a=record(1))
    with met(flash, "brown-out-in-write:0.5") as (client, hands):
        with pytest.raises(BoardFault, match=r"restarted while it stored .* what it had: calibrated .*slot b: damaged"):
            calibrated(tmp_path, client, hands)
        assert client.info(wire.CALIBRATION_INFO) == record(1)
    # Anew, with the half of a record in its flash: nothing has to be measured again.
    with met(flash) as (client, hands):
        assert client.hello(10.0).cal.endswith("; slot b: damaged")
        person, path = calibrated(tmp_path, client, hands)
        assert "resume" in person.asked
        assert not [asked for asked in person.asked if asked.endswith(".reference")]
        assert Path(path).exists()
        held = client.info(wire.CALIBRATION_INFO)
        assert wire.unpack_calibration(held)[3] == 2
        assert client.hello(10.0).cal.startswith("calibrated")
        assert "damaged" not in client.hello(10.0).cal
    assert not list((tmp_path / "records").rglob("*.draft.json"))


def test_a_brown_out_right_behind_the_writing_loses_nothing(tmp_path: Path, no_long_wait: None) -> None:
    with met(tmp_path / "flash.json", "brown-out-in-write:1") as (client, hands):
        _, path = calibrated(tmp_path, client, hands)
        assert json.loads(Path(path).read_text(encoding="utf-8"))["crc"] == client.hello(10.0).cal_crc


def test_a_calibration_of_another_board_is_not_measured_with(tmp_path: Path) -> None:
    flash = kept(tmp_path / "flash.json", a=record(3, "virtual-0000000b"), b=record(2)[:40])
    played = play(tmp_path, soak_s=5.0, flash=flash)
    words = "uncalibrated; slot a: record of another board (virtual-0000000b); slot b: damaged"
    assert played.verdict["trips"] == [], "it works without a calibration"
    assert played.status["board"]["cal"] == words
    text = printed(played)
    assert "slot a: record of another board (virtual-0000000b)" in text
    assert "uncalibrated" in text.lower()


def test_show_tells_what_a_board_measures_with(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    flash = kept(tmp_path / "flash.json", b=record(5))
    command = ["calibrate", "--virtual", "--show", "--records", str(tmp_path), "--flash", str(flash)]
    assert main(command) == 0
    said = capsys.readouterr().out
    assert f"Board {BOARD}: calibrated" in said
    assert "1 of 13 channels" in said
    assert "Record number 5, CRC " in said
    rows = {line.split()[0]: line for line in said.splitlines() if line.strip()}
    assert "1.00050" in rows[CHANNEL]
    assert "calibration of" in rows[CHANNEL]
    assert "not calibrated: tolerances of the parts" in rows["offset_right_v"]
    assert not list(tmp_path.rglob("calibration-*.json")), "showing is not calibrating"
