"""What the parts of a sense channel may be wrong by, read from tolerances.toml."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from benchwarden.core.channels import CHANNELS
from benchwarden.errors import PlanError

# One table serves the pair: the modules are built alike.
_LIKE = {"rail_neg_a": "rail_pos_a", "rail_neg_v": "rail_pos_v", "ambient_c": "sink_left_c"}
_LIKE.update({name: name.replace("_right_", "_left_") for name in CHANNELS if "_right_" in name})
KINDS = ("gain", "offset", "linearity")
_KEYS = {"name", "kind", "limit", "removed", "source"}


@dataclass(frozen=True)
class Tolerance:
    """One contribution to a channel's uncertainty.

    Attributes:
        kind: "gain", relative to the reading; "offset", in the channel's unit; "linearity", in the
            channel's unit and another at every reading.
        limit: largest error, taken as evenly distributed.
        removed: a calibration finds it and takes it out.
    """

    name: str
    kind: str
    limit: float
    removed: bool
    source: str

    def u(self, value: float) -> float:
        """Return the standard uncertainty it brings to a reading; JCGM 100:2008, 4.3.7."""
        return self.limit / math.sqrt(3) * (abs(value) if self.kind == "gain" else 1.0)


@cache
def tolerances(channel: str) -> tuple[Tolerance, ...]:
    """Return the contributions of a channel, as shipped with the program."""
    return _shipped()[_LIKE.get(channel, channel)]


@cache
def _shipped() -> dict[str, tuple[Tolerance, ...]]:
    text = resources.files("benchwarden.core").joinpath("tolerances.toml").read_text(encoding="utf-8")
    return read_tolerances(text)


def read_tolerances(text: str) -> dict[str, tuple[Tolerance, ...]]:
    """Return the contributions by channel from the text of a tolerances file.

    Raises:
        PlanError: naming table and key, and what is allowed.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"tolerances.toml: {error}") from error
    found = {}
    for channel, rows in table.get("channel", {}).items():
        if channel not in CHANNELS:
            raise PlanError(f"tolerances.toml: channel.{channel}; allowed: {', '.join(CHANNELS)}")
        found[channel] = tuple(
            _tolerance(f"tolerances.toml: channel.{channel}[{i}]", row) for i, row in enumerate(rows)
        )
    missing = [name for name in CHANNELS if _LIKE.get(name, name) not in found]
    if missing:
        raise PlanError(f"tolerances.toml: nothing for {', '.join(missing)}")
    return found


def _tolerance(where: str, row: dict[str, Any]) -> Tolerance:
    if set(row) != _KEYS:
        raise PlanError(f"{where} has keys {', '.join(sorted(row))}; allowed: all of {', '.join(sorted(_KEYS))}")
    limit = row["limit"]
    if isinstance(limit, bool) or not isinstance(limit, (int, float)) or not 0 < limit < math.inf:
        raise PlanError(f"{where}.limit = {limit!r}; allowed: a number above 0")
    if row["kind"] not in KINDS:
        raise PlanError(f"{where}.kind = {row['kind']!r}; allowed: {', '.join(KINDS)}")
    if not isinstance(row["removed"], bool) or (row["removed"] and row["kind"] == "linearity"):
        raise PlanError(
            f"{where}.removed = {row['removed']!r}; allowed: true, false; a straight line removes no linearity"
        )
    return Tolerance(str(row["name"]), row["kind"], float(limit), row["removed"], str(row["source"]))
