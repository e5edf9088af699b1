"""What is done with one job beside its fields: notes, unit facts, runs, papers, an invoice."""

from __future__ import annotations

import tempfile
import time
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from benchwarden.core.job import Job
from benchwarden.dashboard import jobs_papers_view, jobs_returns, jobs_view
from benchwarden.dashboard.going_runs import going_runs
from benchwarden.dashboard.jobs_desk import NOBODY, Desk, sentence
from benchwarden.dashboard.jobs_papers_view import token_of
from benchwarden.dashboard.jobs_seen import seen_in
from benchwarden.dashboard.jobs_work import report_words, verify_words
from benchwarden.dashboard.run_names import run_folder
from benchwarden.dashboard.runs_list import without_path
from benchwarden.errors import BenchwardenError, RecordError
from benchwarden.jobs.run_facts import run_facts
from benchwarden.jobs.samples import export_parquet
from benchwarden.jobs.store import JobStore


def wire(app: Dash, desk: Desk) -> None:
    """Add the callbacks of these acts."""
    _refresh(app, desk)
    _note(app, desk)
    _unit(app, desk)
    _attach(app, desk)
    _papers(app, desk)
    _invoice(app, desk)


def pressed() -> None:
    """Let a callback go on only where somebody pressed; buttons that have only just appeared were not pressed."""
    if not any(one["value"] for one in ctx.triggered):
        raise PreventUpdate


def _number(held: dict[str, Any] | None) -> str:
    if not held:
        raise PreventUpdate
    return str(held["number"])


def _refresh(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("job-glance", "children"),
        Output("job-notes", "children"),
        Output("job-photos", "children"),
        Output("job-runs", "children"),
        Output("job-attach", "children"),
        Output("job-invoice-run", "children"),
        Output("job-unit", "children"),
        Output("job-earlier", "children"),
        Output("job-history", "children"),
        Output("work-tick", "disabled"),
        Input("job-touched", "data"),
        State("job-held", "data"),
        prevent_initial_call=True,
    )
    def refresh(_touched: Any, held: dict[str, Any] | None) -> list[Any]:
        desk.context.at_the_bench()
        try:
            with desk.store() as store:
                seen = seen_in(desk, store, _number(held))
        except BenchwardenError:
            # Whoever asked has been told already; what is on view stays.
            raise PreventUpdate from None
        locked = bool(seen.locked)
        return [
            jobs_view.glance(seen),
            jobs_view.notes(seen.job),
            jobs_view.photos(seen.job),
            jobs_papers_view.runs(seen.runs, locked=locked),
            jobs_view.attach(seen),
            jobs_papers_view.invoice_run(seen.runs),
            jobs_view.unit(seen.job),
            jobs_returns.earlier(seen.job, seen.earlier),
            jobs_view.history(seen),
            not any(run.is_going for run in seen.runs),
        ]

    @app.callback(
        Output("job-touched", "data", allow_duplicate=True),
        Input("work-tick", "n_intervals"),
        State("job-held", "data"),
        State("job-by", "value"),
        prevent_initial_call=True,
    )
    def look(ticks: Any, held: dict[str, Any] | None, by: str | None) -> str:
        desk.context.at_the_bench()
        number = _number(held)
        # A store that is away for a moment keeps no head; the folder has it, and the next making keeps it.
        with suppress(BenchwardenError), desk.store() as store:
            seen = seen_in(desk, store, number)
            if any(run.is_going for run in seen.runs):
                raise PreventUpdate
            if not seen.locked:
                _keep_heads(desk, store, seen.job, _by(by))
        return f"tick {ticks}"


def _keep_heads(desk: Desk, store: JobStore, job: Job, by: str) -> None:
    """Bring the heads of seals that were made since into the job."""
    for run in job.runs:
        work = desk.works.state("report", run.folder)
        if work is not None and work.state == "done":
            found = run_facts(run_folder(desk.context.folders.runs, run.folder))
            if found.head != run.head:
                store.add_run(job.number, found, by)


def _by(by: str | None) -> str:
    return str(by or "").strip() or NOBODY


def _note(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("note-text", "value"),
        Output("note-said", "children"),
        Output("job-touched", "data", allow_duplicate=True),
        Input("note-add", "n_clicks"),
        State("note-text", "value"),
        State("job-held", "data"),
        State("job-by", "value"),
        prevent_initial_call=True,
    )
    def add(_press: Any, text: str | None, held: dict[str, Any] | None, by: str | None) -> tuple[Any, Any, Any]:
        pressed()
        try:
            desk.context.at_the_bench()
            with desk.store() as store:
                job = store.add_note(_number(held), str(text or ""), _by(by))
        except BenchwardenError as error:
            return no_update, f"✕ Not added: {sentence(error)}", no_update
        return "", f"✓ Note {len(job.notes)} is kept.", f"note {job.version}"


def _unit(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("unit-said", "children"),
        Output("job-touched", "data", allow_duplicate=True),
        Input("unit-copy", "n_clicks"),
        State("unit-set", "value"),
        State("job-held", "data"),
        State("job-by", "value"),
        prevent_initial_call=True,
    )
    def copy(_press: Any, name: str | None, held: dict[str, Any] | None, by: str | None) -> tuple[Any, Any]:
        pressed()
        try:
            desk.context.at_the_bench()
            found = desk.units.open(str(name or ""))
            # Stages are a recording's; facts that are not known are left out, as in the set's own file.
            facts = {key: value for key, value in asdict(found.unit).items() if key != "stage" and value is not None}

            with desk.store() as store:
                what = f"unit facts of set {found.name} copied"
                job = store.change(_number(held), lambda stored: replace(stored, unit=facts), _by(by), what)
        except BenchwardenError as error:
            return f"✕ Not copied: {sentence(error)}", no_update
        return f"✓ The facts of set {found.name} are kept with the job.", f"unit {job.version}"


def _attach(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("run-said", "children"),
        Output("job-touched", "data", allow_duplicate=True),
        Input("run-attach", "n_clicks"),
        State("run-choice", "value"),
        State("job-held", "data"),
        State("job-by", "value"),
        running=[(Output("run-wait", "hidden"), False, True)],
        prevent_initial_call=True,
    )
    def attach(_press: Any, name: str | None, held: dict[str, Any] | None, by: str | None) -> tuple[Any, Any]:
        pressed()
        folder = Path()
        try:
            desk.context.at_the_bench()
            folder = run_folder(desk.context.folders.runs, str(name or ""))
            with desk.store() as store:
                job = store.add_run(_number(held), run_facts(folder), _by(by))
                said = f"✓ Run {folder.name} belongs to this job"
                try:
                    rows = _keep_samples(store, job.number, folder, _by(by))
                except BenchwardenError as error:
                    said += (
                        f"; its samples could not be kept: {without_path(error, folder)}. They are whole in its folder."
                    )
                else:
                    said += f"; {rows} samples are kept."
        except BenchwardenError as error:
            return f"✕ Not attached: {sentence(without_path(error, folder))}", no_update
        return said, f"run {job.version}"


def _keep_samples(store: JobStore, number: str, folder: Path, by: str) -> int:
    with tempfile.TemporaryDirectory(prefix="benchwarden-") as scratch:
        parquet = Path(scratch) / "samples.parquet"
        export_parquet(folder, parquet)
        return store.add_samples(number, folder.name, parquet, by).rows


def _papers(app: Dash, desk: Desk) -> None:
    @app.callback(
        Output("run-said", "children", allow_duplicate=True),
        Output("job-touched", "data", allow_duplicate=True),
        Input({"type": "papers", "run": ALL}, "n_clicks"),
        Input({"type": "verify", "run": ALL}, "n_clicks"),
        State("job-held", "data"),
        prevent_initial_call=True,
    )
    def start(_papers: Any, _verify: Any, held: dict[str, Any] | None) -> tuple[Any, Any]:
        pressed()
        why = ctx.triggered_id
        if not isinstance(why, dict):
            raise PreventUpdate
        folders = desk.context.folders
        try:
            desk.context.at_the_bench()
            number = _number(held)
            with desk.store() as store:
                job = store.open(number)
            name = next((run.folder for run in job.runs if token_of(run.folder) == why["run"]), None)
            if name is None:
                raise RecordError("this run does not belong to the job any more")
            run_dir = run_folder(folders.runs, name)
            if any(True for _ in going_runs((run_dir,), time.time())):
                raise RecordError("the run is going on; it is sealed and printed when it has ended")
            if why["type"] == "papers":
                desk.works.start("report", name, report_words(run_dir, folders.records, number), desk.address)
            else:
                desk.works.start("verify", name, verify_words(run_dir), wants_json=True)
        except BenchwardenError as error:
            return f"✕ Not begun: {sentence(error)}", no_update
        return "", f"{why['type']} {name} {ctx.triggered[0]['value']}"


def _invoice(app: Dash, desk: Desk) -> None:
    @app.callback(Output("invoice-made", "children"), Input("invoice-answer", "data"), prevent_initial_call=True)
    def show(answer: dict[str, Any] | None) -> Any:
        return jobs_papers_view.invoice_made(answer)

    @app.callback(
        Output("invoice-made", "children", allow_duplicate=True),
        Output("invoice-said", "children"),
        Input("bundle-make", "n_clicks"),
        State("invoice-run", "value"),
        running=[(Output("bundle-wait", "hidden"), False, True)],
        prevent_initial_call=True,
    )
    def bundle(_press: Any, name: str | None) -> tuple[Any, Any]:
        pressed()
        try:
            desk.context.at_the_bench()
            made = desk.invoices.bundle(run_folder(desk.context.folders.runs, str(name or "")))
        except BenchwardenError as error:
            return no_update, f"✕ {sentence(error)}"
        if not made.token:
            return no_update, f"✕ No bundle was made: {sentence(' '.join(made.lines))}"
        return jobs_papers_view.invoice_made({"token": made.token, "name": made.name, "lines": list(made.lines)}), ""
