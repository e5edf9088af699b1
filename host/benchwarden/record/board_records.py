"""What is kept of each board over its life: one folder per board, one file per occasion, none overwritten."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

from benchwarden.errors import RecordError

DEFAULT = Path("benchwarden-records")
_KIND = re.compile(r"[a-z]+")


class BoardRecords:
    """The records of one board.

    Files are `boards/ID/KIND-UTC.json`. A draft, `KIND.draft.json`, holds what
    an interrupted procedure had taken; it is replaced atomically.

    Attributes:
        folder: where they are; made when something is first written.
    """

    def __init__(self, root: Path, board: str) -> None:
        name = re.sub(r"[^A-Za-z0-9_-]", "_", board)
        if not name:
            raise RecordError("a board without an id has no records")
        self.folder = root / "boards" / name

    def write(self, kind: str, utc: str, record: dict[str, Any]) -> Path:
        """Write a new record and return its path.

        Args:
            utc: time in ISO form, e.g. "2026-11-25T12:00:00Z".

        Raises:
            RecordError: the folder cannot be written.
        """
        stem = f"{_checked(kind)}-{re.sub(r'[^0-9TZ]', '', utc)}"
        data = _json(record)
        for number in range(1, 1000):
            path = self.folder / (f"{stem}.json" if number == 1 else f"{stem}-{number}.json")
            try:
                self.folder.mkdir(parents=True, exist_ok=True)
                with open(path, "x", encoding="utf-8") as out:
                    _durable(out, data)
                _sync_folder(self.folder)
            except FileExistsError:
                continue
            except OSError as error:
                raise RecordError(f"{path}: the record cannot be written ({error.strerror})") from error
            return path
        raise RecordError(f"{self.folder}: too many records named {stem}")

    def read(self, kind: str) -> tuple[list[dict[str, Any]], list[str]]:
        """Return the board's records of a kind, oldest first, and which files cannot be read.

        Each record also holds its "path".
        """
        records, damaged = [], []
        for path in sorted(self.folder.glob(f"{_checked(kind)}-*.json"), key=_order):
            try:
                found = _loaded(path)
            except RecordError as error:
                damaged.append(str(error))
                continue
            records.append({**found, "path": str(path)})
        return records, damaged

    def keep_draft(self, kind: str, draft: dict[str, Any]) -> None:
        """Replace the draft; a reader sees the old one or the new one, never half.

        Raises:
            RecordError: it cannot be written.
        """
        target = self._draft(kind)
        scratch = target.with_suffix(".new")
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with open(scratch, "w", encoding="utf-8") as out:
                _durable(out, _json(draft))
            os.replace(scratch, target)
            _sync_folder(self.folder)
        except OSError as error:
            raise RecordError(f"{target}: the draft cannot be written ({error.strerror})") from error

    def draft(self, kind: str) -> dict[str, Any] | None:
        """Return the draft, None without one.

        Raises:
            RecordError: it cannot be read.
        """
        path = self._draft(kind)
        return _loaded(path) if path.exists() else None

    def drop_draft(self, kind: str) -> None:
        """Remove the draft: what it held is in a record, or not wanted."""
        try:
            self._draft(kind).unlink(missing_ok=True)
        except OSError as error:
            raise RecordError(f"{self._draft(kind)}: cannot be removed ({error.strerror})") from error

    def _draft(self, kind: str) -> Path:
        return self.folder / f"{_checked(kind)}.draft.json"


def _checked(kind: str) -> str:
    if not _KIND.fullmatch(kind):
        raise ValueError(f"kind = {kind!r}; allowed: lower-case letters")
    return kind


def _order(path: Path) -> tuple[str, int]:
    # "-2" stands behind the file without a number, "-10" behind "-9".
    parts = path.stem.split("-")
    return parts[1], int(parts[2]) if len(parts) > 2 and parts[2].isdigit() else 1


def _json(table: dict[str, Any]) -> str:
    try:
        return json.dumps(table, indent=1, allow_nan=False) + "\n"
    except ValueError as error:
        raise RecordError(f"a record cannot be written: {error}") from error


def _durable(out: Any, data: str) -> None:
    out.write(data)
    out.flush()
    os.fsync(out.fileno())


def _sync_folder(folder: Path) -> None:
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _loaded(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RecordError(f"{path}: cannot be read ({error.strerror})") from error
    except ValueError as error:
        raise RecordError(f"{path}: not a record: {error}") from error
    if not isinstance(found, dict):
        raise RecordError(f"{path}: not a record")
    return found
