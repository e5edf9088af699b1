"""An invented recorded run for the tests of several pages: ten minutes, a peak in one frame."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import fake_run
import numpy as np

from benchwarden.core.channels import INDEX
from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.record.journal import Journal
from benchwarden.record.summary import write_summary
from wardenfw import wire

NAME = "20260115T090000Z-invented"
N = 6000
TEMPCO_MV_PER_K = 0.15
PEAK_V = 0.030


def frames() -> np.ndarray[Any, Any]:
    """Ten minutes at 10 Hz: the lamp for a minute, then idle, warming up by 8 K."""
    t_s = np.arange(N) / 10.0
    found = np.zeros(N, FRAME_DTYPE)
    found["t_ms"] = (1000.0 * t_s).astype(np.uint32)
    found["valid"] = 0xFFFF
    warm = t_s > 60.0
    found["bits"] = np.where(warm, wire.MAINS_ON | wire.COIL_ON, wire.MAINS_ON | wire.COIL_ON | wire.LIMITER_IN)
    sink = 24.0 + 8.0 * (1.0 - np.exp(-np.maximum(t_s - 60.0, 0.0) / 150.0))
    bias = np.where(warm, 1e-3 * (10.0 + TEMPCO_MV_PER_K * (sink - 24.0)), 0.0)
    for name, values in (
        ("bias_left_v", bias),
        ("bias_right_v", bias * 1.02),
        ("sink_left_c", sink),
        ("sink_right_c", sink - 0.5),
        ("ambient_c", np.full(N, 23.0)),
        ("rail_pos_v", 42.0 + 0.1 * np.sin(t_s / 20.0)),
        ("rail_neg_v", -42.0 - 0.1 * np.sin(t_s / 20.0)),
    ):
        for part in ("mean", "min", "max"):
            found[part][:, INDEX[name]] = values
    # One frame's peak, which no zoom may lose.
    found["max"][3000, INDEX["bias_left_v"]] = PEAK_V
    return found


def write_run(runs: Path, phase: str, name: str = NAME, **outlook: Any) -> Path:
    """Write the run into its folder, with a status of `phase`, and return the folder."""
    run_dir = runs / name
    run_dir.mkdir(parents=True)
    with Journal.create(run_dir, {"run": "invented", "t0_ms": 0}) as journal:
        journal.append_frames(1, np.arange(N, dtype=np.uint32), frames())
        journal.append_note("stage", 0.0, {"name": "limiter 100 %", "status": "now"})
        journal.append_note("stage", 60.0, {"name": "idle soak", "status": "now"})
        journal.commit()
    table = fake_run.fresh(phase)
    table["outlook"]["left"] |= outlook
    write_summary(run_dir, table)
    return run_dir
