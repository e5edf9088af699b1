"""JSON with one spelling only (RFC 8785), so that its bytes can be hashed and signed."""

from __future__ import annotations

import json
from typing import Any

import rfc8785

from benchwarden.errors import RecordError


def canonical(value: Any) -> bytes:
    """Return the one spelling of a JSON value.

    Raises:
        RecordError: it holds what RFC 8785 has no spelling for (a number that is
            not finite, an integer beyond 2^53, half a surrogate pair).
    """
    try:
        return rfc8785.dumps(value)
    except (rfc8785.CanonicalizationError, UnicodeError) as error:
        raise RecordError(f"cannot be written in canonical form: {error}") from error


def parsed(data: bytes, what: str) -> Any:
    """Return the JSON value in `data`.

    Raises:
        RecordError: it is none; `what` names it.
    """
    try:
        return json.loads(data)
    except (ValueError, RecursionError) as error:
        raise RecordError(f"{what}: not JSON ({error})") from error


def is_canonical(data: bytes, value: Any) -> bool:
    """Return whether `data` is the one spelling of `value`, which was read from it."""
    try:
        return rfc8785.dumps(value) == data
    except (rfc8785.CanonicalizationError, UnicodeError, RecursionError):
        return False
