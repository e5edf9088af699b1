"""How often U covers the truth on the virtual rig: python tests/bench_calibration.py [seeds]."""

from __future__ import annotations

import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "bench"))

from calibrating import Check, calibrate_and_check

from benchwarden.core.channels import CHANNEL, CHANNELS


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    found: dict[tuple[str, bool], list[Check]] = defaultdict(list)
    began = time.monotonic()
    for seed in range(100, 100 + seeds):
        with tempfile.TemporaryDirectory() as folder:
            done = calibrate_and_check(seed, CHANNELS, Path(folder))
        for check in done.checks:
            found[CHANNEL[check.channel].group, check.calibrated].append(check)
        for words in done.said:
            if "Refused" in words or "Not taken" in words:
                print(f"seed {seed}: {' '.join(words.split())}")
    print(f"{seeds} seeds, {time.monotonic() - began:.0f} s")
    print(f"{'quantity':16}{'':14}{'covered':>12}{'worst |error|/U':>18}")
    for (group, calibrated), checks in sorted(found.items()):
        inside = sum(check.covered for check in checks)
        worst = max(abs(check.error) / check.half_width for check in checks)
        words = "calibrated" if calibrated else "uncalibrated"
        print(f"{group:16}{words:14}{inside:>6} of {len(checks):<4}{worst:>15.2f}")


if __name__ == "__main__":
    main()
