"""What the user set for all boards of a records folder: settings.toml."""

from __future__ import annotations

import os
from pathlib import Path

from benchwarden.core.commissioned import DEFAULT_INTERVAL_DAYS, LEAST_DAYS, MOST_DAYS
from benchwarden.core.unit import load_toml
from benchwarden.errors import PlanError, RecordError

NAME = "settings.toml"
_KEY = "commissioning_interval_days"


def interval_days(root: Path) -> int:
    """Return after how many days a board is due to be commissioned again.

    Raises:
        PlanError: the file is not what it should be; names file, key and what is allowed.
    """
    path = root / NAME
    if not path.exists():
        return DEFAULT_INTERVAL_DAYS
    table = load_toml(path)
    for key in table:
        if key != _KEY:
            raise PlanError(f"{path}: {key}; allowed: {_KEY}")
    return checked_days(table.get(_KEY, DEFAULT_INTERVAL_DAYS), f"{path}: {_KEY}")


def checked_days(value: object, where: str) -> int:
    """Return an interval that can be used.

    Raises:
        PlanError: it is not a whole number of days within reason.
    """
    if isinstance(value, bool) or not isinstance(value, int) or not LEAST_DAYS <= value <= MOST_DAYS:
        raise PlanError(f"{where} = {value!r}; allowed: whole days, {LEAST_DAYS} to {MOST_DAYS}")
    return value


def set_interval_days(root: Path, days: int) -> None:
    """Keep the interval for the boards of this folder.

    Raises:
        PlanError: not an interval within reason.
        RecordError: the file cannot be written.
    """
    checked_days(days, "--interval-days")
    path = root / NAME
    scratch = path.with_name(NAME + ".new")
    try:
        root.mkdir(parents=True, exist_ok=True)
        scratch.write_text(f"{_KEY} = {days}\n", encoding="utf-8")
        os.replace(scratch, path)
    except OSError as error:
        raise RecordError(f"{path}: cannot be written ({error.strerror})") from error
