"""How fast frames are decoded and journalled on one core, against the plain way of doing it.

    python tests/bench_link.py                         ratios
    python tests/bench_link.py --folder /dev/shm       the same without a disk
    python tests/bench_link.py --corruptions 1000000   random damage, none may be accepted

The plain way: pyserial's readline, the wire's own decode, one INSERT a frame with
one column a value. Both ways read the same lines from a pseudo-terminal that
another process fills, and both keep the journal's durability (WAL, FULL).
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable
from pathlib import Path

import serial

from benchwarden.core.clock import SystemClock
from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.link.decoder import LineDecoder
from benchwarden.link.serial_port import open_port
from benchwarden.record.journal import Journal
from benchwarden.record.journal_reader import JournalReader
from wardenfw import wire

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE / "unit" / "link"))
sys.path.insert(0, str(HERE / "unit" / "record"))

FEEDER = """
import os, sys
fd, size = int(sys.argv[1]), int(sys.argv[2])
data = sys.stdin.buffer.read(size)
sys.stdin.buffer.read(1)
at = 0
while at < len(data):
    at += os.write(fd, data[at : at + 65536])
"""


def lines_of(count: int) -> bytes:
    from frame_maker import frames

    made = frames(count, seed=1)
    return b"".join(wire.encode(wire.FRAME, seq, frame.tobytes()) for seq, frame in enumerate(made, 1))


class Line:
    """A pseudo-terminal that another process fills with the given lines."""

    def __init__(self, data: bytes) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.name = os.ttyname(self._slave)
        command = [sys.executable, "-c", FEEDER, str(self._master), str(len(data))]
        self._feeder = subprocess.Popen(command, stdin=subprocess.PIPE, pass_fds=[self._master])
        assert self._feeder.stdin is not None
        self._feeder.stdin.write(data)
        self._feeder.stdin.flush()

    def go(self) -> None:
        """Let the bytes flow: only now, since opening a serial port throws away what came before."""
        assert self._feeder.stdin is not None
        self._feeder.stdin.write(b"g")
        self._feeder.stdin.close()

    def close(self) -> None:
        self._feeder.wait()
        os.close(self._master)
        os.close(self._slave)


def timed(what: Callable[[], int]) -> tuple[float, float]:
    """Return (frames per second of wall time, frames per second of this process's CPU time)."""
    wall, cpu = time.perf_counter(), time.process_time()
    count = what()
    return count / (time.perf_counter() - wall), count / (time.process_time() - cpu)


def ours(count: int, per_commit: int, folder: Path, through_port: bool) -> tuple[float, float]:
    data = lines_of(count)
    run_dir = folder / f"run-{per_commit}-{through_port}"
    line = Line(data) if through_port else None
    port = open_port(line.name) if line else None
    decoder = LineDecoder()
    # Lines differ by a few bytes at most, so a piece holds about as many as a commit is to have.
    piece = max(1, len(data) * per_commit // count)
    chunks = iter([data[at : at + piece] for at in range(0, len(data), piece)])

    def run() -> int:
        if line:
            line.go()
        done = 0
        with Journal.create(run_dir, {}) as journal:
            while done < count:
                received = decoder.feed(port.read(1.0) if port else next(chunks))
                done += len(received.frames)
                journal.append_frames(1, received.frame_seqs, received.frames)
                if journal.pending_frames >= per_commit:
                    journal.commit()
        return done

    speed = timed(run)
    if line and port:
        port.close()
        line.close()
    with JournalReader(run_dir) as reader:
        assert sum(len(block) for block in reader.blocks()) == count
    return speed


def plain(count: int, per_commit: int, folder: Path) -> tuple[float, float]:
    line = Line(lines_of(count))
    port = serial.Serial(line.name, timeout=5.0)
    db = sqlite3.connect(folder / f"plain-{per_commit}.sqlite", isolation_level=None)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    width = 7 + 3 * wire.N_CHANNELS
    db.execute(f"CREATE TABLE frames (seq INTEGER PRIMARY KEY, {', '.join(f'c{i}' for i in range(width))})")
    statement = f"INSERT INTO frames VALUES ({', '.join('?' * (width + 1))})"

    def run() -> int:
        line.go()
        for number in range(count):
            if number % per_commit == 0:
                db.execute("BEGIN")
            _, _, seq, payload = wire.decode(port.readline()[:-1])
            db.execute(statement, (seq, *struct.unpack(wire.FRAME_FORMAT, payload)))
            if number % per_commit == per_commit - 1:
                db.execute("COMMIT")
        return count

    speed = timed(run)
    assert db.execute("SELECT count(*) FROM frames").fetchone() == (count,)
    db.close()
    port.close()
    line.close()
    return speed


def ratios(count: int, where_to: Path | None) -> None:
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    with tempfile.TemporaryDirectory(dir=where_to) as name:
        folder = Path(name)
        print(
            f"{SystemClock().utc_label()}  frame {FRAME_DTYPE.itemsize} bytes, one core, wall / CPU frames per second"
        )
        data = lines_of(count)
        wall, cpu = timed(lambda: len(LineDecoder().feed(data).frames))
        print(f"{'decode only, in memory':48}{wall:10,.0f} / {cpu:9,.0f}")
        slow, slow_cpu = plain(2000, 1000, folder)
        print(f"{'readline + one INSERT a frame, 1000 a commit':48}{slow:10,.0f} / {slow_cpu:9,.0f}")
        slowest, slowest_cpu = plain(500, 1, folder)
        print(f"{'readline + one INSERT a frame, 1 a commit':48}{slowest:10,.0f} / {slowest_cpu:9,.0f}")
        for per_commit in (1000, 100, 10, 1):
            for through_port in (False, True):
                size = {10: count // 4, 1: count // 20}.get(per_commit, count)
                wall, cpu = ours(size, per_commit, folder, through_port)
                where = "pseudo-terminal" if through_port else "in memory"
                what = f"decode + journal, {where}, {per_commit} a commit"
                against = f"x{wall / slow:.0f} wall, x{cpu / slow_cpu:.0f} CPU of the plain way"
                print(f"{what:48}{wall:10,.0f} / {cpu:9,.0f}   {against}")


def corruptions(count: int) -> None:
    from test_decoder import false_frames

    fed, false, missed = false_frames(count, seed=1)
    print(f"{fed} damaged lines: {false} accepted, {missed} sound lines after a damaged one missed")
    if false or missed:
        raise SystemExit(1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=100_000)
    parser.add_argument("--folder", type=Path, help="on which disk to journal; one in memory leaves out its syncing")
    parser.add_argument("--corruptions", type=int, default=0)
    words = parser.parse_args()
    if words.corruptions:
        corruptions(words.corruptions)
    else:
        ratios(words.frames, words.folder)


if __name__ == "__main__":
    main()
