"""How is the form of the unit facts laid out?"""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from benchwarden.core.unit_facts import FACTS, GROUPS, Fact
from benchwarden.dashboard.frame import named
from benchwarden.dashboard.plan_form import empty_texts, text_of

# Asks a phone for its keys with digits and point; the component's own list of modes lacks it.
DECIMAL = named({"inputMode": "decimal"})


def form() -> Any:
    """Return every fact in its group, as the fields begin."""
    begin = empty_texts()
    return html.Div(
        [
            html.Fieldset(
                [
                    html.Legend(group),
                    html.Div([_field(fact, begin[fact.key]) for fact in FACTS if fact.group == group]),
                ],
                className="plan-group",
            )
            for group in GROUPS
        ],
        id="plan-form",
        **named({"data-facts": " ".join(fact.key for fact in FACTS)}),
    )


def _field(fact: Fact, text: str) -> Any:
    place = f"fact-{fact.key}"
    notes = [
        html.P([fact.help, html.Span(f" {_allowed(fact)}", className="plan-allowed")], id=f"help-{fact.key}"),
        html.P("", id=f"said-{fact.key}", className="said-wrong"),
    ]
    if fact.kind in ("choice", "yes-no"):
        choices = fact.choices or (("no", "No"), ("yes", "Yes"))
        radios = dcc.RadioItems(
            id=place,
            options=[{"label": label, "value": value} for value, label in choices],
            value=text,
            className="plan-radios",
        )
        # A group of radio buttons is named by its legend.
        return html.Fieldset([html.Legend(fact.label), radios, *notes], className="fact")
    return html.Div(
        [
            html.Label(
                [fact.label, html.Span(f" {fact.unit}", className="plan-unit") if fact.unit else ""], htmlFor=place
            ),
            dcc.Input(
                id=place,
                type="text",
                value=text,
                autoComplete="off",
                spellCheck=False,
                **(DECIMAL if fact.kind in ("number", "whole") else {}),
            ),
            *notes,
        ],
        className="fact is-text" if fact.kind == "text" else "fact",
        **named({"data-needed": "yes" if fact.needed else "no"}),
    )


def _allowed(fact: Fact) -> str:
    if fact.kind not in ("number", "whole"):
        return ""
    if fact.needed:
        return f"Needed; {fact.allowed}."
    if fact.estimated:
        return f"Estimated when left empty ({fact.estimated}); {fact.allowed}."
    return f"Usual: {text_of(fact, fact.default)}; {fact.allowed}."
