"""A 24 h run through decoder, journal and judge at full speed: memory, disk and time per frame.

    python tests/bench_memory.py                    24 h, one frame a commit, as a live run makes them
    python tests/bench_memory.py --hours 1 --per-commit 10
    python tests/bench_memory.py --folder /tmp      on a disk; by default in memory where there is some

The frames have the levels and the noise of a recorded run's idle stretch, sampled in
whole converter steps as on the board; every one is encoded as on the wire, decoded,
committed and judged. The peak is the whole process's, with what Python and numpy weigh.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchwarden.analysis.judge import Judge
from benchwarden.core.channels import CHANNELS
from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.core.unit import load_unit
from benchwarden.link.decoder import LineDecoder
from benchwarden.record.journal import Journal
from benchwarden.record.journal_format import NAME
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.recording import read_recording
from benchwarden.record.recover import recover
from wardenfw import wire

RECORDING = Path(__file__).parents[1] / "recordings" / "healthy-burn-in"
IDLE_S = (640.0, 740.0)  # "idle", well after warming up and before the drive comes on
T0_MS = 4200


# One step of the converter behind each channel, SI units: 16 A / 2^19 and 195.3125 uV of the INA228,
# 7.8125 uV and 125 uV of the ADS1115, the latter times 52 for offset and 20 for HF, 12 bits over the NTC at 30 °C.
STEPS = {"_a": 16 / 2**19, "rail": 195.3125e-6, "bias": 7.8125e-6, "offset": 52 * 125e-6, "hf": 20 * 125e-6, "_c": 0.02}
SCANS = 10
# Mean range of ten normal values over their standard deviation (the d2 of control charts, from memory).
RANGE_OF_TEN = 3.078
CHUNK = 4000


def step_of(channel: str) -> float:
    return next(step for key, step in STEPS.items() if channel.startswith(key) or (key[0] == "_" and key in channel))


def idle_frames() -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the level of every channel, shape (n, channels), and its noise, shape (channels,)."""
    block = read_recording(RECORDING / "recording.csv")
    block = block.part(*np.searchsorted(block.t_s, IDLE_S).tolist())
    noise = (block.maximum - block.minimum).mean(axis=0) / RANGE_OF_TEN
    level = np.repeat(block.mean.mean(axis=0)[None, :].astype(np.float64), len(block), axis=0)
    level[:, [c.endswith("_c") for c in CHANNELS]] = block.mean[:, [c.endswith("_c") for c in CHANNELS]]
    return level, noise.astype(np.float64)


def made(total: int) -> Iterator[tuple[int, npt.NDArray[np.void]]]:
    """Yield (number of the first, frames): ten noisy scans each, in whole steps of the converters."""
    level, noise = idle_frames()
    step = np.array([step_of(channel) for channel in CHANNELS])
    rng = np.random.default_rng(1)
    for first in range(0, total, CHUNK):
        numbers = np.arange(first, min(first + CHUNK, total))
        # Back and forth over the stretch: no jump where it begins again.
        at = np.abs((numbers + len(level)) % (2 * len(level)) - len(level)) - 1
        scans = level[at][:, None, :] + rng.normal(size=(len(numbers), SCANS, len(CHANNELS))) * noise
        scans = np.round(scans / step) * step
        frames = np.zeros(len(numbers), FRAME_DTYPE)
        frames["t_ms"], frames["scan"] = T0_MS + 100 * numbers, SCANS * numbers
        frames["valid"], frames["state"], frames["bits"] = 0x1FFF, wire.CLOSED, wire.MAINS_ON
        frames["mean"], frames["min"], frames["max"] = scans.mean(axis=1), scans.min(axis=1), scans.max(axis=1)
        yield first, frames


def pieces(total: int, size: int) -> Iterator[bytes]:
    """Yield the wire lines of `size` frames at a time."""
    lines: list[bytes] = []
    for first, frames in made(total):
        for number, frame in enumerate(frames, first + 1):
            lines.append(wire.encode(wire.FRAME, number, frame.tobytes()))
            if len(lines) == size:
                yield b"".join(lines)
                lines.clear()
    if lines:
        yield b"".join(lines)


def peak_mb() -> float:
    # ru_maxrss is in kilobytes on Linux, in bytes on macOS (getrusage(2)).
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)


def cpu_s(what: Callable[[], object]) -> float:
    began = time.process_time()
    what()
    return time.process_time() - began


def run(run_dir: Path, total: int, per_commit: int) -> None:
    unit = load_unit(RECORDING / "unit.toml")
    judge = Judge(unit, stages=[(0.0, 100.0, False, False, "idle")])
    decoder = LineDecoder()
    spent = {"decode": 0.0, "append": 0.0, "commit": 0.0, "judge": 0.0}
    worst_commit_s = 0.0
    found = 0
    begun_mb = peak_mb()
    clock = time.process_time
    print(f"{'':12}{'peak':>8}   {'disk':>8}")
    with Journal.create(run_dir, {"t0_ms": T0_MS}) as journal:
        for number, data in enumerate(pieces(total, per_commit), 1):
            a = clock()
            received = decoder.feed(data)
            b = clock()
            block = journal.append_frames(1, received.frame_seqs, received.frames)
            c = clock()
            journal.commit()
            d = clock()
            found += len(judge.feed(block))
            e = clock()
            spent["decode"] += b - a
            spent["append"] += c - b
            spent["commit"] += d - c
            spent["judge"] += e - d
            worst_commit_s = max(worst_commit_s, d - c)
            if number % max(1, total // per_commit // 6) == 0:
                size_mb = sum(path.stat().st_size for path in run_dir.iterdir()) / 1e6
                print(f"{number * per_commit / 36_000:8.1f} h  {peak_mb():6.1f} MB  {size_mb:6.1f} MB", flush=True)
    verdict = judge.finish()
    print(f"peak {peak_mb():.1f} MB, {begun_mb:.1f} MB of it before the first frame ({peak_mb() / 300:.2f} of 300 MB)")
    for name, seconds in spent.items():
        print(f"{name:8}{seconds / total * 1e6:8.1f} µs a frame")
    print(f"longest commit, merging included: {worst_commit_s * 1e3:.1f} ms CPU")
    size = (run_dir / NAME).stat().st_size
    print(f"journal {size / 1e6:.1f} MB, {size / total:.1f} bytes a frame; {found} findings, {verdict['verdict']}")


def read(run_dir: Path, total: int) -> None:
    with JournalReader(run_dir) as reader:
        load_s = cpu_s(lambda: [None for _ in reader.blocks()])
        gaps_s = cpu_s(reader.gaps)
        assert sum(len(block) for block in reader.blocks()) == total
        assert reader.gaps() == []
    whole_s = cpu_s(lambda: recover(run_dir))
    assert recover(run_dir).intact
    print(f"read back: all blocks {load_s:.2f} s, gaps {gaps_s:.2f} s, recover {whole_s:.2f} s CPU")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--per-commit", type=int, default=1)
    parser.add_argument("--folder", type=Path, default=None)
    words = parser.parse_args()
    memory = Path("/dev/shm")
    folder = words.folder or (memory if memory.is_dir() else None)
    total = round(words.hours * 36_000)
    with tempfile.TemporaryDirectory(dir=folder) as name:
        run(Path(name) / "run", total, words.per_commit)
        read(Path(name) / "run", total)


if __name__ == "__main__":
    main()
