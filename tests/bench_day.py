"""Judge a recording of 24 h at 10 Hz from its file: time and memory of the whole command.

    python tests/bench_day.py                 17 columns, idle with a warm-up, drive in the middle hours
    python tests/bench_day.py --extremes      with a minimum and a maximum of every channel

Prints processor time, wall time and the peak of resident memory of `benchwarden judge`
in a process of its own. The budget is 10 s of one core and 500 MB.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent / "unit" / "analysis"))

from signals import Bench, unit

from benchwarden.core.channels import INDEX
from benchwarden.record.recording import write_recording

# Runs the command and says how much memory it had at the most.
_COMMAND = """
import resource, sys
from benchwarden.cli import main
try:
    main()
finally:
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, file=sys.stderr)
"""

_UNIT = """run = "24 h"
run_type = "burn-in"
rated_power_w = 60
load_ohm = 8
load_connected = true
rail_nominal_v = 42.0
emitter_resistor_ohm = 0.22
target_bias_drop_mv = 11.0
package = "metal-can"
limiter_lamp_w = 100
[[stage]]
t_start_s = 0.0
name = "idle"
mains_pct = 100
limiter_in = false
drive_on = false
[[stage]]
t_start_s = 36000.0
name = "driven"
mains_pct = 100
limiter_in = false
drive_on = true
[[stage]]
t_start_s = 43200.0
name = "idle after drive"
mains_pct = 100
limiter_in = false
drive_on = false
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--extremes", action="store_true")
    parser.add_argument("--write", type=Path, help="only write the recording")
    args = parser.parse_args()
    if args.write:
        write(args.write, args.hours, args.extremes)
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "recording.csv"
        (Path(folder) / "unit.toml").write_text(_UNIT)
        # Written by a process of its own: a child's peak begins with its parent's size.
        subprocess.run([sys.executable, __file__, *sys.argv[1:], "--write", str(path)], check=True)
        started = time.perf_counter()
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        command = [sys.executable, "-c", _COMMAND, "judge", str(path), str(Path(folder) / "unit.toml")]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        wall_s = time.perf_counter() - started
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        size_mb = path.stat().st_size / 1e6
    verdict = json.loads(done.stdout)
    own_s = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
    print(f"{size_mb:.0f} MB of CSV: {verdict['verdict']}, trips {verdict['trips'][:1]}")
    print(f"{own_s:.1f} s of one core, {wall_s:.1f} s of wall, {done.stderr.strip()} MB at the peak")


def write(path: Path, hours: float, extremes: bool) -> None:
    block = Bench(replace(unit(), load_connected=True), hours * 3600.0).block
    driven = (block.t_s >= 36000.0) & (block.t_s < 43200.0)
    mean = block.mean.copy()
    for name in ("rail_pos_a", "rail_neg_a"):
        mean[driven, INDEX[name]] += np.float32(0.9)
    for name in ("bias_left_v", "bias_right_v"):
        mean[driven, INDEX[name]] += np.float32(0.095)
    block = replace(block, mean=mean, minimum=mean, maximum=mean, drive_on=driven)
    write_recording(path, block, extremes=extremes)


if __name__ == "__main__":
    main()
