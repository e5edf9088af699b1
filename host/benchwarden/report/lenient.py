"""What is read back from a run is taken as it is: of the wrong kind it counts as not there."""

from __future__ import annotations

import math
from typing import Any


def as_dict(found: Any) -> dict[str, Any]:
    """Return a table, an empty one for anything else."""
    return found if isinstance(found, dict) else {}


def as_list(found: Any) -> list[Any]:
    """Return a list, an empty one for anything else."""
    return list(found) if isinstance(found, (list, tuple)) else []


def as_number(found: Any) -> float:
    """Return a number, NaN for anything else."""
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        return math.nan
    return float(found)


def as_text(found: Any) -> str:
    """Return anything as text, "" for None."""
    return "" if found is None else str(found)
