"""A calibration is v = gain * r + offset, and everything that counts follows it.

Expected values are worked out here by hand from that line and the data sheets'
counts (INA228 SLYS021A: 312.5 nV across 10 mohm, 195.3125 uV; ADS1115 SBAS444D:
62.5 uV and 7.8125 uV), not with the code under test.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Iterator
from typing import Any

import firmware_fakes as fakes
import pytest
from firmware_bench import NAN, Bench, stage_payload, value_limits

from wardenfw import scale, stage, wire
from wardenfw.frames import FrameBuilder, FrameRing
from wardenfw.guard import Guard

AMPS, NEG_AMPS, NEGATIVE, OFFSET, BIAS, SINK, AMBIENT, HF = 0, 1, 3, 4, 6, 8, 10, 11
CAUSE = 1
BOARD = "0001020304050607"


@pytest.fixture(autouse=True)
def uncalibrated() -> Iterator[None]:
    yield
    scale.reset()


def entry(channel: int, gain: float, offset: float) -> tuple[Any, ...]:
    return (channel, 5, 3, gain, offset, 1.0, 1e-4, 1e-4)


def peak_v(counts: float) -> float:
    """Return the terminal's peak by the formula of the detector's foot."""
    u = counts * 62.5e-6 * 25
    return u + scale.FOOT_V * u / (abs(u) + scale.FOOT_U_V)


READINGS = [
    (AMPS, 64_000, 64_000 * 312.5e-9 / 0.010),
    (NEGATIVE, 204_800, -204_800 * 195.3125e-6),
    (OFFSET, -1000, 1000 * 62.5e-6 * 55),
    (BIAS, 1408, 1408 * 7.8125e-6),
    (HF, 40, peak_v(40)),
    (HF, 6400, peak_v(6400)),
]


@pytest.mark.parametrize(("channel", "counts", "plain"), READINGS)
@pytest.mark.parametrize(("gain", "offset"), [(1.02, 0.0), (1.0, 0.01), (0.97, -0.005)])
def test_a_reading_follows_the_line(channel: int, counts: int, plain: float, gain: float, offset: float) -> None:
    assert scale.to_si(channel, counts) == pytest.approx(plain, rel=1e-12)
    scale.calibrate([entry(channel, gain, offset)])
    assert scale.to_si(channel, counts) == pytest.approx(gain * plain + offset, rel=1e-12)
    scale.reset()
    assert scale.to_si(channel, counts) == pytest.approx(plain, rel=1e-12)


def test_a_temperature_follows_the_line_in_celsius() -> None:
    # The divider's middle is R25: 25 C by the maker's definition, 0.0003 C off by his fit.
    plain = scale.to_si(SINK, 65535 / 2)
    assert plain == pytest.approx(25.0, abs=0.001)
    scale.calibrate([entry(SINK, 1.01, -0.4)])
    assert scale.to_si(SINK, 65535 / 2) == pytest.approx(1.01 * plain - 0.4, rel=1e-12)


def test_channels_without_an_entry_stay_as_they_were() -> None:
    scale.calibrate([entry(AMPS, 1.1, 0.1)])
    scale.calibrate([entry(NEG_AMPS, 1.1, 0.1)])
    assert scale.to_si(AMPS, 64_000) == pytest.approx(2.0, rel=1e-12)
    assert scale.to_si(NEG_AMPS, 64_000) == pytest.approx(2.3, rel=1e-12)


@pytest.mark.parametrize("channel", range(wire.N_CHANNELS))
@pytest.mark.parametrize(("gain", "part"), [(1.05, 0.04), (0.9, -0.04)])
def test_bounds_are_those_of_the_calibrated_value(channel: int, gain: float, part: float) -> None:
    top = wire.CEILINGS[channel]
    is_celsius = 8 <= channel <= 10
    scale.calibrate([entry(channel, gain, part * (100 if is_celsius else top))])
    low, high = (0.2 * top, 0.7 * top) if is_celsius else (-0.4 * top, 0.7 * top)
    first, last = scale.count_bounds(channel, low, high)
    slack = 0.014 if is_celsius else 1e-9  # the maker's two fits differ by 0.012 K
    inside = sorted((scale.to_si(channel, first), scale.to_si(channel, last)))
    outside = sorted((scale.to_si(channel, first - 1), scale.to_si(channel, last + 1)))
    assert low - slack <= inside[0]
    assert inside[1] <= high + slack
    assert outside[0] < low + slack
    assert high - slack < outside[1]


class Totals:
    """Ten scans of two counts, five each, on every channel."""

    def __init__(self, low: int, high: int) -> None:
        n = wire.N_CHANNELS
        self.scans, self.missed = 10, [0] * n
        self.low, self.high, self.total = [low] * n, [high] * n, [5 * (low + high)] * n


def framed(low: int, high: int, missed: int = 0) -> tuple[list[float], list[float], list[float], FrameBuilder]:
    ring = FrameRing()
    builder = FrameBuilder(ring)
    totals = Totals(low, high)
    totals.missed = [missed] * wire.N_CHANNELS
    totals.total = [(10 - missed) * (low + high) // 2] * wire.N_CHANNELS
    builder.begin(totals, 0, 0, 0, 0, wire.SAFE, 0)
    while not builder.step():
        pass
    values = list(struct.unpack(wire.FRAME_FORMAT, ring.frame(1)))[7:]
    n = wire.N_CHANNELS
    return values[:n], values[n : 2 * n], values[2 * n :], builder


@pytest.mark.parametrize("missed", [0, 2])
def test_a_frame_s_mean_minimum_and_maximum_follow(missed: int) -> None:
    low, high = 20_000, 20_400
    plain = [
        (AMPS, 312.5e-9 / 0.010),
        (NEGATIVE, -195.3125e-6),
        (OFFSET, -62.5e-6 * 55),
        (BIAS, 7.8125e-6),
    ]
    scale.calibrate([entry(c, 1.03, -0.01) for c, _ in plain])
    means, lows, highs, _ = framed(low, high, missed)
    for channel, lsb in plain:
        ends = sorted(1.03 * lsb * counts - 0.01 for counts in (low, high))
        assert means[channel] == pytest.approx(1.03 * lsb * 20_200 - 0.01, rel=1e-6)
        assert (lows[channel], highs[channel]) == pytest.approx(ends, rel=1e-6)


def test_a_frame_of_temperatures_and_peaks_follows() -> None:
    scale.calibrate([entry(SINK, 0.98, 1.5), entry(HF, 1.1, 0.2)])
    means, lows, highs, _ = framed(20_000, 20_400)
    for channel, gain, offset in ((SINK, 0.98, 1.5), (AMBIENT, 1.0, 0.0)):
        hot, mean, cold = (gain * scale.ntc_celsius(c) + offset for c in (20_000, 20_200, 20_400))
        assert (lows[channel], means[channel], highs[channel]) == pytest.approx((cold, mean, hot), abs=0.01)
    for channel, gain, offset in ((HF, 1.1, 0.2), (HF + 1, 1.0, 0.0)):
        expected = [gain * peak_v(c) + offset for c in (20_000, 20_200, 20_400)]
        assert [lows[channel], means[channel], highs[channel]] == pytest.approx(expected, abs=2.5e-4)


def test_a_mean_in_the_foot_is_finer_than_a_count() -> None:
    # 10.5 counts are 16.4 mV held; a count there is worth 5 mV at the terminal.
    means, _, _, builder = framed(10, 11)
    assert means[HF] == pytest.approx(peak_v(10.5), abs=4e-4)
    assert builder.fine[HF] == pytest.approx(peak_v(10.5) * 10_000, abs=4)


def guard_of(limits: list[Any]) -> Guard:
    answer, made = stage.load(stage_payload(value_limits() + limits))
    assert answer == wire.DONE
    guard = Guard()
    guard.load(made)
    guard.restart()
    return guard


def slope_found(channel: int, counts: list[float], limit: tuple[float, float]) -> Any:
    """Push one 100 ms mean after the other, as frames would; return the first violation."""
    guard = guard_of([(channel, wire.RATE, CAUSE, limit[0], limit[1], 0, 2000)])
    found = None
    for i, value in enumerate(counts):
        low = math.floor(value)
        n_high = round((value - low) * 10)
        totals = Totals(20_000, 20_000)
        totals.low[channel], totals.high[channel], totals.total[channel] = low, low + 1, 10 * low + n_high
        builder = FrameBuilder(FrameRing())
        builder.begin(totals, 0, 0, 0, 0, wire.SAFE, 0)
        while not builder.step():
            pass
        guard.push(builder.fine)
        found = found or guard.check_slow(0, i * 100)
    return found


@pytest.mark.parametrize(("channel", "lsb"), [(AMPS, 31.25e-6), (OFFSET, -55 * 62.5e-6), (NEGATIVE, -195.3125e-6)])
def test_a_slope_is_of_the_calibrated_value(channel: int, lsb: float) -> None:
    # The offset drops out, the gain does not: 0.95 /s becomes 1.045 /s under a limit of 1 /s.
    counts = [0.95 * i * 0.1 / lsb for i in range(40)]
    assert slope_found(channel, counts, (NAN, 1.0)) is None
    scale.calibrate([entry(channel, 1.1, 0.3 if channel != AMPS else 0.1)])
    cause, where, value, limit = slope_found(channel, counts, (NAN, 1.0))
    assert (cause, where, limit) == (CAUSE, channel, 1.0)
    assert value == pytest.approx(1.045, rel=0.005)


def test_a_slope_of_the_envelope_means_the_same_in_the_foot_and_above() -> None:
    # 50 mV/s at the terminal: by counts alone it would be a tenth of that within the foot.
    for start_v in (0.02, 5.0):
        counts = [scale.peak_counts((start_v + 0.05 * i * 0.1) / 1e-4) for i in range(40)]
        assert [round(peak_v(c), 6) for c in counts[:3]] == [round(start_v + 0.005 * i, 6) for i in range(3)]
        assert slope_found(HF, counts, (NAN, 0.055)) is None
        _, _, value, _ = slope_found(HF, counts, (NAN, 0.045))
        assert value == pytest.approx(0.05, rel=0.05)


@pytest.mark.parametrize("gain", [1.0, 1.2])
@pytest.mark.parametrize("centre_v", [0.05, 0.5, 10.0])
def test_a_jump_of_the_envelope_is_held_against_volts(centre_v: float, gain: float) -> None:
    offset = 0.1 if gain != 1.0 else 0.0
    scale.calibrate([entry(HF, gain, offset)])
    guard = guard_of([(HF, wire.SPREAD, CAUSE, NAN, 0.2, 0, 1000)])
    raw = [0, 0, 0, 0, 0, 0, 0, 0, 32768, 32768, 32768, 0, 0]

    def counts_of(value: float) -> int:
        return round(scale.peak_counts((value - offset) / gain / 1e-4))

    raw[HF] = counts_of(centre_v + offset)
    fine = [0] * wire.N_CHANNELS
    fine[HF] = scale.peak_steps(raw[HF] * 16)
    for i in range(12):
        guard.push(fine)
        guard.check_slow(0, i * 100)
    # Half a count of the centre and half a count of the sample, 1.6 mV each above the foot.
    raw[HF] = counts_of(centre_v + offset + 0.19)
    assert guard.check(3, raw, 2000) is None
    raw[HF] = counts_of(centre_v + offset + 0.21)
    cause, channel, value, limit = guard.check(3, raw, 2010)
    assert (cause, channel, limit) == (CAUSE, HF, pytest.approx(0.2))
    assert value == pytest.approx(0.21, abs=0.005)


def test_a_linear_jump_is_told_in_calibrated_units() -> None:
    scale.calibrate([entry(OFFSET, 1.1, 0.5)])
    guard = guard_of([(OFFSET, wire.SPREAD, CAUSE, NAN, 0.5, 0, 1000)])
    raw = [0, 0, 0, 0, 0, 0, 0, 0, 32768, 32768, 32768, 0, 0]
    for i in range(12):
        guard.push([0] * wire.N_CHANNELS)
        guard.check_slow(0, i * 100)
    raw[OFFSET] = -130  # 0.4469 V uncalibrated, a jump of 0.4916 V
    assert guard.check(2, raw, 2000) is None
    raw[OFFSET] = -140  # 0.5294 V
    _, _, value, _ = guard.check(2, raw, 2010)
    assert value == pytest.approx(140 * 55 * 62.5e-6 * 1.1, rel=1e-9)


def test_alert_thresholds_move_with_each_monitor() -> None:
    # 6 A told are (6 - 0.1) / 0.98 A in the shunt; 5 uV a count across 10 mohm.
    scale.calibrate([entry(AMPS, 0.98, 0.1)])
    assert scale.alert_counts(AMPS, 6.0) == round(5.9 / 0.98 * 0.010 / 5e-6)
    assert scale.alert_counts(AMPS, -6.0) == round(-6.1 / 0.98 * 0.010 / 5e-6)
    assert scale.alert_counts(NEG_AMPS, 6.0) == 12_000


def record(number: int, entries: list[Any], board: str = BOARD) -> bytes:
    return wire.pack_calibration(board, 9825, 365, number, "bench meter", entries)


class TestCommands:
    def hello(self, bench: Bench) -> dict[str, Any]:
        bench.send(wire.HELLO_REQUEST)
        bench.run(300)
        said: dict[str, Any] = json.loads(bench.hellos[-1])
        return said

    def info(self, bench: Bench, topic: int) -> bytes:
        data, part, parts = b"", 0, 1
        while part < parts:
            seq = bench.send(wire.INFO_REQUEST, wire.pack_info_request(topic, part))
            bench.run(300)
            said, at, parts, piece = wire.unpack_info(bench.infos[seq])
            assert (said, at) == (topic, part)
            assert len(piece) <= wire.INFO_DATA
            data, part = data + piece, part + 1
        return data

    def test_a_calibration_changes_frames_thresholds_and_limits_at_once(self, bench: Bench) -> None:
        bench.parts["pos"].registers[4] = 64_000 << 4  # 2 A
        assert self.hello(bench)["cal"] == "uncalibrated"
        written = record(1, [entry(AMPS, 1.05, 0.02), entry(SINK, 1.0, 2.0)])
        answer = bench.ask(wire.CAL_WRITE, written)
        assert answer[2:] == (wire.DONE, wire.SAFE, "calibrated 2026-11-25, due 2027-11-25")
        assert self.info(bench, wire.CALIBRATION_INFO) == written
        said = self.hello(bench)
        assert said["cal"] == "calibrated 2026-11-25, due 2027-11-25"
        assert said["cal_crc"] == f"{wire.crc32(written[:-4]):08x}"
        bench.run(300)
        assert bench.frames[-1][7] == pytest.approx(2.12, rel=1e-6)
        assert "calibrated" in bench.newest(wire.EV_NOTE)[8]
        # A limit at 2.1 A would have been no limit to the uncalibrated 2 A.
        bench.close(stage_payload(value_limits(rail_pos_a=(NAN, 2.15))))
        assert bench.parts["pos"].registers[0x0C] == round(5.98 / 1.05 * 0.010 / 5e-6)
        bench.parts["pos"].registers[4] = 65_500 << 4  # 2.047 A, told as 2.169
        bench.run(100)
        assert bench.newest(wire.EV_TRIPPED)[6] == pytest.approx(1.05 * 65_500 * 31.25e-6 + 0.02, rel=1e-6)
        assert bench.newest(wire.EV_TRIPPED)[7] == pytest.approx(2.15)

    def test_the_alert_line_s_last_sample_is_calibrated(self, bench: Bench) -> None:
        bench.ask(wire.CAL_WRITE, record(1, [entry(NEG_AMPS, 1.1, 0.0)]))
        bench.close()
        bench.parts["neg"].registers[4] = 64_000 << 4
        bench.run(20)
        bench.parts["neg"].registers[0x0B] = 0x8041
        handler, pin = fakes.Pin.handlers[21]
        handler(pin)
        bench.run(50)
        assert bench.newest(wire.EV_TRIPPED)[3] == NEG_AMPS
        assert bench.newest(wire.EV_TRIPPED)[6] == pytest.approx(2.2, rel=1e-6)

    def test_the_burst_is_calibrated(self, bench: Bench) -> None:
        bench.ask(wire.CAL_WRITE, record(1, [entry(AMPS, 1.1, 0.01)]))
        bench.close()
        bench.parts["pos"].registers[4] = 192_000 << 4
        bench.run(700)
        seq = max(s for s, e in bench.events.items() if e[1] == wire.EV_TRIPPED)
        total = bench.app.burst.total()
        bench.send(wire.BURST_REQUEST, wire.pack_burst_request(seq, total - 12))
        bench.run(400)
        data = wire.unpack_burst(bench.bursts[0])[5]
        amps = [r[2] for r in struct.iter_unpack(wire.BURST_RECORD, data)]
        assert amps == pytest.approx([6.61] * 12, rel=1e-6)

    def test_a_stage_from_before_a_calibration_is_not_armed(self, bench: Bench) -> None:
        self.hello(bench)
        assert bench.ask(wire.STAGE, stage_payload())[2] == wire.DONE
        assert bench.ask(wire.CAL_WRITE, record(1, [entry(AMPS, 1.1, 0.0)]))[2] == wire.DONE
        bench.lease()
        answer = bench.ask(wire.ARM)
        assert (answer[2], answer[4]) == (wire.R_STATE, "no stage loaded")

    def test_nothing_is_written_while_the_relay_is_or_may_close(self, bench: Bench) -> None:
        written = record(1, [entry(AMPS, 1.1, 0.0)])
        self.hello(bench)
        bench.ask(wire.STAGE, stage_payload())
        bench.lease()
        bench.ask(wire.ARM)
        assert bench.ask(wire.CAL_WRITE, written)[2] == wire.R_STATE
        bench.ask(wire.OPEN, wire.pack_open(0))
        bench.close()
        assert bench.ask(wire.CAL_WRITE, written)[2] == wire.R_STATE
        assert bench.ask(wire.SELF_TEST)[2] == wire.R_STATE
        # Tripped, and the contact still hangs.
        bench.follow = False
        bench.send(wire.OPEN, wire.pack_open(CAUSE))
        bench.run(10)
        seq = bench.send(wire.CAL_WRITE, written)
        bench.run(80)
        assert bench.replies[seq][2::2] == (wire.R_STATE, "the relay is still opening")
        bench.follow = True
        bench.run(100)
        assert bench.lock.state == wire.TRIPPED
        assert not [name for name in bench.flash.files if name.startswith("cal_")]
        assert bench.ask(wire.CAL_WRITE, written)[2] == wire.DONE
        assert bench.lock.state == wire.TRIPPED

    def test_refusals_say_why(self, bench: Bench) -> None:
        answer = bench.ask(wire.CAL_WRITE, record(1, [entry(AMPS, 1.3, 0.0)]))
        assert (answer[2], answer[4]) == (wire.R_CALIBRATION, "rail_pos_a: gain 1.3, allowed 0.8 to 1.25")
        answer = bench.ask(wire.CAL_WRITE, record(1, [entry(AMPS, 1.1, 0.0)], board="e66138528361ab2c"))
        assert (answer[2], answer[4]) == (wire.R_CALIBRATION, "record of another board (e66138528361ab2c)")
        assert bench.ask(wire.CAL_WRITE, b"")[2::2] == (wire.R_CALIBRATION, "damaged")
        bench.flash.worn = 1
        assert bench.ask(wire.CAL_WRITE, record(1, [entry(AMPS, 1.1, 0.0)]))[2] == wire.R_FLASH
        assert scale.GAIN[0] == 31.25e-6

    def test_a_calibration_is_there_after_a_restart(self) -> None:
        flash = fakes.Flash()
        flash.files["cal_b.bin"] = record(3, [entry(AMPS, 1.1, 0.0)])
        flash.files["cal_a.bin"] = record(2, [entry(AMPS, 1.2, 0.0)])[:50]
        with fakes.installed() as clock:
            bench = Bench(clock, flash)
            bench.parts["pos"].registers[4] = 64_000 << 4
            bench.run(200)
            assert self.hello(bench)["cal"] == "calibrated 2026-11-25, due 2027-11-25; slot a: damaged"
            bench.run(300)
            assert bench.frames[-1][7] == pytest.approx(2.2, rel=1e-6)
            # The monitors' first thresholds, too: 15 A told are 13.64 A in the shunt.
            assert bench.parts["pos"].registers[0x0C] == round(15 / 1.1 * 0.010 / 5e-6)

    def test_info_is_cut_into_parts_of_one_moment(self, bench: Bench) -> None:
        bench.app.test.parts = {f"part{i}": "x" * 90 for i in range(16)}
        bench.app.keep_info()
        seq = bench.send(wire.INFO_REQUEST, wire.pack_info_request(wire.SELFTEST_INFO, 0))
        bench.run(300)
        _, _, parts, first = wire.unpack_info(bench.infos[seq])
        assert parts == 3
        bench.app.test.parts = {}
        for part in (1, 2):
            seq = bench.send(wire.INFO_REQUEST, wire.pack_info_request(wire.SELFTEST_INFO, part))
            bench.run(300)
            first += wire.unpack_info(bench.infos[seq])[3]
        assert len(json.loads(first)["parts"]) == 16
        assert bench.ask(wire.INFO_REQUEST, wire.pack_info_request(wire.SELFTEST_INFO, 3))[2] == wire.R_NOT_STORED
        assert bench.ask(wire.INFO_REQUEST, wire.pack_info_request(77, 0))[2] == wire.R_NOT_STORED

    def test_info_without_a_calibration_is_empty(self, bench: Bench) -> None:
        assert self.info(bench, wire.CALIBRATION_INFO) == b""

    @pytest.mark.parametrize("kind", [wire.INFO_REQUEST, wire.STALL])
    @pytest.mark.parametrize("size", [0, 1, 3, 17])
    def test_a_payload_of_the_wrong_size_is_malformed(self, bench: Bench, kind: int, size: int) -> None:
        assert bench.ask(kind, bytes(size))[2] == wire.R_MALFORMED

    def test_a_self_test_on_request_tells_what_failed(self, bench: Bench) -> None:
        assert bench.ask(wire.SELF_TEST)[2] == wire.DONE
        bench.parts["left"].present = False
        answer = bench.ask(wire.SELF_TEST)
        assert answer[2:4] == (wire.R_SENSOR, wire.FAULT)
        assert "output_left" in answer[4]
        bench.parts["left"].present = True
        bench.run(50)
        # A test that passes ends no fault by itself.
        assert bench.ask(wire.SELF_TEST)[2:4] == (wire.DONE, wire.FAULT)
        assert bench.ask(wire.RESET)[2] == wire.DONE

    def test_a_hello_fits_whatever_it_has_to_say(self, bench: Bench) -> None:
        for length in (0, 10, 50, 200):
            bench.app.test.parts = {f"part_number_{i}": "y" * length for i in range(19)}
            bench.app.calibration.words = "calibrated 2026-11-25, due 2027-11-25" + "; slot a: damaged" * (length // 10)
            said = self.hello(bench)
            assert len(bench.hellos[-1]) <= wire.MAX_PAYLOAD
            assert said["cal"].startswith("calibrated 2026-11-25, due 2027-11-25")
            assert said["selftest"]["tested"] == 19
            assert said["selftest"]["parts"]
            assert set(said["selftest"]["parts"]) <= set(bench.app.test.parts)


class TestStall:
    def ask(self, bench: Bench, ms: int) -> tuple[Any, ...]:
        return bench.ask(wire.STALL, wire.pack_u32(ms))

    def test_only_a_closed_commissioning_stage_may_be_stalled(
        self, bench: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        stalled: list[int] = []
        monkeypatch.setattr(bench.app, "stall", stalled.append, raising=False)
        assert self.ask(bench, 500)[2] == wire.R_STATE
        bench.close()
        assert self.ask(bench, 500)[2] == wire.R_STATE
        bench.ask(wire.OPEN, wire.pack_open(0))
        bench.run(100)
        bench.close(stage_payload(stage_id=wire.COMMISSION_STAGE))
        assert self.ask(bench, 2001)[2] == wire.R_MALFORMED
        assert self.ask(bench, 0)[2] == wire.R_MALFORMED
        assert stalled == []
        # The answer has left before the loop stands still.
        assert self.ask(bench, 500)[2] == wire.DONE
        bench.run(50)
        assert stalled == [500]

    def test_an_opening_in_between_takes_the_stall_away(self, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
        stalled: list[int] = []
        monkeypatch.setattr(bench.app, "stall", stalled.append, raising=False)
        bench.close(stage_payload(stage_id=wire.COMMISSION_STAGE))
        bench.port.room = 0
        bench.send(wire.STALL, wire.pack_u32(500))
        bench.run(50)
        fakes.Pin.levels[20] = 1  # emergency stop
        bench.run(50)
        bench.port.room = 1 << 30
        bench.run(200)
        assert bench.lock.state == wire.TRIPPED
        assert stalled == []
        assert bench.ask(wire.RESET)[2] == wire.DONE
