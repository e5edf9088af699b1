"""Makes the circuits in hardware/ importable as `circuits`."""

import sys
from pathlib import Path

HARDWARE = str(Path(__file__).parents[3] / "hardware")
if HARDWARE not in sys.path:
    sys.path.insert(0, HARDWARE)
