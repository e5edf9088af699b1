"""The repair in rows: checks before power, parts fitted and what was found about them."""

from __future__ import annotations

import math
from collections.abc import Iterable

from benchwarden.core.cold_checks import BY_KEY
from benchwarden.core.job import FittedPart
from benchwarden.report.brief import brief, name_in
from benchwarden.report.job_papers import CheckNote, JobPapers, PartNote
from benchwarden.report.printable import general_text
from benchwarden.report.wording import N_, Wording

Row = tuple[str, ...]
_MOST_ROWS = 120
_CHECK_STATES = {"passed": N_("passed"), "failed": N_("failed"), "skipped": N_("skipped")}
_LEVELS = {
    "nothing found": N_("nothing found"),
    "doubts": N_("doubts"),
    "do not fit": N_("do not fit"),
    "fine": N_("fine"),
    "doubt": N_("doubt"),
    "no": N_("no"),
}
_ROLES = {
    "output": N_("output device"),
    "driver": N_("driver"),
    "predriver": N_("predriver"),
    "other": N_("other part"),
}


def check_rows(papers: JobPapers, say: Wording) -> tuple[Row, ...]:
    """Return (check, where, marked, measured, outcome, note) of every check before power."""
    rows = [_check_row(note, say) for note in papers.checks[:_MOST_ROWS]]
    return tuple(rows)


def _check_row(note: CheckNote, say: Wording) -> Row:
    result = note.result
    known = BY_KEY.get(result.check)
    unit = known.unit if known else ""
    said = [note.counted] if note.state != "passed" else []
    if result.noisy:
        said.append(say("noisy"))
    if result.note and result.note not in said:
        said.append(brief(result.note, 200, say))
    if result.why:
        said.append(say("Powered up all the same, because: {why}", why=brief(result.why, 300, say)))
    return (
        say(known.title) if known else result.check,
        name_in(result.position, 60),
        _quantity(result.marked, unit, say),
        _quantity(result.measured, unit, say),
        say(_CHECK_STATES.get(note.state, note.state)),
        "; ".join(part for part in said if part),
    )


def _quantity(value: float | None, unit: str, say: Wording) -> str:
    if value is None or not math.isfinite(value):
        return ""
    for size, prefix in ((1e6, "M"), (1e3, "k")) if unit == "ohm" else ():
        if abs(value) >= size:
            return f"{general_text(value / size, say)}\u00a0{prefix}\N{GREEK CAPITAL LETTER OMEGA}"
    shown = {"ohm": "\N{GREEK CAPITAL LETTER OMEGA}", "uF": "\N{MICRO SIGN}F"}.get(unit, unit)
    return f"{general_text(value, say)}\u00a0{shown}".rstrip("\u00a0")


def check_note(papers: JobPapers, say: Wording) -> str:
    """Return what there is to say where checks are missing or were overridden, "" for nothing."""
    if papers.unchecked_why:
        why = brief(papers.unchecked_why, 400, say)
        return say("Powered up without checks, because: {why}", why=why)
    if not papers.checks:
        return say("No checks before power are on record.")
    left_out = len(papers.checks) - _MOST_ROWS
    return say("{n} more are in the job file.", n=str(left_out)) if left_out > 0 else ""


def part_rows(parts: tuple[FittedPart, ...], lots: Iterable[PartNote], say: Wording) -> tuple[Row, ...]:
    """Return (position, side, fitted, before, lot, note) of every part fitted."""
    levels = {note.name: note.level for note in lots}
    rows = []
    for part in parts[:_MOST_ROWS]:
        level = levels.get(part.lot, "")
        lot = f"{name_in(part.lot, 40)}: {say(_LEVELS.get(level, level))}" if level else name_in(part.lot, 40)
        rows.append(
            (
                name_in(part.position, 40),
                say(part.side) if part.side else "",
                f"{name_in(part.marking, 60)} ({say(_ROLES.get(part.role, part.role))})",
                name_in(part.replaced, 60),
                lot,
                brief(part.note, 200, say),
            )
        )
    if len(parts) > _MOST_ROWS:
        more = say("{n} more are in the job file.", n=str(len(parts) - _MOST_ROWS))
        rows.append((more, "", "", "", "", ""))
    return tuple(rows)


def finding_notes(notes: Iterable[PartNote], say: Wording) -> tuple[Row, ...]:
    """Return (name, level, headline and reasons) of lots or substitutions."""
    rows = []
    for note in list(notes)[:_MOST_ROWS]:
        reasons = " ".join(_sentence(brief(reason, 240, say)) for reason in note.reasons[:6])
        words = f"{_sentence(brief(note.headline, 240, say))} {reasons}".strip()
        rows.append((name_in(note.name, 80), say(_LEVELS.get(note.level, note.level)), words))
    return tuple(rows)


def _sentence(words: str) -> str:
    words = words[:1].upper() + words[1:]
    return words if not words or words.endswith((".", "!", "?", "\N{HORIZONTAL ELLIPSIS}")) else words + "."
