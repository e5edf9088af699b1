"""How is one job laid out: what it is, its fields, its story, its pictures, and who saved it when?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from dash import dcc, html

from benchwarden.core.job import Job, Photo
from benchwarden.core.unit_facts import FACT
from benchwarden.dashboard import jobs_fields, jobs_papers_view, jobs_returns
from benchwarden.dashboard.frame import card, named
from benchwarden.dashboard.jobs_desk import NOBODY, day, job_href, lines
from benchwarden.dashboard.jobs_fields import chooser, story, typed
from benchwarden.dashboard.jobs_form import LABELS, texts_of
from benchwarden.dashboard.jobs_merge import changed
from benchwarden.dashboard.jobs_papers_view import RunNow
from benchwarden.dashboard.plan_form import text_of
from benchwarden.dashboard.status import plain
from benchwarden.jobs.documents import SavedVersion
from benchwarden.jobs.photos import ALLOWED
from benchwarden.record.unit_store import KeptSet

_ROOM = 200


@dataclass(frozen=True)
class Seen:
    """A job with all that is shown beside it.

    Attributes:
        history: the first version first; `imported` what imports brought that differs.
        earlier: all jobs of the set, the oldest first, this one among them.
        runs: of the job, with how their papers stand.
        unattached: run folders that belong to no run of the job yet, the newest first: (name, words).
        sets: kept sets to copy unit facts from.
        locked: why nothing can be saved, "" where it can.
    """

    job: Job
    history: tuple[SavedVersion, ...]
    imported: tuple[tuple[SavedVersion, Job], ...]
    earlier: tuple[Job, ...]
    runs: tuple[RunNow, ...]
    unattached: tuple[tuple[str, str], ...]
    sets: tuple[KeptSet, ...]
    locked: str


def job_page(seen: Seen, notice: Any) -> list[Any]:
    """Return the cards of one job."""
    job, locked = seen.job, bool(seen.locked)
    texts = texts_of(job)
    return [
        *([notice] if notice is not None else []),
        html.Section(
            [
                html.H2(f"Job {plain(job.number, 80)}", tabIndex=-1, id="job-head"),
                html.Div(glance(seen), id="job-glance"),
                html.Nav(
                    [
                        html.A("All jobs", href="/jobs/"),
                        *[
                            html.A(words, href=job_href(job.number, page))
                            for words, page in (
                                ("Parts before fitting", "/parts/"),
                                ("Checks before power", "/checks/"),
                                ("Plan and start", "/plan/"),
                            )
                        ],
                    ],
                    className="jobs-ways",
                    **named({"aria-label": "This job on other pages"}),
                ),
            ],
            className="card span-12 jobs-top",
        ),
        card(
            "What is known of it",
            html.Div(jobs_fields.form(texts, locked=locked), id="job-form"),
            typed(
                "Your name, for the history",
                "job-by",
                "",
                f"Kept in this browser. Left empty, it is “{NOBODY}”.",
                persistence=True,
                persistence_type="local",
            ),
            html.Div(id="job-conflict"),
            html.Div(
                [
                    html.Button("Save", id="job-save", className="do", type="button", disabled=locked),
                    html.P(
                        "△ Changed since it was opened or saved.",
                        id="job-unsaved",
                        className="plan-mark",
                        hidden=True,
                        role="status",
                    ),
                    html.P("", id="job-said", className="said", role="status"),
                ],
                className="jobs-save",
            ),
            id="job-facts",
        ),
        card(
            "Notes",
            html.Div(notes(job), id="job-notes"),
            story("New note", "note-text", "", "Notes are added, never changed. With your name and the time."),
            html.Div(
                _press("Add the note", "note-add", locked=locked),
                className="plan-buttons",
            ),
            html.P("", id="note-said", className="said", role="status"),
            columns=6,
            id="job-notes-card",
        ),
        card(
            "Photos",
            html.Div(photos(job), id="job-photos"),
            _upload("photo", "Picture", ALLOWED, "image/jpeg,image/png"),
            typed("Caption", "photo-caption"),
            html.Div(
                _press("Add the photo", "photo-add", locked=locked),
                className="plan-buttons",
            ),
            html.P("", id="photo-said", className="said", role="status"),
            columns=6,
            id="job-photos-card",
        ),
        card(
            "Runs and their papers",
            html.Div(jobs_papers_view.runs(seen.runs, locked=locked), id="job-runs"),
            html.Div(attach(seen), id="job-attach"),
            html.P("Being attached, with its samples …", id="run-wait", hidden=True, role="status"),
            html.P("", id="run-said", className="said", role="status"),
            id="job-runs-card",
        ),
        card(
            "Onto the invoice",
            html.P(
                "The record goes into a copy of the invoice; the file you choose stays as it is. An invoice that is "
                "signed or locked is refused: then the bundle goes beside it.",
                className="facts",
            ),
            html.Div(jobs_papers_view.invoice_run(seen.runs), id="job-invoice-run"),
            _upload("invoice", "Invoice (PDF)", "a PDF of at most 40 MB", "application/pdf"),
            chooser(
                "What is added",
                "invoice-page",
                [("", "record and bias log, attached"), ("page", "the same, and the bias log as a further page")],
                "",
            ),
            html.Div(
                [
                    _press("Put the record on the invoice", "invoice-add"),
                    _press("Make the bundle instead", "bundle-make"),
                ],
                className="plan-buttons",
            ),
            html.P("Being packed …", id="bundle-wait", hidden=True, role="status"),
            html.P("", id="invoice-said", className="said", role="status"),
            html.Div(id="invoice-made"),
            columns=6,
            id="job-invoice-card",
        ),
        card(
            "Unit facts for the plan",
            html.Div(unit(job), id="job-unit"),
            html.Div(_copy_set(seen.sets, locked=locked)),
            html.P("", id="unit-said", className="said", role="status"),
            columns=6,
            id="job-unit-card",
        ),
        card("When it comes back", html.Div(jobs_returns.earlier(job, seen.earlier), id="job-earlier"), id="job-back"),
        card("History", html.Div(history(seen), id="job-history"), id="job-history-card"),
        dcc.Store(id="job-held", data={"number": job.number, "version": job.version, **texts.table()}),
        *[dcc.Store(id=name) for name in ("job-clash", "job-touched", "invoice-answer")],
        dcc.Interval(id="work-tick", interval=700, disabled=not any(run.is_going for run in seen.runs)),
    ]


def glance(seen: Seen) -> list[Any]:
    """Return what a job is, in two lines."""
    job = seen.job
    whole = " ".join(
        plain(part, _ROOM) for part in (job.amplifier.maker, job.amplifier.model, job.amplifier.serial) if part.strip()
    )
    told = " · ".join(part for part in (plain(job.customer, _ROOM), whole) if part) or "Nothing is known of it yet."
    return [
        html.P(told, className="jobs-told"),
        html.P(
            f"{job.state} · opened {day(job.opened_at_utc)} · saved {day(job.changed_at_utc)} UTC as version "
            f"{job.version}",
            className="facts",
        ),
    ]


def notes(job: Job) -> Any:
    """Return the notes, the newest first."""
    if not job.notes:
        return html.P("No notes yet.", className="jobs-empty")
    return html.Ol(
        [
            html.Li(
                [
                    html.P(f"{day(note.at_utc)} UTC, {plain(note.by, 80) or 'without a name'}", className="facts"),
                    html.P(lines(note.text), className="jobs-lines"),
                ]
            )
            for note in reversed(job.notes)
        ],
        className="plain jobs-notes",
        tabIndex=0,
        **named({"aria-label": "Notes, the newest first"}),
    )


def photos(job: Job) -> Any:
    """Return the pictures small, each a link to the whole."""
    if not job.photos:
        return html.P("No photos yet.", className="jobs-empty")
    return html.Div(
        [
            html.Figure(
                [
                    html.A(
                        html.Img(
                            src=f"/jobs/photo/{photo.sha256}?small=1",
                            alt=plain(photo.caption, _ROOM) or f"Photo {plain(photo.name, 100)}",
                            width=photo.width_px or None,
                            height=photo.height_px or None,
                        ),
                        href=f"/jobs/photo/{photo.sha256}",
                        # What is typed here stays where it is.
                        target="_blank",
                    ),
                    html.Figcaption(
                        [
                            html.Span(plain(photo.caption, _ROOM)),
                            html.Span(_size(photo), className="facts"),
                        ]
                    ),
                ]
            )
            for photo in job.photos
        ],
        className="jobs-photos",
    )


def unit(job: Job) -> Any:
    """Return the unit facts that the job keeps, as text."""
    if not job.unit:
        return html.P(
            "None are kept with the job yet. Describe the set on the plan page, save it, and copy it from there.",
            className="jobs-empty",
        )
    rows = []
    for key, value in list(job.unit.items())[:200]:
        fact = FACT.get(key)
        told = f"{text_of(fact, value)} {fact.unit}".strip() if fact else value
        rows.append(html.Div([html.Dt(fact.label if fact else plain(key, 80)), html.Dd(plain(told, 400))]))
    # A list of pairs scrolls by keyboard, too, inside a region.
    inside = html.Dl(rows, className="jobs-pairs")
    return html.Div(inside, className="jobs-tall", role="region", tabIndex=0, **named({"aria-label": "Unit facts"}))


def history(seen: Seen) -> list[Any]:
    """Return who saved the job when, and what imports brought that differs."""
    out: list[Any] = []
    for saved, other in seen.imported:
        names = ", ".join(LABELS[key].lower() for key in changed(texts_of(seen.job), texts_of(other)))
        out.append(
            html.P(
                f"△ An import brought another version of this job, from {plain(saved.source, 120)}: saved "
                f"{day(saved.at_utc)} UTC by {plain(saved.by, 80) or 'nobody named'}. It stands beside this one; "
                f"{f'different: {names}' if names else 'what can be edited here is the same'}.",
                className="jobs-notice",
            )
        )
    items = [
        html.Li(
            [
                html.Strong(f"Version {one.version}"),
                f" {day(one.at_utc)} UTC, {plain(one.by, 80) or 'nobody named'}: {plain(one.what, _ROOM)}",
            ]
        )
        for one in reversed(seen.history)
    ]
    count = f"{len(items)} version{'' if len(items) == 1 else 's'}; nothing that was saved is ever replaced"
    return [*out, html.Details([html.Summary(count), html.Ol(items, className="plain jobs-versions")])]


def _press(words: str, place: str, *, locked: bool = False) -> Any:
    return html.Button(words, id=place, className="plain-button", type="button", disabled=locked)


def _size(photo: Photo) -> str:
    return f"{plain(photo.name, 100)}, {photo.width_px} × {photo.height_px}"


def _upload(name: str, label: str, allowed: str, accept: str) -> Any:
    # Filled by assets/jobs.js: the components know no field for a file.
    return html.Div(
        id=f"{name}-file-place",
        className="fact jobs-file",
        **named(
            {
                "data-file": f"{name}-file",
                "data-label": label,
                "data-note": f"Allowed: {allowed}.",
                "data-accept": accept,
            }
        ),
    )


def attach(seen: Seen) -> Any:
    """Return the run folders that can be attached, and the press that does it."""
    if not seen.unattached:
        return html.P("There is no further run in the runs folder to attach.", className="facts")
    return html.Div(
        [
            chooser("Attach a run of the runs folder", "run-choice", list(seen.unattached), seen.unattached[0][0]),
            _press("Attach the run", "run-attach", locked=bool(seen.locked)),
        ],
        className="jobs-attach",
    )


def _copy_set(sets: tuple[KeptSet, ...], *, locked: bool) -> Any:
    good = [kept for kept in sets if not kept.damaged]
    if not good:
        return html.P(["No set is kept on the ", html.A("plan page", href="/plan/"), " yet."], className="facts")
    choices = [(kept.name, f"{kept.name}: {plain(kept.title, 120)}" if kept.title else kept.name) for kept in good]
    return html.Div(
        [
            chooser("Kept set", "unit-set", choices, choices[0][0]),
            _press("Copy its facts into the job", "unit-copy", locked=locked),
        ],
        className="jobs-attach",
    )
