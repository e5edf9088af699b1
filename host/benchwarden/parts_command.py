"""`benchwarden parts`: lots of parts before they are fitted, one type in place of another, the parts list."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import textwrap
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from benchwarden.core.clock import SystemClock
from benchwarden.core.job import PART_ROLES
from benchwarden.core.job_form import plain_table
from benchwarden.core.part_findings import (
    DO_NOT_FIT,
    DOUBT,
    DOUBTS,
    FINE,
    NO,
    NOT_KNOWN,
    NOT_LOOKED_AT,
    NOTHING_FOUND,
    ODD,
    LotFindings,
    MeasuredRow,
    Statistic,
    SubstituteFindings,
)
from benchwarden.core.part_lots import PartLot
from benchwarden.core.substitutes import Ratings, Substitution
from benchwarden.errors import JobError
from benchwarden.places import DEFAULT_JOBS, DEFAULT_RECORDS, JOBS_VARIABLE, job_store_address

EXIT_CODES = {NOTHING_FOUND: 0, DOUBTS: 1, DO_NOT_FIT: 3, FINE: 0, DOUBT: 1, NO: 3}
_GRAVE = (NO, DOUBT, NOT_KNOWN)
_SHOWN_MARKINGS = 8
_WIDEST, _NARROWEST = 110, 60


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    top = commands.add_parser("parts", help="parts before they are fitted: incoming lots, substitutes, the parts list")
    acts = top.add_subparsers(required=True, metavar="WHAT")
    parts_words = f"parts list (TOML); default: parts.toml in {DEFAULT_RECORDS}, else the example list"

    check = acts.add_parser("check", help="judge a lot of parts by what was seen and measured; exit code 0, 1, 3")
    check.add_argument("lot", type=Path, nargs="?", help="the lot as a TOML file")
    check.add_argument("--job", metavar="NUMBER", help="all lots of a job instead")
    where = f"folder, or postgresql://... ; default: {JOBS_VARIABLE}, else {DEFAULT_JOBS}"
    check.add_argument("--store", metavar="ADDRESS", help=where)
    check.add_argument("--parts", type=Path, metavar="LIST", help=parts_words)
    check.add_argument(
        "--leakage-limit", type=float, metavar="UA", help="the sheet's limit at the voltage leakage was measured at"
    )
    check.add_argument("--json", action="store_true", help="for another program to read: one JSON list")
    check.set_defaults(command=_check)

    substitute = acts.add_parser("substitute", help="hold a type against the one it is to replace; exit code 0, 1, 3")
    substitute.add_argument("unit", type=Path, help="unit.toml of the amplifier")
    substitute.add_argument("original", help="marking of the type that belongs there")
    substitute.add_argument("candidate", help="marking of the type to be fitted")
    substitute.add_argument("--role", choices=PART_ROLES, default=PART_ROLES[0])
    substitute.add_argument("--parts", type=Path, metavar="LIST", help=parts_words)
    substitute.add_argument("--json", action="store_true", help="for another program to read: one JSON object")
    substitute.set_defaults(command=_substitute)

    listed = acts.add_parser("list", help="list the types of the parts list")
    listed.add_argument("--parts", type=Path, metavar="LIST", help=parts_words)
    listed.set_defaults(command=_list)


def _parts(given: Path | None) -> Mapping[str, Ratings]:
    from benchwarden.part_doubts import known_parts
    from benchwarden.parts.parts_list import load_parts

    return known_parts(DEFAULT_RECORDS) if given is None else load_parts(given)


def _check(args: argparse.Namespace) -> int:
    from benchwarden.parts.incoming import check_lot

    limit = args.leakage_limit
    if limit is not None and not 0.0 < limit <= 1e7:
        raise JobError(f"--leakage-limit {limit:g}; allowed: more than 0, up to 1e7 uA")
    lots = _lots(args)
    parts = _parts(args.parts)
    year = int(SystemClock().utc_label()[:4])
    found = [check_lot(lot, parts.get(lot.marking), year, limit) for lot in lots]
    if args.json:
        _say(json.dumps([plain_table(one) for one in found], indent=1))
    else:
        _say("\n\n".join("\n".join(lot_lines(one)) for one in found))
    return max(EXIT_CODES[one.level] for one in found)


def _lots(args: argparse.Namespace) -> tuple[PartLot, ...]:
    if (args.lot is None) == (args.job is None):
        raise JobError("parts check: allowed: a lot's file, or --job NUMBER, one of them")
    if args.lot is not None:
        from benchwarden.parts.lot_file import load_lot

        return (load_lot(args.lot),)
    from benchwarden.jobs.store import open_store

    with open_store(job_store_address(args.store), create=False) as store:
        lots = store.open(args.job).lots
    if not lots:
        raise JobError(f"job {args.job}: no lots of parts; allowed: a job with at least one")
    return lots


def lot_lines(found: LotFindings) -> list[str]:
    """Return what a terminal shows of a lot."""
    marking = f", marked {found.marking}" if found.marking else ""
    lines = [f"{found.level.upper()}: {found.lot or 'lot without a name'}{marking}"]
    lines += [*_wrapped(found.headline), *_wrapped(found.proof)]
    for number, reason in enumerate(found.reasons, 1):
        lines += ["", *_wrapped(f"{number}. {reason.level}: {reason.about}", "", "   ")]
        for name, words in (("seen", reason.seen), ("matters", reason.matters), ("to do", reason.todo)):
            lines += _wrapped(words, f"   {name + ':':9}", " " * 12)
    lines += ["", "Looked at"]
    for row in sorted(found.looked, key=lambda row: (row.state != ODD, row.state == NOT_LOOKED_AT)):
        lines += _wrapped(f"{row.about}: {row.words}", f"   {row.state:15}", " " * 18)
    lines += ["", *_measured_lines(found.measured)]
    for words in found.shows:
        lines += _wrapped(words, "   ", "   ")
    return [*lines, *_test_lines(found.statistics)]


def _test_lines(tests: Sequence[Statistic]) -> list[str]:
    if not tests:
        return []
    table = [("Test", "of", "n", "value", "critical", "p", "result")]
    for test in tests:
        figures = (f"{test.value:.3g}", f"{test.critical:.3g}", f"{test.p:.2g}")
        table.append((test.quantity, test.name, str(test.n), *figures, "ODD" if test.found else test.words))
    lines = ["", *_aligned(table), *_wrapped("p is corrected for how often was looked.", "   ", "   ")]
    for source in dict.fromkeys(test.source for test in tests):
        lines += _wrapped(source, "   ", "      ")
    return lines


def _measured_lines(rows: Sequence[MeasuredRow]) -> list[str]:
    table: list[tuple[str, ...]] = [
        ("Measured", "pieces", "middle", "from", "to", "spread (95 % interval)", "known-good")
    ]
    for row in rows:
        unit = f" {row.unit}" if row.unit else ""
        one, many = (100.0, "%") if row.relative else (1.0, row.unit)
        spread = "-"
        if row.spread is not None and row.spread_low is not None and row.spread_high is not None:
            spread = f"{one * row.spread:.2g} ({one * row.spread_low:.2g} to {one * row.spread_high:.2g}) {many}"
        shown = ["-" if value is None else f"{value:.4g}" for value in (row.middle, row.least, row.greatest)]
        known = "-" if row.known_good is None else f"{row.known_good:.4g}"
        table.append(
            (f"{row.quantity},{unit}" if unit else row.quantity, f"{row.n} of {row.of}", *shown, spread, known)
        )
    return _aligned(table)


def _substitute(args: argparse.Namespace) -> int:
    from benchwarden.core.unit import load_unit
    from benchwarden.parts.substitute import CircuitFacts, check_substitution

    unit = load_unit(args.unit)
    parts = _parts(args.parts)
    wanted = Substitution(args.role, _of_list(parts, args.original), _of_list(parts, args.candidate))
    found = check_substitution(wanted, CircuitFacts.of(unit, args.role))
    _say(json.dumps(plain_table(found), indent=1) if args.json else "\n".join(substitute_lines(found)))
    return EXIT_CODES[found.level]


def _of_list(parts: Mapping[str, Ratings], marking: str) -> Ratings:
    if marking in parts:
        return parts[marking]
    near = get_close_matches(marking, parts, n=_SHOWN_MARKINGS, cutoff=0.4) or list(parts)[:_SHOWN_MARKINGS]
    more = f" ({len(parts)} in all; `parts list` shows them)" if len(parts) > len(near) else ""
    raise JobError(
        f"{marking[:80]!r} is not in the parts list; allowed: {', '.join(near) or 'none, it is empty'}{more}"
    )


def substitute_lines(found: SubstituteFindings) -> list[str]:
    """Return what a terminal shows of one type held against another."""
    lines = [f"{found.level.upper()}: {found.candidate} in place of {found.original}, as {found.role}"]
    lines += _wrapped(found.headline)
    for row in sorted((row for row in found.rows if row.verdict != FINE), key=lambda row: _GRAVE.index(row.verdict)):
        lines += ["", *_wrapped(f"{row.quantity}: {row.why}", f"{row.verdict.upper():11}", " " * 11)]
        figures = f"{row.original} -> {row.candidate}; needed: {row.needed}"
        for words in (figures, row.working, f"Source: {row.source}" if row.source else ""):
            lines += _wrapped(words, " " * 11, " " * 11) if words else []
    fine = [(row.quantity, row.original, row.candidate, row.needed) for row in found.rows if row.verdict == FINE]
    if fine:
        lines += ["", *_aligned([("Fine", "original", "candidate", "needed"), *fine])]
        lines += ["(--json gives the working and the source of each)"]
    if found.margins:
        lines += ["", "Safe operating area, nearest points"]
        table = [("of", "load", "margin", "at", "allowed there", "boundary")]
        for at in found.margins:
            point = f"{at.at_v:.3g} V, {at.at_a:.3g} A"
            table.append((at.of, at.load, f"{at.margin_pct:+.0f} %", point, f"{at.limit_a:.3g} A", at.curve))
        lines += _aligned(table)
    return [*lines, "", *_wrapped(found.caution, "CAUTION: ", "")]


def _list(args: argparse.Namespace) -> int:
    parts = _parts(args.parts)
    table: list[tuple[str, ...]] = [("type", "polarity", "V", "A", "W at 25 C", "MHz", "package", "source")]
    for marking, one in parts.items():
        figures = ["-" if f is None else f"{f:g}" for f in (one.vceo_v, one.ic_max_a, one.power_w, one.ft_mhz)]
        table.append((marking, one.polarity, *figures, one.package or "-", one.source))
    _say("\n".join(_aligned(table)))
    return 0


def _aligned(table: Sequence[tuple[str, ...]]) -> list[str]:
    cut = [tuple(_shown(cell, 48) for cell in line) for line in table]
    widths = [max(len(line[k]) for line in cut) for k in range(len(cut[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in cut]


def _shown(cell: str, room: int) -> str:
    flat = " ".join(cell.split())
    return flat if len(flat) <= room else flat[: room - 1] + "…"


def _wrapped(words: str, first: str = "", rest: str = "") -> list[str]:
    width = max(min(shutil.get_terminal_size((100, 24)).columns, _WIDEST), _NARROWEST)
    return textwrap.wrap(words, width, initial_indent=first, subsequent_indent=rest) or [first.rstrip()]


def _say(text: str) -> None:
    """Print lines; what a terminal would act on is taken out, whoever wrote it."""
    kept = "".join(c if c.isprintable() or c == "\n" else " " for c in text)
    encoding = sys.stdout.encoding or "utf-8"
    sys.stdout.write(kept.encode(encoding, "replace").decode(encoding) + "\n")
