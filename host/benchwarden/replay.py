"""Judge a recording on disk: anybody's data in the fixed format, by the code that judges live."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from benchwarden.analysis.judge import Judge
from benchwarden.core.unit import load_unit
from benchwarden.record.recording import Columns, stream_recording


def judge_recording(csv_path: Path, unit_path: Path) -> dict[str, Any]:
    """Return the fixed verdict JSON of a recording.

    Raises:
        PlanError: naming file, line or key, and what is allowed.
    """
    unit = load_unit(unit_path)
    judge: Judge | None = None
    for part in stream_recording(csv_path):
        if isinstance(part, Columns):
            judge = Judge(unit, known_bits=part.bits)
        else:
            assert judge is not None
            judge.feed(part)
    assert judge is not None
    return judge.finish()
