"""How are a substitution's fields and what was found about it shown?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import plotly.graph_objects as go
from dash import dcc, html

from benchwarden.core.job import PART_ROLES
from benchwarden.core.part_findings import (
    DOUBT,
    FINE,
    NO,
    NOT_KNOWN,
    AreaCurve,
    AreaMargin,
    RatingRow,
    SubstituteFindings,
)
from benchwarden.core.part_lots import POLARITIES
from benchwarden.dashboard.frame import named
from benchwarden.dashboard.parts_substitute_entry import (
    GAIN_HELP,
    INSULATED,
    NUMBERS,
    SIDES,
    SOA_HELP,
    TEXTS,
    SubstitutionTexts,
)
from benchwarden.dashboard.plan_facts import DECIMAL
from benchwarden.dashboard.status import plain

_SIGNS = {FINE: "○", DOUBT: "△", NO: "✕", NOT_KNOWN: "?"}
_CLASSES = {FINE: "is-quiet", DOUBT: "is-doubt", NO: "is-no", NOT_KNOWN: "is-doubt"}
_TITLES = {"original": "Original: what belongs there", "candidate": "Candidate: what is to be fitted"}
# Line by what it is, so that the picture reads without colour; colours by assets/parts.css alone.
_DASHES = {"original": "dash", "candidate": "solid", "load": "dot"}
# The original's lies under the candidate's and shows beside it where both run alike.
_WIDTHS = {"original": 5, "candidate": 2.5}
_MARKS = ("circle", "square", "diamond", "cross", "x", "triangle-up", "triangle-down", "star")
_CONFIG: Any = {"displayModeBar": False, "displaylogo": False, "responsive": True, "scrollZoom": False}


def level_words(level: str) -> str:
    """Return a verdict with its sign."""
    return f"{_SIGNS[level]} {level[:1].upper()}{level[1:]}"


def form(texts: SubstitutionTexts) -> list[Any]:
    """Return the fields of a substitution."""
    facts = [
        html.Fieldset(
            [
                html.Legend("Role"),
                dcc.RadioItems(
                    id={"sub": "role", "kind": "choice"},
                    options=[{"label": role, "value": role} for role in PART_ROLES],
                    value=texts.facts["role"],
                    className="plan-radios",
                ),
                html.P("", id={"sub-said": "role"}, className="said-wrong"),
            ],
            className="fact",
        ),
        _box({"sub": "positions", "kind": "typed"}, "Positions", texts.facts["positions"],
             "as in the circuit diagram: Q601, Q603", {"sub-said": "positions"}),
        _box({"sub": "note", "kind": "typed"}, "Note", texts.facts["note"], "", {"sub-said": "note"}),
    ]  # fmt: skip
    return [html.Div(facts, className="parts-three"), *[_side(side, texts) for side in SIDES]]


def _side(side: str, texts: SubstitutionTexts) -> Any:
    typed = texts.ratings[side]

    def box(key: str, label: str, note: str = "", unit: str = "", long: bool = False, listed: bool = False) -> Any:
        place, said = {"rating": key, "side": side}, {"rating-said": key, "side": side}
        return _box(place, label, typed[key], note, said, unit, long, listed)

    def choice(key: str, legend: str, options: Iterable[tuple[str, str]]) -> Any:
        return html.Fieldset(
            [
                html.Legend(legend),
                dcc.RadioItems(
                    id={"rating": key, "side": side},
                    options=[{"label": label, "value": value} for label, value in options],
                    value=typed[key],
                    className="plan-radios",
                ),
                html.P("", id={"rating-said": key, "side": side}, className="said-wrong"),
            ],
            className="fact",
        )

    key, label, note = TEXTS[0]
    insulated = zip(("Not known", "Yes", "No"), INSULATED, strict=True)
    return html.Fieldset(
        [
            html.Legend(_TITLES[side]),
            html.Div(
                [
                    html.Div(
                        [
                            box(key, label, note, listed=True),
                            html.Button("Fill in from the list", id={"fill": side}, className="plain-button",
                                        type="button",
                                        **named({"aria-label": f"Fill in the {side} from the parts list"})),
                        ],
                        className="parts-fill",
                    ),
                    html.Details(
                        [
                            html.Summary("Its ratings, from the list or typed in"),
                            html.Div(
                                [
                                    *[box(key, label, note) for key, label, note in TEXTS[1:]],
                                    choice("polarity", "Polarity", [(p, p) for p in POLARITIES]),
                                    choice("case_on_collector", "Mounting face is the collector", insulated),
                                    *[box(key, label, unit=unit) for key, label, unit in NUMBERS],
                                    box("gain", "Least gain", GAIN_HELP),
                                    box("soa", "Safe operating area at 25 °C case", SOA_HELP, long=True),
                                    box("note", "Note", long=True),
                                ],
                                className="parts-ratings",
                            ),
                        ],
                    ),
                ]
            ),
        ],
        className="plan-group",
    )  # fmt: skip


def _box(
    place: dict[str, Any],
    label: str,
    text: str,
    note: str,
    said: dict[str, Any],
    unit: str = "",
    long: bool = False,
    listed: bool = False,
) -> Any:
    if long:
        field: Any = dcc.Textarea(id=place, value=text, rows=3, className="parts-long", spellCheck=False)
    else:
        more: dict[str, Any] = {**(DECIMAL if unit else {}), **({"list": "parts-known"} if listed else {})}
        field = dcc.Input(id=place, type="text", value=text, autoComplete="off", spellCheck=False, **more)
    named_by = [label, html.Span(f" {unit}", className="plan-unit") if unit else ""]
    words = f"{note[:1].upper()}{note[1:]}{'' if note.endswith('.') or not note else '.'}"
    return html.Div(
        [
            html.Label([html.Span(named_by), field]),
            html.P(words, hidden=not words),
            html.P("", id=said, className="said-wrong"),
        ],
        className="fact",
    )


def result(found: SubstituteFindings) -> list[Any]:
    """Return everything that was found about a substitution."""
    return [
        html.P(level_words(found.level), className=f"parts-level {_CLASSES[found.level]}"),
        html.P(plain(found.headline, 500)),
        html.P(html.Strong(plain(found.caution, 900)), className="parts-proof"),
        _rows(found),
        *_area(found),
    ]


def _rows(found: SubstituteFindings) -> Any:
    types = plain(found.original, 40) or "Original", plain(found.candidate, 40) or "Candidate"
    heads = ("Rating", *types, "Needed here", "Verdict", "Why")
    return _table(heads, [_row(row) for row in found.rows], "Original and candidate, rating by rating")


def _row(row: RatingRow) -> Any:
    why: list[Any] = [plain(row.why, 500)]
    if row.source:
        why.append(html.Span(f" Source: {plain(row.source, 300)}.", className="facts"))
    return html.Tr(
        [
            html.Th(plain(row.quantity, 80), scope="row"),
            html.Td(plain(row.original, 160)),
            html.Td(plain(row.candidate, 160)),
            html.Td([plain(row.needed, 160), html.Div(plain(row.working, 400), className="facts")]),
            html.Td(level_words(row.verdict), className="parts-state"),
            html.Td(why),
        ],
        className="" if row.verdict == FINE else "is-odd",
    )


def _area(found: SubstituteFindings) -> list[Any]:
    if not found.curves:
        return [html.P("No safe operating area is known of either type: nothing to draw.", className="facts")]
    return [
        html.H3("Safe operating area, both axes logarithmic"),
        html.P(
            "Broken lines are the original's boundaries, whole ones the candidate's, dotted ones with marks where the "
            "loads take the operating point. A load line outside a boundary destroys the part there.",
            className="facts",
        ),
        html.Div(
            dcc.Graph(
                figure=area_figure(found.curves, {"original": found.original, "candidate": found.candidate}),
                config=_CONFIG,
            ),
            role="img",
            className="parts-area",
            **named(
                {
                    "aria-label": area_words(found),
                    "data-limits": str(sum(curve.kind == "limit" for curve in found.curves)),
                    "data-originals": str(sum(curve.of == "original" for curve in found.curves)),
                }
            ),
        ),
        _margins(found.margins),
    ]


def area_figure(curves: Sequence[AreaCurve], types: Mapping[str, str]) -> go.Figure:
    """Return boundaries and load lines on logarithmic axes.

    Args:
        types: markings of "original" and "candidate".
    """
    figure = go.Figure()
    for number, curve in enumerate(in_order(curves)):
        load = curve.kind == "load"
        figure.add_scatter(
            x=list(curve.volts),
            y=list(curve.amps),
            name=plain(f"{types[curve.of]}, {curve.label}" if curve.of in types else curve.label, 80),
            mode="lines+markers",
            line={"dash": _DASHES.get(curve.of, "solid"), "width": _WIDTHS.get(curve.of, 2)},
            marker={"symbol": _MARKS[number % len(_MARKS)], "size": 6 if load else 8,
                    "maxdisplayed": 12 if load else 6},
            hovertemplate="%{x:.3g} V, %{y:.3g} A<extra>%{fullData.name}</extra>",
        )  # fmt: skip
    figure.update_layout(
        template="none",
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        margin={"l": 62, "r": 12, "t": 8, "b": 46},
        font={"size": 13},
        legend={"orientation": "h", "y": 1.02, "yanchor": "bottom"},
        hovermode="closest",
        xaxis={
            "type": "log",
            "title": {"text": "Collector to emitter, V", "standoff": 6},
            "dtick": "D2",
            "exponentformat": "none",
        },
        yaxis={"type": "log", "title": {"text": "Collector current, A"}, "dtick": "D2", "exponentformat": "none"},
    )
    return figure


def in_order(curves: Sequence[AreaCurve]) -> list[AreaCurve]:
    """Return the original's boundaries, the candidate's, then the loads: the order that assets/parts.css colours by."""
    kinds = {("limit", "original"): 0, ("limit", "candidate"): 1}
    return sorted(curves, key=lambda curve: kinds.get((curve.kind, curve.of), 2))


def area_words(found: SubstituteFindings) -> str:
    """Return the picture in words: which curves there are, and how near they come."""
    names = ", ".join(plain(f"{curve.of}: {curve.label}", 80) for curve in found.curves)
    near = "; ".join(
        f"{plain(one.of, 20)}, {plain(one.load, 60)}: {one.margin_pct:.0f} % left "
        f"at {one.at_v:.3g} V and {one.at_a:.3g} A"
        for one in found.margins
    )
    return f"Safe operating area with {names}. {near or 'No margins are known'}."


def _margins(rows: Sequence[AreaMargin]) -> Any:
    shown = [
        html.Tr(
            [
                html.Th(plain(row.of, 40), scope="row"),
                html.Td(plain(row.load, 120)),
                html.Td(f"{'✕ beyond by ' if row.margin_pct < 0 else ''}{abs(row.margin_pct):.0f} %"),
                html.Td(f"{row.at_v:.3g} V, {row.at_a:.3g} A of {row.limit_a:.3g} A"),
                html.Td(plain(row.curve, 80)),
                html.Td(f"{row.beyond_dc_s * 1000:.3g} ms" if row.beyond_dc_s else "–"),
            ],
            className="is-odd" if row.margin_pct < 0 else "",
        )
        for row in rows
    ]
    heads = ("Part", "Load", "Left at the nearest point", "There", "Boundary", "Beyond dc, in a cycle")
    return _table(heads, shown, "Margins to the safe operating area")


def _table(heads: Sequence[str], rows: list[Any], label: str) -> Any:
    return html.Div(
        html.Table(
            [html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])), html.Tbody(rows)],
            className="parts-table parts-wide",
        ),
        className="parts-scroll",
        tabIndex=0,
        role="group",
        **named({"aria-label": label}),
    )
