"""How the list of all runs is laid out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from dash import dcc, html

from benchwarden.dashboard import words
from benchwarden.dashboard.frame import card, named
from benchwarden.dashboard.runs_list import RunRow

# Rows shown at first and added by each press: enough to look through, quick to draw.
PAGE_ROWS = 60
_COLUMNS = ("started", "model", "serial", "customer", "kind", "duration", "verdict")


def list_page() -> list[Any]:
    """Return the cards of the list, which is filled when it is on view."""
    return [
        card(
            "All runs",
            html.Div(
                [
                    html.Label("Search", htmlFor="runs-search"),
                    dcc.Input(
                        id="runs-search",
                        type="text",
                        debounce=0.25,
                        autoComplete="off",
                        placeholder="model, serial, customer, verdict …",
                    ),
                ],
                className="runs-search",
            ),
            html.P(id="runs-said", className="facts", role="status"),
            html.Div(id="runs-rows"),
            html.Button("Show more", id="runs-more", className="plain-button", type="button", hidden=True, n_clicks=0),
            dcc.Interval(id="runs-tick", interval=500),
            id="runs-list",
        )
    ]


def rows_of(rows: Sequence[RunRow]) -> Any:
    """Return rows as a table."""
    head = html.Thead(html.Tr([html.Th(name, scope="col") for name in _COLUMNS]))
    table = html.Table([head, html.Tbody([_row(row) for row in rows])], className="runs-table")
    # Fetches the plots' program once the list is there: a run then opens a second sooner.
    ahead = html.Div(dcc.Graph(config={"staticPlot": True}), className="ahead", **named({"aria-hidden": "true"}))
    return html.Div([table, ahead])


def _row(row: RunRow) -> Any:
    sign, said = row.verdict_words
    link = dcc.Link(row.started or row.name, href=f"/runs/?run={quote(row.name, safe='')}")
    marks: list[Any] = [html.Span("virtual bench", className="mark")] if row.virtual else []
    first = html.Th([link, html.Span(row.title, className="facts"), *marks], scope="row")
    if row.problem:
        wrong = html.Td([html.Strong(f"{sign} {said}: "), row.problem], colSpan=len(_COLUMNS) - 1)
        return html.Tr([first, wrong], className="is-wrong")
    cells = (
        ("model", row.model),
        ("serial", row.serial),
        ("customer", row.customer),
        ("kind", row.kind),
        ("duration", words.duration(row.duration_s) if row.duration_s is not None else ""),
        ("verdict", f"{sign} {said}"),
    )
    kind = f"is-{row.verdict}" if row.verdict in ("pass", "trip", "incomplete") else ""
    return html.Tr([first, *(html.Td(text, **named({"data-label": name})) for name, text in cells)], className=kind)


def nothing_yet() -> Any:
    """Return what stands where no run has been made yet."""
    return html.Div(
        [
            html.P("No run is kept here yet.", className="place"),
            html.P(
                "Each supervised run leaves its folder here, and this list finds it by itself. To see one without "
                "hardware: benchwarden demo."
            ),
        ],
        className="empty",
    )


def nothing_found(wanted: str) -> Any:
    """Return what stands where the search finds no run."""
    return html.P(f"No run has “{wanted}” in any of its fields.", className="empty")
