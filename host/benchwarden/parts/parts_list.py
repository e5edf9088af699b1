"""Which ratings does the workshop's own list, or the example list, hold of a type?

One TOML file, one table per type, named by its marking, with the keys of `core.substitutes.Ratings`:

    [parts."TYPE"]
    source = "sheet, revision, page"
    polarity = "npn"
    power_w = 200
    gain = [{ i = 1, hfe_min = 50 }, { i = 8, hfe_min = 25 }]
    soa = [
        { points = [{ v = 12.5, i = 16 }, { v = 50, i = 4 }] },
        { pulse_s = 0.1, points = [{ v = 12.5, i = 16 }, { v = 60, i = 4 }] },
    ]

A curve without pulse_s is the one for direct current. What a sheet does not give is left out.
"""

from __future__ import annotations

import json
import os
import tempfile
import tomllib
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import fields
from importlib import resources
from pathlib import Path
from typing import Any

from benchwarden.core.job_form import plain_table, ratings_from
from benchwarden.core.substitutes import GainPoint, Ratings, SoaCurve, SoaPoint
from benchwarden.errors import JobError, RecordError
from benchwarden.parts.gain_at import checked_gain
from benchwarden.parts.safe_area import checked_area

EXAMPLE_NAME = "example_parts.toml"
# Thousands of types; more is a mistake or an attack.
LARGEST_BYTES = 8_000_000
_KEYS = tuple(item.name for item in fields(Ratings) if item.name != "marking")
_ROWS: dict[str, tuple[str, ...]] = {
    "soa": tuple(item.name for item in fields(SoaCurve)),
    "gain": tuple(item.name for item in fields(GainPoint)),
    "points": tuple(item.name for item in fields(SoaPoint)),
}


def load_parts(path: Path) -> dict[str, Ratings]:
    """Return the types of a parts list by their marking, as the file orders them.

    Raises:
        JobError: it cannot be read or holds what is not allowed; names file, type, key and what is allowed.
    """
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise JobError(f"{path}: {path.stat().st_size} bytes; allowed: {LARGEST_BYTES} at most")
        data = path.read_bytes()
    except OSError as error:
        raise JobError(f"{path}: cannot be read ({error.strerror})") from error
    return _parts_in(data, str(path))


def example_parts() -> dict[str, Ratings]:
    """Return the types of the list that comes with the program: invented ones and some from data sheets."""
    return _parts_in(resources.files(__package__).joinpath(EXAMPLE_NAME).read_bytes(), EXAMPLE_NAME)


def save_parts(path: Path, parts: Mapping[str, Ratings]) -> None:
    """Write a parts list, whole or not at all; what was there before stays beside it as `.bak`.

    Raises:
        JobError: a type is not fit for the list; names file, type, key and what is allowed.
        RecordError: the file cannot be written.
    """
    data = _list_toml(path, parts).encode("utf-8")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        before = path.read_bytes() if path.exists() else None
        if before == data:
            return
        if before is not None:
            _write(path.with_name(path.name + ".bak"), before)
        _write(path, data)
    except OSError as error:
        raise RecordError(f"{path}: cannot be written ({error.strerror}); it is as it was before") from error


def _parts_in(data: bytes, where: str) -> dict[str, Ratings]:
    try:
        table = tomllib.loads(data.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise JobError(f"{where}: not valid TOML: {error}") from error
    except RecursionError as error:
        raise JobError(f"{where}: not valid TOML: nested too deeply") from error
    unknown = [key for key in table if key != "parts"]
    if unknown:
        raise JobError(f'{where}: {unknown[0][:80]!r} is not a key known here; allowed: [parts."TYPE"] tables')
    parts = table.get("parts", {})
    if not isinstance(parts, dict):
        raise JobError(f'{where}: parts is a {type(parts).__name__}; allowed: [parts."TYPE"] tables')
    return {marking: _part(marking, entry, f'{where}: parts."{marking[:80]}"') for marking, entry in parts.items()}


def _part(marking: str, entry: Any, where: str) -> Ratings:
    if not marking.strip():
        raise JobError(f"{where}: a type without a name; allowed: its marking")
    if not isinstance(entry, dict):
        raise JobError(f"{where}: a {type(entry).__name__}; allowed: a table of keys and values")
    _known(entry, _KEYS, where)
    if not isinstance(entry.get("source"), str) or not entry["source"].strip():
        raise JobError(f"{where}: source is missing; allowed: sheet and page, or how else the figures are known")
    filled = {**entry, "marking": marking}
    if "soa" in entry:
        filled["soa"] = [_curve(row, f"{where}: soa") for row in _rows(entry, "soa", where)]
    for row in _rows(entry, "gain", where):
        _known(row, _ROWS["gain"], f"{where}: gain")
    ratings = ratings_from(filled, where)
    try:
        checked_area(ratings)
        checked_gain(ratings)
    except JobError as error:
        raise JobError(f"{where}: {str(error).removeprefix(marking + ': ')}") from error
    return ratings


def _curve(row: dict[str, Any], where: str) -> dict[str, Any]:
    _known(row, _ROWS["soa"], where)
    for point in _rows(row, "points", where):
        _known(point, _ROWS["points"], f"{where}.points")
    return {"pulse_s": None, **row}


def _rows(entry: dict[str, Any], key: str, where: str) -> list[dict[str, Any]]:
    rows = entry.get(key, [])
    if not isinstance(rows, list) or any(not isinstance(row, dict) for row in rows):
        raise JobError(f"{where}: {key} is no list of tables; allowed: [{{ {', '.join(_ROWS[key])} }}, ...]")
    return rows


def _known(table: dict[str, Any], keys: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in keys:
            raise JobError(f"{where}: {key[:80]!r} is not a key known here; allowed: {', '.join(keys)}")


def _list_toml(path: Path, parts: Mapping[str, Ratings]) -> str:
    lines = ["# Ratings of transistors as their sheets give them; what a sheet does not give is left out."]
    for marking, ratings in parts.items():
        if ratings.marking != marking:
            where = f'{path}: parts."{marking[:80]}"'
            raise JobError(f"{where}: its marking is {ratings.marking[:80]!r}; allowed: the name of its table")
        lines += ["", f"[parts.{_text(marking)}]", *_entry(plain_table(ratings))]
    text = "\n".join(lines) + "\n"
    # What was written is read as it will be later: a list that could not be loaded is never saved.
    try:
        kept = _parts_in(text.encode("utf-8"), str(path))
    except UnicodeEncodeError as error:
        raise JobError(f"{path}: a text holds half a character; allowed: text") from error
    assert kept == dict(parts)
    return text


def _entry(table: dict[str, Any]) -> list[str]:
    lines = []
    for key in _KEYS:
        value = table[key]
        if value is None or (key not in ("source", "polarity") and value in ("", [])):
            continue
        if key == "soa":
            lines += ["soa = [", *(f"    {_inline(curve)}," for curve in value), "]"]
        else:
            lines.append(f"{key} = {_value(value)}")
    return lines


def _inline(table: dict[str, Any]) -> str:
    pairs = (f"{key} = {_value(value)}" for key, value in table.items() if value is not None)
    return f"{{ {', '.join(pairs)} }}"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, list):
        return f"[{', '.join(_inline(row) for row in value)}]"
    return repr(value)


def _text(value: str) -> str:
    # JSON's escapes are TOML's, but for the one control character that JSON lets stand.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _write(path: Path, data: bytes) -> None:
    handle, scratch = tempfile.mkstemp(prefix=path.name + ".", suffix=".new", dir=path.parent)
    try:
        with open(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        os.replace(scratch, path)
    except OSError:
        with suppress(OSError):
            os.unlink(scratch)
        raise
