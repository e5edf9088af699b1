"""How is the list of jobs laid out, with its search, a new job, and what to do where there is none?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from benchwarden.core.job import JOB_STATES
from benchwarden.dashboard.frame import card, named
from benchwarden.dashboard.jobs_desk import day, job_href, sentence
from benchwarden.dashboard.jobs_fields import chooser, typed
from benchwarden.dashboard.runs_list import VERDICTS
from benchwarden.dashboard.setup_words import copyable
from benchwarden.dashboard.status import plain
from benchwarden.jobs.find import JobRow

PAGE_ROWS = 25
_ROOM = 160
_HEAD = ("Job", "Customer", "Set", "State", "Changed (UTC)", "Newest run")


def list_page(number: str, *, store: str, notice: Any, locked: bool) -> list[Any]:
    """Return the cards of the list.

    Args:
        number: proposed for a new job.
        store: how to call the store in words.
        notice: what is to be known of the store, shown first; None for nothing.
        locked: nothing can be saved.
    """
    return [
        *([notice] if notice is not None else []),
        card(
            "Jobs",
            html.Div(
                [
                    html.Div(
                        [
                            html.Label("Search", htmlFor="jobs-search"),
                            dcc.Input(
                                id="jobs-search",
                                type="text",
                                value="",
                                debounce=0.25,
                                autoComplete="off",
                                spellCheck=False,
                            ),
                            html.P("Any words, or pieces of words: number, customer, set, complaint, notes, parts."),
                        ],
                        className="fact jobs-search",
                    ),
                    chooser("State", "jobs-state", [("", "any"), *[(state, state) for state in JOB_STATES]], ""),
                ],
                className="jobs-find",
            ),
            html.P("Looking …", id="jobs-said", className="facts", role="status"),
            html.Div(id="jobs-rows"),
            html.Div(
                [
                    html.Button("Previous page", id="jobs-back", className="plain-button", type="button", hidden=True),
                    html.Button("Next page", id="jobs-next", className="plain-button", type="button", hidden=True),
                ],
                className="plan-buttons",
            ),
            dcc.Store(id="jobs-offset", data=0),
            columns=8,
            id="jobs-found",
        ),
        html.Div(
            [
                card(
                    "New job",
                    typed("Number", "new-number", number, "Proposed: one more than the greatest."),
                    typed("Customer", "new-customer", "", "As the workshop refers to them."),
                    html.Div(
                        html.Button("Open the job", id="new-job", className="do", type="button", disabled=locked),
                        className="plan-buttons",
                    ),
                    html.P("", id="new-said", className="said", role="status"),
                    id="jobs-new",
                ),
                card(
                    "Everything at once",
                    html.P(
                        ["Kept in ", html.Strong(plain(store, 200)), ". In a terminal, for all jobs, photos, samples:"],
                        className="facts",
                    ),
                    *[
                        html.Div([html.P(words), copyable(command)], className="jobs-command")
                        for words, command in (
                            ("Write everything to a ZIP file of open formats", "benchwarden job export jobs.zip"),
                            ("Take such a file in; nothing is overwritten", "benchwarden job import jobs.zip"),
                            ("Copy the store while benches go on working", "benchwarden job backup jobs-backup"),
                        )
                    ],
                    id="jobs-all",
                ),
            ],
            className="span-4 jobs-side",
        ),
    ]


def found_rows(rows: Sequence[JobRow]) -> Any:
    """Return the table of jobs, each a link."""
    return html.Table(
        [
            html.Thead(html.Tr([html.Th(text, scope="col") for text in _HEAD])),
            html.Tbody([_row(row) for row in rows]),
        ],
        className="jobs-table",
        **named({"aria-label": "Jobs found"}),
    )


def _row(row: JobRow) -> Any:
    sign, words = VERDICTS.get(row.verdict, ("", row.verdict and plain(row.verdict, 40)))
    whole = " ".join(plain(part, _ROOM) for part in (row.maker, row.model, row.serial) if part.strip())
    cells = (plain(row.customer, _ROOM), whole, row.state, day(row.changed_at_utc), f"{sign} {words}".strip())
    return html.Tr(
        [
            html.Th(html.A(plain(row.number, 80), href=job_href(row.number)), scope="row"),
            *[html.Td(text, **named({"data-label": label})) for label, text in zip(_HEAD[1:], cells, strict=True)],
        ]
    )


def nothing_found(text: str, state: str) -> Any:
    """Return what stands in the place of the table where a search finds nothing."""
    asked = [f"“{plain(text, 60)}”"] if text.strip() else []
    asked += [f"state “{plain(state, 20)}”"] if state else []
    return html.P(f"No job for {' and '.join(asked)}. Fewer words find more.", className="jobs-empty")


def nothing_yet() -> Any:
    """Return what stands in the place of the table before the first job."""
    return html.P("No job is kept yet. Open the first one beside this list.", className="jobs-empty")


def new_store(store: str) -> Any:
    """Return a notice that nothing was kept at the store's place so far."""
    return _notice(
        "There is no job store yet",
        f"It is made with the first job, in {plain(store, 200)}. If jobs were kept "
        "before, the store was moved or deleted: put it back before you open a job.",
    )


def read_only(why: str) -> Any:
    """Return a notice that nothing can be saved."""
    return _notice("Nothing can be saved now", f"{sentence(why)} What it holds can be looked at here.")


def away(error: Exception, store: str) -> list[Any]:
    """Return the page for a store that cannot be read."""
    return [
        card(
            "The job store cannot be read",
            html.P(sentence(error), className="jobs-wrong", role="alert"),
            html.P(f"Looked for in {plain(store, 200)}. Runs and the relay do not depend on it.", className="facts"),
            html.Div(html.A("Try again", href="", className="plain-button jobs-link-button"), className="plan-buttons"),
            id="jobs-away",
        )
    ]


def no_such_job(error: Exception) -> list[Any]:
    """Return the page for a job that is not there."""
    return [
        card(
            "No such job",
            html.P(sentence(error)),
            html.Div(
                html.A("All jobs", href="/jobs/", className="plain-button jobs-link-button"), className="plan-buttons"
            ),
            id="jobs-away",
        )
    ]


def _notice(title: str, words: str) -> Any:
    return html.Div(
        [html.Strong(f"△ {title}. "), words], className="jobs-notice span-12", role="note", id="jobs-notice"
    )
