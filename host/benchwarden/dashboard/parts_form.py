"""How is the form of one lot laid out, and how is what is wrong in it said?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from benchwarden.dashboard.frame import named
from benchwarden.dashboard.parts_entry import LotEntry, LotTexts
from benchwarden.dashboard.parts_fields import ASKED, COLUMNS, GROUPS, TABLE_HELP, TABLES, Asked
from benchwarden.dashboard.plan_facts import DECIMAL
from benchwarden.dashboard.status import plain


def form(texts: LotTexts) -> list[Any]:
    """Return the fields of a lot."""
    groups = [
        html.Fieldset(
            [
                html.Legend(group),
                html.Div([_field(asked, texts.facts.get(asked.key, "")) for asked in ASKED if asked.group == group]),
            ],
            className="plan-group",
        )
        for group in GROUPS
    ]
    return [*groups, *[_table(key, texts) for key in TABLES]]


def _field(asked: Asked, text: str) -> Any:
    place = {"lot": asked.key, "kind": asked.kind}
    notes = [
        html.P([asked.help, html.Span(f" {_capital(asked.allowed)}.", className="plan-allowed", hidden=asked.kind not in
                                      ("number", "whole"))]),
        html.P("", id={"lot-said": asked.key}, className="said-wrong"),
    ]  # fmt: skip
    if asked.kind == "choice":
        radios = dcc.RadioItems(
            id=place,
            options=[{"label": choice, "value": choice} for choice in asked.choices],
            value=text,
            className="plan-radios",
        )
        return html.Fieldset([html.Legend(asked.label), radios, *notes], className="fact")
    label = [asked.label, html.Span(f" {asked.unit}", className="plan-unit") if asked.unit else ""]
    if asked.kind == "long":
        box: Any = dcc.Textarea(id=place, value=text, rows=3, className="parts-long")
    else:
        keys = DECIMAL if asked.kind in ("number", "whole") else {}
        box = dcc.Input(id=place, type="text", value=text, autoComplete="off", spellCheck=False, **keys)
    # The component's id is none that a label could point at by name: the label holds it.
    return html.Div([html.Label([html.Span(label), box]), *notes], className="fact")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _table(key: str, texts: LotTexts) -> Any:
    heads = [
        html.Th([column.label, html.Span(f" {column.unit}", className="plan-unit") if column.unit else ""], scope="col")
        for column in COLUMNS
    ]
    rows = [table_row(key, number, row) for number, row in enumerate(texts.tables[key])]
    body = html.Tbody(rows, id={"kind": "rows", "of": key})
    return html.Fieldset(
        [
            html.Legend(TABLES[key]),
            html.Div(
                [
                    html.P(TABLE_HELP[key], className="facts"),
                    html.Div(
                        html.Table([html.Thead(html.Tr(heads)), body], className="pieces-table"),
                        className="parts-scroll",
                        tabIndex=0,
                        role="group",
                        **named({"aria-label": f"{TABLES[key]}, table"}),
                    ),
                    html.Div([], id={"table-said": key}),
                    html.Button("Four more rows", id={"kind": "more", "of": key}, className="plain-button",
                                type="button", **named({"aria-label": f"Four more rows: {TABLES[key]}"})),
                ]
            ),
        ],
        className="plan-group parts-table-group",
    )  # fmt: skip


def table_row(key: str, number: int, row: Sequence[str]) -> Any:
    """Return one row of a table of pieces."""
    cells = []
    for column, cell in zip(COLUMNS, row, strict=True):
        keys = {} if column.key == "name" else DECIMAL
        place = {"cell": column.key, "of": key, "row": number}
        field = dcc.Input(id=place, type="text", value=cell, autoComplete="off", spellCheck=False, **keys)
        told = {"data-of": key, "data-row": str(number), "data-key": column.key}
        cells.append(html.Td(field, **named({**told, "data-label": f"{column.label}, row {number + 1}"})))
    return html.Tr(cells)


def table_said(key: str, entry: LotEntry) -> list[Any]:
    """Return what is wrong in a table, each with its row and column; assets/parts.js marks the cells by it."""
    labels = {column.key: column.label for column in COLUMNS}
    return [
        html.P(
            f"Row {row + 1}, {labels[column]}: {plain(words, 200)}",
            id=f"cell-said-{key}-{row}-{column}",
            className="said-wrong",
            **named({"data-cell": f"{key} {row} {column}"}),
        )
        for (table, row, column), words in entry.cells.items()
        if table == key
    ]
