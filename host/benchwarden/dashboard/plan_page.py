"""The plan page: unit facts, the sets they are kept in, the plan they give, and the start of a run."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from typing import Any

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from benchwarden.analysis.plan_file import plan_from_table
from benchwarden.analysis.plan_text import working_text
from benchwarden.core.plan import Plan
from benchwarden.core.unit_facts import FACT, FACTS
from benchwarden.dashboard import plan_facts, plan_view
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import card, framed, named
from benchwarden.dashboard.plan_before import ready_before
from benchwarden.dashboard.plan_edit import Planned, RunWish, Texts, planned, texts_of_plan, usual_hours
from benchwarden.dashboard.plan_facts import DECIMAL
from benchwarden.dashboard.plan_form import EXAMPLE, entry_of, texts_of
from benchwarden.dashboard.plan_start import FASTEST, FAULTS, NO_FAULT, PORT_ALLOWED, Starter, Wish, command
from benchwarden.dashboard.status import plain
from benchwarden.errors import JobError, PlanError, RecordError, StageError
from benchwarden.record.unit_store import NAME_ALLOWED, UnitStore

_TYPED = [fact for fact in FACTS if fact.kind not in ("choice", "yes-no")]
_CHOSEN = [fact for fact in FACTS if fact.kind in ("choice", "yes-no")]
_EDITS = {"type": "edit", "key": ALL}
_TICK_MS = 1000


@dataclass(frozen=True)
class _Desk:
    """What the callbacks of this page share.

    Attributes:
        one: computing takes turns, whatever the number of browsers.
    """

    context: Context
    store: UnitStore
    starter: Starter
    one: threading.Lock


def build(app: Dash, context: Context) -> None:
    """Fill `app` with the plan page."""
    desk = _Desk(
        context,
        UnitStore(context.folders.units),
        Starter(context.folders.runs, context.clock, context.folders.jobs),
        threading.Lock(),
    )
    app.layout = lambda: _layout(desk)
    with context.reading(app):
        _check_facts(app)
        _open(app, desk)
        _show(app, desk)
    _save(app, desk)
    _start(app, desk)
    _in_browser_only(app)


# What stands in the fields, as every callback that needs it is given it.
def _fields() -> list[State]:
    return [State(f"fact-{fact.key}", "value") for fact in FACTS]


def _facts_of(values: tuple[Any, ...] | list[Any]) -> dict[str, str]:
    return {fact.key: str(value or "") for fact, value in zip(FACTS, values, strict=True)}


def _layout(desk: _Desk) -> Any:
    return framed(
        "Plan",
        "What is known of the amplifier, and what each stage of its power-up should draw, healthy and shorted.",
        *[dcc.Store(id=name) for name in ("open-asked", "opened", "loaded", "used", "announced-start")],
        dcc.Store(id="edits", data={}),
        dcc.Store(id="panel-stage", data=""),
        dcc.Interval(id="start-tick", interval=_TICK_MS, disabled=True),
        _sets_card(desk),
        card(
            "Unit facts",
            html.P("Numbers with point or comma. What is needed has no usual value.", className="facts"),
            plan_facts.form(),
            id="plan-facts",
        ),
        card(
            "The plan",
            html.Div(
                [
                    html.Fieldset(
                        [
                            html.Legend("Run"),
                            dcc.RadioItems(
                                id="wish-run",
                                options=[
                                    {"label": "As the facts say", "value": ""},
                                    {"label": "First power-up", "value": "power-up"},
                                    {"label": "Burn-in", "value": "burn-in"},
                                ],
                                value="",
                                className="plan-radios",
                            ),
                        ],
                        className="fact",
                    ),
                    html.Div(
                        [
                            html.Label(
                                ["Length of a burn-in", html.Span(" h", className="plan-unit")], htmlFor="wish-hours"
                            ),
                            dcc.Input(id="wish-hours", type="text", value="", autoComplete="off", **DECIMAL),
                            html.P(f"0.5 to 336; {usual_hours()} when left empty. Not used for a power-up."),
                            html.P("", id="said-hours", className="said-wrong"),
                        ],
                        className="fact",
                    ),
                    html.Div(html.Button("Compute the plan", id="compute", className="do", type="button")),
                ],
                className="plan-run",
            ),
            html.P(
                "△ Out of date: facts or run were changed since this plan was computed.",
                id="plan-stale",
                className="plan-mark",
                hidden=True,
                role="status",
            ),
            html.Div(html.P("No plan computed yet."), id="plan-said", role="status", className="said"),
            html.Div(id="plan-glance"),
            id="plan-card",
        ),
        html.Div(
            [
                card("Stages", html.Div(id="plan-stages")),
                card(
                    "One stage",
                    html.Fieldset(
                        [
                            html.Legend("Stage to look at and change"),
                            dcc.RadioItems(id="plan-stage", options=[], value="", className="plan-radios"),
                        ],
                        className="plan-pick",
                    ),
                    html.Div(id="plan-panel"),
                    html.Div(
                        [
                            html.Button("Check these changes", id="edit-check", className="do", type="button"),
                            html.Button(
                                "Reset this stage to computed", id="edit-reset", className="plain-button", type="button"
                            ),
                            html.Button(
                                "Reset all stages", id="edit-reset-all", className="plain-button", type="button"
                            ),
                            html.P(
                                "△ Typed, not checked yet.",
                                id="edit-pending",
                                className="plan-mark",
                                hidden=True,
                                role="status",
                            ),
                        ],
                        className="plan-buttons",
                    ),
                    html.Div(id="edit-said", role="status", className="said"),
                    html.Div(id="plan-numbers"),
                    id="plan-one",
                ),
                card("Working of the whole set", html.Div(id="plan-working")),
                card(
                    "As text",
                    html.Details(
                        [
                            html.Summary(
                                ["The whole plan with all working, as ", html.Code("benchwarden plan"), " prints it"]
                            ),
                            html.Pre(id="plan-text", tabIndex=0),
                        ],
                        id="plan-text-place",
                    ),
                ),
            ],
            id="plan-place",
            hidden=True,
        ),
        _start_card(desk),
    )


def _sets_card(desk: _Desk) -> Any:
    return card(
        "Sets kept",
        html.Div(_sets_said(desk), id="sets-said"),
        html.Div(
            [
                html.Fieldset(
                    [
                        html.Legend("Load a set"),
                        dcc.RadioItems(id="sets", options=_options(desk), value=None, className="plan-radios"),
                        html.Div(
                            [
                                html.Button("Load", id="open", className="plain-button", type="button"),
                                html.Button(
                                    "Start from the example", id="open-example", className="plain-button", type="button"
                                ),
                            ],
                            className="plan-buttons",
                        ),
                    ],
                    className="plan-pick",
                ),
                html.Fieldset(
                    [
                        html.Legend("Save facts and plan"),
                        html.Div(
                            [
                                html.Label("New name", htmlFor="new-name"),
                                dcc.Input(id="new-name", type="text", value="", autoComplete="off", spellCheck=False),
                                html.P(f"{NAME_ALLOWED}."[:1].upper() + f"{NAME_ALLOWED}."[1:]),
                            ],
                            className="fact",
                        ),
                        html.Div(
                            [
                                html.Button("Save", id="save", className="plain-button", type="button"),
                                html.Button("Save as new name", id="save-as", className="plain-button", type="button"),
                            ],
                            className="plan-buttons",
                        ),
                        html.P("The version before stays beside it as .bak.", className="facts"),
                    ],
                    className="plan-pick acts",
                ),
            ],
            className="plan-sets",
        ),
        html.P("", id="plan-unsaved", className="plan-mark", hidden=True, role="status"),
        html.Div(id="set-said", role="status", className="said"),
        id="plan-sets",
    )


def _start_card(desk: _Desk) -> Any:
    follow: list[Any] = ["It then stands on the ", html.A("bench page", href="/"), ", which follows the newest run."]
    if desk.context.followed.is_fixed:
        follow = [
            "This dashboard was started for one run and keeps showing it: to follow the new one, start ",
            html.Code("benchwarden page"),
            " without a run folder in another terminal.",
        ]
    faults = html.Datalist([html.Option(words, value=name) for name, words in FAULTS], id="fault-names")
    return card(
        "Start a supervised run",
        html.P(
            [
                "Starts the supervising program with the set as it is saved. ",
                html.Strong("Starting closes nothing: "),
                "every closing of the relay is asked for on the bench page and confirmed there. ",
                *follow,
            ]
        ),
        html.Div(
            [
                html.Fieldset(
                    [
                        html.Legend("On"),
                        dcc.RadioItems(
                            id="start-where",
                            options=[
                                {"label": "The board on this bench", "value": "board"},
                                {"label": "The virtual bench: a model, nothing is measured", "value": "virtual"},
                            ],
                            value="board",
                            className="plan-radios",
                        ),
                    ],
                    className="fact",
                ),
                html.Div(
                    [
                        html.Label("Port of the board", htmlFor="start-port"),
                        dcc.Input(id="start-port", type="text", value="", autoComplete="off", spellCheck=False),
                        html.P(f"{PORT_ALLOWED}."[:1].upper() + f"{PORT_ALLOWED}."[1:]),
                    ],
                    id="start-of-board",
                    className="fact",
                ),
                html.Div(
                    [
                        html.Label("Job", htmlFor="start-job"),
                        dcc.Input(id="start-job", type="text", value="", autoComplete="off", spellCheck=False),
                        html.P(
                            "Number of the job this run belongs to: its checks before power have to pass, its doubts "
                            "about parts make the plan more careful, and it keeps the run."
                        ),
                    ],
                    className="fact",
                ),
                html.Div(
                    [
                        html.Label("No checks before power, because", htmlFor="start-unchecked"),
                        dcc.Input(id="start-unchecked", type="text", value="", autoComplete="off"),
                        html.P("Only for a run without them: the reason goes into the record."),
                    ],
                    className="fact",
                ),
                html.Div(
                    [
                        html.Div(
                            [
                                html.Label("Speed", htmlFor="start-speed"),
                                dcc.Input(id="start-speed", type="text", value="2", autoComplete="off", **DECIMAL),
                                html.P(f"Model seconds in a second: 0.1 to {FASTEST:g}, 0 for flat out."),
                            ],
                            className="fact",
                        ),
                        html.Div(
                            [
                                html.Label("Fault in the amplifier", htmlFor="start-fault"),
                                dcc.Input(
                                    id="start-fault",
                                    type="text",
                                    value=NO_FAULT,
                                    list="fault-names",
                                    autoComplete="off",
                                    spellCheck=False,
                                ),
                                html.P("A name from the list, none for a healthy set. Knobs turn by themselves."),
                                faults,
                            ],
                            className="fact",
                        ),
                    ],
                    id="start-of-virtual",
                    hidden=True,
                ),
            ],
            className="plan-run",
        ),
        html.Div(
            [
                html.Button("Ready to start the run …", id="start-first", className="do", type="button"),
                html.Div(
                    [
                        html.P(id="start-what"),
                        html.Button("Not yet", id="start-cancel", className="plain-button", type="button"),
                        html.Button("Yes: start the run", id="start-second", className="do second", type="button"),
                    ],
                    id="start-step",
                    className="step",
                    hidden=True,
                    role="group",
                    tabIndex=-1,
                    **named({"aria-label": "Start the run: confirm a second time"}),
                ),
                html.P("", id="start-said", role="status", className="said"),
                html.Div(id="start-now", role="status"),
            ],
            className="confirm",
        ),
        acts=True,
        id="plan-start",
    )


def _options(desk: _Desk) -> list[dict[str, Any]]:
    return [
        {"label": f"{kept.name}{f': {plain(kept.title, 80)}' if kept.title else ''}", "value": kept.name}
        for kept in desk.store.sets()
        if not kept.damaged
    ]


def _sets_said(desk: _Desk) -> list[Any]:
    sets = desk.store.sets()
    if not sets:
        return [
            html.P(
                "No set is kept yet. Type the facts below and save them under a name, or start from the example: "
                "an invented amplifier."
            )
        ]
    damaged = [kept for kept in sets if kept.damaged]
    if not damaged:
        return []
    return [
        html.Div(
            [
                html.Strong("△ Cannot be read, and is left as it is:"),
                html.Ul([html.Li([html.Strong(kept.name), f": {plain(kept.damaged)}"]) for kept in damaged]),
            ],
            className="plan-doubts",
            role="note",
        )
    ]


def _check_facts(app: Dash) -> None:
    @app.callback(
        *[Output(f"said-{fact.key}", "children") for fact in FACTS],
        *[Input(f"fact-{fact.key}", "n_blur") for fact in _TYPED],
        *[Input(f"fact-{fact.key}", "value") for fact in _CHOSEN],
        Input("compute", "n_clicks"),
        Input("save", "n_clicks"),
        Input("save-as", "n_clicks"),
        Input("opened", "data"),
        *_fields(),
        prevent_initial_call=True,
    )
    def check(*given: Any) -> list[str]:
        left, pressed = given[: len(_TYPED)], given[len(FACTS) : len(FACTS) + 3]
        texts = _facts_of(given[len(FACTS) + 4 :])
        touched = {fact.key for fact, count in zip(_TYPED, left, strict=True) if count}
        wrong = entry_of(texts).wrong
        # An empty field that nobody has been in yet is not wrong but to come.
        return [
            wrong.get(fact.key, "") if any(pressed) or fact.key in touched or texts[fact.key] else "" for fact in FACTS
        ]


def _open(app: Dash, desk: _Desk) -> None:
    @app.callback(
        *[Output(f"fact-{fact.key}", "value") for fact in FACTS],
        Output("wish-run", "value"),
        Output("wish-hours", "value"),
        Output("loaded", "data"),
        Output("opened", "data"),
        Output("set-said", "children"),
        Input("open-asked", "data"),
        prevent_initial_call=True,
    )
    def open_set(asked: dict[str, Any] | None) -> list[Any]:
        if not asked:
            raise PreventUpdate
        kept = [no_update] * (len(FACTS) + 4)
        texts: Texts = {}
        name = str(asked.get("name") or "")
        if asked.get("example"):
            facts, wish, loaded = texts_of(EXAMPLE), RunWish(), None
            said = "The example: an invented amplifier. Change what differs, then save it under a name."
        elif not name:
            return [*kept, "Choose a set first."]
        else:
            try:
                found = desk.store.open(name)
                # What the page cannot show whole, it must not save over.
                plan_from_table(found.plan, found.unit, f"{name}/plan.toml")
            except (PlanError, RecordError) as error:
                return [*kept, f"Not loaded: {plain(error)}. The file is left as it is; mend it in an editor."]
            facts = texts_of(found.unit)
            wish, texts = texts_of_plan(found.plan)
            loaded = _loaded(name, found.digest, facts, wish, texts)
            said = f"Loaded {name}."
        opened = {"n": asked["n"], "edits": texts}
        return [*[facts[fact.key] for fact in FACTS], wish.run_type, wish.hours, loaded, opened, said]


def _loaded(name: str, digest: str, facts: dict[str, str], wish: RunWish, texts: Texts) -> dict[str, Any]:
    return {
        "name": name,
        "digest": digest,
        "facts": facts,
        "run": wish.run_type,
        "hours": wish.hours,
        "edits": texts,
    }


def _merged(edits: dict[str, Any] | None, stage: str, ids: list[dict[str, str]], values: list[Any]) -> Texts:
    """Return the changes with what stands in the fields of the stage on view."""
    texts: Texts = {name: dict(entries) for name, entries in (edits or {}).items()}
    if stage and ids:
        typed = {
            place["key"].replace(":", "."): str(value).strip()
            for place, value in zip(ids, values, strict=True)
            if value
        }
        # What the stage does not offer has no field, and stays until it is reset.
        shown = {place["key"].replace(":", ".") for place in ids}
        typed |= {key: text for key, text in texts.get(stage, {}).items() if key not in shown}
        texts[stage] = {key: text for key, text in typed.items() if text}
    return {name: entries for name, entries in texts.items() if entries}


def _show(app: Dash, desk: _Desk) -> None:
    @app.callback(
        Output("plan-said", "children"),
        Output("said-hours", "children"),
        Output("plan-glance", "children"),
        Output("plan-stages", "children"),
        Output("plan-stage", "options"),
        Output("plan-stage", "value"),
        Output("panel-stage", "data"),
        Output("plan-panel", "children"),
        Output("plan-numbers", "children"),
        Output("plan-working", "children"),
        Output("plan-text", "children"),
        Output("plan-place", "hidden"),
        Output("edit-said", "children"),
        Output("used", "data"),
        Output("edits", "data"),
        Input("compute", "n_clicks"),
        Input("opened", "data"),
        Input("plan-stage", "value"),
        Input("edit-check", "n_clicks"),
        Input("edit-reset", "n_clicks"),
        Input("edit-reset-all", "n_clicks"),
        State("wish-run", "value"),
        State("wish-hours", "value"),
        State("used", "data"),
        State("edits", "data"),
        State("panel-stage", "data"),
        State(_EDITS, "id"),
        State(_EDITS, "value"),
        *_fields(),
        prevent_initial_call=True,
    )
    def show(
        _compute: int,
        opened: dict[str, Any] | None,
        stage: str,
        _check: int,
        _reset: int,
        _reset_all: int,
        run: str,
        hours: str,
        used: dict[str, Any] | None,
        edits: dict[str, Any],
        panel: str,
        ids: list[dict[str, str]],
        values: list[Any],
        *fields: Any,
    ) -> list[Any]:
        why = ctx.triggered_id
        if why == "opened":
            texts: Texts = dict((opened or {}).get("edits") or {})
        elif why == "edit-reset-all":
            texts = {}
        else:
            texts = _merged(edits, panel, ids, values)
            if why == "edit-reset":
                texts.pop(panel, None)
        if why in ("compute", "opened"):
            used = {"facts": _facts_of(fields), "run": run or "", "hours": hours or ""}
        if used is None:
            raise PreventUpdate
        as_it_is: list[Any] = [no_update] * 12
        entry = entry_of(used["facts"])
        if entry.unit is None:
            return [_wrong_facts(entry.wrong), "", *as_it_is, texts]
        with desk.one:
            found = planned(entry.unit, RunWish(used["run"], used["hours"]), texts)
            if found.plan is None or found.computed is None:
                hours_said = found.wrong.get(("", "hours"), "")
                said = [html.P(["Not computed: ", *found.wrong.values()], className="said-wrong")]
                return [said, hours_said, *as_it_is, texts]
            names = [entry.name for entry in found.plan.stages]
            chosen = stage if stage in names else next(s.name for s in found.plan.stages if s.energised)
            return [
                f"Computed for {plain(_title(found.plan), 160)}.",
                "",
                plan_view.glance(found.plan),
                plan_view.stages(found.plan, found.computed),
                [{"label": name, "value": name} for name in names],
                chosen,
                chosen,
                plan_view.stage_detail(found, chosen, texts.get(chosen, {})),
                plan_view.stage_numbers(found, chosen),
                plan_view.working(found.plan.working),
                working_text(found.plan),
                False,
                _edits_said(found, texts),
                used,
                texts,
            ]


def _title(plan: Plan) -> str:
    unit = plan.unit
    title = " ".join(part for part in (unit.model, unit.serial) if part) or unit.run or "a set without a name"
    return f"{title}: {plan.run_type}"


def _wrong_facts(wrong: dict[str, str]) -> list[Any]:
    count = "One fact has" if len(wrong) == 1 else f"{len(wrong)} facts have"
    links = [html.Li([html.A(FACT[key].label, href=f"#fact-{key}"), f": {said}"]) for key, said in wrong.items()]
    return [html.P(f"Not computed: {count} to be corrected.", className="said-wrong"), html.Ul(links)]


def _edits_said(found: Planned, texts: Texts) -> Any:
    count = sum(len(entries) for entries in texts.values())
    if found.wrong:
        return [
            html.P("Not taken; what is right is in the plan above:", className="said-wrong"),
            html.Ul(
                [html.Li(f"{stage}{f', {key}' if key else ''}: {said}") for (stage, key), said in found.wrong.items()]
            ),
        ]
    if not count:
        return "Everything as computed."
    numbers = "One number differs" if count == 1 else f"{count} numbers differ"
    return f"{numbers} from the computed plan, in {', '.join(texts)}. Save the set to keep this."


def _save(app: Dash, desk: _Desk) -> None:
    @app.callback(
        Output("loaded", "data", allow_duplicate=True),
        Output("set-said", "children", allow_duplicate=True),
        Output("sets-said", "children"),
        Output("sets", "options"),
        Output("sets", "value"),
        Input("save", "n_clicks"),
        Input("save-as", "n_clicks"),
        State("new-name", "value"),
        State("loaded", "data"),
        State("wish-run", "value"),
        State("wish-hours", "value"),
        State("edits", "data"),
        State("panel-stage", "data"),
        State(_EDITS, "id"),
        State(_EDITS, "value"),
        *_fields(),
        prevent_initial_call=True,
    )
    def save(
        _save: int,
        _save_as: int,
        new_name: str,
        loaded: dict[str, Any] | None,
        run: str,
        hours: str,
        edits: dict[str, Any],
        panel: str,
        ids: list[dict[str, str]],
        values: list[Any],
        *fields: Any,
    ) -> list[Any]:
        as_it_is = [no_update] * 3
        try:
            desk.context.at_the_bench()
            as_new = ctx.triggered_id == "save-as"
            if not as_new and loaded is None:
                raise StageError("this set has no name yet: give it one and use “Save as new name”")
            facts, wish = _facts_of(fields), RunWish(run or "", hours or "")
            texts = _merged(edits, panel, ids, values)
            unit, table = _to_write(desk, facts, wish, texts)
            name, digest = (new_name or "").strip(), ""
            if not as_new:
                name, digest = str((loaded or {})["name"]), str((loaded or {})["digest"])
                # Stages of a recording have no fields here; they stay.
                unit = replace(unit, stage=desk.store.open(name).unit.stage)
            kept = desk.store.save(name, unit, table, digest)
        except (StageError, PlanError, RecordError) as error:
            return [no_update, html.P(f"Not saved: {plain(error)}.", className="said-wrong"), *as_it_is]
        return [
            _loaded(name, kept.digest, facts, wish, texts),
            f"Saved as {name}.",
            _sets_said(desk),
            _options(desk),
            name,
        ]


def _to_write(desk: _Desk, facts: dict[str, str], wish: RunWish, texts: Texts) -> tuple[Any, dict[str, Any]]:
    """Return unit and plan table of what is typed.

    Raises:
        StageError: something typed is wrong.
    """
    entry = entry_of(facts)
    if entry.unit is None:
        raise StageError(f"first correct {', '.join(FACT[key].label for key in entry.wrong)}")
    with desk.one:
        found = planned(entry.unit, wish, texts)
    if found.table is None:
        said = "; ".join(
            f"{stage or 'plan'}{f', {key}' if key else ''}: {text}" for (stage, key), text in found.wrong.items()
        )
        raise StageError(f"first correct the plan. {said}".rstrip("."))
    return entry.unit, found.table


def _start(app: Dash, desk: _Desk) -> None:
    @app.callback(
        Output("announced-start", "data"),
        Output("start-said", "children"),
        Output("start-tick", "disabled"),
        Input("start-first", "n_clicks"),
        Input("start-second", "n_clicks"),
        Input("start-cancel", "n_clicks"),
        State("announced-start", "data"),
        State("start-where", "value"),
        State("start-port", "value"),
        State("start-speed", "value"),
        State("start-fault", "value"),
        State("start-job", "value"),
        State("start-unchecked", "value"),
        State("loaded", "data"),
        State("wish-run", "value"),
        State("wish-hours", "value"),
        State("edits", "data"),
        State("panel-stage", "data"),
        State(_EDITS, "id"),
        State(_EDITS, "value"),
        *_fields(),
        prevent_initial_call=True,
    )
    def start(
        _first: int,
        _second: int,
        _cancel: int,
        announced: dict[str, Any] | None,
        where: str,
        port: str,
        speed: str,
        fault: str,
        job: str,
        unchecked: str,
        loaded: dict[str, Any] | None,
        run: str,
        hours: str,
        edits: dict[str, Any],
        panel: str,
        ids: list[dict[str, str]],
        values: list[Any],
        *fields: Any,
    ) -> tuple[Any, Any, Any]:
        try:
            desk.context.at_the_bench()
            if ctx.triggered_id == "start-cancel":
                return None, "", no_update
            if ctx.triggered_id == "start-second" and announced:
                desk.starter.start(str(announced["ticket"]))
                return None, "Started. Nothing is closed.", False
            texts = _merged(edits, panel, ids, values)
            plan = _saved_plan(desk, loaded, _facts_of(fields), RunWish(run or "", hours or ""), texts)
            name = str((loaded or {})["name"])
            typed = [(text or "").strip() for text in (fault, job, unchecked)]
            wish = Wish(name, where == "virtual", port or "", speed or "", *typed)
            arguments = _arguments(desk, wish, name)
            ticket = desk.starter.announce(arguments)
            # Refused here, the ticket is given to nobody.
            before = ready_before(wish, plan, desk.context.folders.jobs, desk.context.folders.records)
        except (StageError, PlanError, RecordError, JobError) as error:
            return None, html.Span(f"{str(error)[:1].upper()}{plain(error)[1:]}.", className="said-wrong"), no_update
        return {"ticket": ticket, "what": " ".join((_what(wish, plan), *before))}, "", no_update

    @app.callback(
        Output("start-now", "children"),
        Output("start-tick", "disabled", allow_duplicate=True),
        Input("start-tick", "n_intervals"),
        prevent_initial_call=True,
    )
    def watch(_n: int) -> tuple[Any, Any]:
        desk.context.at_the_bench()
        begun = desk.starter.begun()
        if begun is None:
            return "", True
        if begun.state == "starting":
            return "Starting …", no_update
        if begun.state == "running":
            return ["Run folder: ", html.Strong(begun.folder), ". ", html.A("To the bench page", href="/")], no_update
        said = f"The run has ended (exit code {begun.code})."
        if not begun.folder or begun.code == 2:
            said = "The run did not start, or broke off. Its last words:"
        return [html.P(said), html.Pre("\n".join(begun.lines), className="plan-log", tabIndex=0)], True


def _arguments(desk: _Desk, wish: Wish, name: str) -> list[str]:
    store, folders = desk.store, desk.context.folders
    return command(wish, store.unit_path(name), store.plan_path(name), folders.runs, folders.records)


def _saved_plan(desk: _Desk, loaded: dict[str, Any] | None, facts: dict[str, str], wish: RunWish, texts: Texts) -> Plan:
    """Return the plan of the loaded set, making sure that the files hold what the page shows.

    Raises:
        StageError: not saved, or the files are not what was loaded.
    """
    if loaded is None:
        raise StageError("save the set first: the run reads its files")
    found = desk.store.open(str(loaded["name"]))
    if found.digest != loaded["digest"]:
        raise StageError("the set's files were changed since they were loaded; load the set again and look at it")
    unit, table = _to_write(desk, facts, wish, texts)
    kept = _to_write(desk, texts_of(found.unit), *texts_of_plan(found.plan))
    if (unit, table) != kept:
        raise StageError("save the set first: what is typed differs from its files, and the run reads the files")
    with desk.one:
        return plan_from_table(found.plan, found.unit, f"{found.name}/plan.toml")


def _what(wish: Wish, plan: Plan) -> str:
    where = "the virtual bench, a model" if wish.virtual else "the board on this bench"
    port = "" if wish.virtual else f", port {wish.port.strip() or 'found by itself'}"
    fault = f", fault: {wish.fault}" if wish.virtual else ""
    lamp = f"{plan.unit.limiter_lamp_w:g} W lamp"
    return plain(
        f"This starts a {plan.run_type} of set {wish.name} on {where}{port}{fault}; {len(plan.stages)} stages, {lamp}. "
        "It closes nothing: look at the bench page for its first question."
    )


def _in_browser_only(app: Dash) -> None:
    _in_browser(
        app,
        "openAsked",
        Output("open-asked", "data"),
        Input("open", "n_clicks"),
        Input("open-example", "n_clicks"),
        State("sets", "value"),
        prevent_initial_call=True,
    )
    _in_browser(
        app,
        "marks",
        Output("plan-stale", "hidden"),
        Output("plan-place", "className"),
        Output("plan-glance", "className"),
        Output("plan-unsaved", "hidden"),
        Output("plan-unsaved", "children"),
        Output("edit-pending", "hidden"),
        Input("used", "data"),
        Input("loaded", "data"),
        Input("edits", "data"),
        Input("wish-run", "value"),
        Input("wish-hours", "value"),
        Input(_EDITS, "value"),
        *[Input(f"fact-{fact.key}", "value") for fact in FACTS],
        State(_EDITS, "id"),
        State("panel-stage", "data"),
    )
    _in_browser(
        app,
        "where",
        Output("start-of-board", "hidden"),
        Output("start-of-virtual", "hidden"),
        Input("start-where", "value"),
    )
    _in_browser(
        app,
        "startStep",
        Output("start-step", "hidden"),
        Output("start-first", "hidden"),
        Output("start-what", "children"),
        Input("announced-start", "data"),
    )


def _in_browser(app: Dash, function: str, *places: Any, **options: Any) -> None:
    # Functions of assets/plan.js.
    callback: Any = app.clientside_callback
    callback(ClientsideFunction("plan", function), *places, **options)
