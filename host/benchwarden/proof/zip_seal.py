"""A seal over every byte of a ZIP file, in the comment at its end.

The comment is "benchwarden bundle 1 sha256=" and 64 hexadecimal digits in lower
case: SHA-256 over the whole file with these digits, its last 64 bytes, set to "0".
"""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path

from benchwarden.errors import RecordError

BLANK_COMMENT = b"benchwarden bundle 1 sha256=" + b"0" * 64
_WORDS = BLANK_COMMENT[:-64]
_DIGITS = re.compile(rb"[0-9a-f]{64}")
_CHUNK = 1 << 20


def seal_zip(path: Path) -> None:
    """Fill in the digits of a ZIP file that ends with BLANK_COMMENT.

    Raises:
        RecordError: it does not, or cannot be written.
    """
    try:
        digest, tail = _digest(path)
        if tail != BLANK_COMMENT:
            raise RecordError(f"{path}: does not end with the comment to be filled in")
        with open(path, "r+b") as out:
            out.seek(-64, os.SEEK_END)
            out.write(digest.encode())
    except OSError as error:
        raise RecordError(f"{path}: cannot be sealed ({error.strerror})") from error


def zip_seal_state(path: Path) -> str:
    """Return "intact", "changed" or "none" (the file does not end with such a seal).

    Raises:
        OSError: it cannot be read.
    """
    digest, tail = _digest(path)
    if tail[:-64] != _WORDS or not _DIGITS.fullmatch(tail[-64:]):
        return "none"
    return "intact" if tail[-64:] == digest.encode() else "changed"


def _digest(path: Path) -> tuple[str, bytes]:
    left = path.stat().st_size - 64
    found = hashlib.sha256()
    with open(path, "rb") as file:
        while left > 0 and (chunk := file.read(min(_CHUNK, left))):
            found.update(chunk)
            left -= len(chunk)
        found.update(b"0" * 64)
        file.seek(max(0, path.stat().st_size - len(BLANK_COMMENT)))
        return found.hexdigest(), file.read(len(BLANK_COMMENT))
