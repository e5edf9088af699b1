"""Time and size of record and bias log of a 24 h run, attachments included: `python tests/bench_report.py [hours]`.

The run is written one frame a commit, as a live one is. Beside what is attached stands
the alternative: every frame in the same CSV format, and packed as a PDF packs it.
"""

from __future__ import annotations

import sys
import tempfile
import time
import zlib
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "unit" / "report"))

from invented_runs import write_run
from report_jobs import JOB, PARTS, with_job

from benchwarden.record.export import export_csv
from benchwarden.record.journal_format import NAME
from benchwarden.record.workshop_settings import demo_workshop
from benchwarden.report.attachments import SAMPLES_NAME, attachments_of
from benchwarden.report.bias_log import write_bias_log
from benchwarden.report.pdf import record_bytes, record_of, write_record
from benchwarden.report.sheet_data import sheet_of
from benchwarden.report.source import gather

MOST_S, MOST_BYTES = 3.0, 5e6


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 24.0
    # Making the run is not what is timed: keep its 864,000 commits off the disk where memory is mounted.
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        began = time.process_time()
        run = with_job(write_run(Path(folder) / "run", soak_s=hours * 3600, batch=1, virtual=True), JOB, PARTS)
        journal_mb = (run / NAME).stat().st_size / 1e6
        print(f"run of {hours:g} h made in {time.process_time() - began:.1f} s CPU, journal {journal_mb:.1f} MB")
        workshop = demo_workshop()
        marks = [time.process_time()]
        attached = attachments_of(run)
        marks.append(time.process_time())
        material = gather(run)
        marks.append(time.process_time())
        record = record_of(run, material, sheet_of(workshop, "", attached))
        marks.append(time.process_time())
        record_bytes(record)
        marks.append(time.process_time())
        took = [b - a for a, b in pairwise(marks)]
        names = ("attachments", "read", "words and plots", "layout")
        print(", ".join(f"{name} {seconds:.2f} s" for name, seconds in zip(names, took, strict=True)))
        for name, make in (("record", write_record), ("bias log", write_bias_log)):
            began, wall = time.process_time(), time.perf_counter()
            size = make(run, workshop=workshop).stat().st_size
            cpu, wall = time.process_time() - began, time.perf_counter() - wall
            print(
                f"{name}: {cpu:.2f} s CPU, {wall:.2f} s wall ({wall / MOST_S:.2f} of {MOST_S:g} s), "
                f"{size / 1e6:.2f} MB ({size / MOST_BYTES:.2f} of {MOST_BYTES / 1e6:g} MB)"
            )
        samples = attached[SAMPLES_NAME]
        packed = len(zlib.compress(samples))
        print(
            f"attached readings: {samples.count(10) - 1} rows, {len(samples) / 1e6:.2f} MB, {packed / 1e6:.2f} packed"
        )
        began = time.process_time()
        rows = export_csv(run, Path(folder) / "whole.csv")
        took_s = time.process_time() - began
        whole = (Path(folder) / "whole.csv").read_bytes()
        size_mb, packed_mb = len(whole) / 1e6, len(zlib.compress(whole, 1)) / 1e6
        print(f"alternative, every frame: {rows} rows, {took_s:.1f} s CPU, {size_mb:.1f} MB, {packed_mb:.1f} packed")


if __name__ == "__main__":
    main()
