"""Time of the record of a 24 h run: `python tests/bench_report.py [hours]`; prints CPU seconds, size and shares.

The run is written one frame a commit, as a live one is.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "unit" / "report"))

from invented_runs import write_run

from benchwarden.record.journal_format import NAME
from benchwarden.report.content import content_of
from benchwarden.report.pdf import record_bytes, write_record
from benchwarden.report.source import gather


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 24.0
    # Making the run is not what is timed: keep its 864,000 commits off the disk where memory is mounted.
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        began = time.process_time()
        run = write_run(Path(folder) / "run", soak_s=hours * 3600, batch=1, virtual=True)
        journal_mb = (run / NAME).stat().st_size / 1e6
        print(f"run of {hours:g} h made in {time.process_time() - began:.1f} s CPU, journal {journal_mb:.1f} MB")
        began = time.process_time()
        material = gather(run)
        read = time.process_time()
        content = content_of(material)
        said = time.process_time()
        record_bytes(content)
        laid = time.process_time()
        print(f"read {read - began:.2f} s, content and plots {said - read:.2f} s, layout {laid - said:.2f} s")
        began = time.process_time()
        target = write_record(run)
        took = time.process_time() - began
        size = target.stat().st_size
        print(f"whole: {took:.2f} s CPU ({took / 3.0:.2f} of 3 s), {size / 1e6:.2f} MB ({size / 5e6:.2f} of 5 MB)")


if __name__ == "__main__":
    main()
