"""When the board tests itself, what stands still meanwhile, and what it says after a stall."""

from __future__ import annotations

import json
from typing import Any

import firmware_fakes as fakes
import pytest
from firmware_bench import Bench, stage_payload

from wardenfw import wire

HOUR_MS = 3_600_000
ENABLE, AUX, ESTOP = 14, 18, 20


def later(bench: Bench, ms: int) -> None:
    """Let time pass without scanning."""
    bench.time.us += ms * 1000


def info(bench: Bench, topic: int) -> dict[str, Any]:
    data = b""
    part, parts = 0, 1
    while part < parts:
        seq = bench.send(wire.INFO_REQUEST, wire.pack_info_request(topic, part))
        bench.run(300)
        _, _, parts, piece = wire.unpack_info(bench.infos[seq])
        data += piece
        part += 1
    found: dict[str, Any] = json.loads(data)
    return found


def test_an_hour_later_it_tests_itself_again(bench: Bench) -> None:
    later(bench, HOUR_MS)
    fakes.ADC.counts[29] = 0
    bench.run(200)
    assert bench.lock.state == wire.FAULT
    assert "supply" in bench.lock.selftest_text


def test_not_before_the_hour_and_not_while_armed_or_closed(bench: Bench) -> None:
    fakes.ADC.counts[29] = 0
    later(bench, HOUR_MS // 2)
    bench.run(200)
    assert bench.lock.state == wire.SAFE
    fakes.ADC.counts[29] = 31110
    bench.close()
    fakes.ADC.counts[29] = 0
    bench.app._tested_ms -= HOUR_MS
    bench.lease()
    bench.run(500)
    assert bench.lock.state == wire.CLOSED
    assert bench.pin(ENABLE) == 1


def test_the_hourly_test_waits_for_the_emergency_stop(bench: Bench) -> None:
    fakes.Pin.levels[ESTOP] = 1
    later(bench, HOUR_MS)
    bench.run(300)
    assert bench.lock.state == wire.SAFE
    assert bench.app.test.parts["coil_pump"] == "ok", "the old result stands"


def test_the_running_watchdog_is_fed_during_a_test(bench: Bench) -> None:
    bench.app.board.start_watchdog()
    starved: list[int] = []
    last = [bench.time.us]

    def feed() -> None:
        starved.append(bench.time.us - last[0])
        last[0] = bench.time.us

    bench.app.board.watchdog.feed = feed
    bench.app.self_test()
    assert max(starved) < 300_000
    assert bench.time.us - last[0] < 300_000


def test_the_files_are_read_again_while_nothing_is_asked_of_the_relay(bench: Bench) -> None:
    passes = bench.app.program.passes
    bench.run(12_000)
    assert bench.app.program.passes > passes
    bench.flash.files["wardenfw/app.mpy"] = b"edited"
    bench.run(24_000)
    assert bench.lock.state == wire.FAULT
    assert bench.lock.selftest_text == "program wardenfw/app.mpy changed"
    assert bench.ask(wire.RESET)[2] == wire.R_SENSOR
    fakes.install_program(bench.flash)
    assert bench.ask(wire.RESET)[2] == wire.DONE


def test_the_files_are_left_alone_while_the_relay_is_closed(bench: Bench) -> None:
    bench.close()
    reads: list[str] = []
    bench.flash.read_into = lambda name, offset, buf: reads.append(name) or 0  # type: ignore[method-assign,assignment,func-returns-value]
    for _ in range(4):
        bench.lease()
        bench.run(2000)
    assert reads == []
    assert bench.lock.state == wire.CLOSED


def test_frames_and_a_held_burst_outlive_a_test(bench: Bench) -> None:
    bench.close()
    bench.run(1000)
    bench.send(wire.OPEN, wire.pack_open(wire.CAUSES.index("operator"), "test"))
    bench.run(1000)
    seq = bench.app.burst.trip_seq
    assert bench.app.burst.is_complete()
    held = bytearray(wire.BURST_RECORD_SIZE)
    bench.app.burst.record_bytes(held, 0, 5)
    frames = bytes(bench.app.ring._data)
    bench.app.self_test()
    assert bench.lock.selftest_ok
    again = bytearray(wire.BURST_RECORD_SIZE)
    bench.app.burst.record_bytes(again, 0, 5)
    assert (again, bench.app.burst.trip_seq) == (held, seq)
    assert bytes(bench.app.ring._data) == frames


def test_info_tells_every_part_the_figures_and_the_program(bench: Bench) -> None:
    said = info(bench, wire.SELFTEST_INFO)
    assert said["ok"] is True
    assert len(said["parts"]) == 20
    assert said["figures"]["pump_falls_ms"] == pytest.approx(15, abs=1)
    program = info(bench, wire.PROGRAM_INFO)
    assert program["ok"] is True
    assert (program["files"], program["wrong"]) == (4, {})
    bench.send(wire.HELLO_REQUEST)
    bench.run(300)
    hello = json.loads(bench.hellos[-1])
    assert hello["program"] == program["digest"][:16]
    assert hello["selftest"] == {"ok": True, "parts": {}, "tested": 20}


def test_info_asked_for_while_closed_encodes_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.close()
    asked: list[str] = []
    monkeypatch.setattr(bench.app.test, "info", lambda: asked.append("test") or {})
    monkeypatch.setattr(bench.app.program, "info", lambda: asked.append("program") or {})
    assert info(bench, wire.SELFTEST_INFO)["ok"] is True
    assert info(bench, wire.PROGRAM_INFO)["ok"] is True
    assert asked == []


class TestStall:
    def stalled(self, bench: Bench, opens_after_us: int | None, ms: int = 700) -> list[tuple[int, int]]:
        """Close under the commissioning stage, stall, and return the pins' edges since."""
        bench.close(stage_payload(stage_id=wire.COMMISSION_STAGE))
        begun: list[int] = []

        def aux(level: int) -> int:
            # Asked first when the last edge has just been given.
            if not begun:
                begun.append(bench.time.us)
            opened = opens_after_us is not None and bench.time.us - begun[0] >= opens_after_us
            return 0 if opened else 1

        fakes.Pin.log.clear()
        real = bench.app.board.keep_word
        self.words: list[int] = []

        def keep(word: int) -> None:
            fakes.Pin.readers[AUX] = aux
            self.words.append(word)
            real(word)

        bench.app.board.keep_word = keep
        bench.app.stall(ms)
        del fakes.Pin.readers[AUX]
        return list(fakes.Pin.log)

    def test_one_more_edge_then_nothing_and_enable_stays(self, bench: Bench) -> None:
        edges = self.stalled(bench, 31_000)
        assert [pin for pin, _ in edges[:1]] == [15]
        # Only once the time is up without a reset does the program open by itself.
        assert [(pin, level) for pin, level in edges[1:] if pin == ENABLE] == [(ENABLE, 0)]
        bench.run(200)
        tripped = bench.newest(wire.EV_TRIPPED)
        assert tripped[8] == "watchdog silent for 700 ms; stalled as asked; contact open 31 ms after the last pulse"
        assert bench.lock.state in (wire.TRIPPED, wire.FAULT)

    def test_after_the_reset_the_boot_tells_the_time(self, bench: Bench) -> None:
        self.stalled(bench, 31_000)
        word = self.words[-1]
        assert self.words[0] & 0xFFFF == 0xFFFF, "until it opens, the word says that it did not"
        boot = self.boot_with(word)
        assert boot[6] == 31.0
        assert boot[8].endswith("; stalled as asked; contact open 31 ms after the last pulse")

    def test_a_contact_that_never_opens_is_told_as_such(self, bench: Bench) -> None:
        self.stalled(bench, None)
        boot = self.boot_with(self.words[-1])
        assert boot[6] == 65535.0
        assert "did NOT open" in boot[8]

    @pytest.mark.parametrize("word", [0, 0xFFFFFFFF, 0x12345678])
    def test_what_power_on_leaves_in_the_word_is_no_stall(self, word: int) -> None:
        boot = self.boot_with(word)
        assert boot[6] == 0.0
        assert "stalled" not in boot[8]

    @staticmethod
    def boot_with(word: int) -> tuple[Any, ...]:
        with fakes.installed() as clock:
            import machine  # type: ignore[import-not-found]

            machine.mem32[fakes.WATCHDOG_SCRATCH0] = word
            bench = Bench(clock)
            bench.send(wire.HELLO_REQUEST)
            bench.run(300)
            assert machine.mem32[fakes.WATCHDOG_SCRATCH0] == 0, "told once"
            return bench.newest(wire.EV_BOOT)
