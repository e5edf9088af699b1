"""The bill of materials, made from the netlists: `python -m circuits.bom` writes hardware/bom.csv."""

from __future__ import annotations

import csv
import io
import sys
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from circuits.bom_prices import EXTRAS, PRICED_ON, unit_price_eur
from circuits.netlist import Part, Sheet
from circuits.sheets import SHEETS

FILE = Path(__file__).parent.parent / "bom.csv"
UNVERIFIED = "from memory, check before ordering"
ESTIMATE = f"estimate, {PRICED_ON}"
COLUMNS = (
    "board",
    "references",
    "quantity",
    "value",
    "part_class",
    "rating",
    "tolerance_pct",
    "example",
    "example_status",
    "unit_eur",
    "line_eur",
    "price_status",
)
# Several of these parts on one circuit board are one thing to buy: the header
# with its jumper block.
_ONE_THING = ("LINK", "OPEN")


@dataclass(frozen=True)
class Line:
    """Equal parts of one kind of circuit board.

    Attributes:
        references: each once, though the bench has two boards of a kind.
        quantity: for the whole bench.
        unit_eur: estimated price of one, euros.
    """

    board: str
    references: tuple[str, ...]
    quantity: int
    part: Part
    unit_eur: float

    @property
    def line_eur(self) -> float:
        return self.quantity * self.unit_eur

    def row(self) -> list[str]:
        part = self.part
        return [
            self.board,
            " ".join(self.references),
            str(self.quantity),
            "" if part.kind in _ONE_THING else part.value,
            part.part_class,
            part.rating,
            f"{100 * part.tolerance:g}" if part.tolerance else "",
            part.example,
            UNVERIFIED,
            f"{self.unit_eur:.2f}",
            f"{self.line_eur:.2f}",
            ESTIMATE,
        ]


def lines(sheets: Iterable[Sheet]) -> list[Line]:
    """Return the bill, equal parts of a kind of circuit board in one line.

    Raises:
        KeyError: a part class has no price.
    """
    groups: dict[tuple[str, ...], list[tuple[str, Part]]] = defaultdict(list)
    for sheet in sheets:
        for part in sheet.parts:
            value = "" if part.kind in _ONE_THING else f"{part.kind} {part.value}"
            key = (sheet.board, value, part.part_class, part.example, part.rating)
            groups[key].append((sheet.name, part))
    return [_line(key[0], found) for key, found in groups.items()]


def _line(board: str, found: list[tuple[str, Part]]) -> Line:
    first = found[0][1]
    references = tuple(dict.fromkeys(part.ref for _, part in found))
    quantity = len({sheet for sheet, _ in found}) if first.kind in _ONE_THING else len(found)
    return Line(board, references, quantity, first, unit_price_eur(first))


def table(sheets: Iterable[Sheet]) -> str:
    """Return the bill as CSV text, its last line the total."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    bill = lines(sheets)
    writer.writerows(line.row() for line in bill)
    total = sum(line.line_eur for line in bill)
    for extra in EXTRAS:
        cost = extra.quantity * extra.unit_eur
        total += cost
        writer.writerow(
            (
                *("not on a sheet", "", extra.quantity, "", extra.what, extra.rating, "", extra.example),
                *(UNVERIFIED, f"{extra.unit_eur:.2f}", f"{cost:.2f}", ESTIMATE),
            )
        )
    writer.writerow(
        ("total", *[""] * 9, f"{total:.2f}", f"{ESTIMATE}; without VAT, shipping, transformers, meters and labour")
    )
    return out.getvalue()


def main() -> int:
    FILE.write_text(table(SHEETS.values()), encoding="utf-8")
    sys.stdout.write(f"{FILE.name}: {len(lines(SHEETS.values()))} lines\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
