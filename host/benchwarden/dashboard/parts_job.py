"""Which job is on view, and how does a page save its own part of it?

Used by the parts page and the checks page. A page holds the number and the version it was
opened with; what is typed stays in the browser until it is kept, whatever happens here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import parse_qs, quote

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from benchwarden.core.job import Job
from benchwarden.dashboard.context import Context
from benchwarden.dashboard.frame import card, named
from benchwarden.dashboard.setup_words import sentence
from benchwarden.dashboard.status import plain
from benchwarden.errors import BenchwardenError, JobConflict, RecordError
from benchwarden.jobs.documents import differing
from benchwarden.jobs.store import open_store

# Who saved, as the job's history shows it.
BY = "bench"
_LISTED = 8
# Fields of a job as a person calls them.
FIELD_WORDS = {
    "lots": "lots of parts",
    "substitutions": "substitutes",
    "cold_checks": "checks before power",
    "parts_fitted": "parts fitted",
    "unit": "unit facts",
    "earlier_repairs": "earlier repairs",
    "opened_at_utc": "day it was opened",
}


@dataclass(frozen=True)
class Opened:
    """A job as it was read; `read_only` is why nothing can be saved, "" where it can."""

    job: Job
    read_only: str


@dataclass(frozen=True)
class Clash:
    """Somebody else saved the job meanwhile.

    Attributes:
        newest: the job as it is kept now.
        theirs: fields that they changed since the page was opened.
        own: of the page's fields, those that both changed.
        words: the store's sentence.
    """

    newest: Job
    theirs: tuple[str, ...]
    own: tuple[str, ...]
    words: str


class Clashed(Exception):
    """Carries a Clash from the store to the page; nothing was kept."""

    def __init__(self, clash: Clash) -> None:
        super().__init__(clash.words)
        self.clash = clash


def number_in(search: str | None) -> str:
    """Return the job's number in an address, "" where there is none."""
    return (parse_qs((search or "").lstrip("?"), max_num_fields=20).get("job") or [""])[0].strip()


def address_of(number: str) -> str:
    """Return what comes behind a page's address for a job."""
    return f"?job={quote(number, safe='')}"


def opened(store: str, number: str, version: int | None = None) -> Opened:
    """Return a job of the store, or an earlier version of it.

    Raises:
        JobError: there is none of that number. RecordError: the store cannot be read.
    """
    with open_store(store, create=False) as found:
        return Opened(found.open(number, version), found.read_only)


def save_own(store: str, number: str, version: int, over: int, own: Mapping[str, Any], what: str) -> Job:
    """Keep a page's own fields and return the job as kept.

    Args:
        version: the one the page was opened with.
        over: the version that the person decided to put `own` over; the same as `version` without a conflict.
        own: whole fields of the job; one that the page did not change is left as it is.

    Raises:
        Clashed: the job was saved meanwhile; nothing was kept, nothing is lost.
        JobError: something in it cannot be kept. RecordError: the store cannot be written.
    """
    with open_store(store, create=False) as found:
        base = found.open(number, version)
        changed = {name: value for name, value in own.items() if value != getattr(base, name)}
        under = base if over == version else found.open(number, over)
        try:
            return found.save(replace(under, **changed), BY, what)
        except JobConflict as error:
            newest = found.open(number)
            theirs = differing(newest, base)
            raise Clashed(
                Clash(newest, theirs, tuple(name for name in theirs if name in changed), plain(error, 400))
            ) from error


def field_words(names: tuple[str, ...]) -> str:
    """Return fields of a job in words."""
    return ", ".join(FIELD_WORDS.get(name, name.replace("_", " ")) for name in names)


def title_of(job: Job) -> str:
    """Return number, set and customer in a line."""
    amplifier = job.amplifier
    unit = " ".join(text for text in (amplifier.maker, amplifier.model, amplifier.serial) if text)
    return plain(", ".join(text for text in (f"Job {job.number}", unit, job.customer) if text), 300)


def job_card(lead: str) -> Any:
    """Return the card that says which job is on view and lets another be chosen."""
    return card(
        "Job",
        html.P(lead, className="facts parts-screen"),
        html.Div(id="job-said", role="status"),
        html.Div(
            [
                html.Div(
                    [
                        html.Label("Choose a job: number, customer or set", htmlFor="job-search"),
                        dcc.Input(id="job-search", type="text", value="", autoComplete="off", spellCheck=False,
                                  debounce=0.3),
                    ],
                    className="fact",
                ),
                html.Div(id="job-found", role="status"),
            ],
            className="parts-choose parts-screen",
        ),
        id="job-card",
    )  # fmt: skip


def wire_job_card(app: Dash, context: Context) -> None:
    """Add the callback of the box in which a job is looked for."""

    @app.callback(
        Output("job-found", "children"),
        Input("job-search", "value"),
        Input("job-search", "n_submit"),
        State("place-address", "search"),
    )
    def look(text: str | None, _submit: int | None, search: str | None) -> Any:
        context.at_the_bench()
        here = number_in(search)
        if here and not (text or "").strip():
            return []
        return found_jobs(context.folders.jobs, (text or "").strip())


def wire_judging(app: Dash, after: Sequence[str], states: Sequence[str]) -> None:
    """Have assets/parts.js ask for a judgement, one at a time, by setting the store `typed`.

    Args:
        after: stores that ask for one when they change; what is typed does so as well.
        states: stores that the judging callbacks set, each with the `n` of `typed` that it answers.
    """
    callback: Any = app.clientside_callback
    asked = [Input(name, "data") for name in after]
    told = [Input(name, "data") for name in states]
    nothing = Output("typed", "data", allow_duplicate=True)
    callback(ClientsideFunction("parts", "ask"), nothing, *asked, prevent_initial_call=True)
    callback(ClientsideFunction("parts", "answered"), nothing, *told, prevent_initial_call=True)


def asked_n(typed: Any) -> int:
    """Return which question is answered."""
    return int((typed or {}).get("n") or 0)


def found_jobs(store: str, text: str) -> list[Any]:
    """Return links to the jobs that hold `text`, the last changed first."""
    try:
        with open_store(store, create=False) as found:
            rows, count = found.search(text[:200], limit=_LISTED), found.count(text[:200])
    except (BenchwardenError, OSError) as error:
        return [html.P(f"✕ {sentence(error)}", className="said-wrong"), _no_store()]
    if not rows:
        if text:
            return [html.P("No job holds these words.")]
        return [html.P(["There is no job yet: ", html.A("make one on the jobs page", href="/jobs/"), "."])]
    links = [
        html.Li(
            html.A(
                [
                    html.Strong(plain(row.number, 80)),
                    html.Span(
                        plain(
                            f" {row.maker} {row.model} {row.serial}, {row.customer or 'no customer'}, {row.state}", 200
                        )
                    ),
                ],
                href=address_of(row.number),
            )
        )
        for row in rows
    ]
    more = f"{count} jobs; the last changed are shown." if count > len(rows) else ""
    return [html.Ul(links, className="plain parts-jobs"), html.P(more, className="facts", hidden=not more)]


def _no_store() -> Any:
    return html.P(["Jobs are made on the ", html.A("jobs page", href="/jobs/"), "."])


def head_of(found: Opened) -> list[Any]:
    """Return what the job card says of the job on view."""
    job = found.job
    parts: list[Any] = [
        html.P(html.Strong(title_of(job)), className="parts-job"),
        html.P(f"{job.state}, version {job.version}, last saved {job.changed_at_utc}", className="facts"),
    ]
    if found.read_only:
        parts.append(
            html.P(
                f"△ The job store can only be read: {plain(found.read_only)}. Nothing typed here can be kept.",
                className="parts-mark",
            )
        )
    return parts


def not_opened(error: Exception) -> list[Any]:
    """Return what the job card says where the job cannot be shown."""
    words = sentence(error)
    parts: list[Any] = [html.P(f"✕ {words}", className="said-wrong")]
    if isinstance(error, RecordError):
        parts.append(html.P("Nothing is lost: a store that is away keeps what it holds. Load this page again later."))
    return parts


def save_bar(what: str) -> Any:
    """Return what stays at the top while the page scrolls: where things stand, and the save button.

    Ids: save, save-said, save-stands, unsaved; `{"keep": VERSION}` is the button of a conflict.
    """
    return html.Div(
        [
            html.Div(
                [
                    html.P("", id="save-stands", className="parts-stands", role="status"),
                    html.P("△ Not saved yet", id="unsaved", className="parts-mark keeps-unsaved", hidden=True),
                    html.Button(f"Save {what}", id="save", className="plain-button", type="button"),
                ],
                className="parts-bar-row",
            ),
            html.Div("", id="save-said", role="status", className="said"),
        ],
        id="parts-bar",
        className="parts-screen",
    )


def clash_told(clash: Clash, own_words: str, theirs_now: str, number: str) -> Any:
    """Return what is said of a conflict, with the two ways on.

    Args:
        own_words: what this page holds, such as "the checks".
        theirs_now: what they made of it, in words; "" where they left it alone.
    """
    parts: list[Any] = [
        html.P(html.Strong("△ Not saved: somebody else saved this job meanwhile.")),
        html.P(f"{clash.words[:1].upper()}{clash.words[1:]}."),
        html.P(f"Changed by them: {field_words(clash.theirs) or 'nothing that differs'}."),
    ]
    if clash.own:
        parts.append(html.P(f"Both of you changed: {field_words(clash.own)}. {theirs_now}"))
    way = "instead of theirs" if clash.own else "beside it"
    parts.append(
        html.P(
            f"Whatever they wrote elsewhere stays. Everything typed here is still here; {own_words} can be kept as "
            f"typed {way}, or dropped."
        )
    )
    parts.append(
        html.Div(
            [
                html.Button(
                    f"Keep {own_words} as typed here", id={"keep": clash.newest.version}, className="do", type="button"
                ),
                html.A("Drop what is typed, take theirs", href=address_of(number), className="parts-link"),
            ],
            className="plan-buttons",
        )
    )
    return html.Div(
        parts, className="parts-clash", role="group", **named({"aria-label": "Saved by somebody else meanwhile"})
    )
