"""How does a file of unknown size get into memory?"""

from __future__ import annotations

import os
from pathlib import Path


def read_within(path: Path, most: int) -> bytes:
    """Return a file's bytes, one more than `most` at most: who gets more than `most` knows that it is too large.

    Raises:
        OSError: it cannot be read.
    """
    with open(path, "rb") as file:
        # A read of so many bytes takes so much memory, however short the file is.
        return file.read(min(os.fstat(file.fileno()).st_size, most) + 1)
