"""Which words a job is found by, and what a person's search words become.

Case and accents do not count. Whatever is typed is only text: words are compared, never a pattern.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator

from benchwarden.core.job import Job
from benchwarden.errors import JobError

# A longer word is kept as pieces that overlap by half, so that any piece of MOST_ASKED is inside one.
_LONGEST = 60
MOST_ASKED = _LONGEST // 2
MOST_WORDS = 12
# More different words than a book chapter; what is beyond them is not found.
_MOST_KEPT = 20_000
# Letters that are not made of a letter and an accent.
_PLAIN = str.maketrans({"ø": "o", "ł": "l", "đ": "d", "æ": "ae", "œ": "oe", "þ": "th"})


def folded(text: str) -> str:
    """Return text without case, accents and compatibility forms; half characters become "?"."""
    text = text.encode("utf-8", "replace").decode("utf-8")
    apart = unicodedata.normalize("NFKD", text.casefold())
    return "".join(c for c in apart if not unicodedata.combining(c)).casefold().translate(_PLAIN)


def key_of(text: str) -> str:
    """Return letters and digits alone: how a serial number is compared, whoever typed it."""
    return "".join(c for c in folded(text) if c.isalnum())


def asked_words(text: str) -> tuple[str, ...]:
    """Return the words of a search, each cut to MOST_ASKED characters.

    Raises:
        JobError: more words than MOST_WORDS.
    """
    words = tuple(dict.fromkeys(word[:MOST_ASKED] for word in _split(text)))
    if len(words) > MOST_WORDS:
        raise JobError(f"search: {len(words)} words; allowed: {MOST_WORDS} at most")
    return words


def words_of(job: Job) -> frozenset[str]:
    """Return every word that a job is found by: its set, its story, its notes, its parts."""
    found: dict[str, None] = {}
    for text in _texts(job):
        for word in _split(text):
            for piece in _pieces(word):
                found[piece] = None
        if len(found) >= _MOST_KEPT:
            break
    return frozenset(list(found)[:_MOST_KEPT])


def _texts(job: Job) -> Iterator[str]:
    yield from (job.number, job.customer, job.amplifier.maker, job.amplifier.model, job.amplifier.serial)
    yield key_of(job.amplifier.serial)
    yield from (job.invoice, job.complaint, job.work)
    for part in job.parts_fitted:
        yield from (part.position, part.marking, part.replaced, part.lot)
    for lot in job.lots:
        yield from (lot.name, lot.marking)
    for repair in job.earlier_repairs:
        yield repair.found
    for note in job.notes:
        yield note.text


def _split(text: str) -> list[str]:
    return "".join(" " if c.isspace() or unicodedata.category(c) == "Cc" else c for c in folded(text)).split()


def _pieces(word: str) -> Iterator[str]:
    yield word[:_LONGEST]
    for start in range(MOST_ASKED, len(word) - MOST_ASKED, MOST_ASKED):
        yield word[start : start + _LONGEST]
