"""What a virtual board wrote to its own flash, kept in a file of the host from one start of the bench to the next.

Only what the board writes itself (its calibration): the program in its flash is
always the one that is installed with the bench.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path

from benchwarden.errors import PlanError
from benchwarden.virtual.flash_memory import FlashMemory
from benchwarden.virtual.installed import flash_content

FORMAT = 1


def keep_flash(flash: FlashMemory, path: Path) -> None:
    """Put into `flash` what `path` holds, if there is such a file, and keep there what is written from now on.

    Raises:
        PlanError: the file is none of this kind, or cannot be read or written.
    """
    flash.files.update(_read(path))

    def changed(files: Mapping[str, bytes]) -> None:
        _write(path, files)

    _write(path, flash.files)
    flash.on_change = changed


def _read(path: Path) -> dict[str, bytes]:
    try:
        table = json.loads(path.read_bytes())
        if table["format"] != FORMAT:
            raise ValueError(f"format {table['format']!r}; allowed: {FORMAT}")
        return {str(name): bytes.fromhex(content) for name, content in table["files"].items()}
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise PlanError(f"{path}: cannot be read ({error.strerror})") from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise PlanError(f"{path}: no flash of a virtual board ({error}); name another file, or remove it") from error


def _write(path: Path, files: Mapping[str, bytes]) -> None:
    program = flash_content()
    own = {name: content.hex() for name, content in sorted(files.items()) if name not in program}
    # Whole or not at all, whatever becomes of the host meanwhile.
    fresh = path.with_name(path.name + ".new")
    try:
        fresh.write_text(json.dumps({"format": FORMAT, "files": own}, indent=1) + "\n", encoding="utf-8")
        os.replace(fresh, path)
    except OSError as error:
        raise PlanError(f"{path}: cannot be written ({error.strerror})") from error
