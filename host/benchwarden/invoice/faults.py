"""What does a reader find fault with in a PDF?"""

from __future__ import annotations

import re

from benchwarden.proof.pdf_update import opened

_WHERE = re.compile(r"(WARNING|ERROR): |\b(stream|filename) <[^>]*>( \([^:]*\))?: |\d+")


def faults_of(pdf: bytes, what: str) -> tuple[frozenset[str], frozenset[str]]:
    """Return (errors, warnings) of a reader that checks the whole file, without the places where they are.

    What a reader can pass over without a doubt is a warning: many programs leave some.

    Raises:
        PdfError: it cannot be opened without repairing it.
    """
    # Opened for this alone: checking repairs lists in memory, and what was repaired is not what the file says.
    with opened(pdf, what) as found:
        said = [*found.check_pdf_syntax(), *(str(one) for one in found.get_warnings())]
    errors = frozenset(_plain(one) for one in said if one.startswith("ERROR"))
    return errors, frozenset(_plain(one) for one in said) - errors


def _plain(words: str) -> str:
    # Of "in this place: attempting this: because of that" the last says what is wrong.
    return _WHERE.sub("", words).rpartition(": ")[2].strip()[:200]
