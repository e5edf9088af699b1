"""Saving lots and substitutes together, and what both do to the plan of the job's run."""

from __future__ import annotations

from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, html, no_update
from dash.exceptions import PreventUpdate

from benchwarden.analysis.careful import Doubts
from benchwarden.core.job import Job
from benchwarden.dashboard import parts_lots, parts_substitutes
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import card
from benchwarden.dashboard.parts_entry import entry_of as lot_entry
from benchwarden.dashboard.parts_job import Clashed, clash_told, head_of, opened, save_own
from benchwarden.dashboard.parts_substitute_entry import entry_of as substitution_entry
from benchwarden.dashboard.status import plain
from benchwarden.errors import BenchwardenError

_MOST_LISTED = 12


def held_of(job: Job) -> dict[str, Any]:
    """Return what the page keeps of a job: which version, its unit facts, and what was saved."""
    return {
        "number": job.number,
        "version": job.version,
        "unit": job.unit,
        "lots": parts_lots.draft_of(job)["lots"],
        "substitutions": parts_substitutes.draft_of(job)["ones"],
    }


def effect_card() -> Any:
    """Return the card that says what the findings do to the plan, empty."""
    return card("What this does to the plan", html.Div(id="plan-effect"))


def wire(app: Dash, context: Context) -> None:
    """Add the callbacks; all of them are acts of the bench machine."""

    @app.callback(
        Output("plan-effect", "children"),
        Output("save-stands", "children"),
        Output("unsaved", "hidden"),
        Input("lots-state", "data"),
        Input("substitutes-state", "data"),
    )
    def together(lots: dict[str, Any] | None, substitutes: dict[str, Any] | None) -> Any:
        context.at_the_bench()
        states = [state for state in (lots, substitutes) if state]
        found = Doubts(
            tuple(str(words) for state in states for words in state["doubts"]),
            tuple(str(words) for state in states for words in state["against"]),
        )
        stands = "; ".join(str(state["stands"]) for state in states if state["stands"])
        return effect(found), stands, all(state["same"] for state in states)

    @app.callback(
        Output("held", "data", allow_duplicate=True),
        Output("job-said", "children", allow_duplicate=True),
        Output("save-said", "children"),
        Input("save", "n_clicks"),
        Input({"keep": ALL}, "n_clicks"),
        State("held", "data"),
        *parts_lots.lot_fields(),
        *parts_substitutes.fields(),
        prevent_initial_call=True,
    )
    def save(*given: Any) -> Any:
        context.at_the_bench()
        held, by = given[2], ctx.triggered_id
        if not held or not any(one["value"] for one in ctx.triggered):
            raise PreventUpdate
        lots = parts_lots.lots_of_page(ctx.states_list[1:5])
        ones = parts_substitutes.ones_of_page(ctx.states_list[5:])
        problem = parts_lots.not_to_keep(lots) or parts_substitutes.not_to_keep(ones)
        if problem:
            return no_update, no_update, _wrong(f"Not saved: {problem}. Nothing typed is lost.")
        number, version = str(held["number"]), int(held["version"])
        over = int(by["keep"]) if isinstance(by, dict) else version
        own: dict[str, Any] = {}
        # What nobody touched is not written again: somebody else's stays.
        if not parts_lots.same(lots, held["lots"]):
            own["lots"] = tuple(lot_entry(lot).lot for lot in lots)
        if not parts_substitutes.same(ones, held["substitutions"]):
            own["substitutions"] = tuple(substitution_entry(one).substitution for one in ones)
        if not own:
            return no_update, no_update, "Nothing was changed since it was saved."
        try:
            job = save_own(context.folders.jobs, number, version, over, own, "lots and substitutes")
            head = head_of(opened(context.folders.jobs, number))
        except Clashed as error:
            told = clash_told(error.clash, "lots and substitutes", _theirs(error.clash.newest), number)
            return no_update, no_update, told
        except (BenchwardenError, OSError) as error:
            return no_update, no_update, _wrong(f"Not saved: {plain(error, 600)}. Everything typed is still here.")
        kept = held_of(job)
        # As typed, where it was typed here; what somebody else changed beside it shows when the page is loaded.
        kept |= {"lots": [lot.table() for lot in lots]} if "lots" in own else {}
        kept |= {"substitutions": [one.table() for one in ones]} if "substitutions" in own else {}
        return kept, head, f"Saved as version {job.version}."


def effect(found: Doubts) -> list[Any]:
    """Return what the findings do to the plan of a run of this job, in words."""
    degree = found.degree
    if degree is None:
        said: list[Any] = [
            html.P(
                "Nothing was found against the parts of this job: the plan of its run is as computed from the set's "
                "facts. It is gone through in stages all the same."
            )
        ]
    else:
        said = [
            html.P(html.Strong(f"△ The plan of this job's run becomes more careful, degree {degree.number} of 3:")),
            html.Ul(
                [
                    html.Li(f"stages through the limiter last {degree.lamp:g} times as long"),
                    html.Li(f"idle soaks and the long soak of a burn-in last {degree.soak:g} times as long"),
                    html.Li(f"limits keep {degree.room * 100:.0f} % of their room beside the healthy reading"),
                    html.Li(f"the heatsinks' limit is {degree.sink_k:g} K lower"),
                ],
                className="parts-shows",
            ),
        ]
    if found.against:
        said.append(
            html.P(
                html.Strong(
                    "✕ Parts of this job should not be fitted: its run does not start with them unless a person says "
                    "why, and that goes into the record."
                )
            )
        )
    listed = (*found.against, *found.doubts)
    if listed:
        more = [html.Li(f"and {len(listed) - _MOST_LISTED} more")] if len(listed) > _MOST_LISTED else []
        rows = [html.Li(plain(words, 300)) for words in listed[:_MOST_LISTED]]
        said.append(html.Details([html.Summary("Because of"), html.Ul([*rows, *more], className="parts-shows")]))
    said.append(html.P([html.A("To the plan page", href="/plan/"), ": the run starts there, with the job's number."]))
    return said


def _theirs(newest: Job) -> str:
    lots = ", ".join(plain(lot.name, 40) for lot in newest.lots) or "none"
    ones = ", ".join(plain(f"{one.candidate.marking} for {one.original.marking}", 80) for one in newest.substitutions)
    return f"Their lots: {lots}. Their substitutes: {ones or 'none'}."


def _wrong(words: str) -> Any:
    return html.P(words, className="said-wrong")
