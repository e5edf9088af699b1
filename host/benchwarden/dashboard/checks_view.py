"""How is the check sheet laid out, and how is what it amounts to said?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from benchwarden.core.cold_checks import CHANNELS, COLD_CHECKS, SHORTEST_WHY, ColdCheck
from benchwarden.dashboard.checks_rows import NOT_DONE, Entry, Row, Sheet
from benchwarden.dashboard.checks_values import ALLOWED
from benchwarden.dashboard.frame import card, named
from benchwarden.dashboard.status import plain

CAUTIONS = (
    "Plug out before anything is touched, and kept out where nobody else can put it in. A switch is not a plug.",
    "Reservoir capacitors stay charged: measure each one, discharge through a resistor, measure again. It comes back "
    "by itself to some volts.",
    "One hand, dry, no rings. Mains wiring and insulation belong to those who are licensed for it; local codes come "
    "first.",
    "These checks find what commonly kills parts and burns. They do not prove the set safe, and Benchwarden is not a "
    "certified protective device.",
)
_STATES = (("Not done", NOT_DONE), ("Passed", "passed"), ("Failed", "failed"), ("Skipped", "skipped"))
_NOISE = (("Not tried", ""), ("Quiet", "quiet"), ("Noisy", "noisy"))
_SIGNS = {"passed": "✓", "failed": "✕", "skipped": "△"}


def cautions() -> Any:
    """Return the card that comes before everything."""
    return card(
        "First",
        html.Ul([html.Li(words) for words in CAUTIONS], className="checks-cautions"),
        id="checks-cautions",
    )


def check_card(check: ColdCheck, rows: Sequence[tuple[int, Row]]) -> Any:
    """Return one check with its rows; `rows` come numbered."""
    limits = check.limit_words()
    limits = f"{limits[:1].upper()}{limits[1:]}." if limits else "Seen to be right; nothing is measured."
    facts = [
        html.Div([html.Dt("How"), html.Dd(check.how)]),
        html.Div([html.Dt("Passes"), html.Dd([html.Strong(limits), html.Span(f" {_from(check)}", className="facts")])]),
        html.Div([html.Dt("Powered with it failed"), html.Dd(check.harm)]),
    ]
    sides = CHANNELS if check.per_channel else ("",)
    title = check.title if check.required else f"{check.title} (where the set has it)"
    return card(
        title,
        html.Dl(facts, className="checks-facts"),
        *[
            html.Div(
                [
                    html.Div(
                        [line(check, number, row) for number, row in rows if row.side == side],
                        id={"kind": "lines", "check": check.key, "side": side},
                    ),
                    html.Button(
                        f"Add a row, {side}" if side else "Add a row",
                        id={"kind": "add", "check": check.key, "side": side},
                        className="plain-button",
                        type="button",
                        **named({"aria-label": f"Add a row to {check.title}{f', {side}' if side else ''}"}),
                    ),
                ],
                className="checks-side",
            )
            for side in sides
        ],
        id=anchor(check.key),
        **named({"data-check": check.key}),
    )


def anchor(key: str) -> str:
    """Return the id of a check's card."""
    return f"check-{key.replace(' ', '-')}"


def _from(check: ColdCheck) -> str:
    return f"Source: {check.source}." if check.limit_words() else ""


def line(check: ColdCheck, number: int, row: Row) -> Any:
    """Return the fields of one row."""
    name = f"{check.title}, {row.side}" if row.side else check.title

    def place(key: str) -> dict[str, Any]:
        return {"row": number, "check": check.key, "side": row.side, "key": key}

    def field(key: str, label: str, kind: str = "") -> Any:
        return html.Label(
            [
                html.Span(label),
                dcc.Input(id=place(key), type="text", value=getattr(row, key), autoComplete="off", spellCheck=False),
            ],
            className=f"fact checks-{key} {kind}".strip(),
        )

    def choice(key: str, legend: str, options: Sequence[tuple[str, str]]) -> Any:
        radios = dcc.RadioItems(
            id=place(key),
            options=[{"label": label, "value": value} for label, value in options],
            value=getattr(row, key),
            className="plan-radios",
        )
        return html.Fieldset([html.Legend(legend), radios], className=f"fact checks-{key}")

    fields = [
        field("part", f"{row.side.capitalize()}: part or place" if row.side else "Part or place"),
        choice("state", "Result", _STATES),
    ]
    if check.unit and check.compares:
        fields.append(field("marked", f"Marked, {check.unit}", "is-number"))
    if check.unit:
        fields.append(field("measured", f"Measured, {check.unit}", "is-number"))
    if check.asks_noise:
        fields.append(choice("noisy", "Tapped and warmed", _NOISE))
    fields += [
        html.P(verdict(Entry(Row(check.key), None, {})), id={"verdict": number}, className="checks-verdict"),
        field("note", "Note"),
        field("why", f"Power up all the same, because ({SHORTEST_WHY} letters or more; it is recorded)"),
    ]
    return html.Div(fields, id={"line": number}, className="checks-line", role="group", **named({"aria-label": name}))


def line_class(entry: Entry) -> str:
    """Return the classes of a row's line: its state, and whether a reason is asked for."""
    words = ["checks-line"]
    if entry.wrong:
        words.append("is-wrong")
    if entry.judged is not None:
        words.append(f"is-{entry.judged.state}")
    if entry.row.why or (entry.judged is not None and entry.judged.state != "passed"):
        words.append("asks-why")
    return " ".join(words)


def verdict(entry: Entry) -> list[Any]:
    """Return how one row counts, in words."""
    if entry.wrong:
        return [html.Strong("✕ Cannot be read"), html.Span(f": {plain(' '.join(entry.wrong.values()), 400)}")]
    judged = entry.judged
    if judged is None:
        return [html.Strong("○ Not done")]
    parts: list[Any] = [html.Strong(f"{_SIGNS[judged.state]} {judged.state.capitalize()}")]
    if judged.why != judged.state:
        parts.append(html.Span(f": {plain(judged.why, 300)}"))
    if judged.is_excused:
        parts.append(html.Span(" · goes on with your reason"))
    return parts


def statement(found: Sheet, held: bool) -> list[Any]:
    """Return whether power may go on, and everything that stands in the way.

    Args:
        held: the marked values were held against the job's unit facts.
    """
    done = sum(entry.judged is not None for entry in found.entries)
    parts: list[Any] = []
    if found.is_open:
        parts.append(html.P("○ Power may go on, in stages.", className="checks-gate is-open"))
    else:
        count = len(found.blocking)
        parts.append(
            html.P(
                f"✕ Power must not go on: {count} {'thing stands' if count == 1 else 'things stand'} in the way.",
                className="checks-gate is-shut",
            )
        )
    parts.append(html.P(f"{done} of {len(found.entries)} rows filled in.", className="facts"))
    if found.blocking:
        parts.append(_listed("In the way", found.blocking))
    if found.gate.excused:
        parts.append(_listed("Goes on all the same, with the reason in the record", found.gate.excused))
    if not held:
        parts.append(
            html.P(
                "The job has no complete unit facts yet: marked emitter resistors were not held against the plan's.",
                className="facts",
            )
        )
    return parts


def short_statement(found: Sheet) -> str:
    """Return the statement in a line, for beside the save button."""
    if found.is_open:
        return "○ Power may go on, in stages."
    first = found.blocking[0].split(". ")[0].rstrip(".")
    more = f" (and {len(found.blocking) - 1} more)" if len(found.blocking) > 1 else ""
    return f"✕ Power must not go on: {plain(first, 160)}{more}."


def _listed(title: str, sentences: Sequence[str]) -> Any:
    items = [html.Li(_linked(plain(words, 700))) for words in sentences]
    return html.Div([html.H3(title), html.Ul(items)], className="checks-list")


def _linked(words: str) -> list[Any]:
    """Return a sentence whose check, which it begins with, leads to its card."""
    for check in COLD_CHECKS:
        if words.startswith(check.title):
            return [html.A(check.title, href=f"#{anchor(check.key)}"), words[len(check.title) :]]
    return [words]


def entry_help() -> Any:
    """Return how readings are typed."""
    return html.Details(
        [
            html.Summary("How readings are typed"),
            html.Ul(
                [html.Li(f"{words[:1].upper()}{words[1:]}.") for words in ALLOWED.values()]
                + [
                    html.Li("The letter may stand in the place of the point, as on the part: 0R22 is 0.22 ohm."),
                    html.Li("Decimal comma and point are both read; a thousand is written without a mark."),
                    html.Li("The meter shows overload: type its highest range, such as 20M, and say so in the note."),
                    html.Li(
                        "A reading alone is enough: the limits judge it. Ticked “passed” with a reading outside the "
                        "limits counts as failed."
                    ),
                    html.Li(
                        "A row that stays empty is not kept. Several rows of a check (one a part) all have to pass."
                    ),
                ]
            ),
        ],
        className="parts-screen",
    )
