"""How is a lot of parts typed: from text in fields to a `PartLot`, and back?"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchwarden.core.job_form import LONGEST_NAME, LONGEST_TEXT, RANGES, lot_from
from benchwarden.core.part_lots import PartLot, Piece
from benchwarden.dashboard.parts_fields import ASKED, COLUMNS, READY, TABLES, Asked
from benchwarden.dashboard.plan_form import number_of, number_text
from benchwarden.dashboard.status import plain
from benchwarden.errors import JobError

MOST_PIECES = 60
_KEYS = tuple(column.key for column in COLUMNS)

Cells = tuple[str, ...]


@dataclass(frozen=True)
class LotTexts:
    """One lot as it stands in its fields.

    Attributes:
        facts: text by key of `parts_fields.ASKED`.
        tables: rows by key of `parts_fields.TABLES`, a text for each column.
    """

    facts: Mapping[str, str] = field(default_factory=dict)
    tables: Mapping[str, tuple[Cells, ...]] = field(default_factory=dict)

    @property
    def name(self) -> str:
        return self.facts.get("name", "").strip()

    def table(self) -> dict[str, Any]:
        """Return it as a browser keeps it."""
        return {"facts": dict(self.facts), "tables": {key: [list(row) for row in self.tables[key]] for key in TABLES}}


@dataclass(frozen=True)
class LotEntry:
    """What was made of the fields.

    Attributes:
        lot: None while something is wrong.
        wrong: what is wrong, by fact, in words that name what is allowed.
        cells: the same by table, row and column.
    """

    lot: PartLot | None
    wrong: dict[str, str]
    cells: dict[tuple[str, int, str], str]

    @property
    def count(self) -> int:
        return len(self.wrong) + len(self.cells)


def new_lot(name: str) -> LotTexts:
    """Return the fields of a lot of which nothing is known yet."""
    return texts_of(PartLot(name, ""))


def texts_of(lot: PartLot) -> LotTexts:
    """Return what stands in the fields for a lot, with empty rows ready."""
    facts = {asked.key: _text(getattr(lot, asked.key)) for asked in ASKED}
    tables = {key: with_ready(tuple(_cells(piece) for piece in getattr(lot, key)), key) for key in TABLES}
    return LotTexts(facts, tables)


def texts_from(table: Any) -> LotTexts:
    """Return a lot's texts from what a browser kept; what is missing is empty."""
    facts = dict(table.get("facts") or {}) if isinstance(table, dict) else {}
    tables = dict(table.get("tables") or {}) if isinstance(table, dict) else {}
    return LotTexts(
        {asked.key: str(facts.get(asked.key) or "") for asked in ASKED},
        {key: with_ready(tuple(_padded(row) for row in tables.get(key) or ()), key) for key in TABLES},
    )


def with_ready(rows: tuple[Cells, ...], key: str) -> tuple[Cells, ...]:
    """Return a table's rows with empty ones up to what stands ready."""
    return rows + (("",) * len(COLUMNS),) * max(0, READY[key] - len(rows))


def entry_of(texts: LotTexts) -> LotEntry:
    """Return the lot that the fields hold, or what is wrong with them."""
    wrong: dict[str, str] = {}
    cells: dict[tuple[str, int, str], str] = {}
    values: dict[str, Any] = {}
    for asked in ASKED:
        try:
            values[asked.key] = _value(asked, texts.facts.get(asked.key, ""))
        except ValueError as error:
            wrong[asked.key] = str(error)
    tables = {key: _pieces(key, texts.tables.get(key, ()), cells) for key in TABLES}
    low, high = values.get("gain_low"), values.get("gain_high")
    if low is not None and high is not None and low > high:
        wrong["gain_high"] = f"{high:g} is below the least gain of {low:g}. Allowed: {low:g} or more."
    first, last = values.get("made_from"), values.get("made_until")
    if first is not None and last is not None and first > last:
        wrong["made_until"] = f"{last} is before the first year, {first}. Allowed: {first} or later."
    if wrong or cells:
        return LotEntry(None, wrong, cells)
    lot = PartLot(**values, pieces=tuple(tables["pieces"]), known_good=tuple(tables["known_good"]))
    try:
        return LotEntry(lot_from(_table_of(lot), lot.name), {}, {})
    except JobError as error:
        return LotEntry(None, {"note": plain(error, 300)}, {})


def doubled_names(lots: Iterable[LotTexts]) -> tuple[str, ...]:
    """Return names that more than one lot of the job has."""
    names = [lot.name for lot in lots]
    return tuple(sorted({name for name in names if names.count(name) > 1}))


def pasted_cells(rows: Sequence[Cells], at_row: int, at_key: str, text: str) -> tuple[tuple[Cells, ...], str]:
    """Return a table's rows with a pasted table sorted in, and what is to be said of it.

    Args:
        rows: as they stand.
        at_row, at_key: the cell it was pasted into.
        text: columns separated by tabs or semicolons, a row a line; a first line of headings is left out.
    """
    lines = [line for line in re.split(r"\r\n|\r|\n", text) if line.strip()]
    separator = "\t" if any("\t" in line for line in lines) else ";"
    taken = [[cell.strip()[:LONGEST_NAME] for cell in row] for row in csv.reader(lines, delimiter=separator)]
    first = _KEYS.index(at_key) if at_key in _KEYS else 0
    said = []
    heads = [cell for cell in taken[0][first == 0 :] if cell] if taken else []
    if heads and not any(re.search("[0-9]", cell) for cell in heads):
        taken, said = taken[1:], ["The line of headings was left out."]
    if any(len(row) > len(_KEYS) - first for row in taken):
        said.append(f"Columns beyond {COLUMNS[-1].label.lower()} were left out.")
    out = [list(row) for row in rows]
    for number, row in enumerate(taken):
        place = at_row + number
        if place >= MOST_PIECES:
            said.append(f"Only {MOST_PIECES} pieces are taken.")
            break
        while len(out) <= place:
            out.append([""] * len(_KEYS))
        for offset, cell in enumerate(row[: len(_KEYS) - first]):
            out[place][first + offset] = cell
    count = min(len(taken), max(0, MOST_PIECES - at_row))
    return tuple(tuple(row) for row in out), " ".join((f"{count} rows pasted.", *said))


def _padded(row: Any) -> Cells:
    cells = [str(cell or "") for cell in row] if isinstance(row, (list, tuple)) else []
    return tuple((cells + [""] * len(COLUMNS))[: len(COLUMNS)])


def _cells(piece: Piece) -> Cells:
    return tuple(_text(getattr(piece, key)) for key in _KEYS)


def _text(value: Any) -> str:
    if value is None:
        return ""
    return number_text(value) if isinstance(value, float) else str(value)


def _table_of(lot: PartLot) -> dict[str, Any]:
    return {**vars(lot), "pieces": [vars(p) for p in lot.pieces], "known_good": [vars(p) for p in lot.known_good]}


def _value(asked: Asked, text: str) -> Any:
    """Return a fact's value, None for a number that is not known.

    Raises:
        ValueError: in words for the person at the field.
    """
    bare = text.strip()
    if asked.kind == "choice":
        if bare not in asked.choices:
            raise ValueError(f"“{plain(bare, 60)}”. Allowed: {asked.allowed}.")
        return bare
    if asked.kind in ("text", "long"):
        room = LONGEST_NAME if asked.kind == "text" else LONGEST_TEXT
        if len(text) > room:
            raise ValueError(f"{len(text)} characters are too long. Allowed: {asked.allowed}.")
        if asked.key == "name" and not bare:
            raise ValueError("Needed, and empty. Allowed: a name that no other lot of the job has.")
        return bare
    if not bare:
        return None
    return _number(bare, f"PartLot.{asked.key}", asked.allowed, asked.kind == "whole")


def _number(text: str, key: str, allowed: str, whole: bool = False) -> float | int:
    shown = plain(text, 60)
    try:
        value = number_of(text)
    except ValueError as error:
        raise ValueError(f"“{shown}” {error}. Allowed: {allowed}.") from error
    low, high = RANGES[key]
    if not low <= value <= high or (whole and value != int(value)):
        raise ValueError(f"“{shown}” is not possible here. Allowed: {allowed}.")
    return int(value) if whole else value


def _pieces(table: str, rows: Sequence[Cells], cells: dict[tuple[str, int, str], str]) -> list[Piece]:
    """Return the pieces of a table; what is wrong is put into `cells`. An empty row is no piece."""
    pieces = []
    for number, row in enumerate(rows):
        texts = dict(zip(_KEYS, row, strict=True))
        if not any(text.strip() for text in row):
            continue
        values: dict[str, Any] = {"name": texts["name"].strip() or str(number + 1)}
        if len(values["name"]) > LONGEST_NAME:
            cells[table, number, "name"] = f"longer than {LONGEST_NAME} characters"
        for key in _KEYS[1:]:
            try:
                text = texts[key].strip()
                low, high = RANGES[f"Piece.{key}"]
                values[key] = _number(text, f"Piece.{key}", f"{low:g} to {high:g}") if text else None
            except ValueError as error:
                cells[table, number, key] = str(error)
        if not any(place[:2] == (table, number) for place in cells):
            pieces.append(Piece(**values))
    return pieces
