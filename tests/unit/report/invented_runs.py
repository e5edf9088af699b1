"""Whole invented runs, written through the real journal: what the record is tried on."""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.core.unit import Unit
from benchwarden.record.journal import Journal
from benchwarden.record.journal_format import BURST_DTYPE
from benchwarden.record.summary import write_summary
from wardenfw import wire

BOOT = 0x51D2A7
T0_MS = 4_200
UNIT = Unit(
    rated_power_w=60.0,
    load_ohm=8.0,
    rail_nominal_v=42.0,
    emitter_resistor_ohm=0.22,
    target_bias_drop_mv=11.0,
    limiter_lamp_w=100.0,
    run="spring rebuild",
    customer="A. Example",
    model="Fernwick 260 integrated",
    serial="00417",
    technician="M. Muster",
)
HELLO = {
    "board": "e66164084319632e",
    "fw": "0.1.0",
    "wire": 1,
    "mpy": "1.24.1",
    "boot": BOOT,
    "scan_hz": 100,
    "cal": "uncalibrated",
    "selftest": {"ok": True, "parts": {"rail positive": "ok", "rail negative": "ok", "output left": "ok"}},
}
WORKING = (
    (
        "Healthy rail current, direct",
        "I = I_other + N V_drop / R_E",
        "0.030 + 2 x 0.0110 / 0.22",
        0.13,
        "A",
        "Ohm's law",
    ),
    ("Highest sink temperature", "T_s = T_j - P (R_jc + R_cs)", "150 - 18 (1.52 + 0.5)", 113.6, "°C", "derating"),
    ("Lamp resistance, cold", "R = R_hot / 13", "(230²/100) / 13", 40.7, "Ω", "tungsten resistivity, handbook"),
)


def limits(high_a: float, high_c: float = 78.0) -> list[dict[str, Any]]:
    """Return a stage's limits as the journal header carries them."""
    rows: list[tuple[str, str, float | None, float | None, int, str, str]] = []
    for name in ("rail_pos_a", "rail_neg_a"):
        rows.append((name, "value", None, high_a, 50, "over-current", "halfway from healthy to shorted"))
    rows.append(("rail_pos_v", "value", None, 50.4, 200, "operator", "the stage's window and 20 %"))
    rows.append(("rail_neg_v", "value", -50.4, None, 200, "operator", "the stage's window and 20 %"))
    for side in ("left", "right"):
        rows.append((f"offset_{side}_v", "value", -0.1, 0.1, 100, "dc-offset", "common practice, no source"))
        rows.append((f"bias_{side}_v", "value", None, 0.0165, 500, "bias-unstable", "1.5 times the target"))
        rows.append((f"sink_{side}_c", "value", -5.0, high_c, 1000, "over-temperature", "derating of the package"))
        rows.append((f"sink_{side}_c", "rate", None, 0.5, 1000, "thermal-runaway", "three times healthy warm-up"))
        rows.append((f"hf_{side}_v", "value", None, 0.5, 100, "oscillation", "ten times the baseline"))
    keys = ("channel", "kind", "low", "high", "for_ms", "cause", "why")
    return [dict(zip(keys, row, strict=True)) | {"window_ms": 0} for row in rows]


def plan(soak_s: float) -> list[dict[str, Any]]:
    """Return six stages as the journal header carries them."""
    rows = (
        ("cold check", 0.0, True, False, 10.0),
        ("limiter 25 %", 25.0, True, True, 30.0),
        ("limiter 50 %", 50.0, True, True, 30.0),
        ("limiter 100 %", 100.0, True, True, 40.0),
        ("direct 100 %", 100.0, False, True, 60.0),
        ("idle soak", 100.0, False, True, soak_s),
    )
    stages = []
    for number, (name, pct, limiter_in, energised, hold_s) in enumerate(rows, 1):
        volts = 42.0 * pct / 100
        expected = {}
        if energised:
            expected = {
                "rail_pos_v": [0.9 * volts, volts, 1.1 * volts],
                "rail_neg_v": [-1.1 * volts, -volts, -0.9 * volts],
                "rail_pos_a": [0.0, 0.13, 0.3],
                "rail_neg_a": [0.0, 0.13, 0.3],
                "bias_left_v": [0.0, 0.011, 0.014],
                "bias_right_v": [0.0, 0.011, 0.014],
            }
        stages.append(
            {
                "stage_id": number,
                "name": name,
                "mains_pct": pct,
                "limiter_in": limiter_in,
                "drive_on": False,
                "energised": energised,
                "hold_s": hold_s,
                "expected": expected,
                "limits": limits(0.45 if limiter_in else 1.2),
            }
        )
    return stages


def stage_starts(stages: list[dict[str, Any]]) -> list[float]:
    """Return when each stage begins, and last the end of the run, seconds."""
    return [0.0, *np.cumsum([stage["hold_s"] for stage in stages]).tolist()]


def frames(stages: list[dict[str, Any]], end_s: float, trip_at_s: float | None, seed: int) -> np.ndarray:
    """Return the frames of a plausible warm-up, ten a second, up to end_s."""
    rng = np.random.default_rng(seed)
    n = round(end_s * 10)
    t = (np.arange(n) + 1) * 0.1
    starts = np.array(stage_starts(stages))
    stage = np.clip(np.searchsorted(starts, t, side="right") - 1, 0, len(stages) - 1)
    pct = np.array([s["mains_pct"] for s in stages])[stage]
    limiter = np.array([s["limiter_in"] for s in stages])[stage]
    on = np.array([s["energised"] for s in stages])[stage]
    if trip_at_s is not None:
        on = on & (t < trip_at_s)
    volts = 42.0 * pct / 100 * on
    warm = np.where(on, 1 - np.exp(-np.maximum(t - 20, 0) / 400), 0.0)
    mean = np.full((n, len(CHANNELS)), 0.0)

    def put(name: str, values: np.ndarray, noise: float) -> None:
        mean[:, INDEX[name]] = values + rng.normal(0, noise, n)

    bias = {"left": 0.0085 + 0.0026 * warm, "right": 0.0092 + 0.0016 * warm}
    if trip_at_s is not None:
        bias["left"] = bias["left"] + 0.004 * np.exp(np.minimum((t - trip_at_s) / 20, 0))
    for side, values in bias.items():
        put(f"bias_{side}_v", np.where(volts > 10, values * np.minimum(volts / 30, 1), 0), 2e-5)
        put(f"offset_{side}_v", np.where(on, 0.012 if side == "left" else -0.007, 0.0), 4e-4)
        put(f"sink_{side}_c", 21.5 + (24 if side == "left" else 20) * warm, 0.03)
        put(f"hf_{side}_v", np.full(n, 0.012), 0.001)
    put("rail_pos_a", np.where(on, 0.03 + 10.0 * (bias["left"] + bias["right"]) / 2, 0.0), 5e-4)
    put("rail_neg_a", np.where(on, 0.03 + 10.0 * (bias["left"] + bias["right"]) / 2, 0.0), 5e-4)
    put("rail_pos_v", volts, 0.02)
    put("rail_neg_v", -volts, 0.02)
    put("ambient_c", np.full(n, 21.5), 0.02)
    spread = np.abs(mean) * 0.01 + 5e-5
    out = np.zeros(n, dtype=FRAME_DTYPE)
    out["t_ms"] = T0_MS + np.round(t * 1000).astype(np.uint32)
    out["scan"] = np.arange(n) * 10
    out["stage_id"] = stage + 1
    out["valid"] = (1 << len(CHANNELS)) - 1
    out["state"] = np.where(on, wire.CLOSED, wire.SAFE)
    out["bits"] = wire.MAINS_ON * on + wire.LIMITER_IN * limiter
    out["mean"], out["min"], out["max"] = mean, mean - spread, mean + spread
    return out


def burst_records(trip_t_ms: int) -> np.ndarray:
    """Return 2.5 s of full-rate scans with a current that rises into a trip at scan 200."""
    records = np.zeros(250, dtype=BURST_DTYPE)
    k = np.arange(250)
    records["t_ms"] = trip_t_ms + (k - 200) * 10
    on = k < 203
    value = records["value"]
    value[:, INDEX["rail_pos_a"]] = np.where(on, 0.13 + 0.4 * np.exp((k - 200) / 12.0), 0.0)
    value[:, INDEX["rail_neg_a"]] = np.where(on, 0.13 + 0.05 * np.exp((k - 200) / 12.0), 0.0)
    value[:, INDEX["rail_pos_v"]] = np.where(on, 42.0, 42.0 * np.exp(-(k - 203) / 60.0))
    value[:, INDEX["rail_neg_v"]] = np.where(on, -42.0, -42.0 * np.exp(-(k - 203) / 90.0))
    value[:, INDEX["bias_left_v"]] = 0.011 + 0.006 * np.exp(np.minimum(k - 200, 3) / 20.0)
    value[:, INDEX["bias_right_v"]] = 0.011
    value[:, INDEX["offset_left_v"]] = 0.01 * np.sin(k / 9)
    value[:, INDEX["offset_right_v"]] = -0.004
    for side in ("left", "right"):
        value[:, INDEX[f"sink_{side}_c"]] = 45.0
        value[:, INDEX[f"hf_{side}_v"]] = 0.012
    value[:, INDEX["ambient_c"]] = 21.5
    return records


def write_run(
    run_dir: Path,
    soak_s: float = 300.0,
    trip_at_s: float | None = None,
    cut_off_s: float | None = None,
    gap: tuple[float, float] | None = None,
    without: tuple[str, ...] = (),
    unit: dict[str, Any] | None = None,
    hello: dict[str, Any] | None = None,
    words: str | None = None,
    virtual: bool = False,
    status: bool = True,
    metrics: dict[str, Any] | None = None,
    seed: int = 1,
    batch: int = 100,
) -> Path:
    """Write one run and return its folder.

    Args:
        trip_at_s: the board trips for over-current and hands over its burst.
        cut_off_s: the host is killed here: no verdict, no close, a stale status.
        gap: frames between these run times never arrived.
        without: channels that were never valid.
        words: put in place of every free text.
    """
    stages = plan(soak_s)
    starts = stage_starts(stages)
    end_s = min(starts[-1], *(v for v in (cut_off_s, None if trip_at_s is None else trip_at_s + 2) if v), math.inf)
    board = {**HELLO, **(hello or {})}
    said = words if words is not None else "fuse and lamp seen to"
    if words is not None:
        stages = [{**s, "name": f"{s['stage_id']} {words}"} for s in stages]
        for stage in stages:
            stage["limits"] = [{**limit, "why": words} for limit in stage["limits"]]
    header = {
        "run": words or "2026-03 spring rebuild",
        "run_type": "power-up",
        "virtual": virtual,
        "started_at_utc": "2026-03-14T09:26:53Z",
        "t0_ms": T0_MS,
        "unit": {**asdict(UNIT), **(unit or {})},
        "plan": stages,
        "working": [
            dict(zip(("quantity", "formula", "numbers", "value", "unit", "source"), row, strict=True))
            for row in WORKING
        ],
        "host_version": "0.1.0",
        "board": board,
    }
    if words is not None:
        header["unit"] |= dict.fromkeys(("customer", "model", "serial", "technician"), words)
        header["working"] = [{**w, "quantity": words, "source": words} for w in header["working"]]
    run = frames(stages, end_s, trip_at_s, seed)
    seqs = np.arange(1, len(run) + 1, dtype=np.uint32)
    for name in without:
        run["valid"] &= np.uint16(0xFFFF ^ (1 << INDEX[name]))
    if gap is not None:
        t = (run["t_ms"] - T0_MS) / 1000
        keep = (t < gap[0]) | (t >= gap[1])
        run, seqs = run[keep], seqs[keep]
    journal = Journal.create(run_dir, header)
    try:
        journal.append_note("board", None, board)
        for first in range(0, len(run), batch):
            journal.append_frames(BOOT, seqs[first : first + batch], run[first : first + batch])
            if batch < 5000 or first % 50_000 == 0:
                journal.commit()
        journal.commit()
        _tell(journal, stages, starts, end_s, trip_at_s, cut_off_s, said)
        verdict = None
        if cut_off_s is None:
            verdict = _verdict(trip_at_s, words, metrics)
            journal.append_note("verdict", end_s, verdict)
        journal.commit()
    finally:
        if cut_off_s is None:
            journal.close()
        else:
            _abandon(journal)
    if status:
        states = [{**s, "status": "waiting", "why": "", "elapsed_s": 0.0} for s in stages]
        write_summary(
            run_dir,
            {
                "run": header["run"],
                "virtual": virtual,
                "run_type": "power-up",
                "started_at_utc": header["started_at_utc"],
                "stages": states,
                "verdict": verdict,
                "board": board,
                "phase": "finished" if verdict else "holding",
            },
        )
    return run_dir


def _abandon(journal: Journal) -> None:
    # What a killed process leaves: everything committed, no closing mark.
    journal._db.close()
    journal._db = None
    journal.close()


def _tell(
    journal: Journal,
    stages: list[dict[str, Any]],
    starts: list[float],
    end_s: float,
    trip_at_s: float | None,
    cut_off_s: float | None,
    said: str,
) -> None:
    seq = 0

    def event(t_s: float, what: int, **more: Any) -> int:
        nonlocal seq
        seq += 1
        journal.append_event(BOOT, seq, wire.pack_event(T0_MS + round(t_s * 1000), what, **more))
        return seq

    event(0.2, wire.EV_BOOT, text="power on")
    for number, stage in enumerate(stages):
        t0, t1 = starts[number], starts[number + 1]
        if t0 >= end_s:
            break
        note = {k: stage[k] for k in ("name", "mains_pct", "limiter_in", "drive_on")}
        journal.append_note("stage", t0, {**note, "status": "now", "why": ""})
        event(t0 + 0.1, wire.EV_STAGE, stage_id=number + 1)
        if number == 1:
            journal.append_note("prompt", t0, {"prompt_id": 1, "text": "Set the transformer to 25 %, then confirm."})
            journal.append_note("confirm", t0 + 2, {"by": "dashboard", "text": said, "prompt_id": 1})
            event(t0 + 3, wire.EV_CLOSED, state=wire.CLOSED)
        if number == 4:
            journal.append_note("prompt", t0, {"prompt_id": 2, "text": "The limiter will be taken out. Confirm."})
            journal.append_note("confirm", t0 + 4, {"by": "terminal", "text": said, "prompt_id": 2})
        if t1 <= end_s and (trip_at_s is None or t1 < trip_at_s):
            journal.append_note("stage", t1, {**note, "status": "passed", "why": "readings as expected for its time"})
    if trip_at_s is not None:
        at = next(k for k in range(len(stages)) if starts[k + 1] > trip_at_s)
        trip = event(
            trip_at_s,
            wire.EV_TRIPPED,
            cause=wire.CAUSES.index("over-current"),
            channel=INDEX["rail_pos_a"],
            state=wire.TRIPPED,
            value=1.31,
            limit=1.2,
        )
        event(trip_at_s + 0.03, wire.EV_OPENED, state=wire.TRIPPED)
        note = {k: stages[at][k] for k in ("name", "mains_pct", "limiter_in", "drive_on")}
        journal.append_note("stage", trip_at_s + 0.1, {**note, "status": "tripped", "why": "over-current"})
        records = burst_records(T0_MS + round(trip_at_s * 1000))
        journal.append_burst(BOOT, trip, len(records), 200, records.tobytes())
        finding = {
            "t_s": trip_at_s - 2.0,
            "severity": "warning",
            "cause": "bias-unstable",
            "channel": "left",
            "why": "the left bias rises faster than its heatsink explains",
        }
        journal.append_note("finding", trip_at_s - 2.0, finding)
    elif cut_off_s is None:
        event(end_s - 0.1, wire.EV_OPENED)


def _verdict(trip_at_s: float | None, words: str | None, metrics: dict[str, Any] | None) -> dict[str, Any]:
    figures = {
        "drift_bias_left_mv_per_h": 0.031,
        "drift_bias_left_mv_per_h_interval": [-0.02, 0.08],
        "tempco_left_mv_per_k": 0.118,
        "loop_gain_left": 0.41,
        "tau_left_s": 402.0,
        "worst": {"sink_left_c_max": 45.6, "offset_left_v": 0.0131, "hf_right_v_max": 0.016},
        "settled": True,
        "recovery_s": None,
    }
    verdict: dict[str, Any] = {"verdict": "pass", "trips": [], "warnings": [], "metrics": metrics or figures}
    if trip_at_s is not None:
        why = words or "positive rail 1.31 A where 0.13 A is healthy and 1.2 A the limit"
        trip = {"t_s": trip_at_s, "cause": "over-current", "channel": "rail_pos_a", "why": why}
        verdict |= {"verdict": "trip", "trips": [trip]}
        verdict["warnings"] = [
            {"t_s": trip_at_s - 2.0, "cause": "bias-unstable", "channel": "left", "why": words or "left bias rises"}
        ]
    return verdict
