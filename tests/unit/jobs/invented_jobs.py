"""Invented jobs and pictures."""

from __future__ import annotations

import io

from PIL import Image

from benchwarden.core.job import (
    CheckResult,
    EarlierRepair,
    FittedPart,
    Job,
    JobNote,
    JobRun,
    SetFacts,
)
from benchwarden.core.part_lots import PartLot, Piece

RUN = JobRun(
    "20261125T101500Z-2041",
    "burn-in",
    "2026-11-25T10:15:00Z",
    "pass",
    "Passed: 24 h on mains.",
    86400.0,
    head="ab" * 32,
    metrics={"left": {"bias_end_mv": 11.25, "loop_gain": 0.127}, "ambient_c_worst": 21.074},
)


def whole_job(number: str = "2041") -> Job:
    """A job with something in every place."""
    return Job(
        number,
        customer="M. Lindqvist",
        amplifier=SetFacts("Brackwater", "Integrated 60", "BW60-01873"),
        complaint="Left channel hums; runs hot after an hour.",
        work="Output pair left replaced, bias set.",
        earlier_repairs=(EarlierRepair("rectifier of another make", "unknown", "1990s"),),
        unit={"rated_power_w": 60.0, "output_pairs": 1, "load_connected": True},
        lots=(PartLot("lot A", "2SC5200", pieces=(Piece("1", hfe=93.5, vbe_v=0.61),)),),
        parts_fitted=(FittedPart("Q11", "2SC5200", "output", "left", "2SC3281", "lot A"),),
        cold_checks=(CheckResult("emitter-resistor", "failed", "R31", 0.22, 0.31, why="replaced, measured again"),),
        runs=(RUN,),
        notes=(JobNote("fuse F1 was bridged", "2026-11-24T09:00:00Z", "bench 1"),),
        technician="K. Osei",
        charge="48.50",
    )


def picture(kind: str = "JPEG", size: tuple[int, int] = (64, 48), **more: object) -> bytes:
    image = Image.new("RGB", size, "white")
    # Its left half is red, so that turning it shows.
    image.paste((200, 20, 20), (0, 0, size[0] // 2, size[1]))
    out = io.BytesIO()
    image.save(out, kind, **more)
    return out.getvalue()
