"""What lies in the virtual board's flash when it is first switched on: the firmware as installed, with its listing.

The files are the firmware's own source, which the bench's interpreter runs;
on a real board the modules are compiled, and the listing names those.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import wardenfw
from benchwarden.core import program_listing

START_FILES = ("boot.py", "main.py")


@lru_cache(maxsize=1)
def _program() -> dict[str, bytes]:
    package = Path(wardenfw.__file__).parent
    files = {f"wardenfw/{path.relative_to(package).as_posix()}": path.read_bytes() for path in package.rglob("*.py")}
    for name in START_FILES:
        # Beside the package in the project; what installs the firmware carries them elsewhere.
        path = package.parent / name
        if path.is_file():
            files[name] = path.read_bytes()
    return files


def flash_content() -> dict[str, bytes]:
    """Return every file by its path on the board, listing included."""
    files = dict(_program())
    files[program_listing.NAME] = program_listing.build_listing(files).to_bytes()
    return files
