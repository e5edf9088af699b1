"""Fields of the jobs page: typed, long, chosen from a few, and rows of them.

What is chosen stands in a hidden field beside a native list; assets/jobs.js keeps the two the same.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from benchwarden.dashboard.frame import named
from benchwarden.dashboard.jobs_form import FACTS, LIST, LISTS, Field, Row, Texts

Choices = Sequence[tuple[str, str]]


def fact_id(key: str) -> str:
    """Return the id of a fact's field."""
    return f"job-{key}"


def row_id(key: str, row: Any, field: Any) -> dict[str, Any]:
    """Return the id of a field in a row; ALL for any."""
    return {"type": "job-row", "list": key, "row": row, "key": field}


def form(texts: Texts, *, locked: bool) -> list[Any]:
    """Return the fields of a job.

    Args:
        locked: nothing can be saved, so no rows can be added.
    """
    short = [_fact(fact, texts.facts[fact.key]) for fact in FACTS if not fact.is_long]
    long = [_fact(fact, texts.facts[fact.key]) for fact in FACTS if fact.is_long]
    return [
        html.Div(short, className="jobs-facts"),
        html.Div(long, className="jobs-stories"),
        *[_list(one.key, texts.rows[one.key], locked=locked) for one in LISTS],
    ]


def rows(key: str, held: Sequence[Row]) -> list[Any]:
    """Return the rows of a list with their fields."""
    if not held:
        return [html.P("None.", className="facts")]
    return [_row(key, number, row) for number, row in enumerate(held)]


def chooser(
    label: str, place: str | dict[str, Any], choices: Choices, value: str, note: str = "", className: str = "fact"
) -> Any:
    """Return a native list of a few choices.

    Args:
        place: id of the field in which the chosen value stands.
        choices: (value, words).
    """
    listed = [html.Option(words, value=code, selected=code == value) for code, words in choices]
    if isinstance(place, str):
        named_list: list[Any] = [
            html.Label(label, htmlFor=f"{place}-list"),
            html.Select(listed, id=f"{place}-list", **named({"data-for": place})),
        ]
    else:
        # The components print the keys of such an id in order.
        target = json.dumps(place, sort_keys=True, separators=(",", ":"))
        named_list = [html.Label([html.Span(label), html.Select(listed, **named({"data-for": target}))])]
    return html.Div(
        [
            *named_list,
            dcc.Input(id=place, type="hidden", value=value, className="jobs-chosen"),
            *([html.P(note)] if note else []),
        ],
        className=className,
    )


def typed(label: str, place: str, value: str = "", note: str = "", **options: Any) -> Any:
    """Return a field of one line."""
    return html.Div(
        [
            html.Label(label, htmlFor=place),
            dcc.Input(id=place, type="text", value=value, autoComplete="off", spellCheck=False, **options),
            *([html.P(note)] if note else []),
        ],
        className="fact",
    )


def story(label: str, place: str, value: str = "", note: str = "") -> Any:
    """Return a field of several lines."""
    return html.Div(
        [
            html.Label(label, htmlFor=place),
            dcc.Textarea(id=place, value=value, className="jobs-story"),
            *([html.P(note)] if note else []),
        ],
        className="fact",
    )


def _fact(fact: Field, value: str) -> Any:
    place = fact_id(fact.key)
    if fact.choices:
        return chooser(fact.label, place, [(choice, choice) for choice in fact.choices], value, fact.help)
    if fact.is_long:
        return story(fact.label, place, value, fact.help)
    return typed(fact.label, place, value, fact.help)


def _list(key: str, held: Sequence[Row], *, locked: bool) -> Any:
    one = LIST[key]
    return html.Section(
        [
            html.H3(one.label),
            html.Div(rows(key, held), id=f"rows-{key}"),
            html.Button(
                f"Add {'an' if one.row[:1] in 'AEIOU' else 'a'} {one.row.lower()}",
                id={"type": "row-add", "list": key},
                className="plain-button",
                type="button",
                disabled=locked,
            ),
        ],
        className="jobs-list",
    )


def _row(key: str, number: int, row: Row) -> Any:
    one = LIST[key]
    name = f"{one.row} {number + 1}"
    return html.Div(
        [
            html.P(str(number + 1), className="jobs-row-number", **named({"aria-hidden": "true"})),
            html.Div(
                [_cell(key, number, field, row[field.key]) for field in one.fields], className=f"jobs-cells {key}"
            ),
            html.Button(
                "Remove",
                id={"type": "row-remove", "list": key, "row": number},
                className="plain-button jobs-remove",
                type="button",
                **named({"aria-label": f"Remove {name.lower()}"}),
            ),
        ],
        className="jobs-row",
        role="group",
        **named({"aria-label": name}),
    )


def _cell(key: str, number: int, field: Field, value: str) -> Any:
    place = row_id(key, number, field.key)
    if field.choices:
        words = [(choice, choice or "not told") for choice in field.choices]
        return chooser(field.label, place, words, value, className="jobs-cell")
    box: Any
    if field.is_long:
        box = dcc.Textarea(id=place, value=value, className="jobs-story jobs-short-story")
    else:
        box = dcc.Input(id=place, type="text", value=value, autoComplete="off", spellCheck=False)
    return html.Div(html.Label([html.Span(field.label), box]), className=f"jobs-cell is-{field.key}")
