"""How a job's facts and rows stand in the fields of the page, and how they come back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

from benchwarden.core.job import JOB_STATES, PART_ROLES, SIDES, Job
from benchwarden.core.job_form import job_from, plain_table
from benchwarden.errors import JobError

MOST_CHARGE = Decimal("10000000")
_OF_SET = ("maker", "model", "serial")


@dataclass(frozen=True)
class Field:
    """One field of the page.

    Attributes:
        key: of the job, of its set, or of a row.
        choices: what can be chosen; empty where it is typed.
        is_long: more than a line.
        usual: what a new row begins with.
    """

    key: str
    label: str
    help: str = ""
    choices: tuple[str, ...] = ()
    is_long: bool = False
    usual: str = ""


@dataclass(frozen=True)
class RowList:
    """A list of the job that is edited row by row.

    Attributes:
        key: of the job; `label` names the list, `row` one of its rows.
    """

    key: str
    label: str
    row: str
    fields: tuple[Field, ...]


FACTS = (
    Field("customer", "Customer", "As the workshop refers to them."),
    Field("maker", "Maker"),
    Field("model", "Model"),
    Field("serial", "Serial number", "Earlier jobs of the set are found by it."),
    Field("technician", "Technician"),
    Field("state", "State", choices=JOB_STATES),
    Field("charge", "Charge for the run", "A number in the workshop's currency; empty for none."),
    Field("invoice", "Invoice number"),
    Field("complaint", "Complaint", "What the customer says is wrong.", is_long=True),
    Field("work", "What was repaired", "In words for the customer: it stands on page one of the record.", is_long=True),
)
LISTS = (
    RowList(
        "earlier_repairs",
        "Earlier repairs found",
        "Earlier repair",
        (Field("found", "What can be seen of it", is_long=True), Field("by", "By whom"), Field("when", "When")),
    ),
    RowList(
        "parts_fitted",
        "Parts fitted",
        "Part",
        (
            Field("position", "Position"),
            Field("side", "Side", choices=SIDES),
            Field("role", "Role", choices=PART_ROLES, usual="other"),
            Field("marking", "Marking"),
            Field("replaced", "Replaced"),
            Field("lot", "Lot"),
            Field("note", "Note"),
        ),
    ),
)
LIST = {one.key: one for one in LISTS}
LABELS = {**{fact.key: fact.label for fact in FACTS}, **{one.key: one.label for one in LISTS}}

Row = dict[str, str]


@dataclass(frozen=True)
class Texts:
    """What stands in the fields: facts by key, and the rows of each list."""

    facts: dict[str, str]
    rows: dict[str, tuple[Row, ...]]

    def table(self) -> dict[str, Any]:
        """Return it for the browser to keep."""
        return {"facts": self.facts, "rows": {key: list(rows) for key, rows in self.rows.items()}}


def texts_of(job: Job) -> Texts:
    """Return what stands in the fields for a job."""
    table = plain_table(job)
    facts = {fact.key: str((table["amplifier"] if fact.key in _OF_SET else table)[fact.key]) for fact in FACTS}
    rows = {
        one.key: tuple({field.key: str(row[field.key]) for field in one.fields} for row in table[one.key])
        for one in LISTS
    }
    return Texts(facts, rows)


def empty_row(key: str) -> Row:
    """Return a row of a list as it begins."""
    return {field.key: field.usual for field in LIST[key].fields}


def is_blank(key: str, row: Mapping[str, str]) -> bool:
    """Return True for a row in which nothing was typed; what is only chosen does not count."""
    return not any(row.get(field.key, "").strip() for field in LIST[key].fields if not field.choices)


def rows_of(ids: Sequence[Mapping[str, Any]], values: Sequence[Any], key: str) -> list[Row]:
    """Return the rows of a list from the fields of all lists, in their order on the page.

    Args:
        ids: of the fields: "list", "row" and "key".
    """
    rows: dict[int, Row] = {}
    known = {field.key for field in LIST[key].fields}
    for place, value in zip(ids, values, strict=True):
        if place["list"] == key and place["key"] in known:
            row = rows.setdefault(int(place["row"]), empty_row(key))
            row[str(place["key"])] = "" if value is None else str(value)
    return [rows[number] for number in sorted(rows)]


def job_with(job: Job, texts: Texts) -> Job:
    """Return a job with what stands in the fields; rows in which nothing was typed are left out.

    Raises:
        JobError: something typed cannot be kept; the key and what is allowed are named.
    """
    where = f"job {job.number}"
    table = plain_table(job)
    for fact in FACTS:
        text = texts.facts.get(fact.key, "")
        value = text if fact.is_long or fact.choices else text.strip()
        (table["amplifier"] if fact.key in _OF_SET else table)[fact.key] = value
    table["charge"] = checked_charge(texts.facts.get("charge", ""), where)
    for one in LISTS:
        kept = [row for row in texts.rows.get(one.key, ()) if not is_blank(one.key, row)]
        needed = one.fields[0] if one.key == "earlier_repairs" else next(f for f in one.fields if f.key == "marking")
        for number, row in enumerate(kept, 1):
            if not row.get(needed.key, "").strip():
                raise JobError(f"{where}: {one.row.lower()} {number}: “{needed.label}” is empty; allowed: text")
        table[one.key] = kept
    return job_from(table, where)


def checked_charge(text: str, where: str) -> str:
    """Return a charge as the job keeps it, with a decimal point.

    Raises:
        JobError: it is no amount.
    """
    bare = text.strip()
    if not bare:
        return ""
    allowed = f"allowed: empty, or 0 to {MOST_CHARGE - 1:f} such as 85 or 85.50"
    if bare.count(",") == 1 and "." not in bare and len(bare.partition(",")[2]) != 3:
        bare = bare.replace(",", ".")
    try:
        amount = Decimal(bare)
    except InvalidOperation:
        amount = Decimal("NaN")
    # Spellings that a decimal also takes (1e3, 1_000) are not how anybody writes an amount.
    if not bare.replace(".", "", 1).isascii() or not bare.replace(".", "", 1).isdigit() or not amount < MOST_CHARGE:
        raise JobError(f"{where}: charge “{text.strip()[:40]}” is no amount; {allowed}")
    return bare


def shown(key: str, texts: Texts) -> str:
    """Return a field's value as text to be read; a list as one line a row, "" where there is nothing."""
    if key not in LIST:
        return texts.facts.get(key, "")
    lines = []
    for row in texts.rows.get(key, ()):
        told = [
            f"{field.label.lower()}: {row[field.key]}" for field in LIST[key].fields if row.get(field.key, "").strip()
        ]
        lines.append("; ".join(told))
    return "\n".join(lines)
