"""Which sets are kept, and how are their unit and plan files read and replaced without loss?

A set is a folder of the units folder: `NAME/unit.toml`, and `plan.toml` beside it where the
plan was changed. A set is named by a plain name, never by a path. What is replaced stays
beside it as `.bak`.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from benchwarden.core.unit import Unit, load_toml, load_unit
from benchwarden.errors import PlanError, RecordError
from benchwarden.record.export import UNIT_NAME, unit_toml

PLAN_NAME = "plan.toml"
NAME_ALLOWED = "1 to 40 lower-case letters, digits and hyphens, beginning with a letter or digit"
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
# Names that one system keeps for devices, whatever the folder.
_RESERVED = re.compile(r"con|prn|aux|nul|com[0-9]|lpt[0-9]")
# A hand-written file is a few hundred bytes; anything far larger is none.
LARGEST_BYTES = 200_000


@dataclass(frozen=True)
class KeptSet:
    """One set in the folder.

    Attributes:
        name: of its folder.
        title: amplifier and serial number as its file gives them; "" when damaged.
        damaged: what is wrong with its files, in words; "" when they can be read.
    """

    name: str
    title: str
    damaged: str


@dataclass(frozen=True)
class OpenedSet:
    """A set as it was read.

    Attributes:
        plan: the table in plan.toml; empty without one.
        digest: of both files' bytes, to see whether somebody changed them since.
    """

    name: str
    unit: Unit
    plan: dict[str, Any]
    digest: str


class UnitStore:
    """The sets in one folder, for any number of pages and threads."""

    def __init__(self, folder: Path) -> None:
        """Keep sets in `folder`, which is made when the first one is saved."""
        self.folder = folder
        self._lock = threading.Lock()

    def sets(self) -> tuple[KeptSet, ...]:
        """Return every set by name, damaged ones with what is wrong."""
        try:
            names = sorted(path.name for path in self.folder.iterdir() if self._is_set(path))
        except OSError:
            return ()
        return tuple(self._kept(name) for name in names)

    def open(self, name: str) -> OpenedSet:
        """Return a set.

        Raises:
            PlanError: there is no such set, or its files are damaged; names file, key and what is allowed.
        """
        place = self._place(name)
        if not self._is_set(place):
            raise PlanError(f"set {name!r}: there is none of that name")
        digest = self._digest(place)
        try:
            unit = load_unit(place / UNIT_NAME)
            plan = load_toml(place / PLAN_NAME) if (place / PLAN_NAME).exists() else {}
        except PlanError as error:
            # The folder is the machine's own affair.
            raise PlanError(str(error).replace(str(place), name)) from error
        return OpenedSet(name, unit, plan, digest)

    def save(self, name: str, unit: Unit, plan: Mapping[str, Any], digest: str) -> OpenedSet:
        """Write a set's unit facts and plan changes; each file appears whole or not at all.

        Args:
            plan: table of a plan file; empty writes a plan file without changes.
            digest: of the set as it was opened; "" makes a new set.

        Raises:
            PlanError: the name is not allowed or taken, the files changed since, or hold what cannot be written.
            RecordError: the files cannot be written.
        """
        place = self._place(name)
        try:
            texts = {UNIT_NAME: unit_toml(asdict(unit), unit.stage), PLAN_NAME: plan_toml(plan)}
            written = {file: text.encode("utf-8") for file, text in texts.items()}
        except UnicodeEncodeError as error:
            raise PlanError(f"set {name}: a text holds a broken character that no file can hold") from error
        with self._lock:
            if not digest:
                if place.exists():
                    raise PlanError(f"set {name!r}: there is already one of that name; choose another name")
            elif not self._is_set(place):
                raise PlanError(f"set {name!r}: its files are gone since it was loaded; save it under a new name")
            elif self._digest(place) != digest:
                raise PlanError(
                    f"set {name!r}: its files were changed since you loaded it, in another window or an editor, "
                    "and were left as they are; save under a new name, or load it again"
                )
            try:
                place.mkdir(parents=True, exist_ok=True)
                for file, data in written.items():
                    _replace(place / file, data)
            except OSError as error:
                raise RecordError(f"set {name}: cannot be written ({error.strerror})") from error
            return OpenedSet(name, replace(unit), dict(plan), self._digest(place))

    def unit_path(self, name: str) -> Path:
        """Return where a set's unit facts are, for a program that is started with them."""
        return self._place(name) / UNIT_NAME

    def plan_path(self, name: str) -> Path:
        """Return where a set's plan changes are."""
        return self._place(name) / PLAN_NAME

    def _place(self, name: str) -> Path:
        return self.folder / checked_name(name)

    def _is_set(self, place: Path) -> bool:
        # A link could lead out of the folder.
        links = (place, place / UNIT_NAME, place / PLAN_NAME)
        return is_name(place.name) and (place / UNIT_NAME).is_file() and not any(path.is_symlink() for path in links)

    def _kept(self, name: str) -> KeptSet:
        try:
            found = self.open(name)
        except (PlanError, RecordError) as error:
            return KeptSet(name, "", str(error))
        return KeptSet(name, " ".join(part for part in (found.unit.model, found.unit.serial) if part), "")

    def _digest(self, place: Path) -> str:
        digest = hashlib.sha256()
        for file in (UNIT_NAME, PLAN_NAME):
            path = place / file
            try:
                data = path.read_bytes() if path.exists() else None
            except OSError as error:
                raise PlanError(f"{place.name}/{file}: cannot be read ({error.strerror})") from error
            if data is not None and len(data) > LARGEST_BYTES:
                raise PlanError(f"{place.name}/{file}: {len(data)} bytes; allowed: up to {LARGEST_BYTES}")
            digest.update(b"none" if data is None else b"file" + hashlib.sha256(data).digest())
        return digest.hexdigest()


def is_name(name: str) -> bool:
    """Return whether a set may be called so."""
    return _NAME.fullmatch(name) is not None and _RESERVED.fullmatch(name) is None


def checked_name(name: str) -> str:
    """Return a name that a set may have.

    Raises:
        PlanError: naming what is allowed.
    """
    if not is_name(name):
        raise PlanError(f"name {name!r}; allowed: {NAME_ALLOWED}")
    return name


def plan_toml(plan: Mapping[str, Any]) -> str:
    """Return the text of a plan file, from a table as `load_toml` gives it."""
    lines = ["# Changes to the plan computed from unit.toml beside it; what is not named stays computed."]
    lines += [f"{key} = {_toml(plan[key])}" for key in ("run_type", "hours") if key in plan]
    for stage, changes in plan.get("stage", {}).items():
        head = f"stage.{_toml(stage)}"
        lines += ["", f"[{head}]"]
        lines += [f"{key} = {_toml(value)}" for key, value in changes.items() if key != "limits"]
        for channel, limits in changes.get("limits", {}).items():
            lines += ["", f"[{head}.limits.{channel}]"]
            lines += [f"{key} = {_toml(value)}" for key, value in limits.items()]
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    # JSON's escapes are TOML's; stage names and run types are the program's own and plain.
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


def _replace(path: Path, data: bytes) -> None:
    before = path.read_bytes() if path.exists() else None
    if before == data:
        return
    if before is not None:
        _write(path.with_name(path.name + ".bak"), before)
    _write(path, data)


def _write(path: Path, data: bytes) -> None:
    scratch = path.with_name(path.name + ".new")
    try:
        with open(scratch, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        os.replace(scratch, path)
    except OSError:
        with suppress(OSError):
            scratch.unlink()
        raise
