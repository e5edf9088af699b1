"""Recordings in the fixed CSV format: what anybody's logger can write and this program can judge.

Header `t_s`, then any of the channels, `NAME_min`/`NAME_max` of a channel that is
there, and `mains_on limiter_in drive_on`. An empty field is a missing value.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from benchwarden.core.channels import BITS, CHANNELS, INDEX
from benchwarden.core.samples import BoolArray, FloatArray, SampleBlock
from benchwarden.errors import PlanError, RecordError

CHUNK_BYTES = 4 << 20
# A pause this long inside one run means that t_s is not in seconds.
LONGEST_GAP_S = 86_400.0
_COMMA, _NEWLINE = 44, 10
_MAX_LINE = 1 << 16


@dataclass(frozen=True)
class Columns:
    """Which columns a recording has.

    Attributes:
        names: the header as read.
        channels: channels with a column of their own.
        bits: which of mains_on, limiter_in, drive_on are there.
        extremes: channels with a `_min` and a `_max` column.
    """

    names: tuple[str, ...]
    channels: tuple[str, ...]
    bits: tuple[str, ...]
    extremes: tuple[str, ...]


@dataclass(frozen=True)
class Recording:
    """A whole recording in memory."""

    block: SampleBlock
    columns: Columns


def _allowed() -> str:
    return f"t_s, {', '.join(CHANNELS)}, each with _min or _max, {', '.join(BITS)}"


def _parse_header(path: Path, line: bytes) -> Columns:
    where = f"{path}: line 1"
    try:
        text = line.decode("utf-8-sig").strip("\r\n")
    except UnicodeDecodeError as error:
        raise PlanError(f"{where}: not UTF-8 text; allowed: a CSV header of {_allowed()}") from error
    names = tuple(name.strip() for name in text.split(","))
    known = {"t_s", *CHANNELS, *BITS, *(f"{c}_{e}" for c in CHANNELS for e in ("min", "max"))}
    for number, name in enumerate(names, 1):
        if name not in known:
            raise PlanError(f"{where}, column {number}: unknown column {name[:40]!r}; allowed: {_allowed()}")
        if name in names[: number - 1]:
            raise PlanError(f"{where}, column {number}: column {name!r} appears twice; allowed: each name once")
        base = name[:-4]
        if name not in CHANNELS and base in CHANNELS and base not in names:
            raise PlanError(f"{where}, column {number}: {name!r} without {base!r}; allowed: beside its own channel")
    if "t_s" not in names:
        raise PlanError(f"{where}: column 't_s' is missing; allowed: {_allowed()}")
    return Columns(
        names,
        tuple(c for c in CHANNELS if c in names),
        tuple(b for b in BITS if b in names),
        tuple(c for c in CHANNELS if f"{c}_min" in names and f"{c}_max" in names),
    )


def _field_error(path: Path, columns: Columns, line: int, row: bytes) -> PlanError:
    """Find what is wrong with one row that the fast path could not read."""
    fields = row.rstrip(b"\r").split(b",")
    if not row.strip():
        return PlanError(f"{path}: line {line}: empty line; allowed: {len(columns.names)} fields")
    if len(fields) != len(columns.names):
        return PlanError(f"{path}: line {line}: {len(fields)} fields; allowed: {len(columns.names)} as in the header")
    for number, (name, raw) in enumerate(zip(columns.names, fields, strict=True), 1):
        text = raw.decode("utf-8", "replace").strip()
        where = f"{path}: line {line}, column {number} ({name})"
        try:
            value = float(text) if text else math.nan
        except ValueError:
            return PlanError(f"{where}: {text[:40]!r} is not a number; allowed: a number with a point, or nothing")
        if math.isinf(value) or "_" in text:
            return PlanError(f"{where}: {text[:40]!r}; allowed: a finite number, or nothing")
        if name == "t_s" and math.isnan(value):
            return PlanError(f"{where}: no time; allowed: seconds, increasing from row to row")
        if name in BITS and not math.isnan(value) and value not in (0.0, 1.0):
            return PlanError(f"{where}: {text[:40]!r}; allowed: 0, 1")
    return PlanError(f"{path}: line {line}: cannot be read; allowed: {len(columns.names)} numbers")


def _numbers(body: bytes) -> FloatArray | None:
    """Read separated numbers, or return None when something in there is no number."""
    # Two passes: in ",,," the replacements of one pass may not overlap.
    text = b"," + body.replace(b"\n", b",")
    if b",," in text:
        text = text.replace(b",,", b",nan,").replace(b",,", b",nan,")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            return np.fromstring(text[1:-1].decode("ascii"), sep=",")
    except (ValueError, DeprecationWarning, UnicodeDecodeError):
        return None


def _is_row(row: bytes, width: int) -> bool:
    if row.count(b",") + 1 != width or not row:
        return False
    values = _numbers(row + b"\n")
    return values is not None and values.size == width and not np.isinf(values).any()


def _parse_rows(path: Path, columns: Columns, body: bytes, first_line: int) -> FloatArray:
    """Return whole lines as numbers, shape (rows, columns), NaN where a field is empty."""
    width = len(columns.names)
    body = body.replace(b"\r", b"")
    if b" " in body:
        body = body.replace(b", ", b",").replace(b" ,", b",").replace(b" \n", b"\n")
    if not body.endswith(b"\n"):
        body += b"\n"
    raw = np.frombuffer(body, np.uint8)
    separators = raw[(raw == _COMMA) | (raw == _NEWLINE)]
    rows = int(np.count_nonzero(separators == _NEWLINE))
    table = None
    if len(separators) == rows * width:
        ends = separators.reshape(rows, width)
        if bool((ends[:, -1] == _NEWLINE).all()) and (width == 1 or bool((ends[:, :-1] == _COMMA).all())):
            table = _numbers(body)
    bad_row = None
    if table is not None and table.size == rows * width:
        table = table.reshape(rows, width)
        wrong = np.isinf(table).any(axis=1) | np.isnan(table[:, columns.names.index("t_s")])
        for name in columns.bits:
            bit = table[:, columns.names.index(name)]
            wrong |= ~((bit == 0) | (bit == 1) | np.isnan(bit))
        if not wrong.any():
            return table
        bad_row = int(np.argmax(wrong))
    lines = body.split(b"\n")[:rows]
    if bad_row is None:
        bad_row = next((at for at, row in enumerate(lines) if not _is_row(row, width)), 0)
    raise _field_error(path, columns, first_line + bad_row, lines[bad_row])


def _check_times(path: Path, t_s: FloatArray, before_s: float, first_line: int) -> None:
    steps = np.diff(t_s, prepend=before_s if math.isfinite(before_s) else t_s[0] - 1.0)
    if not (steps > 0).all():
        at = int(np.argmax(~(steps > 0)))
        previous = before_s if at == 0 else float(t_s[at - 1])
        raise PlanError(
            f"{path}: line {first_line + at}, column t_s: {float(t_s[at]):g} after {previous:g}; "
            "allowed: strictly increasing seconds"
        )
    if (steps > LONGEST_GAP_S).any():
        at = int(np.argmax(steps > LONGEST_GAP_S))
        raise PlanError(
            f"{path}: line {first_line + at}, column t_s: {float(steps[at]):g} s after the row before; "
            f"allowed: seconds, with gaps of at most {LONGEST_GAP_S:g}"
        )


class _BlockMaker:
    """Turns parsed rows into blocks; keeps what the next rows need to know."""

    def __init__(self, columns: Columns) -> None:
        self._columns = columns
        self._held = dict.fromkeys(BITS, False)

    def _bit(self, name: str, table: FloatArray) -> BoolArray:
        if name not in self._columns.bits:
            return np.zeros(len(table), dtype=np.bool_)
        values = table[:, self._columns.names.index(name)]
        known = np.flatnonzero(~np.isnan(values))
        # A missing bit keeps its last value.
        if len(known) == len(values):
            out: BoolArray = values != 0
        else:
            last = np.searchsorted(known, np.arange(len(values)), side="right") - 1
            out = np.where(
                last >= 0, values[known[np.maximum(last, 0)]] != 0 if len(known) else False, self._held[name]
            )
        self._held[name] = bool(out[-1])
        return out

    def make(self, table: FloatArray) -> SampleBlock:
        names = self._columns.names
        shape = (len(table), len(CHANNELS))
        mean = np.full(shape, np.nan, dtype=np.float32)
        for name in self._columns.channels:
            mean[:, INDEX[name]] = table[:, names.index(name)]
        low, high = mean.copy(), mean.copy()
        for name in self._columns.channels:
            for suffix, array in (("_min", low), ("_max", high)):
                if name + suffix in names:
                    column = table[:, names.index(name + suffix)].astype(np.float32)
                    array[:, INDEX[name]] = np.where(np.isnan(column), mean[:, INDEX[name]], column)
        return SampleBlock(
            t_s=np.ascontiguousarray(table[:, names.index("t_s")]),
            mean=mean,
            minimum=low,
            maximum=high,
            mains_on=self._bit("mains_on", table),
            limiter_in=self._bit("limiter_in", table),
            drive_on=self._bit("drive_on", table),
        )


def _bodies(source: BinaryIO, chunk_bytes: int) -> Iterator[bytes]:
    rest = b""
    while True:
        data = source.read(chunk_bytes)
        if not data:
            if rest:
                yield rest
            return
        cut = data.rfind(b"\n") + 1
        if not cut:
            rest += data
            continue
        yield rest + data[:cut]
        rest = data[cut:]


def stream_recording(path: Path, chunk_bytes: int = CHUNK_BYTES) -> Iterator[Columns | SampleBlock]:
    """Yield the columns first, then the recording in blocks of about `chunk_bytes`.

    Raises:
        PlanError: naming file, line, column and what is allowed.
    """
    try:
        with open(path, "rb") as source:
            header = source.readline(_MAX_LINE)
            if not header.strip():
                raise PlanError(f"{path}: line 1: empty; allowed: a CSV header of {_allowed()}")
            columns = _parse_header(path, header)
            yield columns
            maker = _BlockMaker(columns)
            line, before_s = 2, -math.inf
            for body in _bodies(source, chunk_bytes):
                table = _parse_rows(path, columns, body, line)
                t_s = np.ascontiguousarray(table[:, columns.names.index("t_s")])
                _check_times(path, t_s, before_s, line)
                line, before_s = line + len(table), float(t_s[-1])
                yield maker.make(table)
            if line == 2:
                raise PlanError(f"{path}: line 2: no rows; allowed: at least one row of values")
    except OSError as error:
        raise PlanError(f"{path}: cannot be read ({error.strerror})") from error


def load_recording(path: Path) -> Recording:
    """Read a whole recording with its columns.

    Raises:
        PlanError: naming file, line, column and what is allowed.
    """
    columns: Columns | None = None
    blocks: list[SampleBlock] = []
    for part in stream_recording(path):
        if isinstance(part, Columns):
            columns = part
        else:
            blocks.append(part)
    assert columns is not None
    return Recording(concatenated(blocks), columns)


def read_recording(path: Path) -> SampleBlock:
    """Read a whole recording.

    Raises:
        PlanError: naming file, line, column and what is allowed.
    """
    return load_recording(path).block


def concatenated(blocks: list[SampleBlock]) -> SampleBlock:
    """Return one block that holds `blocks` one after the other."""
    if len(blocks) == 1:
        return blocks[0]
    return SampleBlock(
        *(
            np.concatenate([getattr(block, name) for block in blocks])
            for name in ("t_s", "mean", "minimum", "maximum", "mains_on", "limiter_in", "drive_on")
        )
    )


def _texts(values: npt.NDArray[np.float32]) -> list[str]:
    # The shortest text that gives the same float32 again; nothing for a missing value.
    return ["" if value != value else np.format_float_positional(value, trim="-") for value in values]


def header_line(extremes: bool = True) -> str:
    """Return the header of a recording with every channel, newline included."""
    names = ["t_s", *CHANNELS, *BITS]
    if extremes:
        names += [f"{channel}_{end}" for channel in CHANNELS for end in ("min", "max")]
    return ",".join(names) + "\n"


def row_lines(block: SampleBlock, extremes: bool = True) -> list[str]:
    """Return the rows of a block in the order of `header_line`, newlines included."""
    columns = [[repr(round(float(t), 6)) for t in block.t_s]]
    columns += [_texts(block.mean[:, i]) for i in range(len(CHANNELS))]
    columns += [["1" if on else "0" for on in bit] for bit in (block.mains_on, block.limiter_in, block.drive_on)]
    if extremes:
        for i in range(len(CHANNELS)):
            columns += [_texts(block.minimum[:, i]), _texts(block.maximum[:, i])]
    return [",".join(row) + "\n" for row in zip(*columns, strict=True)]


def write_recording(path: Path, block: SampleBlock, extremes: bool = True) -> None:
    """Write a recording in the fixed CSV format.

    Args:
        extremes: also write the `_min` and `_max` columns.

    Raises:
        RecordError: the file cannot be written.
    """
    try:
        with open(path, "w", encoding="utf-8", newline="") as out:
            out.write(header_line(extremes))
            out.writelines(row_lines(block, extremes))
    except OSError as error:
        raise RecordError(f"{path}: recording cannot be written ({error.strerror})") from error
