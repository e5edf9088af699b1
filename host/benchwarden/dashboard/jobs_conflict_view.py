"""How are both values of every field shown that somebody else changed meanwhile, for a person to choose from?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import html

from benchwarden.dashboard.frame import named
from benchwarden.dashboard.jobs_desk import lines
from benchwarden.dashboard.status import plain


def conflict(table: dict[str, Any] | None) -> Any:
    """Return both values of every field that differs, to choose from.

    Args:
        table: as jobs_merge.table_of gives it, with the choices so far.
    """
    if not table or not table.get("fields"):
        return None
    choices = table.get("choices") or {}
    fields: Sequence[dict[str, str]] = table["fields"]
    left = [one["label"] for one in fields if one["key"] not in choices]
    ready = f"Still to be chosen: {', '.join(left)}." if left else "Everything is chosen."
    return html.Section(
        [
            html.H3("Somebody saved this job meanwhile", id="clash-head", tabIndex=-1),
            html.P(f"{plain(table.get('said', ''), 300)} Nothing of yours was saved or lost. Choose for each field."),
            *[_clash(one, str(choices.get(one["key"], ""))) for one in fields],
            html.P(ready, role="status", className="jobs-left"),
            html.Div(
                [
                    html.Button(
                        "Save what was chosen",
                        id={"type": "clash-do", "what": "save"},
                        className="do",
                        type="button",
                        disabled=bool(left),
                    ),
                    html.Button(
                        "Not now", id={"type": "clash-do", "what": "close"}, className="plain-button", type="button"
                    ),
                ],
                className="plan-buttons",
            ),
        ],
        className="jobs-clash",
        **named({"aria-labelledby": "clash-head"}),
    )


def _clash(one: dict[str, str], chosen: str) -> Any:
    alone = {"mine": "Only you changed it.", "theirs": "Only they changed it."}.get(one["preset"], "Both changed it.")

    def side(name: str, words: str) -> Any:
        is_chosen = chosen == name
        return html.Div(
            [
                html.Button(
                    f"{'✓ ' if is_chosen else ''}{words}",
                    id={"type": "clash", "key": one["key"], "side": name},
                    className="plain-button",
                    type="button",
                    **named({"aria-pressed": str(is_chosen).lower(), "aria-label": f"{one['label']}: {words}"}),
                ),
                html.P(lines(one[name]) or "(empty)", className="jobs-lines"),
            ],
            className="jobs-side-of is-chosen" if is_chosen else "jobs-side-of",
        )

    return html.Div(
        [
            html.P([html.Strong(one["label"]), f". {alone}"]),
            html.Div([side("mine", "Take yours"), side("theirs", "Take theirs")], className="jobs-sides"),
        ],
        role="group",
        **named({"aria-label": one["label"]}),
    )
