"""Small pieces that the cards of the setup page share: facts in two columns, times, commands to copy."""

from __future__ import annotations

import datetime as dt
from typing import Any

from dash import html

from benchwarden.dashboard.frame import named
from benchwarden.dashboard.status import plain


def facts(*rows: tuple[str, Any]) -> Any:
    """Return names and what they are, in two columns."""
    return html.Dl([html.Div([html.Dt(name), html.Dd(what)]) for name, what in rows], className="pairs")


def sentence(error: Exception) -> str:
    """Return an error as a sentence, cleaned."""
    text = plain(error)
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def with_code(text: str) -> list[Any]:
    """Return a sentence, cleaned, in which what stands between two grave accents is set as code."""
    return [html.Code(part) if number % 2 else part for number, part in enumerate(plain(text).split("`"))]


def when(what: str, utc: str) -> str:
    """Return when something was, in the machine's own time."""
    try:
        at = dt.datetime.fromisoformat(utc.replace("Z", "+00:00")).astimezone()
    except ValueError:
        return f"{what} at an unknown time"
    return f"{what} {at:%Y-%m-%d %H:%M:%S}"


def day_in(days: int | None) -> str:
    """Return how far away a day is: "in 5 days", "today", "2 days overdue"."""
    if days is None:
        return "at an unknown date"
    if days < 0:
        return f"{-days} day{'' if days == -1 else 's'} OVERDUE"
    return "today" if days == 0 else f"in {days} day{'' if days == 1 else 's'}"


def copyable(text: str, what: str = "command") -> Any:
    """Return text to copy, with a button for it; assets/setup.js does the copying."""
    return html.Span(
        [
            html.Code(text, className="copied"),
            html.Button("Copy", className="plain-button copy", type="button",
                        **named({"data-copy": "", "aria-label": f"Copy the {what}"})),
        ],
        className="copyable",
    )  # fmt: skip
