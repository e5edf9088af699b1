"""Which lot of parts does a file describe?

One TOML file with the keys of `core.part_lots.PartLot`, a [[pieces]] table per measured piece and a
[[known_good]] table per measured piece of sure origin; `example_lot.toml` is one.
"""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path

from benchwarden.core.job_form import lot_from
from benchwarden.core.part_lots import PartLot
from benchwarden.errors import JobError

EXAMPLE_NAME = "example_lot.toml"
# Thousands of measured pieces; more is a mistake or an attack.
LARGEST_BYTES = 2_000_000


def load_lot(path: Path) -> PartLot:
    """Return the lot of a file.

    Raises:
        JobError: it cannot be read or holds what is not allowed; names file, key and what is allowed.
    """
    try:
        with open(path, "rb") as source:
            data = source.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise JobError(f"{path}: cannot be read ({error.strerror})") from error
    if len(data) > LARGEST_BYTES:
        raise JobError(f"{path}: more than {LARGEST_BYTES} bytes; allowed: {LARGEST_BYTES} at most")
    return _lot_in(data, str(path))


def example_lot() -> PartLot:
    """Return the invented lot that comes with the program: small dies under a large part's marking."""
    return _lot_in(resources.files(__package__).joinpath(EXAMPLE_NAME).read_bytes(), EXAMPLE_NAME)


def _lot_in(data: bytes, where: str) -> PartLot:
    try:
        table = tomllib.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise JobError(f"{where}: not valid TOML: {str(error)[:200]}") from error
    return lot_from(table, where)
