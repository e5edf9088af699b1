"""The scan's timing around a collection: pulses, whole periods, and converters that are not read too early.

Bus time: 400 kHz, nine bits a byte (NXP UM10204). Conversion: ADS1115 SBAS444D, 860 a second within 10 %,
25 us to wake. A collection of 13 ms and slots of 1.2 ms are as measured with tests/emulator/soak.py.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import firmware_fakes as fakes
import pytest
from firmware_bench import Bench

BYTE_US = 22.5
CONVERSION_US = 1e6 / (860 * 0.9) + 25
COLLECTION_US = 13_000
PULSE = 15


class Over(BaseException):
    """Enough scans."""


def loop(bench: Bench, slots: int, work_us: Callable[[int], int], on_collect: Callable[[], None]) -> None:
    """Run the board's own loop for that many slots; `work_us(n)` is what slot n takes beside its bus."""
    app: Any = bench.app
    slot, collect = app.slot, app.collect
    done = 0

    def timed_slot() -> None:
        nonlocal done
        if done == slots:
            raise Over
        slot()
        bench.time.us += work_us(done)
        done += 1

    def timed_collect() -> None:
        on_collect()
        collect()
        bench.time.us += COLLECTION_US

    app.slot, app.collect = timed_slot, timed_collect
    with pytest.raises(Over):
        app._loop()


def give_the_bus_time(bench: Bench) -> list[float]:
    """Let converters' transfers take time; return the list that gets each time from start to reading."""
    waits: list[float] = []
    for part in bench.app.sampler._parts[2:]:
        began: list[float] = []
        start, counts = part.start, part.counts

        def timed_start(command: bytes, start: Any = start, began: list[float] = began) -> None:
            bench.time.us += int(4 * BYTE_US)
            began[:] = [bench.time.us]
            start(command)

        def timed_counts(counts: Any = counts, began: list[float] = began) -> int:
            # Address, pointer, address; then the register is taken, and two bytes follow.
            bench.time.us += int(3 * BYTE_US)
            waits.append(bench.time.us - began[0])
            bench.time.us += int(2 * BYTE_US)
            return int(counts())

        part.start, part.counts = timed_start, timed_counts
    return waits


def test_a_collection_costs_no_period_and_no_conversion(bench: Bench) -> None:
    bench.close()
    bench.app.interlock.renew_lease(bench.app.clock.now(), 10_000)
    edges: list[int] = []
    written = fakes.Pin.writers.get(PULSE)

    def note(level: int | None) -> None:
        edges.append(bench.time.us)
        if written is not None:
            written(level)

    fakes.Pin.writers[PULSE] = note
    collections: list[int] = []
    waits = give_the_bus_time(bench)
    # Work that leaves a scan less room, when it does not wait, than a collection needs.
    work_us = (1500, 400, 400, 3200)
    loop(bench, 4 * 700, lambda n: work_us[n % 4], lambda: collections.append(bench.time.us))
    assert bench.app.interlock.is_energised()
    assert len(collections) >= 4
    assert bench.app.overruns == 0
    assert min(waits) >= CONVERSION_US
    gaps = [b - a for a, b in itertools.pairwise(edges)]
    # One edge just before a collection, one right after it.
    assert max(gaps) <= COLLECTION_US + 300


def test_a_scan_that_gains_nothing_does_not_put_a_collection_off_for_ever(bench: Bench) -> None:
    collections: list[int] = []
    loop(bench, 4 * 600, lambda n: 2600, lambda: collections.append(bench.time.us))
    # The one before the loop, and one every 250 scans at the latest.
    assert len(collections) >= 3


def test_no_edge_before_a_collection_that_finds_a_current_beyond_its_limit(bench: Bench) -> None:
    bench.close()
    bench.app.interlock.renew_lease(bench.app.clock.now(), 10_000)
    monitor = bench.parts["pos"].registers
    levels: list[list[int]] = []

    def surge() -> None:
        levels.append([bench.pin(14), bench.pin(PULSE)])

    check = bench.app._check_rails

    def raised() -> None:
        monitor[4] = int(7.0 * 0.01 / 312.5e-9) << 4
        check()

    bench.app._check_rails = raised
    loop(bench, 4 * 260, lambda n: 1200, surge)
    # Collection 0 is the one before the loop begins, relay closed.
    assert levels[1] == [0, 0]
    assert not bench.app.interlock.is_energised()
