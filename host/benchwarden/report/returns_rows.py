"""Earlier runs of the same set beside this one: figures run by run, what moved, parts then and now."""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.analysis.returns import Comparison
from benchwarden.core.job import JobRun
from benchwarden.report.clock_label import day_words
from benchwarden.report.printable import clipped, number_text, span_text
from benchwarden.report.wording import N_, Wording

Row = tuple[str, ...]
# As many runs, and jobs with parts, as stay legible beside each other.
MOST_COLUMNS = 5
_MOST_PARTS = 60
_VERDICTS = {"pass": N_("passed"), "trip": N_("tripped"), "incomplete": N_("incomplete")}
_RUN_TYPES = {"power-up": N_("power-up"), "burn-in": N_("burn-in")}
_QUANTITIES = {
    "Bias drop at the end": N_("Bias drop at the end"),
    "Bias drift": N_("Bias drift"),
    "Bias per kelvin of heatsink": N_("Bias per kelvin of heatsink"),
    "Thermal loop gain": N_("Thermal loop gain"),
    "Heatsink above the room at the end": N_("Heatsink above the room at the end"),
    "Worst DC offset": N_("Worst DC offset"),
    "Worst HF level": N_("Worst HF level"),
}


@dataclass(frozen=True)
class EarlierRuns:
    """The newest runs of a set side by side, oldest first.

    Attributes:
        heads: of each run: day, kind, result, length, job.
        rows: quantity and unit, side, a value a run, whether it moved.
        sentences: what moved, in the analysis' words.
        part_heads: number of each job that fitted parts.
        part_rows: place, a marking a job, whether it changed.
    """

    heads: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()
    sentences: tuple[str, ...] = ()
    part_heads: tuple[str, ...] = ()
    part_rows: tuple[Row, ...] = ()


def earlier_runs(comparison: Comparison | None, say: Wording) -> EarlierRuns:
    """Return what is printed of a comparison; nothing where there is none, or no earlier run."""
    if not comparison or len(comparison.runs) < 2:
        return EarlierRuns()
    cut = slice(max(0, len(comparison.runs) - MOST_COLUMNS), None)
    jobs = slice(max(0, len(comparison.part_jobs) - MOST_COLUMNS), None)
    heads = [_head(run, number, say) for run, number in zip(comparison.runs[cut], comparison.jobs[cut], strict=True)]
    rows = [
        (
            say(_QUANTITIES.get(figure.quantity, figure.quantity)) + (f", {figure.unit}" if figure.unit else ""),
            say("left") if figure.side == "left" else say("right"),
            *("\N{EN DASH}" if v is None else number_text(v, figure.decimals, say) for v in figure.values[cut]),
            say("moved") if figure.moved else "",
        )
        for figure in comparison.figures
    ]
    parts = [
        (
            f"{clipped(part.position, 30)}{f', {say(part.side)}' if part.side else ''}",
            *(clipped(marking, 30) or "\N{EN DASH}" for marking in part.markings[jobs]),
            say("changed") if part.changed else "",
        )
        for part in comparison.parts[:_MOST_PARTS]
    ]
    return EarlierRuns(
        tuple(heads),
        tuple(rows),
        tuple(clipped(words, 300) for words in comparison.sentences),
        tuple(clipped(number, 24) for number in comparison.part_jobs[jobs]),
        tuple(parts),
    )


def _head(run: JobRun, number: str, say: Wording) -> str:
    kind = say(_RUN_TYPES.get(run.run_type, run.run_type))
    verdict = say(_VERDICTS.get(run.verdict, run.verdict))
    words = [day_words(run.started_at_utc, say) or clipped(run.folder, 30), kind, verdict]
    words += [span_text(run.duration_s, say)] if run.duration_s > 0 else []
    words += [say("job {number}", number=clipped(number, 20))]
    words += [say("virtual bench")] if run.virtual else []
    return ", ".join(word for word in words if word)
