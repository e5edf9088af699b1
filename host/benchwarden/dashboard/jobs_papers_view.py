"""How are the runs of a job laid out, with their papers, what checking them found, and an invoice with them?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from dash import html

from benchwarden.core.job import JobRun
from benchwarden.dashboard import words
from benchwarden.dashboard.frame import named
from benchwarden.dashboard.jobs_desk import day, lines
from benchwarden.dashboard.jobs_fields import chooser
from benchwarden.dashboard.jobs_work import Work
from benchwarden.dashboard.runs_list import VERDICTS
from benchwarden.dashboard.status import plain

# What of a run folder a browser may have, with what it is.
PAPERS = {
    "record.pdf": "Record",
    "bias-log.pdf": "Bias log",
    "recording.csv": "Recording (CSV)",
    "verdict.json": "Verdict (JSON)",
    "job.json": "Job (JSON)",
    "unit.toml": "Unit facts (TOML)",
    "seal.json": "Seal (JSON)",
}
_VERDICT = {
    "intact": ("✓", "As it was sealed"),
    "changed": ("✕", "NOT as it was sealed"),
    "unknown": ("◇", "Cannot be judged in whole"),
}
_KIND = {
    "intact": "✓ intact",
    "signed": "✓ signed",
    "changed": "✕ CHANGED",
    "missing": "✕ MISSING",
    "added": "△ ADDED",
    "unknown": "◇ cannot be judged",
    "note": "○ note",
}


@dataclass(frozen=True)
class RunNow:
    """A run of the job and how its papers stand.

    Attributes:
        files: names of its papers that are there; None where its folder is not on this machine.
        report, verify: how making and checking them went, None where it was not asked for.
    """

    run: JobRun
    files: tuple[str, ...] | None
    report: Work | None = None
    verify: Work | None = None

    @property
    def is_going(self) -> bool:
        return any(work is not None and work.state == "going" for work in (self.report, self.verify))


def token_of(folder: str) -> str:
    """Return a run folder's name in letters that an id of the page may hold."""
    return folder.encode("utf-8", "surrogatepass").hex()


def runs(found: Sequence[RunNow], *, locked: bool) -> Any:
    """Return the runs of a job, the newest first."""
    if not found:
        return html.P("No run belongs to this job yet.", className="jobs-empty")
    ordered = sorted(found, key=lambda now: now.run.started_at_utc, reverse=True)
    return html.Ul([html.Li(_run(now, locked=locked)) for now in ordered], className="plain jobs-runs")


def _run(now: RunNow, *, locked: bool) -> list[Any]:
    run = now.run
    sign, said = VERDICTS.get(run.verdict, ("◇", plain(run.verdict, 40) or "no verdict"))
    kind, began = plain(run.run_type, 40) or "run", day(run.started_at_utc) or "an unknown day"
    bench = ", on the virtual bench: nothing was measured" if run.virtual else ""
    head: list[Any] = ["Not sealed yet: make the papers."]
    if run.head:
        head = ["Head of its seal: ", html.Code(plain(run.head, 80))]
    return [
        html.H3(f"{sign} {said}: {kind} of {began} UTC, {words.duration(run.duration_s)}"),
        html.P(lines(run.sentence), className="jobs-lines") if run.sentence else None,
        html.P(
            [html.A(plain(run.folder, 120), href=f"/runs/?run={quote(run.folder, safe='')}"), bench], className="facts"
        ),
        html.P(head, className="facts"),
        *_papers(now, locked=locked),
    ]


def _papers(now: RunNow, *, locked: bool) -> list[Any]:
    if now.files is None:
        return [html.P("Its folder is not in the runs folder of this machine; its papers are made there.")]
    token, folder = token_of(now.run.folder), quote(now.run.folder, safe="")
    made = "record.pdf" in now.files
    name = plain(now.run.folder, 60)
    return [
        html.Ul([_paper(file, folder, name) for file in PAPERS if file in now.files], className="plain jobs-papers"),
        html.Div(
            [
                html.Button(
                    "Make the papers again" if made else "Make the papers",
                    id={"type": "papers", "run": token},
                    className="plain-button",
                    type="button",
                    disabled=locked,
                    **named({"aria-label": f"Make the papers of {name}{' again' if made else ''}"}),
                ),
                html.Button(
                    "Verify",
                    id={"type": "verify", "run": token},
                    className="plain-button",
                    type="button",
                    **named({"aria-label": f"Verify {name}"}),
                ),
            ],
            className="plan-buttons",
        ),
        html.Div([*_report_said(now.report), *_verify_said(now.verify)], role="status", className="jobs-work"),
    ]


def _paper(file: str, folder: str, name: str) -> Any:
    label = named({"aria-label": f"{PAPERS[file]} of {name}"})
    # Fetched, not gone to: what is typed on the page stays.
    return html.Li(html.A(PAPERS[file], href=f"/jobs/paper/{folder}/{file}", download=f"{name}-{file}", **label))


def _report_said(work: Work | None) -> list[Any]:
    if work is None:
        return []
    if work.state == "going":
        return [html.P("The papers are being made …", className="jobs-going")]
    if work.state == "failed":
        return [
            html.P("✕ The papers could not be made. Last words:", className="jobs-wrong"),
            html.Pre("\n".join(work.lines) or "(none)", className="plan-log", tabIndex=0),
        ]
    # Beside the files it prints what could not be done, such as signing without a key.
    told = [line for line in work.lines if not line.endswith(".pdf") and not line.startswith("Sealed: ")]
    return [html.P([html.Strong("✓ The papers are made. "), " ".join(told)])]


def _verify_said(work: Work | None) -> list[Any]:
    if work is None:
        return []
    if work.state == "going":
        return [html.P("Being verified …", className="jobs-going")]
    if work.state == "failed":
        return [
            html.P("✕ Could not be verified. Last words:", className="jobs-wrong"),
            html.Pre("\n".join(work.lines) or "(none)", className="plan-log", tabIndex=0),
        ]
    return [_verified(one) for one in (work.answer or [])[:20]]


def _verified(found: dict[str, Any]) -> Any:
    sign, said = _VERDICT.get(str(found.get("verdict")), ("◇", "not understood"))
    # Only the name: the folder is the machine's own affair.
    name = plain(str(found.get("subject", "")).replace("\\", "/").rstrip("/").rpartition("/")[2], 120)
    told = found.get("findings")
    items = [one for one in told if isinstance(one, dict)] if isinstance(told, list) else []
    items.sort(key=lambda one: str(one.get("kind")) in ("intact", "note"))
    return html.Details(
        [
            html.Summary(f"{sign} {said}: {name}"),
            html.Ul(
                [
                    html.Li(
                        [
                            html.Strong(_KIND.get(str(one.get("kind")), plain(one.get("kind"), 40))),
                            f" {plain(one.get('subject'), 200)}: {plain(one.get('words'), 600)}",
                        ]
                    )
                    for one in items[:60]
                ],
                className="plain",
            ),
        ],
        # What is wrong is not to be looked for.
        open=found.get("verdict") != "intact",
        className="jobs-verified",
    )


def invoice_run(found: Sequence[RunNow]) -> Any:
    """Return the choice of the run whose record goes onto an invoice: those that have one."""
    ready = [now.run for now in found if now.files and "record.pdf" in now.files]
    if not ready:
        return html.P("First make the papers of a run: there is no record to send yet.", className="jobs-empty")
    ready.sort(key=lambda run: run.started_at_utc, reverse=True)
    choices = [
        (run.folder, f"{day(run.started_at_utc)} {plain(run.run_type, 40)} ({plain(run.folder, 80)})") for run in ready
    ]
    return chooser("Run", "invoice-run", choices, choices[0][0])


def invoice_made(answer: dict[str, Any] | None) -> Any:
    """Return a result to download, or why there is none.

    Args:
        answer: what the page's own address for invoices said: "token", "name", "lines".
    """
    if not answer:
        return None
    told = [plain(line, 500) for line in answer.get("lines") or []][:40]
    token, name = str(answer.get("token") or ""), plain(answer.get("name"), 160)
    if not token:
        return [
            html.P("✕ Refused; the invoice is as it was. The reason:", className="jobs-wrong"),
            html.Ul([html.Li(line) for line in told], className="jobs-why"),
            html.P("“Make the bundle instead” packs the record, the log and the data into one file to go beside it."),
        ]
    return [
        html.P(
            ["✓ Ready: ", html.A(name, href=f"/jobs/made/{quote(token, safe='')}", download=name)],
            className="jobs-done",
        ),
        html.Ul(
            [html.Li(line) for line in told if not line.startswith("Written: ")],
            className="jobs-why",
        ),
    ]
