"""Fields and rows of one job: adding rows, saving, and deciding where somebody else saved meanwhile."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from benchwarden.core.job import Job
from benchwarden.dashboard import jobs_conflict_view, jobs_fields
from benchwarden.dashboard.jobs_desk import NOBODY, Desk, day, sentence
from benchwarden.dashboard.jobs_fields import fact_id, row_id
from benchwarden.dashboard.jobs_form import FACTS, LABELS, LISTS, Texts, empty_row, job_with, rows_of, texts_of
from benchwarden.dashboard.jobs_merge import changed, clashes, decided, over, table_of
from benchwarden.errors import BenchwardenError, JobConflict, JobError
from benchwarden.jobs.store import JobStore

ANY_ROW = {"type": "job-row", "list": ALL, "row": ALL, "key": ALL}
# How often somebody may save between our looking and our saving before a person is told.
_TRIES = 3


@dataclass(frozen=True)
class Outcome:
    """What saving came to.

    Attributes:
        job: as it is kept now; None where a person has to decide.
        clash: the conflict to decide, as jobs_merge.table_of gives it.
        said: in a sentence.
    """

    job: Job | None
    clash: dict[str, Any] | None
    said: str


def fields() -> list[State]:
    """Return what stands in the fields, as a callback is given it: facts, ids of the rows' fields, their values."""
    facts = [State(fact_id(fact.key), "value") for fact in FACTS]
    return [*facts, State(ANY_ROW, "id"), State(ANY_ROW, "value")]


def texts_in(given: tuple[Any, ...]) -> Texts:
    """Return the texts of what `fields` gave."""
    *values, ids, row_values = given
    facts = {fact.key: "" if value is None else str(value) for fact, value in zip(FACTS, values, strict=True)}
    return Texts(facts, {one.key: tuple(rows_of(ids, row_values, one.key)) for one in LISTS})


def save(store: JobStore, number: str, version: int, texts: Texts, clash: Mapping[str, Any] | None, by: str) -> Outcome:
    """Save what stands in the fields, or return the conflict that a person has to decide.

    Args:
        version: from which the fields were filled.
        clash: a conflict that was shown, with the choices made; None where there was none.

    Raises:
        JobError: something typed cannot be kept. RecordError: the store cannot be changed.
    """
    base = store.open(number, version)
    mine = job_with(base, texts)
    for _ in range(_TRIES):
        theirs = store.open(number)
        if theirs.version != version:
            if clash is None or clash.get("version") != theirs.version:
                found = clashes(base, mine, theirs)
                if found:
                    return Outcome(None, table_of(found, theirs.version, _who(store, theirs)), "")
                job = over(mine, theirs)
            else:
                job, left = decided(mine, theirs, dict(clash.get("choices") or {}))
                if left:
                    # Typed since the conflict was shown: asked for as the others were.
                    table = table_of(clashes(base, mine, theirs), theirs.version, _who(store, theirs))
                    table["choices"] |= dict(clash.get("choices") or {})
                    return Outcome(None, table, "")
        else:
            job = mine
        names = changed(texts_of(theirs), texts_of(job))
        if not names:
            return Outcome(theirs, None, f"Nothing differs from version {theirs.version}.")
        told = ", ".join(LABELS[key].lower() for key in names)
        try:
            kept = store.save(replace(job, version=theirs.version), by, f"{told} changed")
        except JobConflict:
            continue
        return Outcome(kept, None, f"Saved as version {kept.version}.")
    raise JobError(f"job {number}: others save it again and again at this moment; press once more")


def _who(store: JobStore, theirs: Job) -> str:
    last = store.history(theirs.number)[-1]
    who = f"version {theirs.version} was saved by {last.by or 'nobody named'} at {day(last.at_utc)} UTC"
    return sentence(f"{who}: {last.what}")


def wire(app: Dash, desk: Desk) -> None:
    """Add the callbacks of the fields."""
    _rows(app)
    _save(app, desk)
    _choose(app, desk)


def _rows(app: Dash) -> None:
    for one in LISTS:

        @app.callback(
            Output(f"rows-{one.key}", "children"),
            Input({"type": "row-add", "list": one.key}, "n_clicks"),
            Input({"type": "row-remove", "list": one.key, "row": ALL}, "n_clicks"),
            State(row_id(one.key, ALL, ALL), "id"),
            State(row_id(one.key, ALL, ALL), "value"),
            prevent_initial_call=True,
        )
        def change(_add: Any, _remove: Any, ids: list[Any], values: list[Any], key: str = one.key) -> Any:
            why = ctx.triggered_id
            # A button that has only just appeared was not pressed.
            if not isinstance(why, dict) or not any(one["value"] for one in ctx.triggered):
                raise PreventUpdate
            held = rows_of(ids, values, key)
            if why["type"] == "row-add":
                held.append(empty_row(key))
            else:
                held = [row for number, row in enumerate(held) if number != why["row"]]
            return jobs_fields.rows(key, held)


def _save(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("job-held", "data"),
        Output("job-clash", "data"),
        Output("job-said", "children"),
        Output("job-touched", "data"),
        *[Output(fact_id(fact.key), "value") for fact in FACTS],
        *[Output(f"rows-{one.key}", "children", allow_duplicate=True) for one in LISTS],
        Input("job-save", "n_clicks"),
        Input({"type": "clash-do", "what": ALL}, "n_clicks"),
        State("job-held", "data"),
        State("job-clash", "data"),
        State("job-by", "value"),
        *fields(),
        prevent_initial_call=True,
    )
    def press(
        _save: Any, _clash: Any, held: dict[str, Any], clash: dict[str, Any] | None, by: str | None, *given: Any
    ) -> list[Any]:
        if not any(one["value"] for one in ctx.triggered):
            raise PreventUpdate
        as_it_is: list[Any] = [no_update] * (len(FACTS) + len(LISTS))
        why = ctx.triggered_id
        if isinstance(why, dict) and why["what"] == "close":
            return [no_update, None, "Not saved yet.", no_update, *as_it_is]
        texts = texts_in(given)
        try:
            desk.context.at_the_bench()
            with desk.store() as store:
                # The ordinary button asks afresh; choices count where they are pressed.
                chosen = clash if isinstance(why, dict) else None
                number, version = str(held["number"]), int(held["version"])
                done = save(store, number, version, texts, chosen, str(by or "").strip() or NOBODY)
        except BenchwardenError as error:
            said = f"✕ Not saved: {sentence(error)} What you typed stays here."
            return [no_update, no_update, said, no_update, *as_it_is]
        if done.job is None:
            return [no_update, done.clash, "△ Not saved yet: somebody saved this job meanwhile.", no_update, *as_it_is]
        return [
            {"number": done.job.number, "version": done.job.version, **texts_of(done.job).table()},
            None,
            f"✓ {done.said}",
            done.job.version,
            *_fill(texts, texts_of(done.job)),
        ]


def _fill(typed: Texts, kept: Texts) -> list[Any]:
    """Return new values for the fields that do not hold what was kept; the others are left to the person."""
    facts = [no_update if typed.facts[fact.key] == kept.facts[fact.key] else kept.facts[fact.key] for fact in FACTS]
    lists = [
        no_update if typed.rows[one.key] == kept.rows[one.key] else jobs_fields.rows(one.key, kept.rows[one.key])
        for one in LISTS
    ]
    return [*facts, *lists]


def _choose(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("job-conflict", "children"),
        Input("job-clash", "data"),
    )
    def show(clash: dict[str, Any] | None) -> Any:
        return jobs_conflict_view.conflict(clash)

    @app.callback(
        Output("job-clash", "data", allow_duplicate=True),
        Input({"type": "clash", "key": ALL, "side": ALL}, "n_clicks"),
        State("job-clash", "data"),
        prevent_initial_call=True,
    )
    def choose(_presses: Any, clash: dict[str, Any] | None) -> Any:
        why = ctx.triggered_id
        if not clash or not isinstance(why, dict) or not any(one["value"] for one in ctx.triggered):
            raise PreventUpdate
        desk.context.at_the_bench()
        return {**clash, "choices": {**(clash.get("choices") or {}), str(why["key"]): str(why["side"])}}
