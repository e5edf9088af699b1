"""How job data become plain tables (JSON, TOML, a store's column) and come back checked.

What comes back is from a file or a browser, so nothing in it is trusted: unknown keys, wrong types,
values outside their choices, numbers that are none and texts without end are refused by key.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import asdict, is_dataclass
from typing import Any, TypeVar

from pydantic import ConfigDict, TypeAdapter, ValidationError

from benchwarden.core import job as job_data
from benchwarden.core import part_lots, substitutes
from benchwarden.errors import JobError

T = TypeVar("T")

# A long story is a few thousand characters; anything far larger is a mistake or an attack.
LONGEST_TEXT = 20_000
LONGEST_NAME = 200
MOST_ROWS = 2_000
# Everything but what a person writes at length is a name.
LONG_TEXTS = frozenset(("complaint", "found", "note", "sentence", "text", "why", "work"))

CHOICES: dict[str, tuple[str, ...]] = {
    "Job.state": job_data.JOB_STATES,
    "FittedPart.role": job_data.PART_ROLES,
    "FittedPart.side": job_data.SIDES,
    "CheckResult.state": job_data.CHECK_STATES,
    "PartLot.source": part_lots.SOURCES,
    "PartLot.polarity": part_lots.POLARITIES,
    "PartLot.marking_style": part_lots.SEEN,
    "PartLot.ink": part_lots.SEEN,
    "PartLot.case_rest": part_lots.SEEN,
    "PartLot.case_known_good": part_lots.SEEN,
    "Ratings.polarity": part_lots.POLARITIES,
    "Substitution.role": job_data.PART_ROLES,
}
# Smallest and largest value that makes sense, both allowed.
RANGES: dict[str, tuple[float, float]] = {
    "PartLot.date_code_year": (1950, 2100),
    "PartLot.date_code_week": (1, 53),
    "PartLot.made_from": (1950, 2100),
    "PartLot.made_until": (1950, 2100),
    "PartLot.bought_year": (1950, 2100),
    "PartLot.claimed_stock": (0, 100_000_000),
    "PartLot.gain_low": (0.1, 100_000),
    "PartLot.gain_high": (0.1, 100_000),
    "PartLot.test_current_a": (1e-6, 200),
    "PartLot.test_voltage_v": (0.1, 2000),
    "Piece.hfe": (0, 100_000),
    "Piece.vbe_v": (0, 20),
    "Piece.capacitance_pf": (0, 1_000_000),
    "Piece.leakage_ua": (0, 10_000_000),
    "SoaPoint.v": (0.01, 5000),
    "SoaPoint.i": (0.0001, 1000),
    "SoaCurve.pulse_s": (1e-7, 10),
    "GainPoint.i": (1e-6, 1000),
    "GainPoint.hfe_min": (0.1, 100_000),
    "Ratings.vceo_v": (1, 5000),
    "Ratings.vcbo_v": (1, 5000),
    "Ratings.vebo_v": (0.1, 500),
    "Ratings.ic_max_a": (0.001, 1000),
    "Ratings.ic_peak_a": (0.001, 1000),
    "Ratings.ib_max_a": (0.0001, 500),
    "Ratings.power_w": (0.01, 5000),
    "Ratings.tj_max_c": (80, 250),
    "Ratings.rth_jc_k_per_w": (0.01, 500),
    "Ratings.gain_test_v": (0.1, 2000),
    "Ratings.ft_mhz": (0.001, 100_000),
    "Ratings.cob_pf": (0.01, 1_000_000),
    "Photo.size": (0, 1_000_000_000),
    "Photo.width_px": (0, 100_000),
    "Photo.height_px": (0, 100_000),
    "JobRun.duration_s": (0, 1e9),
    "Job.version": (0, 2**53),
}

_DATA = (
    job_data.SetFacts,
    job_data.EarlierRepair,
    job_data.FittedPart,
    job_data.CheckResult,
    job_data.JobNote,
    job_data.Photo,
    job_data.JobRun,
    job_data.Job,
    part_lots.Piece,
    part_lots.PartLot,
    substitutes.SoaPoint,
    substitutes.SoaCurve,
    substitutes.GainPoint,
    substitutes.Ratings,
    substitutes.Substitution,
)
for _kind in _DATA:
    # Read by pydantic alone: plain dataclasses stay plain for everybody else.
    _kind.__pydantic_config__ = ConfigDict(extra="forbid", allow_inf_nan=False)  # type: ignore[union-attr]


def _loader(kind: type[T]) -> Callable[[Any, str], T]:
    adapter: TypeAdapter[T] = TypeAdapter(kind)

    def load(table: Any, where: str) -> T:
        if not isinstance(table, dict):
            raise JobError(f"{where}: a {type(table).__name__}; allowed: a table of keys and values")
        try:
            found = adapter.validate_python(table)
        except ValidationError as error:
            raise JobError(_first_of(error, where)) from error
        _check(found, where)
        return found

    return load


def _first_of(error: ValidationError, where: str) -> str:
    first = error.errors(include_url=False, include_context=False)[0]
    key = ".".join(str(part) for part in first["loc"]) or "the table"
    if first["type"] == "extra_forbidden" or first["type"] == "unexpected_keyword_argument":
        return f"{where}: {key} is not a key known here"
    seen = repr(first.get("input"))
    return f"{where}: {key} = {seen[:80]}: {first['msg'][:1].lower()}{first['msg'][1:]}"


def _check(value: Any, where: str, kind: str = "", key: str = "") -> None:
    """Refuse what a type alone does not: choices, ranges, lengths."""
    name = f"{kind}.{key.rpartition('.')[2]}"
    if is_dataclass(value) and not isinstance(value, type):
        for item in value.__dataclass_fields__:
            _check(getattr(value, item), where, type(value).__name__, f"{key}.{item}".lstrip("."))
    elif isinstance(value, tuple):
        if len(value) > MOST_ROWS:
            raise JobError(f"{where}: {key} has {len(value)} rows; allowed: {MOST_ROWS} at most")
        for number, item in enumerate(value):
            _check(item, where, kind, f"{key}.{number}")
    elif name in CHOICES:
        if value not in CHOICES[name]:
            allowed = ", ".join(choice or '""' for choice in CHOICES[name])
            raise JobError(f"{where}: {key} = {str(value)[:80]!r}; allowed: {allowed}")
    elif isinstance(value, str):
        room = LONGEST_TEXT if key.rpartition(".")[2] in LONG_TEXTS else LONGEST_NAME
        if len(value) > room:
            raise JobError(f"{where}: {key} has {len(value)} characters; allowed: {room} at most")
        if "\0" in value:
            raise JobError(f"{where}: {key} holds a zero byte; allowed: text")
        try:
            value.encode()
        except UnicodeEncodeError as error:
            raise JobError(f"{where}: {key} holds half a character; allowed: text") from error
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        low, high = RANGES.get(name, (-1e12, 1e12))
        if not (math.isfinite(value) and low <= value <= high):
            raise JobError(f"{where}: {key} = {value:g}; allowed: {low:g} to {high:g}")
    elif isinstance(value, dict) and len(json.dumps(value, default=str)) > LONGEST_TEXT * 5:
        raise JobError(f"{where}: {key} is larger than {LONGEST_TEXT * 5} characters")


job_from = _loader(job_data.Job)
lot_from = _loader(part_lots.PartLot)
ratings_from = _loader(substitutes.Ratings)
substitution_from = _loader(substitutes.Substitution)
check_result_from = _loader(job_data.CheckResult)


def plain_table(data: Any) -> dict[str, Any]:
    """Return a dataclass of job data as JSON would hold it (lists, not tuples)."""
    found: dict[str, Any] = json.loads(json.dumps(asdict(data)))
    return found
