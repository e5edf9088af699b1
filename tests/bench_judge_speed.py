"""Print what judging costs: one frame at a time as live, and many at once as on a recording.

python tests/bench_judge_speed.py
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent / "unit" / "analysis"))

from signals import Bench, unit

from benchwarden.analysis.judge import Judge
from benchwarden.analysis.seconds import part_of


def main() -> None:
    bench = Bench(unit(), 1200.0)
    bench.grow("left", 900.0, 300.0)
    n = len(bench.block)
    judge = Judge(unit())
    started = time.process_time()
    for i in range(n):
        judge.feed(part_of(bench.block, i, i + 1))
    live_s = (time.process_time() - started) / n
    judge = Judge(unit())
    started = time.process_time()
    judge.feed(bench.block)
    whole_s = (time.process_time() - started) / n
    print(f"live: {live_s * 1e3:.3f} ms of one core per frame (budget 1 ms)")
    print(f"recording: {whole_s * 1e6:.1f} us per frame, 24 h at 10 Hz in {whole_s * 864000:.0f} s without reading")


if __name__ == "__main__":
    main()
