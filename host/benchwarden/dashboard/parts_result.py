"""How is what was found about a lot of parts shown?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import html

from benchwarden.core.part_findings import (
    AS_EXPECTED,
    DO_NOT_FIT,
    DOUBTS,
    NOT_LOOKED_AT,
    NOTHING_FOUND,
    ODD,
    LotFindings,
    MeasuredRow,
    Reason,
    Statistic,
)
from benchwarden.core.part_lots import PartLot
from benchwarden.dashboard.frame import named
from benchwarden.dashboard.status import plain
from benchwarden.parts.quantities import QUANTITIES, Quantity, readings

_SIGNS = {NOTHING_FOUND: "○", DOUBTS: "△", DO_NOT_FIT: "✕"}
_CLASSES = {NOTHING_FOUND: "is-quiet", DOUBTS: "is-doubt", DO_NOT_FIT: "is-no"}
_LOOK_SIGNS = {AS_EXPECTED: "·", ODD: "△", NOT_LOOKED_AT: "–"}
# Names of odd pieces above a strip; more would lie over each other.
_MOST_NAMED = 6


def level_words(level: str) -> str:
    """Return a level with its sign."""
    return f"{_SIGNS[level]} {level[:1].upper()}{level[1:]}"


def result(lot: PartLot, found: LotFindings) -> list[Any]:
    """Return everything that was found about a lot."""
    return [
        html.P(level_words(found.level), className=f"parts-level {_CLASSES[found.level]}"),
        html.P(plain(found.headline, 400)),
        html.P(html.Strong(plain(found.proof)), className="parts-proof"),
        *[_reason(reason) for reason in found.reasons],
        *_strips(lot, found),
        html.Ul([html.Li(plain(words)) for words in found.shows], className="parts-shows"),
        _looked(found),
        _measured(found.measured),
        _statistics(found.statistics),
    ]


def _reason(reason: Reason) -> Any:
    rows = (("Seen", reason.seen), ("Why it matters", reason.matters), ("What to do", reason.todo))
    return html.Div(
        [
            html.H3(f"{_SIGNS[reason.level]} {plain(reason.about, 120)}: {reason.level}"),
            html.Dl([html.Div([html.Dt(name), html.Dd(plain(words, 600))]) for name, words in rows]),
        ],
        className=f"parts-reason {_CLASSES[reason.level]}",
    )


def _looked(found: LotFindings) -> Any:
    missing = sum(row.state == NOT_LOOKED_AT for row in found.looked)
    rows = [
        html.Tr(
            [
                html.Th(plain(row.about, 120), scope="row"),
                html.Td(f"{_LOOK_SIGNS[row.state]} {row.state}", className="parts-state"),
                html.Td(plain(row.words, 400)),
            ],
            className="is-odd" if row.state == ODD else "",
        )
        for row in found.looked
    ]
    return html.Details(
        [
            html.Summary(f"What was looked at: {len(rows) - missing} of {len(rows)}"),
            _table(("Looked at", "Result", "In words"), rows, "What was looked at"),
        ],
        open=True,
    )


def _measured(rows: Sequence[MeasuredRow]) -> Any:
    shown = [
        html.Tr(
            [
                html.Th(row.quantity, scope="row"),
                html.Td(f"{row.n} of {row.of}"),
                html.Td(_with(row.middle, row.unit)),
                html.Td(f"{_with(row.least, row.unit)} to {_with(row.greatest, row.unit)}" if row.n else "–"),
                html.Td(_spread(row)),
                html.Td(_with(row.known_good, row.unit)),
            ]
        )
        for row in rows
    ]
    heads = ("Quantity", "Measured", "Middle", "From, to", "Spread (one sigma), 95 % interval", "Known-good")
    return html.Details([html.Summary("Measured"), _table(heads, shown, "Measured quantities")], open=True)


def _with(value: float | None, unit: str) -> str:
    return "–" if value is None else f"{value:.4g}{f' {unit}' if unit else ''}"


def _spread(row: MeasuredRow) -> str:
    if row.spread is None:
        return "–"

    def shown(value: float) -> str:
        return f"{value * 100:.3g} %" if row.relative else _with(value, row.unit)

    words = shown(row.spread)
    if row.spread_low is not None and row.spread_high is not None:
        words += f" ({shown(row.spread_low)} to {shown(row.spread_high)})"
    return words


def _statistics(rows: Sequence[Statistic]) -> Any:
    if not rows:
        return html.P("No statistical test was made: too few pieces were measured.", className="facts")
    shown = [
        html.Tr(
            [
                html.Th(f"{row.quantity}: {row.name}", scope="row"),
                html.Td(f"{row.value:.3g} against {row.critical:.3g}"),
                html.Td(f"{row.n}"),
                html.Td(f"{row.p:.2g}"),
                html.Td(f"{'△ ' if row.found else ''}{plain(row.words, 400)}"),
                html.Td(row.source, className="facts"),
            ],
            className="is-odd" if row.found else "",
        )
        for row in rows
    ]
    heads = ("Test", "Value, critical", "n", "p", "Result", "Source")
    return html.Details([html.Summary(f"Statistics: {len(rows)} tests"), _table(heads, shown, "Statistical tests")])


def _table(heads: Sequence[str], rows: list[Any], label: str) -> Any:
    return html.Div(
        html.Table(
            [html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])), html.Tbody(rows)],
            className="parts-table",
        ),
        className="parts-scroll",
        tabIndex=0,
        role="group",
        **named({"aria-label": label}),
    )


def _strips(lot: PartLot, found: LotFindings) -> list[Any]:
    odd: dict[str, set[str]] = {}
    for test in found.statistics:
        if test.found:
            odd.setdefault(test.quantity, set()).update(test.pieces)
    strips = [_strip(quantity, lot, odd.get(quantity.name, set())) for quantity in QUANTITIES]
    shown = [strip for strip in strips if strip is not None]
    if not shown:
        return []
    key = html.P("● a piece   ◆ an odd one, with its name   □ a known-good piece, below the line", className="facts")
    return [html.H3("The pieces side by side"), *shown, key]


def _strip(quantity: Quantity, lot: PartLot, odd: set[str]) -> Any:
    """Return the pieces of a lot as marks along a line, and in words; None with nothing measured."""
    pieces, known = readings(quantity, lot.pieces), readings(quantity, lot.known_good)
    if not pieces:
        return None
    judged = [quantity.judged_as(value) for _, value in (*pieces, *known)]
    low, room = min(judged), max(judged) - min(judged)

    def left(value: float) -> str:
        share = (quantity.judged_as(value) - low) / room if room > 0 else 0.5
        return f"{4 + 92 * share:.2f}%"

    marks: list[Any] = []
    named_so_far = 0
    for name, value in pieces:
        is_odd = name in odd
        marks.append(html.I(className="dot odd" if is_odd else "dot", style={"left": left(value)}))
        if is_odd and named_so_far < _MOST_NAMED:
            # Neighbours' names take turns in height.
            above = "dot-name high" if named_so_far % 2 else "dot-name"
            marks.append(html.B(plain(name, 16), className=above, style={"left": left(value)}))
            named_so_far += 1
    marks += [html.I(className="dot known", style={"left": left(value)}) for _, value in known]
    values = [value for _, value in (*pieces, *known)]
    scale = ", ratios even" if quantity.log else ""
    unit = f" {quantity.unit}" if quantity.unit else ""
    told = f"{quantity.name}: " + ", ".join(
        f"{plain(name, 30)} {value:.4g}{unit}{' (odd)' if name in odd else ''}" for name, value in pieces
    )
    told += "".join(f", known-good {plain(name, 30)} {value:.4g}{unit}" for name, value in known)
    return html.Figure(
        [
            html.Figcaption(f"{quantity.name[:1].upper()}{quantity.name[1:]}{f', {quantity.unit}' if unit else ''}"),
            html.Div(marks, className="dots", role="img", **named({"aria-label": told})),
            html.P(
                [html.Span(f"{min(values):.4g}"), html.Span(f"{max(values):.4g}{scale}")],
                className="dots-ends facts",
                **named({"aria-hidden": "true"}),
            ),
        ],
        className="dots-figure",
    )
