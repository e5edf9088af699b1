"""Made-up runs in the status schema: every phase a view must be able to show.

The amplifier is invented: 60 W per channel, rails of 42 V, one pair of devices
per channel with 0.22 ohm emitter resistors, bias target 11 mV.
"""

from __future__ import annotations

import copy
import math
from typing import Any

HOSTILE = '<img src=x onerror="window.hit=1"><script>window.hit=1</script>\x1b[2J\u202emirrored'

_STAGES = (
    ("cold check", 0, True, False),
    ("limiter 25 %", 25, True, True),
    ("limiter 50 %", 50, True, True),
    ("limiter 75 %", 75, True, True),
    ("limiter 100 %", 100, True, True),
    ("direct 100 %", 100, False, True),
    ("idle soak", 100, False, True),
)


def limits(pct: float) -> list[dict[str, Any]]:
    rail = 42.0 * pct / 100.0
    rows: list[tuple[str, str, float | None, float | None, int, str, str]] = []
    for side in ("pos", "neg"):
        rows.append((f"rail_{side}_a", "value", None, 0.6, 50, "over-current", "a shorted device draws 1.3 A here"))
    rows.append(("rail_pos_v", "value", 0.6 * rail, 1.15 * rail + 1, 200, "operator", "transformer turned too far"))
    rows.append(("rail_neg_v", "value", -1.15 * rail - 1, -0.6 * rail, 200, "operator", "transformer turned too far"))
    for side in ("left", "right"):
        rows.append((f"offset_{side}_v", "value", -0.5, 0.5, 100, "dc-offset", "common practice, no source"))
        rows.append((f"bias_{side}_v", "value", None, 0.025, 500, "bias-unstable", "2.3 times the target drop"))
        rows.append((f"sink_{side}_c", "value", 0.0, 70.0, 1000, "over-temperature", "derating of a plastic package"))
        rows.append((f"sink_{side}_c", "rate", None, 0.5, 1000, "thermal-runaway", "faster than any healthy warm-up"))
        rows.append((f"hf_{side}_v", "value", None, 2.0, 300, "oscillation", "ten times the quiet level"))
    keys = ("channel", "kind", "low", "high", "for_ms", "cause", "why")
    return [dict(zip(keys, row, strict=True)) for row in rows]


def expected(pct: float) -> dict[str, list[float]]:
    rail = 42.0 * pct / 100.0
    out: dict[str, list[float]] = {
        "rail_pos_a": [0.02, 0.08, 0.16],
        "rail_neg_a": [0.02, 0.08, 0.16],
        "rail_pos_v": [0.9 * rail, rail, 1.1 * rail],
        "rail_neg_v": [-1.1 * rail, -rail, -0.9 * rail],
    }
    for side in ("left", "right"):
        out[f"offset_{side}_v"] = [-0.05, 0.0, 0.05]
        out[f"bias_{side}_v"] = [0.0095, 0.011, 0.0125]
        out[f"sink_{side}_c"] = [20.0, 38.0, 55.0]
        out[f"hf_{side}_v"] = [0.0, 0.05, 0.3]
    return out


def values(pct: float, t_s: float = 100.0) -> dict[str, list[float] | None]:
    rail = 42.0 * pct / 100.0
    wobble = 0.02 * math.sin(t_s / 7.0)
    middle = {
        "rail_pos_a": 0.081,
        "rail_neg_a": 0.079,
        "rail_pos_v": rail * 0.99,
        "rail_neg_v": -rail * 0.985,
        "offset_left_v": 0.012,
        "offset_right_v": -0.009,
        "bias_left_v": 0.01098 * (1 + wobble),
        "bias_right_v": 0.01122 * (1 - wobble),
        "sink_left_c": 38.4,
        "sink_right_c": 37.1,
        "ambient_c": 23.6,
        "hf_left_v": 0.04,
        "hf_right_v": 0.05,
    }
    out: dict[str, list[float] | None] = {}
    for name, value in middle.items():
        half = max(abs(value) * 0.01, 0.0001)
        out[name] = [value, value - half, value + half]
    return out


def stages(now: int, status: str = "now") -> list[dict[str, Any]]:
    out = []
    for number, (name, pct, limiter, energised) in enumerate(_STAGES):
        state = "passed" if number < now else status if number == now else "waiting"
        why = {"passed": "all readings as expected for 10 s", "tripped": "bias ran away"}.get(state, "")
        out.append(
            {
                "stage_id": number + 1,
                "name": name,
                "mains_pct": pct,
                "limiter_in": limiter,
                "drive_on": False,
                "energised": energised,
                "status": state,
                "why": why,
                "elapsed_s": 14.0 if state == "now" else 0.0,
                "hold_s": 60.0,
                "expected": expected(pct) if energised else {},
                "limits": limits(pct or 25),
            }
        )
    return out


def status(phase: str = "holding", stage: int = 3, **changes: Any) -> dict[str, Any]:
    """Return a whole status table; `changes` replaces top-level entries."""
    closed = phase in ("settling", "holding", "waiting-reading")
    pct = float(_STAGES[stage][1]) if stage >= 0 else 0.0
    found: dict[str, Any] = {
        "run": "bench job 118",
        "virtual": False,
        "run_type": "power-up",
        "customer": "A. Example",
        "model": "invented stereo receiver",
        "serial": "0042",
        "started_at_utc": "2026-01-15T09:00:00Z",
        "updated_at_utc": "2026-01-15T09:12:00Z",
        "t_s": 100.0,
        "speed": 1.0,
        "board": {
            "board": "e6614103",
            "fw": "0.1.0",
            "wire": 1,
            "mpy": "1.24.1",
            "cal": "uncalibrated",
            "selftest": {"ok": True, "parts": {"rail_pos": "ok", "rail_neg": "ok"}},
        },
        "link": "up",
        "phase": phase,
        "prompt": None,
        "relay": {
            "state": "closed" if closed else "safe",
            "coil": closed,
            "contact": closed,
            "limiter_in": bool(_STAGES[stage][2]),
            "cause": "none",
        },
        "stage_index": stage,
        "stages": stages(stage),
        "values": values(pct if closed else 0.0),
        "findings": [],
        "outlook": {"left": outlook(), "right": outlook(state="unknown", now_mv=None)},
        "verdict": None,
        "messages": [
            {"t_s": 2.0, "text": "board found, self-test passed"},
            {"t_s": 41.5, "text": "stage 2 passed: all readings as expected for 10 s"},
        ],
        "record": {"pdf": None, "csv": None},
        "error": None,
    }
    found.update(changes)
    return found


def outlook(**changes: Any) -> dict[str, Any]:
    found = {
        "state": "settling",
        "now_mv": 9.42,
        "target_mv": 11.0,
        "final_mv": 12.51,
        "final_95_mv": [12.1, 12.9],
        "tau_s": 420.0,
        "set_now_mv": 8.31,
        "loop_gain": 0.44,
        "loop_gain_95": [0.36, 0.52],
        "reaches_limit_s": None,
    }
    return found | changes


def prompt(act: str = "close-relay", ask: str = "confirm", number: int = 7) -> dict[str, Any]:
    texts = {
        "close-relay": "Set the variable transformer to 50 %, check that the limiter lamp is in, then confirm.",
        "remove-limiter": "The limiter lamp comes out of circuit next. Stand clear, then confirm.",
        "reset": "Read the cause above, take the amplifier off the bench supply, then confirm.",
        "other": "Turn the variable transformer slowly up to 75 %.",
    }
    return {
        "id": number,
        "text": texts[act],
        "ask": ask,
        "act": act,
        "check": "positive rail reads between 28.4 V and 34.7 V",
        "since_t_s": 96.0,
        "expires_in_s": 28.0 if ask == "confirm" else None,
    }


TRIP = {
    "t_s": 98.2,
    "severity": "trip",
    "cause": "thermal-runaway",
    "channel": "left",
    "why": "bias left rises 0.4 mV/K with the sink; loop gain 1.2, no equilibrium; limit expected in 40 s",
}
WARNING = {
    "t_s": 61.0,
    "severity": "warning",
    "cause": "rail-imbalance",
    "channel": "negative rail",
    "why": "negative rail current 12 % above the positive one; expected within 5 %",
}


def _tripped() -> dict[str, Any]:
    found = status("tripped", 3, findings=[WARNING, TRIP], stages=stages(3, "tripped"), values=values(75.0))
    found["values"]["bias_left_v"] = [0.0262, 0.0259, 0.0266]
    found["relay"].update(state="tripped", cause="thermal-runaway")
    found["prompt"] = prompt("reset")
    return found


def _missing() -> dict[str, Any]:
    found = status("holding", 3)
    found["values"]["sink_left_c"] = None
    found["values"]["hf_right_v"] = [math.nan, math.nan, math.nan]
    del found["values"]["ambient_c"]
    found["findings"] = [
        {
            "t_s": 99.0,
            "severity": "warning",
            "cause": "sensor-fault",
            "channel": "sink_left_c",
            "why": "no reading for 40 ms, expected one every 10 ms",
        }
    ]
    return found


def _near() -> dict[str, Any]:
    found = status("holding", 3)
    found["values"]["bias_left_v"] = [0.0238, 0.0231, 0.0246]
    found["values"]["offset_right_v"] = [0.13, 0.1, 0.16]
    found["values"]["hf_left_v"] = [0.6, 0.2, 2.4]
    found["findings"] = [WARNING]
    return found


def _disagree() -> dict[str, Any]:
    found = status("holding", 3)
    found["relay"].update(coil=False, contact=True, state="fault", cause="relay-fault")
    return found


def _hostile() -> dict[str, Any]:
    found = status("prompt", 1, customer=HOSTILE, model=HOSTILE, serial=HOSTILE, run=HOSTILE, error=HOSTILE)
    found["prompt"] = prompt()
    found["prompt"]["text"] = found["prompt"]["check"] = HOSTILE
    found["messages"] = [{"t_s": 1.0, "text": HOSTILE}]
    found["findings"] = [{"t_s": 1.0, "severity": HOSTILE, "cause": HOSTILE, "channel": HOSTILE, "why": HOSTILE}]
    found["stages"][1]["name"] = found["stages"][1]["why"] = HOSTILE
    found["relay"]["state"] = HOSTILE
    return found


def states() -> dict[str, dict[str, Any]]:
    """Return every state a view must show, by name."""
    lost = status("holding", 3, link="lost")
    connecting = status("connecting", -1, t_s=None, board=None, link="connecting", stages=stages(-1))
    connecting["values"] = dict.fromkeys(connecting["values"])
    connecting["relay"] = {"state": "", "coil": None, "contact": None, "limiter_in": None, "cause": ""}
    cold = status("cold-check", 0)
    confirm = status("prompt", 2, prompt=prompt())
    remove = status("prompt", 5, prompt=prompt("remove-limiter"))
    watch = status("waiting-reading", 3, prompt=prompt("other", "watch"))
    watch["values"].update(rail_pos_v=[22.1, 22.0, 22.3], rail_neg_v=[-22.0, -22.2, -21.9])
    finished = status("finished", 6, stages=stages(7), verdict={"verdict": "pass", "trips": [], "warnings": []})
    finished["record"] = {"pdf": "runs/118/record.pdf", "csv": "runs/118/record.csv"}
    aborted = status("aborted", 3, verdict={"verdict": "incomplete"})
    virtual = status("settling", 4, virtual=True, speed=20.0)
    return {
        "connecting": connecting,
        "cold-check": cold,
        "confirm": confirm,
        "remove-limiter": remove,
        "waiting-reading": watch,
        "settling": virtual,
        "holding": status("holding", 3),
        "near": _near(),
        "missing": _missing(),
        "tripped": _tripped(),
        "disagree": _disagree(),
        "link-lost": lost,
        "finished": finished,
        "aborted": aborted,
        "hostile": _hostile(),
        "odd": {"phase": 5, "stages": "none", "values": [], "relay": None, "prompt": 3, "t_s": "x"},
    }


def fresh(name: str) -> dict[str, Any]:
    """Return an own copy of one state."""
    return copy.deepcopy(states()[name])
