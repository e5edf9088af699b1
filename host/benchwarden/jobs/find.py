"""Which jobs are there: by words, by state, by set, by run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, func, literal_column, select

from benchwarden.core.job import JOB_STATES
from benchwarden.errors import JobError
from benchwarden.jobs.schema import job_runs, job_words, jobs, search_words
from benchwarden.jobs.words import asked_words, folded, key_of

MOST_ROWS = 1000
# Up to so many words that hold what was typed are named one by one; a planner guesses badly otherwise.
_NAMED = 1000


@dataclass(frozen=True)
class JobRow:
    """A job as a list shows it; `verdict` is the newest run's, "" without one."""

    number: str
    customer: str
    maker: str
    model: str
    serial: str
    state: str
    opened_at_utc: str
    changed_at_utc: str
    verdict: str
    version: int


_COLUMNS = tuple(jobs.c[name] for name in JobRow.__dataclass_fields__)


def found_rows(connection: Connection, text: str, state: str, limit: int, offset: int) -> tuple[JobRow, ...]:
    """Return the jobs that hold every word of `text`, the last changed first."""
    if not 1 <= limit <= MOST_ROWS or offset < 0:
        raise JobError(f"search: limit {limit}, offset {offset}; allowed: 1 to {MOST_ROWS}, 0 or more")
    asked = _asked(connection, select(*_COLUMNS), text, state)
    asked = asked.order_by(jobs.c.changed_at_utc.desc(), jobs.c.id.desc()).limit(limit).offset(offset)
    return tuple(JobRow(*row) for row in connection.execute(asked))


def found_count(connection: Connection, text: str, state: str) -> int:
    """Return how many jobs hold every word of `text`."""
    return int(connection.execute(_asked(connection, select(func.count(jobs.c.id)), text, state)).scalar_one())


def numbers_of_set(connection: Connection, maker: str, model: str, serial: str) -> tuple[str, ...]:
    """Return the jobs of one set, the oldest first; none where the serial says nothing.

    Serial, maker and model are compared by their letters and digits; a maker or model
    that one of the two leaves out is no difference.
    """
    key = key_of(serial)
    if not key:
        return ()
    asked = select(jobs.c.number, jobs.c.maker, jobs.c.model).where(jobs.c.serial_key == key)
    rows = connection.execute(asked.order_by(jobs.c.opened_at_utc, jobs.c.id))
    return tuple(row.number for row in rows if _alike(maker, row.maker) and _alike(model, row.model))


def numbers_of_run(connection: Connection, folder: str) -> tuple[str, ...]:
    """Return the jobs that a run folder's name is attached to."""
    asked = select(jobs.c.number).join(job_runs, job_runs.c.job_id == jobs.c.id).where(job_runs.c.folder == folder)
    return tuple(connection.execute(asked.order_by(jobs.c.id)).scalars())


def _alike(one: str, other: str) -> bool:
    first, second = key_of(one), key_of(other)
    return not first or not second or first == second


def _asked(connection: Connection, asked: Select[Any], text: str, state: str) -> Select[Any]:
    if state:
        if state not in JOB_STATES:
            raise JobError(f"search: state {folded(state)[:40]!r}; allowed: {', '.join(JOB_STATES)}")
        asked = asked.where(jobs.c.state == state)
    for word in asked_words(text):
        asked = asked.where(jobs.c.id.in_(_jobs_with(connection, word)))
    return asked


def _jobs_with(connection: Connection, word: str) -> Select[Any]:
    """Return a query for the jobs with a word that has this piece in it."""
    # A place in a text, not a pattern: nothing that was typed has a second meaning.
    place = func.strpos if connection.dialect.name == "postgresql" else func.instr
    holds: ColumnElement[bool] = place(search_words.c.word, word) > 0
    some = list(connection.execute(select(search_words.c.id).where(holds).limit(_NAMED + 1)).scalars())
    which: Any = select(search_words.c.id).where(holds)
    if len(some) <= _NAMED:
        # Numbers from our own table, written out so that the plan is made for them.
        which = [literal_column(str(int(number))) for number in some]
    return select(job_words.c.job_id).where(job_words.c.word_id.in_(which))
