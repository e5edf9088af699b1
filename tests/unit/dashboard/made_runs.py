"""Small invented runs through the real journal: what the runs page is tried on."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np

from benchwarden.core.channels import INDEX
from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.record.journal import Journal
from benchwarden.record.journal_format import BURST_DTYPE, NAME
from wardenfw import wire

UNIT = {
    "model": "Brackwater Integrated 60",
    "serial": "BW60-0417",
    "customer": "M. Lindqvist",
    "technician": "workshop",
    "rated_power_w": 60.0,
}
STAGES = (("cold check", 0.0, False), ("limiter 100 %", 60.0, True), ("idle soak", 180.0, True))
T0_MS = 5000
BOOT = 7


def stage_table(name: str, energised: bool) -> dict[str, Any]:
    limit = {"kind": "value", "for_ms": 100, "window_ms": 0, "cause": "bias-unstable", "why": "1.5 times the target"}
    return {
        "name": name,
        "mains_pct": 100.0 if energised else 0.0,
        "limiter_in": True,
        "drive_on": False,
        "energised": energised,
        "expected": {},
        "limits": [{"channel": "bias_left_v", "low": None, "high": 0.0165, **limit}] if energised else [],
    }


def write_run(
    run_dir: Path,
    seconds: int = 600,
    verdict: str = "pass",
    trip_at_s: float | None = None,
    peak_at_s: float | None = None,
    gap: tuple[float, float] | None = None,
    level_mv: float = 11.0,
    unit: dict[str, Any] | None = None,
    **header: Any,
) -> Path:
    """Write a run of ten frames a second and return its folder.

    Args:
        verdict: "" leaves the run without one, and its journal open as a killed writer does.
        peak_at_s: one frame has a greatest bias, left, of 99 mV here.
    """
    facts = {
        "run": "spring rebuild",
        "run_type": "burn-in",
        "virtual": False,
        "started_at_utc": f"{run_dir.name[:4]}-{run_dir.name[4:6]}-{run_dir.name[6:8]}T08:00:00Z",
        "t0_ms": T0_MS,
        "unit": {**UNIT, **(unit or {})},
        "plan": [stage_table(name, energised) for name, _, energised in STAGES],
        "board": {"board": "e66164084319632e", "fw": "0.3.0"},
        "host_version": "0.3.0",
        **header,
    }
    frames = _frames(seconds, level_mv / 1000.0, trip_at_s, peak_at_s)
    seqs = np.arange(1, len(frames) + 1, dtype=np.uint32)
    if gap is not None:
        t_s = (frames["t_ms"] - T0_MS) / 1000.0
        held = (t_s < gap[0]) | (t_s >= gap[1])
        frames, seqs = frames[held], seqs[held]
    journal = Journal.create(run_dir, facts)
    for start in range(0, len(frames), 600):
        journal.append_frames(BOOT, seqs[start : start + 600], frames[start : start + 600])
        journal.commit()
    for at, (name, t_s, energised) in enumerate(STAGES):
        if t_s >= seconds:
            break
        journal.append_note("stage", t_s, {**stage_table(name, energised), "status": "now", "why": ""})
        end_s = STAGES[at + 1][1] if at + 1 < len(STAGES) else float(seconds)
        journal.append_note("stage", end_s, {"name": name, "status": "passed", "why": "held its time"})
    journal.append_note("confirm", 61.0, {"by": "dashboard", "text": "limiter lamp seen to glow"})
    journal.append_event(BOOT, 1, wire.pack_event(T0_MS + 62_000, wire.EV_CLOSED))
    found: dict[str, Any] = {"verdict": verdict, "trips": [], "warnings": [], "metrics": {}}
    if trip_at_s is not None:
        trip_ms = T0_MS + round(trip_at_s * 1000)
        journal.append_event(
            BOOT,
            2,
            wire.pack_event(
                trip_ms,
                wire.EV_TRIPPED,
                cause=wire.CAUSES.index("over-current"),
                channel=INDEX["rail_pos_a"],
                value=1.31,
                limit=1.2,
            ),
        )
        journal.append_burst(BOOT, 2, 250, 200, burst(trip_ms).tobytes())
        why = "positive rail 1.31 A, limit 1.2 A"
        found["trips"] = [{"t_s": trip_at_s, "cause": "over-current", "channel": "rail_pos_a", "why": why}]
        found["metrics"] = {"sentence": "Stopped for too much rail current.", "reasons": [why]}
    if verdict:
        journal.append_note("verdict", float(seconds), found)
        journal.close()
        (run_dir / "verdict.json").write_text(json.dumps(found), encoding="utf-8")
    else:
        journal.commit()
        assert journal._db is not None
        journal._db.close()
        journal._db = None
        journal.close()
    return run_dir


def _frames(seconds: int, level_v: float, trip_at_s: float | None, peak_at_s: float | None) -> Any:
    n = seconds * 10
    t_s = np.arange(n) / 10.0
    rng = np.random.default_rng(seconds)
    out = np.zeros(n, FRAME_DTYPE)
    out["t_ms"] = T0_MS + np.round(1000.0 * t_s)
    out["valid"] = 0x1FFF
    on = t_s >= 62.0
    if trip_at_s is not None:
        on &= t_s < trip_at_s
    out["bits"] = wire.MAINS_ON * on
    warm = np.where(on, 1.0 - np.exp(-(t_s - 62.0) / 300.0), 0.0)
    mean = out["mean"]
    for side in ("left", "right"):
        mean[:, INDEX[f"bias_{side}_v"]] = np.where(on, level_v * (0.8 + 0.2 * warm), 0.0)
        mean[:, INDEX[f"sink_{side}_c"]] = 22.0 + 20.0 * warm
        mean[:, INDEX[f"hf_{side}_v"]] = 0.012
    mean[:, INDEX["ambient_c"]] = 22.0
    mean[:, INDEX["rail_pos_a"]] = mean[:, INDEX["rail_neg_a"]] = 0.13 * on
    mean[:, INDEX["rail_pos_v"]], mean[:, INDEX["rail_neg_v"]] = 42.0 * on, -42.0 * on
    mean += rng.normal(0.0, 1e-5, mean.shape).astype(np.float32)
    out["min"], out["max"] = mean - np.float32(1e-4), mean + np.float32(1e-4)
    if peak_at_s is not None:
        out["max"][round(10 * peak_at_s), INDEX["bias_left_v"]] = 0.099
    return out


def burst(trip_ms: int) -> Any:
    """Return 2.5 s of scans with a rail current that rises into a trip at scan 200."""
    records = np.zeros(250, BURST_DTYPE)
    k = np.arange(250)
    records["t_ms"] = trip_ms + 10 * (k - 200)
    records["value"][:, INDEX["rail_pos_a"]] = np.where(k <= 203, 0.13 + 1.18 * np.exp((k - 200) / 12.0), 0.0)
    records["value"][:, INDEX["bias_left_v"]] = 0.011
    return records


def damage_header(run_dir: Path) -> None:
    """Make the header unreadable, the readings not."""
    db = sqlite3.connect(run_dir / NAME)
    with db:
        db.execute("UPDATE meta SET value = '{' WHERE key = 'header'")
    db.close()
