"""How is a set that came back shown: its jobs, its runs side by side, and its parts then and now?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import html

from benchwarden.analysis.returns import Comparison, Figure, PartThenNow, compared
from benchwarden.core.job import Job
from benchwarden.dashboard.frame import named
from benchwarden.dashboard.jobs_desk import day, job_href
from benchwarden.dashboard.runs_list import VERDICTS
from benchwarden.dashboard.status import plain


def earlier(job: Job, jobs: Sequence[Job]) -> list[Any]:
    """Return what earlier jobs of the set tell beside this one.

    Args:
        jobs: of the set, this one among them where it has a serial number.
    """
    others = [one for one in jobs if one.number != job.number]
    if not job.amplifier.serial.strip():
        return [html.P("Without a serial number no earlier job of the set can be found.", className="jobs-empty")]
    if not others:
        first = html.P("No other job of this set is kept.", className="jobs-empty")
        return [first, *_compared(compared([job]))] if len(job.runs) > 1 else [first]
    links = [
        html.Li(
            [
                html.A(f"Job {plain(one.number, 80)}", href=job_href(one.number)),
                f", opened {day(one.opened_at_utc)[:10]}, {one.state}: ",
                plain(one.complaint, 160) or "no complaint noted",
            ]
        )
        for one in reversed(others)
    ]
    return [html.Ul(links, className="plain jobs-others"), *_compared(compared(jobs))]


def _compared(found: Comparison) -> list[Any]:
    out: list[Any] = [html.Ul([html.Li(plain(line, 600)) for line in found.sentences], className="jobs-moved")]
    if found.figures:
        out += [html.H3("Runs side by side"), _region("Runs side by side", _figures(found))]
    if found.parts:
        out += [html.H3("Parts then and now"), _region("Parts then and now", _parts(found))]
    return out


def _region(name: str, table: Any) -> Any:
    # Many runs are wider than the page: it is moved by keyboard, too.
    return html.Div(table, className="jobs-wide", role="region", tabIndex=0, **named({"aria-label": name}))


def _figures(found: Comparison) -> Any:
    head = [html.Th("Figure", scope="col")]
    for number, run in enumerate(found.runs):
        sign, said = VERDICTS.get(run.verdict, ("◇", plain(run.verdict, 40)))
        head.append(
            html.Th(
                [
                    html.Span(f"Job {plain(found.jobs[number], 40)}"),
                    html.Span(f"{day(run.started_at_utc)[:10]} {plain(run.run_type, 40)}"),
                    html.Span(f"{sign} {said}{', virtual' if run.virtual else ''}"),
                ],
                scope="col",
            )
        )
    since = "" if found.against is None else f" since {day(found.runs[found.against].started_at_utc)[:10]}"
    head.append(html.Th(f"Change{since}", scope="col"))
    rows = [html.Tr([*_figure(figure)], className="is-moved" if figure.moved else "") for figure in found.figures]
    return html.Table([html.Thead(html.Tr(head)), html.Tbody(rows)], className="jobs-compared")


def _figure(figure: Figure) -> list[Any]:
    unit = f", {figure.unit}" if figure.unit else ""
    cells: list[Any] = [html.Th(f"{figure.quantity}, {figure.side}{unit}", scope="row")]
    cells += [html.Td("–" if value is None else f"{value:.{figure.decimals}f}") for value in figure.values]
    return [*cells, html.Td(_change(figure))]


def _change(figure: Figure) -> str:
    if figure.change is None:
        return "–"
    amount = f"{figure.change:+.{figure.decimals}f}"
    if not figure.moved:
        return f"○ {amount}, within what two readings may differ by"
    return f"{'▲' if figure.change > 0 else '▼'} {amount} MOVED"


def _parts(found: Comparison) -> Any:
    head = ["Position", "Side", *[f"Job {plain(number, 40)}" for number in found.part_jobs], "Then and now"]
    return html.Table(
        [
            html.Thead(html.Tr([html.Th(text, scope="col") for text in head])),
            html.Tbody([_part(part) for part in found.parts]),
        ],
        className="jobs-compared",
    )


def _part(part: PartThenNow) -> Any:
    cells = [plain(part.side, 20), *[plain(marking, 120) or "–" for marking in part.markings]]
    told = "≠ CHANGED" if part.changed else "○ same, or not told"
    return html.Tr(
        [
            html.Th(f"{plain(part.position, 80) or 'no position'} ({plain(part.role, 20)})", scope="row"),
            *[html.Td(cell) for cell in (*cells, told)],
        ],
        className="is-moved" if part.changed else "",
    )
