"""What do the rows of the check sheet hold: from typed text to results, and back?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from benchwarden.core.cold_checks import BY_KEY, CHANNELS, COLD_CHECKS, Gate, Judged, gate, judge_result
from benchwarden.core.job import CheckResult
from benchwarden.core.job_form import check_result_from, plain_table
from benchwarden.core.unit import Unit
from benchwarden.dashboard.checks_values import typed, value_of
from benchwarden.dashboard.status import plain
from benchwarden.errors import JobError

NOT_DONE = ""
# What a person types or chooses in one row, beside its check and channel.
FIELDS = ("part", "state", "marked", "measured", "noisy", "note", "why")
NOISY = {"": None, "quiet": False, "noisy": True}


@dataclass(frozen=True)
class Row:
    """One row as it stands in its fields.

    Attributes:
        side: "left" or "right"; "" where the check has no channels.
        part: what of it, as the circuit diagram names it.
        state: "passed", "failed", "skipped" or NOT_DONE.
        noisy: a key of NOISY.
    """

    check: str
    side: str = ""
    part: str = ""
    state: str = NOT_DONE
    marked: str = ""
    measured: str = ""
    noisy: str = ""
    note: str = ""
    why: str = ""

    @property
    def is_empty(self) -> bool:
        """Whether nothing was done or typed; such a row is not kept."""
        return not any((self.part, self.state, self.marked, self.measured, self.noisy, self.note, self.why))

    @property
    def position(self) -> str:
        return ", ".join(text for text in (self.side, self.part) if text)


@dataclass(frozen=True)
class Entry:
    """One row with what was made of it.

    Attributes:
        judged: None where nothing was done, or something is wrong.
        wrong: what is wrong, by field, in words that name what is allowed.
    """

    row: Row
    judged: Judged | None
    wrong: dict[str, str]


@dataclass(frozen=True)
class Sheet:
    """All rows, and what they amount to.

    Attributes:
        gate: of the rows in which nothing is wrong.
        blocking: the gate's, and the rows in which something is wrong.
    """

    entries: tuple[Entry, ...]
    gate: Gate
    blocking: tuple[str, ...]

    @property
    def is_open(self) -> bool:
        return not self.blocking

    @property
    def results(self) -> tuple[CheckResult, ...]:
        """The results to keep, in the order of the sheet."""
        return tuple(entry.judged.result for entry in self.entries if entry.judged is not None)

    @property
    def wrong(self) -> int:
        """Rows that cannot be kept as they stand."""
        return sum(bool(entry.wrong) for entry in self.entries)


def rows_of(results: Iterable[CheckResult]) -> tuple[Row, ...]:
    """Return the sheet's rows for a job's results: at least one for every check and channel."""
    kept = [_row(result) for result in results]
    rows: list[Row] = []
    for check in COLD_CHECKS:
        for side in CHANNELS if check.per_channel else ("",):
            rows += [row for row in kept if (row.check, row.side) == (check.key, side)] or [Row(check.key, side)]
    return tuple(rows)


def strangers(results: Iterable[CheckResult]) -> tuple[CheckResult, ...]:
    """Return results that the sheet has no row for: of a check not known here, or without its channel.

    They stay with the job as they are.
    """
    shown = {(check.key, side) for check in COLD_CHECKS for side in (CHANNELS if check.per_channel else ("",))}
    return tuple(result for result in results if (result.check, _row(result).side) not in shown)


def row_from(texts: Mapping[str, object]) -> Row:
    """Return a row from what a browser sent; whatever is missing is empty."""
    return Row(**{key: str(texts.get(key) or "") for key in ("check", "side", *FIELDS)})


def sheet_of(rows: Sequence[Row], unit: Unit | None) -> Sheet:
    """Return what the rows amount to.

    Args:
        unit: facts of the set, for the marked values; None where they are not known.
    """
    entries = tuple(_entry(row) for row in rows)
    found = gate([entry.judged.result for entry in entries if entry.judged is not None], unit)
    unclear = tuple(
        f"{_name(entry.row)}: cannot be read. {' '.join(entry.wrong.values())}" for entry in entries if entry.wrong
    )
    # A row that cannot be read is not "not done" as well.
    names = tuple(f"{_name(entry.row)}: not done." for entry in entries if entry.wrong)
    return Sheet(entries, found, (*unclear, *(words for words in found.blocking if not words.startswith(names))))


def _name(row: Row) -> str:
    title = BY_KEY[row.check].title if row.check in BY_KEY else row.check
    return f"{title}, {row.side}" if row.side else title


def _row(result: CheckResult) -> Row:
    check = BY_KEY.get(result.check)
    unit = check.unit if check else ""
    side, part = "", result.position
    if check is not None and check.per_channel:
        side = next((name for name in CHANNELS if part.lower().startswith(name)), "")
        part = part[len(side) :].lstrip(" ,;:")
    return Row(
        check=result.check,
        side=side,
        part=part,
        state=result.state,
        marked=typed(result.marked, unit) if unit else "",
        measured=typed(result.measured, unit) if unit else "",
        noisy=next(key for key, value in NOISY.items() if value is result.noisy),
        note=result.note,
        why=result.why,
    )


def _entry(row: Row) -> Entry:
    check = BY_KEY[row.check]
    if row.is_empty:
        return Entry(row, None, {})
    wrong: dict[str, str] = {}
    values: dict[str, float | None] = {"marked": None, "measured": None}
    for key in values if check.unit else ():
        try:
            values[key] = value_of(getattr(row, key), check.unit)
        except ValueError as error:
            wrong[key] = plain(error, 300)
    # A reading alone is enough: the limits judge it. Anything else without a tick was not done.
    state = row.state or ("passed" if values["measured"] is not None else "skipped")
    result = CheckResult(
        row.check, state, row.position, values["marked"], values["measured"], NOISY.get(row.noisy), row.note, row.why
    )
    try:
        result = check_result_from(plain_table(result), _name(row))
    except JobError as error:
        wrong["note"] = plain(error, 300)
    return Entry(row, None if wrong else judge_result(result), wrong)
