"""The firmware under a real MicroPython: the same answers as under CPython, byte for byte.

Two interpreters count as real: a `micropython` on the PATH (unix port) and the
published WebAssembly build under node. Both have 64-bit floats and no limit on
memory; what 32-bit floats and the heap of the board do is for the emulated and
the real board.

Outside anchors: CRC-32 check value of the RevEng catalogue; NTC resistances of
the maker's published fit (check of scale, Vishay document 29049); INA228 alert
step of 5 uV (SLYS021A).
"""

from __future__ import annotations

import json
import os
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from get_interpreter import NoInterpreter, unix_port, webassembly
from record import recording_board

from benchwarden.core.unit import Unit
from benchwarden.virtual.board import BenchStop
from benchwarden.virtual.dut import Dut, DutParams
from wardenfw import wire

pytestmark = pytest.mark.micropython

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "firmware"
NAN = float("nan")


KINDS = ["webassembly", "unix"] if unix_port() else ["webassembly"]


@pytest.fixture(scope="module", params=KINDS)
def interpreter(request: pytest.FixtureRequest) -> str:
    """Which one; skipped where none can be had, and where everything is installed that counts as a failure."""
    kind: str = request.param
    if kind == "webassembly":
        try:
            webassembly()
        except NoInterpreter as error:
            pytest.skip(str(error))
    return kind


def run_under(interpreter: str, script: Path, *folders: Path) -> str:
    """Return what `script` prints with `folders` on its path."""
    if interpreter == "webassembly":
        command = [*webassembly(), str(script), *map(str, folders)]
        environment = dict(os.environ)
    else:
        command = [*(unix_port() or []), "-X", "heapsize=8m", str(script)]
        environment = {**os.environ, "MICROPYPATH": ":".join(map(str, folders))}
    done = subprocess.run(command, capture_output=True, timeout=250, env=environment, check=False)
    assert done.returncode == 0, done.stderr.decode()[-2000:]
    return done.stdout.decode()


def run_under_cpython(script: Path, *folders: Path) -> str:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(map(str, folders))}
    done = subprocess.run([sys.executable, str(script)], capture_output=True, timeout=250, env=environment, check=False)
    assert done.returncode == 0, done.stderr.decode()[-2000:]
    return done.stdout.decode()


def test_logic_answers_alike(interpreter: str) -> None:
    theirs = run_under(interpreter, HERE / "vectors.py", FIRMWARE).splitlines()
    ours = run_under_cpython(HERE / "vectors.py", FIRMWARE).splitlines()
    assert theirs == ours
    assert len(theirs) > 1000
    words = [line.split() for line in theirs]
    # CRC-32/ISO-HDLC: of "123456789", "", 32 zero bytes, 32 bytes FF.
    assert words[0] == ["crc", str(0xCBF43926), "0", str(0x190A55AD), str(0xFF6CAB0B)]
    assert not [line for line in theirs if line.startswith("accepted")]
    ohms = [struct.unpack("<f", bytes.fromhex(w[1]))[0] for w in words if w[0] == "ohm"]
    assert ohms[1:3] == pytest.approx([32554.8, 10000.2], abs=0.1)
    assert ohms[4] == pytest.approx(1070.3, abs=0.1)
    # 0.5 A through 10 milliohm is 1000 steps of 5 uV; 20 A is more than the register holds.
    # With gain 1.015625 and offset 0.03125 A these are (A - offset) / gain in the shunt.
    alerts = [w[1] for w in words if w[0] == "alert"]
    assert alerts[:5] == ["2", "1000", "4000", "30000", "32767"]
    assert alerts[5:] == ["-60", "923", "3877", "29477", "32767"]
    assert [w[2] for w in words if w[:2] == ["date", "9825"]] == ["2026-11-25"]
    assert [w[2] for w in words if w[0] == "hello"] == ["True"] * 4


UNIT = Unit(
    rated_power_w=60,
    load_ohm=8,
    rail_nominal_v=42.0,
    emitter_resistor_ohm=0.22,
    target_bias_drop_mv=11.0,
    limiter_lamp_w=100,
)


def _stage(limiter_in: bool = True) -> bytes:
    limits = []
    for name in wire.MUST_LIMIT:
        channel = wire.CHANNELS.index(name)
        top = wire.CEILINGS[channel]
        limits.append((channel, wire.VALUE, 1, -top if name.endswith("_v") else NAN, top, 0, 0))
    limits.append((0, wire.RATE, 4, NAN, 14.0, 100, 1000))
    limits.append((6, wire.SPREAD, 8, -0.2, 0.2, 50, 1000))
    return wire.pack_stage(3, limiter_in, False, limits, 14.0, 14.0)


def _traced_run(monkeypatch: pytest.MonkeyPatch) -> tuple[bytes, bytes]:
    """Hello, stage, arm, go, closed, limiter out, over-current alert, burst, reset; returns trace and bytes sent."""
    board, trace = recording_board(Dut(DutParams.from_unit(UNIT, 3), 3), 3, monkeypatch.setattr)
    port = board.port
    seen = bytearray()
    seq = [0]
    slots = [0]

    def send(kind: int, payload: bytes = b"", version: int = wire.WIRE_VERSION) -> None:
        seq[0] += 1
        port.incoming += wire.encode(kind, seq[0], payload, version)

    def act(at: int) -> None:
        if at == 200:
            entries = [
                (0, 5, 3, 1.015625, 0.03125, 2.0, 0.0009765625, 0.0),
                (11, 4, 2, 1.125, -0.0625, 5.0, 0.0625, 0.0),
            ]
            send(wire.CAL_WRITE, wire.pack_calibration("virtual-replayed", 9825, 365, 1, "Prüfmeter", entries))
            send(wire.INFO_REQUEST, wire.pack_info_request(wire.CALIBRATION_INFO, 0))
        elif at == 300:
            send(wire.HELLO_REQUEST)
            send(wire.ACK, wire.pack_ack(0, 0, 9000))
        elif at == 320:
            port.incoming += b"garbage that is no message\n"
            send(wire.GO, wire.pack_u32(5))
            send(wire.ARM, b"", 9)
        elif at == 400:
            board.dut.variac_pct = 100.0
            send(wire.STAGE, _stage())
            send(wire.ARM)
        elif at == 800:
            send(wire.STAGE, _stage(False))
            send(wire.ARM)
        elif at == 1200:
            board.left.connected = False
            send(wire.RESEND, wire.pack_u32(3))
        elif at == 1216:
            board.left.connected = True
        elif at == 1400:
            board.dut.sensor["rail_pos_a"] = lambda _: 14.8
        elif at == 1700:
            for _, kind, number, payload in lines():
                if kind == wire.EVENT and wire.unpack_event(payload)[1] == wire.EV_TRIPPED:
                    send(wire.BURST_REQUEST, wire.pack_burst_request(number, 190))
                    break
        elif at == 1840:
            board.right.connected = False
        elif at == 1960:
            board.right.connected = True
        elif at == 2000:
            send(wire.RESET)
        elif at == 2100:
            raise BenchStop

    def lines() -> list[tuple[int, int, int, bytes]]:
        return [wire.decode(line) for line in bytes(seen).split(b"\n")[:-1]]

    def tick() -> None:
        slots[0] += 1
        if port.outgoing:
            whole = seen.count(b"\n")
            seen.extend(port.outgoing)
            port.outgoing.clear()
            for _, kind, _, payload in lines()[whole:]:
                reply = wire.unpack_reply(payload) if kind == wire.REPLY else None
                if reply and reply[1] == wire.ARM and reply[2] == wire.DONE:
                    send(wire.GO, wire.pack_u32(int(reply[4])))
        act(slots[0])

    board.run(tick)
    assert isinstance(port.sent, bytearray)  # type: ignore[attr-defined]
    return bytes(trace.data), bytes(port.sent)  # type: ignore[attr-defined]


def _compared(line: bytes) -> object:
    """A line as it is; a hello as its facts, for the order of its keys is the interpreter's."""
    try:
        version, kind, seq, payload = wire.decode(line)
    except wire.WireError:
        return line
    if kind != wire.HELLO:
        return line
    facts = json.loads(payload)
    facts["board"] = facts["mpy"] = ""
    return version, kind, seq, facts


def test_whole_firmware_sends_the_same_bytes(interpreter: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    # Names of equal length keep the hello's size, and with it the pieces it is sent in.
    monkeypatch.setattr("benchwarden.virtual.board._pins", _renamed_pins)
    trace, sent = _traced_run(monkeypatch)
    (tmp_path / "trace.bin").write_bytes(trace)
    printed = run_under(interpreter, HERE / "replay.py", FIRMWARE, tmp_path)
    head, _, body = printed.removeprefix("the trace ends here\n").partition("\n")
    assert head == f"consumed {len(trace)} of {len(trace)}"
    ours = [_compared(line) for line in sent.split(b"\n") if line]
    theirs = [_compared(line) for line in body.encode().split(b"\n") if line]
    assert theirs == ours
    kinds = {wire.decode(line)[1] for line in sent.split(b"\n")[:-1]}
    assert kinds == {wire.HELLO, wire.FRAME, wire.EVENT, wire.REPLY, wire.BURST, wire.INFO}
    told = [wire.unpack_info(p)[3] for _, k, _, p in map(wire.decode, sent.split(b"\n")[:-1]) if k == wire.INFO]
    assert wire.unpack_calibration(told[0])[3] == 1, "the calibration written is in force"
    events = [wire.unpack_event(p)[1] for _, k, _, p in map(wire.decode, sent.split(b"\n")[:-1]) if k == wire.EVENT]
    assert {wire.EV_CLOSED, wire.EV_TRIPPED, wire.EV_RESET, wire.EV_SENSOR} <= set(events)


def _renamed_pins(board: object, chip: object, port: object) -> object:
    class Board(board.Board):  # type: ignore[misc, name-defined, attr-defined]
        def board_id(self) -> str:
            return "virtual-replayed"

        def interpreter(self) -> str:
            return "any"

        def random_u32(self) -> int:
            return int.from_bytes(chip.random_bytes(4), "big")  # type: ignore[attr-defined]

    return Board(port)
