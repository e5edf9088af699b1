"""A run's journal as a recording: the fixed CSV, and unit.toml with the stages beside it."""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from benchwarden.core.samples import Float32Array, SampleBlock
from benchwarden.core.unit import Unit, UnitStage
from benchwarden.errors import RecordError
from benchwarden.record.journal_format import Note
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.recording import header_line, row_lines

UNIT_NAME = "unit.toml"


def export_csv(run_dir: Path, out_csv: Path) -> int:
    """Write the run in `run_dir` as `out_csv`, and its unit facts and stages as `unit.toml` beside it.

    Values are written so that reading them back gives the identical float32,
    times as exact milliseconds. A value that is not finite becomes a missing
    one. The unit facts come from the journal header's `unit`, else from
    `unit.toml` in `run_dir`; the stages from the notes of kind "stage".
    Both files appear whole or not at all.

    Returns:
        How many rows were written.

    Raises:
        RecordError: the run cannot be read, knows nothing of its unit, or the
            files cannot be written.
    """
    with JournalReader(run_dir) as reader:
        unit = _unit_table(reader, run_dir)
        stages = _stages(reader.notes())
        rows = 0

        def lines() -> Iterable[str]:
            nonlocal rows
            yield header_line()
            for block in reader.blocks():
                rows += len(block)
                yield from row_lines(_finite(block))

        _write_whole(out_csv, lines())
    _write_whole(out_csv.with_name(UNIT_NAME), [unit_toml(unit, stages)])
    return rows


def unit_toml(unit: dict[str, Any], stages: Iterable[UnitStage]) -> str:
    """Return the text of a unit.toml with these facts and stages; facts that are None are left out."""
    known = [f.name for f in fields(Unit) if f.name != "stage"]
    lines = [f"{key} = {_toml(unit[key])}" for key in known if unit.get(key) is not None]
    for stage in stages:
        lines += ["", "[[stage]]"]
        lines += [f"{f.name} = {_toml(getattr(stage, f.name))}" for f in fields(UnitStage)]
    return "\n".join(lines) + "\n"


def _unit_table(reader: JournalReader, run_dir: Path) -> dict[str, Any]:
    unit = reader.header().get("unit")
    if isinstance(unit, dict):
        return unit
    path = run_dir / UNIT_NAME
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise RecordError(f"{path}: the run's unit facts cannot be read ({error})") from error


def _stages(notes: Iterable[Note]) -> list[UnitStage]:
    """Return the stages noted, their times strictly increasing: of two at one time the later holds."""
    stages: list[UnitStage] = []
    for note in notes:
        if note.kind != "stage" or note.t_s is None:
            continue
        body = note.body
        if body.get("status", "now") != "now":
            continue  # how a stage ended is no beginning of one
        try:
            stage = UnitStage(
                t_start_s=note.t_s,
                name=str(body["name"]),
                mains_pct=float(body["mains_pct"]),
                limiter_in=bool(body["limiter_in"]),
                drive_on=bool(body["drive_on"]),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise RecordError(f"stage note {note.rowid} cannot be read: {error!r}") from error
        while stages and stages[-1].t_start_s >= stage.t_start_s:
            stages.pop()
        stages.append(stage)
    return stages


def _finite(block: SampleBlock) -> SampleBlock:
    def cleaned(values: Float32Array) -> Float32Array:
        return np.where(np.isfinite(values), values, np.float32(np.nan))

    return replace(block, mean=cleaned(block.mean), minimum=cleaned(block.minimum), maximum=cleaned(block.maximum))


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON's escapes are TOML's, except that TOML also wants DEL escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)


def _write_whole(path: Path, lines: Iterable[str]) -> None:
    scratch = path.with_name(path.name + ".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(scratch, "w", encoding="utf-8", newline="") as out:
            out.writelines(lines)
            out.flush()
            os.fsync(out.fileno())
        os.replace(scratch, path)
    except OSError as error:
        with suppress(OSError):
            scratch.unlink()
        raise RecordError(f"{path}: cannot be written ({error.strerror})") from error
