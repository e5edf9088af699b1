"""Frames, events, commands and the burst, as a host sees them."""

from __future__ import annotations

import itertools
import json
import struct
from pathlib import Path
from typing import Any

import firmware_fakes as fakes
import pytest
from firmware_bench import Bench, stage_payload

from wardenfw import scale, wire

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"


def hello(bench: Bench) -> None:
    bench.send(wire.HELLO_REQUEST)
    bench.run(200)


def frame_of(bench: Bench, scan: int) -> tuple[Any, ...]:
    """Return the frame that ends with that scan, once it has come."""
    bench.run(100)
    return next(f for f in bench.frames if f[1] == scan)


def test_hello_tells_what_the_board_is(bench: Bench) -> None:
    hello(bench)
    said = json.loads(bench.hellos[0])
    assert said["wire"] == wire.WIRE_VERSION
    assert said["selftest"]["ok"] is True
    assert said["scan_hz"] == 100
    assert said["state"] == "safe"
    assert len(bench.hellos[0]) <= wire.MAX_PAYLOAD


def test_nothing_is_sent_before_a_host_says_hello(bench: Bench) -> None:
    bench.run(1000)
    assert bench.frames == []
    assert bench.events == {}


def test_another_version_is_answered_by_name_and_otherwise_ignored(bench: Bench) -> None:
    bench.port.incoming += wire.encode(wire.ARM, 1, b"", version=wire.WIRE_VERSION + 1)
    bench.run(200)
    assert len(bench.hellos) == 1
    assert bench.replies == {}
    assert bench.frames == []


def test_ten_frames_a_second_of_ten_scans_each(bench: Bench) -> None:
    hello(bench)
    bench.frames.clear()
    bench.run(3000)
    assert len(bench.frames) == 30
    assert {b[1] - a[1] for a, b in itertools.pairwise(bench.frames)} == {10}
    assert {b[0] - a[0] for a, b in itertools.pairwise(bench.frames)} == {100}
    assert all(f[4] == 0 for f in bench.frames)


def test_a_frame_holds_mean_minimum_and_maximum(bench: Bench) -> None:
    hello(bench)
    bench.run(100 - bench.app.scan % 10 * 10)
    n = wire.N_CHANNELS
    for i in range(10):
        # 1.0 to 1.9 A on the positive rail, -40.0 to -40.9 V on the negative one.
        bench.parts["pos"].registers[4] = round((1.0 + 0.1 * i) / scale.GAIN[0]) << 4
        bench.parts["neg"].registers[5] = round((40.0 + 0.1 * i) / scale.VBUS_LSB_V) << 4
        bench.run(10)
    values = frame_of(bench, bench.app.scan)[7:]
    assert values[0] == pytest.approx(1.45, abs=scale.GAIN[0])
    assert values[n] == pytest.approx(1.0, abs=scale.GAIN[0])
    assert values[2 * n] == pytest.approx(1.9, abs=scale.GAIN[0])
    assert values[3] == pytest.approx(-40.45, abs=scale.VBUS_LSB_V)
    assert values[n + 3] == pytest.approx(-40.9, abs=scale.VBUS_LSB_V)
    assert values[2 * n + 3] == pytest.approx(-40.0, abs=scale.VBUS_LSB_V)


def test_temperatures_keep_their_order_too(bench: Bench) -> None:
    hello(bench)
    bench.run(100 - bench.app.scan % 10 * 10)
    for i in range(10):
        fakes.ADC.counts[26] = round(scale.ntc_counts(40.0 + i))
        bench.run(10)
    n = wire.N_CHANNELS
    frame = frame_of(bench, bench.app.scan)
    mean, low, high = (frame[7 + k * n + 8] for k in range(3))
    # The mean is of the counts, as a slower converter would have it.
    middle = scale.ntc_celsius(sum(round(scale.ntc_counts(40.0 + i)) for i in range(10)) / 10)
    assert (low, mean, high) == pytest.approx((40.0, middle, 49.0), abs=0.02)


def test_a_missing_channel_is_nan_and_not_valid(bench: Bench) -> None:
    bench.parts["right"].present = False
    fakes.ADC.counts[28] = 65535
    bench.run(200)
    hello(bench)
    bench.run(300)
    frame = bench.frames[-1]
    missing = [wire.CHANNELS.index(n) for n in ("bias_right_v", "offset_right_v", "hf_right_v", "ambient_c")]
    for i in range(wire.N_CHANNELS):
        assert (frame[3] >> i & 1 == 0) is (i in missing)
        assert (frame[7 + i] != frame[7 + i]) is (i in missing)


def test_unacknowledged_frames_are_kept_and_sent_again(bench: Bench) -> None:
    hello(bench)
    bench.run(2000)
    first = list(bench.frame_seqs)
    bench.frame_seqs.clear()
    bench.send(wire.RESEND, wire.pack_u32(first[5]))
    bench.run(1500)
    assert [s for s in bench.frame_seqs if s <= first[-1]] == first[5:]
    bench.frame_seqs.clear()
    bench.send(wire.ACK, wire.pack_ack(first[10], 0, 0))
    bench.send(wire.RESEND, wire.pack_u32(1))
    bench.run(2000)
    assert min(bench.frame_seqs) == first[11]


def test_the_oldest_frames_go_when_nobody_reads(bench: Bench) -> None:
    hello(bench)
    bench.port.room = 0
    bench.run(20_000)
    assert bench.app.ring.following - bench.app.ring.oldest == 128
    assert bench.app.ring.lost > 0
    bench.port.room = 1 << 30
    bench.frame_seqs.clear()
    bench.run(10_000)
    after = bench.frame_seqs[1:]  # the first one had been begun when the host stopped reading
    assert all(b == a + 1 for a, b in itertools.pairwise(after))
    assert len(after) > 128


def test_events_come_until_they_are_acknowledged(bench: Bench) -> None:
    hello(bench)
    bench.run(1600)
    assert bench.event_lines.count(1) == 4
    bench.send(wire.ACK, wire.pack_ack(0, 1, 0))
    bench.run(100)
    bench.event_lines.clear()
    bench.run(1600)
    assert bench.event_lines == []


def test_an_acknowledgement_of_an_earlier_start_takes_no_event(bench: Bench) -> None:
    # It waited on the way while the board restarted; nobody has met this start yet.
    bench.send(wire.ACK, wire.pack_ack(40, 4, 3000))
    bench.run(100)
    hello(bench)
    bench.run(300)
    assert 1 in bench.events


@pytest.mark.parametrize(
    "junk", [b"\n", b"hello\n", b"A" * 5000 + b"\n", bytes(range(256)), b"=" * 64 + b"\n", b"\r\n\r\n"]
)
def test_junk_between_messages_does_no_harm(bench: Bench, junk: bytes) -> None:
    bench.port.incoming += junk + b"\n"
    hello(bench)
    bench.run(2000)
    assert len(bench.hellos) == 1


@pytest.mark.parametrize("kind", [wire.GO, wire.RESEND, wire.BURST_REQUEST, wire.STAGE, 99])
@pytest.mark.parametrize("size", [0, 3, 17])
def test_a_payload_of_the_wrong_size_is_refused(bench: Bench, kind: int, size: int) -> None:
    hello(bench)
    answer = bench.ask(kind, bytes(size))[2]
    assert answer in ((wire.R_MALFORMED, wire.R_STATE) if kind == wire.GO else (wire.R_MALFORMED,))


def test_the_burst_holds_the_scans_around_a_trip(bench: Bench) -> None:
    bench.close()
    for _ in range(5):
        bench.run(1000)
        bench.lease()
    trip_ms = bench.app.clock.now()
    bench.parts["pos"].registers[4] = round(5.5 / scale.GAIN[0]) << 4
    bench.run(700)
    seq = max(s for s, e in bench.events.items() if e[1] == wire.EV_TRIPPED)
    first = 0
    records = []
    while True:
        bench.bursts.clear()
        bench.send(wire.BURST_REQUEST, wire.pack_burst_request(seq, first))
        bench.run(400)
        trip_seq, at, count, total, index, data = wire.unpack_burst(bench.bursts[0])
        assert (trip_seq, at) == (seq, first)
        records += list(struct.iter_unpack(wire.BURST_RECORD, data))
        first += count
        if first == total:
            break
    assert (total, index) == (250, 200)
    times = [r[0] for r in records]
    assert all(b - a == 10 for a, b in itertools.pairwise(times))
    amps = [r[2] for r in records]
    assert max(amps[:index]) == 0.0
    assert amps[index] == pytest.approx(5.5, abs=1e-3)
    assert abs(records[index][0] - trip_ms) <= 20
    assert records[index - 1][1] & wire.COIL_ON
    assert not records[-1][1] & wire.COIL_ON


def test_a_burst_nobody_has_is_refused(bench: Bench) -> None:
    hello(bench)
    assert bench.ask(wire.BURST_REQUEST, wire.pack_burst_request(3, 0))[2] == wire.R_NOT_STORED


def test_time_goes_on_over_the_wrap_of_the_ticks(bench: Bench) -> None:
    hello(bench)
    shift = fakes.TICKS_MAX - bench.time.us // 1000 - 500
    bench.time.offset_ms = shift
    bench.app.clock._last = (bench.app.clock._last + shift) & fakes.TICKS_MAX
    bench.frames.clear()
    bench.run(2000)
    times = [f[0] for f in bench.frames]
    assert {b - a for a, b in itertools.pairwise(times)} == {100}


def test_time_on_the_wire_wraps_at_32_bits(bench: Bench) -> None:
    hello(bench)
    bench.app.clock._ms = (1 << 32) - 500
    bench.frames.clear()
    bench.run(2000)
    # The leap of days brings the hourly self-test with it, over a second.
    assert bench.frames[-1][0] < 4000
    bench.close(stage_payload())
    assert bench.lock.state == wire.CLOSED


def test_boot_forces_the_pins_that_board_names() -> None:
    with fakes.installed():
        from wardenfw import board

        fakes.Pin.levels.update({14: 1, 15: 1, 16: 1})
        text = (FIRMWARE / "boot.py").read_text()
        exec(compile(text, "boot.py", "exec"), {})
        for number in (board.RELAY_ENABLE, board.RELAY_PULSE, board.BYPASS):
            assert fakes.Pin.levels[number] == 0
        statements = [line for line in text.splitlines() if line and not line.startswith('"""')]
        assert statements[0] == "from machine import Pin", "nothing comes first"


@pytest.mark.parametrize(
    "name", ["guard", "interlock", "relay", "stage", "history", "frames", "burst", "outbox", "scale"]
)
def test_logic_imports_neither_machine_nor_time(name: str) -> None:
    text = (FIRMWARE / "wardenfw" / f"{name}.py").read_text()
    assert "machine" not in [
        w for line in text.splitlines() if line.startswith(("import", "from")) for w in line.split()
    ]
    assert "wardenfw.ticks" not in text
    assert "import time" not in text
