"""What all pages beside the bench page share: heading, cards, cautions."""

from __future__ import annotations

from typing import Any

from dash import html

from benchwarden.dashboard import words


def framed(title: str, lead: str, *cards: Any) -> Any:
    """Return a page: its heading, one sentence of what it is for, and its cards in twelve columns."""
    return html.Div(
        [
            html.Header([html.H1(title), html.P(lead, className="facts")], className="page-heading"),
            html.Main(list(cards)),
            html.Footer(words.CAUTIONS),
        ],
        id="place",
    )


def card(title: str, *parts: Any, columns: int = 12, acts: bool = False, **options: Any) -> Any:
    """Return one card with a heading.

    Args:
        columns: 1 to 12 of the page's columns; all of them on a narrow screen.
        acts: what it holds may be done on the bench machine only; not shown to viewers elsewhere.
    """
    kind = f"card span-{columns}" + (" acts" if acts else "")
    return html.Section([html.H2(title), *parts], className=kind, **options)


def named(attributes: dict[str, Any]) -> dict[str, Any]:
    """Return attributes whose names have a hyphen, for use as keyword arguments.

    The components' own types would have to match every other argument.
    """
    return attributes
