"""The substitutes of a job on the parts page: which one is on view, what is typed, what is found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from benchwarden.analysis.careful import doubts_of
from benchwarden.core.job import Job
from benchwarden.core.part_findings import SubstituteFindings
from benchwarden.core.substitutes import Ratings
from benchwarden.core.unit import Unit, unit_from_table
from benchwarden.dashboard import parts_substitute_view as view
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import card, named
from benchwarden.dashboard.parts_job import asked_n
from benchwarden.dashboard.parts_substitute_entry import (
    NUMBERS,
    SIDES,
    TEXTS,
    SubstitutionEntry,
    SubstitutionTexts,
    entry_of,
    new_substitution,
    rating_texts,
    texts_from,
    texts_of,
)
from benchwarden.dashboard.setup_words import sentence
from benchwarden.dashboard.status import plain
from benchwarden.errors import BenchwardenError, PlanError
from benchwarden.part_doubts import LIST_NAME, known_parts
from benchwarden.parts.substitute import CircuitFacts, check_substitution

_FACT = {"sub": ALL, "kind": ALL}
_RATING = {"rating": ALL, "side": ALL}
_MOST = 40
_LABELS = {key: label for key, label, _ in (*TEXTS, *NUMBERS)} | {
    "soa": "safe operating area",
    "gain": "least gain",
    "case_on_collector": "mounting face",
}


def draft_of(job: Job) -> dict[str, Any]:
    """Return the substitutions as the page begins with them: their texts, and which is on view."""
    return {"n": 0, "shown": 0, "ones": [texts_of(one).table() for one in job.substitutions]}


def cards() -> list[Any]:
    """Return the cards of the substitutes, empty."""
    return [
        dcc.Store(id="substitutes-draft"),
        dcc.Store(id="substitutes-form-of"),
        dcc.Store(id="substitutes-state"),
        dcc.Store(id="filled"),
        html.Div(
            [
                card(
                    "Substitutes",
                    html.P("One type in place of another, against what this amplifier asks of it.", className="facts"),
                    html.Div(id="substitutes-list"),
                    html.Div(
                        [
                            html.Button("Add a substitute", id="add-sub", className="plain-button", type="button"),
                            html.Button("Remove the substitute on view", id="remove-sub", className="plain-button",
                                        type="button"),
                        ],
                        className="plan-buttons",
                    ),
                    html.Div(id="parts-list-said"),
                    html.P("", id="sub-said", role="status", className="said"),
                    html.P("", id="fill-said", role="status", className="said"),
                    html.Div(id="substitute-form"),
                ),
                card("May it stand in?", html.Div(id="substitute-result"), id="substitute-found"),
            ],
            className="parts-stack",
        ),
    ]  # fmt: skip


def wire(app: Dash, context: Context) -> None:
    """Add the callbacks of the substitutes; all of them are acts of the bench machine."""
    _edit(app, context)
    _fill(app, context)
    _show_form(app, context)
    _judge(app, context)


def fields() -> list[State]:
    """Return the states from which `ones_of_page` reads what is typed."""
    return [
        State("substitutes-draft", "data"),
        State("substitutes-form-of", "data"),
        State(_FACT, "value"),
        State(_RATING, "value"),
    ]


def ones_of_page(states: Sequence[Any]) -> list[SubstitutionTexts]:
    """Return the texts of all substitutions from `fields` as the browser sends them (ctx.states_list)."""
    draft, form_of = (state.get("value") for state in states[:2])
    facts, ratings = states[2:]
    ones = [texts_from(table) for table in (draft or {}).get("ones") or ()]
    if not draft or not form_of or form_of["n"] != draft["n"] or not form_of["shown"] < len(ones):
        return ones
    typed: dict[str, dict[str, Any]] = {side: {} for side in SIDES}
    for one in ratings:
        typed[one["id"]["side"]][one["id"]["rating"]] = one.get("value")
    ones[form_of["shown"]] = texts_from(
        {"facts": {fact["id"]["sub"]: fact.get("value") for fact in facts}, "ratings": typed}
    )
    return ones


def not_to_keep(ones: Sequence[SubstitutionTexts]) -> str:
    """Return why the substitutions cannot be kept as they are typed, "" where they can."""
    wrong = [plain(one.title, 80) for one in ones if entry_of(one).substitution is None]
    return f"first correct the substitute {', '.join(wrong)}" if wrong else ""


def same(ones: Sequence[SubstitutionTexts], saved: Sequence[Any]) -> bool:
    """Return whether nothing was changed since it was saved."""
    return [one.table() for one in ones] == [texts_from(table).table() for table in saved]


def unit_of(table: Any) -> tuple[Unit | None, str]:
    """Return the job's unit facts; without them None and what is missing, in words."""
    try:
        return unit_from_table(dict(table or {}), "unit facts"), ""
    except (PlanError, TypeError, ValueError) as error:
        return None, plain(error, 400)


def _edit(app: Dash, context: Context) -> None:
    @app.callback(
        Output("substitutes-draft", "data", allow_duplicate=True),
        Output("sub-said", "children"),
        Input("add-sub", "n_clicks"),
        Input("remove-sub", "n_clicks"),
        Input({"sub-pick": ALL}, "n_clicks"),
        *fields(),
        prevent_initial_call=True,
    )
    def edit(*given: Any) -> Any:
        context.at_the_bench()
        by, draft = ctx.triggered_id, given[-4]
        # Buttons that have only just appeared were not pressed.
        if draft is None or not any(one["value"] for one in ctx.triggered):
            raise PreventUpdate
        ones, shown, said = ones_of_page(ctx.states_list), int(draft["shown"]), ""
        if by == "add-sub":
            if len(ones) >= _MOST:
                return no_update, f"{_MOST} substitutes are the most that one job keeps."
            ones.append(new_substitution())
            shown = len(ones) - 1
        elif by == "remove-sub":
            if not ones:
                raise PreventUpdate
            gone = ones.pop(shown)
            shown = max(0, min(shown, len(ones) - 1))
            said = f"{plain(gone.title, 80)} is taken out here; the job keeps it until this is saved."
        elif isinstance(by, dict) and "sub-pick" in by:
            shown = int(by["sub-pick"])
        return {"n": int(draft["n"]) + 1, "shown": shown, "ones": [one.table() for one in ones]}, said


def _fill(app: Dash, context: Context) -> None:
    @app.callback(
        Output(_RATING, "value"),
        Output("fill-said", "children"),
        Output("filled", "data"),
        Input({"fill": ALL}, "n_clicks"),
        State(_RATING, "id"),
        State(_RATING, "value"),
        prevent_initial_call=True,
    )
    def fill(clicks: list[int | None], ids: list[dict[str, str]], values: list[Any]) -> Any:
        context.at_the_bench()
        by = ctx.triggered_id
        if not isinstance(by, dict) or not any(one["value"] for one in ctx.triggered):
            raise PreventUpdate
        side = by["fill"]
        typed = {(place["side"], place["rating"]): value for place, value in zip(ids, values, strict=True)}
        marking = str(typed.get((side, "marking")) or "").strip()
        # Fields of the other side are left as they are, whatever is being typed there.
        kept = [no_update] * len(ids)
        try:
            found = known_parts(context.folders.records)
        except BenchwardenError as error:
            return kept, sentence(error), no_update
        if marking not in found:
            listed = ", ".join(sorted(found)) or "nothing"
            words = f"“{plain(marking, 60)}” is not in the list. Allowed: {plain(listed, 600)}; or type its ratings in."
            return kept, words, no_update
        texts = rating_texts(found[marking])
        filled = [texts[place["rating"]] if place["side"] == side else no_update for place in ids]
        said = f"{plain(marking, 60)}, {side}: {plain(found[marking].source, 200)}."
        return filled, said, {"clicks": sum(count or 0 for count in clicks)}


def _show_form(app: Dash, context: Context) -> None:
    @app.callback(
        Output("substitute-form", "children"),
        Output("substitutes-form-of", "data"),
        Output("remove-sub", "disabled"),
        Output("parts-list-said", "children"),
        Input("substitutes-draft", "data"),
    )
    def show(draft: dict[str, Any] | None) -> Any:
        context.at_the_bench()
        if not draft or not draft["ones"]:
            return [], None, True, []
        shown = int(draft["shown"])
        form = view.form(texts_from(draft["ones"][shown]))
        return form, {"n": draft["n"], "shown": shown}, False, _list_said(context)


def _list_said(context: Context) -> list[Any]:
    """Return which parts list is used, and its types for the fields to offer."""
    own = context.folders.records / LIST_NAME
    try:
        found: Mapping[str, Ratings] = known_parts(context.folders.records)
    except BenchwardenError as error:
        return [html.P(f"✕ The parts list cannot be read: {plain(error, 500)}.", className="said-wrong")]
    words = f"{len(found)} types in the list that comes with the program; some are invented. Your own: {LIST_NAME} in "
    words += "the records folder takes its place."
    if own.exists():
        words = f"{len(found)} types in your own list, {LIST_NAME} in the records folder."
    options = [html.Option(plain(ratings.source, 80), value=marking) for marking, ratings in found.items()]
    return [html.P(words, className="facts"), html.Datalist(options, id="parts-known")]


def _judge(app: Dash, context: Context) -> None:
    @app.callback(
        Output("substitutes-list", "children"),
        Output("substitute-result", "children"),
        Output({"sub-said": ALL}, "children"),
        Output({"rating-said": ALL, "side": ALL}, "children"),
        Output("substitutes-state", "data"),
        Input("typed", "data"),
        State("held", "data"),
        *fields(),
        prevent_initial_call=True,
    )
    def judge(*given: Any) -> Any:
        context.at_the_bench()
        held, draft = given[-5], given[-4]
        if not held or not draft:
            raise PreventUpdate
        ones = ones_of_page(ctx.states_list[1:])
        entries = [entry_of(one) for one in ones]
        unit, missing = unit_of(held["unit"])
        found = [_found(entry, unit) for entry in entries]
        shown = int(draft["shown"])
        entry = entries[shown] if entries else None
        wrong = entry.wrong if entry else {}
        doubts = doubts_of((), [one for one in found if isinstance(one, SubstituteFindings)])
        state = {
            "n": asked_n(given[0]),
            "same": same(ones, held["substitutions"]),
            "stands": _stands(ones, found),
            "doubts": doubts.doubts,
            "against": doubts.against,
        }
        return (
            _listed(ones, entries, found, shown),
            _result(entry, found[shown] if entries else None, missing),
            [wrong.get(("", one["id"]["sub-said"]), "") for one in ctx.outputs_list[2]],
            [wrong.get((one["id"]["side"], one["id"]["rating-said"]), "") for one in ctx.outputs_list[3]],
            state,
        )


def _found(entry: SubstitutionEntry, unit: Unit | None) -> SubstituteFindings | str | None:
    """Return what was found, why it could not be, or None where nothing can be judged yet."""
    if entry.substitution is None or unit is None:
        return None
    try:
        return check_substitution(entry.substitution, CircuitFacts.of(unit, entry.substitution.role))
    except BenchwardenError as error:
        return plain(error, 400)


def _listed(
    ones: Sequence[SubstitutionTexts],
    entries: Sequence[SubstitutionEntry],
    found: Sequence[SubstituteFindings | str | None],
    shown: int,
) -> list[Any]:
    if not ones:
        return [html.P("This job has no substitutes: what is fitted is what was there.")]
    buttons = []
    for number, (one, entry, judged) in enumerate(zip(ones, entries, found, strict=True)):
        level = f"✕ {len(entry.wrong)} to correct" if entry.substitution is None else "? not judged"
        if isinstance(judged, SubstituteFindings):
            level = view.level_words(judged.level)
        buttons.append(
            html.Button(
                [
                    html.Strong(plain(one.title, 80)),
                    html.Span(f" {plain(one.facts['role'], 20)}"),
                    html.Span(level, className="parts-pick-level"),
                ],
                id={"sub-pick": number},
                className="plain-button parts-pick",
                type="button",
                **named({"aria-pressed": "true" if number == shown else "false"}),
            )
        )
    return [html.Div(buttons, className="parts-picks")]


def _result(entry: SubstitutionEntry | None, found: SubstituteFindings | str | None, missing: str) -> list[Any]:
    if entry is None:
        return [html.P("Nothing to judge: there is no substitute on view.")]
    if entry.substitution is None:
        places = [" ".join(part for part in (side, _LABELS.get(key, key)) if part) for side, key in entry.wrong]
        return [html.P(f"Not judged while something is to be corrected: {', '.join(places)}.", className="said-wrong")]
    if missing:
        return [
            html.P("Not judged: the job's unit facts are not complete.", className="said-wrong"),
            html.P(f"{missing}. What a part must bear follows from rails, load, heatsink and power of this amplifier."),
            html.P(["Fill them in on the ", html.A("jobs page", href="/jobs/"), "."]),
        ]
    if isinstance(found, SubstituteFindings):
        return view.result(found)
    return [html.P(f"Not judged: {found}.", className="said-wrong")]


def _stands(ones: Sequence[SubstitutionTexts], found: Sequence[SubstituteFindings | str | None]) -> str:
    words = [
        f"{one.title[:60]}: {judged.level if isinstance(judged, SubstituteFindings) else 'not judged'}"
        for one, judged in zip(ones, found, strict=True)
    ]
    more = f" and {len(words) - 3} more" if len(words) > 3 else ""
    return plain("; ".join(words[:3]) + more, 300)
