"""What lies in the virtual board's flash when it is first switched on: the firmware as installed, with its listing.

The modules are there as text, which is what the bench's interpreter runs; on a
real board they are compiled.
"""

from __future__ import annotations

from functools import lru_cache

from benchwarden.core import program_listing
from benchwarden.install.program import build_program


@lru_cache(maxsize=1)
def _content() -> dict[str, bytes]:
    program = build_program(as_text=True)
    return {**program.files, program_listing.NAME: program.listing.to_bytes()}


def flash_content() -> dict[str, bytes]:
    """Return every file by its path on the board, listing included."""
    return dict(_content())
