"""What the technical pages say: words, rows and plots, ready to be laid out.

Nothing is computed here beyond naming, rounding and picking extremes; figures
with a meaning come from the plan and from the verdict of the analysis.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from benchwarden import __version__
from benchwarden.analysis.returns import Comparison
from benchwarden.report.cautions import CAUTIONS, ENGLISH_NOTE, GLYPH_NOTE, VIRTUAL_CAUTION
from benchwarden.report.clock_label import date_words, is_unreliable
from benchwarden.report.event_rows import board_trips, event_rows, finding_rows
from benchwarden.report.figures import Figure, run_figure
from benchwarden.report.forecast_rows import forecast_rows
from benchwarden.report.identity import (
    board_of,
    calibration_caution,
    calibration_in_force,
    calibration_words,
    instrument_rows,
    is_virtual,
    reminders,
)
from benchwarden.report.job_papers import JobPapers
from benchwarden.report.lenient import as_dict, as_number, as_text
from benchwarden.report.limit_rows import limit_rows, working_rows
from benchwarden.report.metrics import margin_rows, metric_rows, other_figures, side_rows, worst_rows
from benchwarden.report.printable import clipped, clock_text, general_text
from benchwarden.report.repair_rows import check_note, check_rows, finding_notes, part_rows
from benchwarden.report.result import Result, StageEnd, result_of, trip_words
from benchwarden.report.returns_rows import EarlierRuns, earlier_runs
from benchwarden.report.run_plots import burst_figures, run_panels
from benchwarden.report.source import Material
from benchwarden.report.stage_rows import StageRow, stage_rows
from benchwarden.report.watched import gap_rows, losses, watched_rows, watched_words
from benchwarden.report.wording import ENGLISH, N_, Wording

Row = tuple[str, ...]
NO_PAPERS = JobPapers()
TITLES = {"burn-in": N_("Burn-in record"), "power-up": N_("Power-up record")}
RESULT_WORDS = {
    "passed": N_("Passed"),
    "tripped": N_("Tripped"),
    "stopped": N_("Stopped"),
    "incomplete": N_("Incomplete"),
    "no result": N_("No result"),
}


@dataclass(frozen=True)
class Content:
    """The record in words and plots. Rows are texts in the order of their columns."""

    title: str
    run: str
    virtual: bool
    calibration: str
    calibration_caution: str
    date: str
    started_at_utc: str
    set_rows: tuple[Row, ...]
    result: Result
    word: str
    english_note: str
    watched: str
    watched_rows: tuple[Row, ...]
    checks: tuple[Row, ...]
    checks_open: tuple[bool, ...]
    checks_note: str
    parts: tuple[Row, ...]
    fit_why: str
    lots: tuple[Row, ...]
    substitutions: tuple[Row, ...]
    earlier: EarlierRuns
    stages: tuple[StageRow, ...]
    limits: tuple[Row, ...]
    figures: tuple[Figure, ...]
    no_plot: tuple[str, ...]
    bursts: tuple[Figure, ...]
    trips: tuple[str, ...]
    events: tuple[Row, ...]
    events_note: str
    findings: tuple[Row, ...]
    forecasts: tuple[Row, ...]
    margins: tuple[Row, ...]
    sides: tuple[Row, ...]
    worst: tuple[Row, ...]
    metrics: tuple[Row, ...]
    instrument: tuple[Row, ...]
    losses: tuple[str, ...]
    gaps: tuple[Row, ...]
    working: tuple[Row, ...]
    cautions: tuple[str, ...]
    producer: str


def verdict_of(material: Material) -> dict[str, Any] | None:
    """Return the verdict of the analysis, None where the run never came to one."""
    return as_dict(material.last_note("verdict")) or as_dict(material.status.get("verdict")) or None


def result_in(material: Material, say: Wording) -> Result:
    """Return how the run ended, with its reasons."""
    verdict, env = verdict_of(material), material.envelope
    ends = [
        StageEnd(clipped(as_text(s.get("name")), 120), as_text(s.get("status")), clipped(as_text(s.get("why")), 300))
        for s in material.stages
    ]
    trips = board_trips(material.events)
    return result_of(verdict, trips, ends, env.last_t_s, env.mains_on_s, losses(material, verdict, say), say)


def started_label(material: Material) -> str:
    """Return when the run began by the wall clock, "" where nobody wrote it down."""
    return as_text(material.header.get("started_at_utc") or material.status.get("started_at_utc"))


def dated(material: Material, say: Wording) -> str:
    """Return when the run began in words, with a warning where the label cannot be right."""
    started = started_label(material)
    if not started:
        return say("date not stated")
    words = clipped(date_words(started, say), 60)
    env = material.envelope
    run_s = env.last_t_s - env.first_t_s
    if is_unreliable(started, as_text(material.status.get("updated_at_utc")), run_s, is_virtual(material)):
        return say("{date} (clock label unreliable)", date=words)
    return words


def title_of(material: Material, say: Wording) -> str:
    """Return what kind of record it is."""
    run_type = as_text(material.header.get("run_type") or material.status.get("run_type"))
    return say(TITLES.get(run_type, N_("Run record")))


def _set_rows(material: Material, unit: dict[str, Any], say: Wording) -> tuple[Row, ...]:
    def of(key: str) -> str:
        found = as_text(unit.get(key) or material.status.get(key))
        return clipped(found if found.strip() else say("not stated"), 160)

    def figure(key: str, suffix: str) -> str:
        value = as_number(unit.get(key))
        return f"{general_text(value, say)}\u00a0{suffix}" if math.isfinite(value) else say("not stated")

    rated = say("{power} per channel into {load}", power=figure("rated_power_w", "W"), load=figure("load_ohm", "Ω"))
    rails = say("{volts} nominal", volts=f"\N{PLUS-MINUS SIGN}{figure('rail_nominal_v', 'V')}")
    drop, resistor = figure("target_bias_drop_mv", "mV"), figure("emitter_resistor_ohm", "Ω")
    return (
        (say("Set"), of("model")),
        (say("Serial"), of("serial")),
        (say("Customer"), of("customer")),
        (say("Technician"), of("technician")),
        (say("Rated"), rated),
        (say("Rails"), rails),
        (say("Target bias"), say("{drop} across {resistor}", drop=drop, resistor=resistor)),
        (say("Limiter lamp"), figure("limiter_lamp_w", "W")),
    )


def content_of(
    material: Material, say: Wording = ENGLISH, papers: JobPapers = NO_PAPERS, earlier: Comparison | None = None
) -> Content:
    """Return what the technical pages of a run say.

    Args:
        papers: what is known of the repair.
        earlier: runs of the same set made before, beside this one.
    """
    header = material.header
    unit, board = as_dict(header.get("unit")), board_of(material)
    verdict = verdict_of(material)
    figures = as_dict(verdict).get("metrics")
    result = result_in(material, say)
    calibration = calibration_in_force(board)
    panels, absent = run_panels(material, say)
    events, events_note = event_rows(material, say)
    virtual = is_virtual(material)
    cautions = (
        *((say(VIRTUAL_CAUTION),) if virtual else ()),
        *reminders(board),
        *(say(words) for words in CAUTIONS),
        say(GLYPH_NOTE),
    )
    return Content(
        title=title_of(material, say),
        run=as_text(header.get("run") or material.status.get("run")),
        virtual=virtual,
        calibration=calibration_words(board, say),
        calibration_caution=calibration_caution(board, say),
        date=dated(material, say),
        started_at_utc=started_label(material),
        set_rows=_set_rows(material, unit, say),
        result=result,
        word=say(RESULT_WORDS[result.kind]),
        english_note="" if say.is_own else say(ENGLISH_NOTE),
        watched=watched_words(material, unit, say),
        watched_rows=watched_rows(material, calibration, say),
        checks=check_rows(papers, say),
        checks_open=tuple(note.state != "passed" for note in papers.checks)[: len(check_rows(papers, say))],
        checks_note=check_note(papers, say),
        parts=part_rows(papers.job.parts_fitted if papers.job else (), papers.lots, say),
        fit_why=clipped(papers.fit_why, 400),
        lots=finding_notes(papers.lots, say),
        substitutions=finding_notes(papers.substitutions, say),
        earlier=earlier_runs(earlier, say),
        stages=stage_rows(material, say),
        limits=limit_rows(material, calibration, say),
        figures=tuple(run_figure(panel) for panel in panels),
        no_plot=tuple(absent),
        bursts=burst_figures(material, say),
        trips=tuple(f"{clock_text(t.t_s, say)}: {trip_words(t, say)}" for t in board_trips(material.events)),
        events=events,
        events_note=events_note,
        findings=finding_rows(material, verdict, say),
        forecasts=forecast_rows(figures, say),
        margins=tuple(margin_rows(figures, say)),
        sides=tuple(side_rows(figures, say)),
        worst=tuple(worst_rows(figures, say)),
        metrics=tuple(metric_rows(other_figures(figures), say)),
        instrument=instrument_rows(material, board, say),
        losses=(*losses(material, verdict, say), *papers.trouble, *say.trouble),
        gaps=gap_rows(material, say),
        working=working_rows(material, say),
        cautions=cautions,
        producer=f"benchwarden {__version__}",
    )
