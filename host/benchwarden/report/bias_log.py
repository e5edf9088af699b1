"""The bias-stability log: one page for the invoice."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from benchwarden import __version__
from benchwarden.core.channels import INDEX
from benchwarden.core.job import Job
from benchwarden.core.workshop import Workshop
from benchwarden.report.brief import name_in
from benchwarden.report.content import result_in, started_label, verdict_of
from benchwarden.report.customer_page import WORDS, result_sentences, set_facts
from benchwarden.report.figures import Figure, run_figure
from benchwarden.report.identity import board_of, calibration_words, is_virtual
from benchwarden.report.job_papers import papers_of
from benchwarden.report.lenient import as_dict, as_list, as_number, as_text
from benchwarden.report.printable import channel_text, general_text, number_text, span_text
from benchwarden.report.run_plots import run_panels
from benchwarden.report.sheet_data import Sheet, shared_data, sheet_of
from benchwarden.report.source import Material, gather
from benchwarden.report.typeset import one_line, replace_file, typeset
from benchwarden.report.wording import N_, Wording

NAME = "bias-log.pdf"
_TEMPLATE = "bias_log.typ"
_BIAS_MM, _SINK_MM = 46.0, 30.0
_SIDES = ("left", "right")
_MOST_CHARGE = Decimal(10_000_000)
_CAUTIONS = (
    N_(
        "The log tells what the sensors read during the time and at the settings stated. It does not promise how long "
        "the set will last, that the parts fitted are genuine, or that the set meets any safety standard."
    ),
    N_(
        "The test equipment is not a certified protective device. Do not open the set: mains and charged capacitors "
        "inside can kill; repairs are for people qualified for them by the rules of your country."
    ),
)

Row = tuple[str, ...]


@dataclass(frozen=True)
class BiasLog:
    """The log in words and plots.

    Attributes:
        table: rows of figure, left, right.
        charge: what the run costs, with its currency; "" for nothing to print.
        record: where the full record is.
        trouble: what could not be read or printed, in sentences.
    """

    title: str
    virtual: bool
    calibration: str
    started_at_utc: str
    run: str
    facts: tuple[Row, ...]
    kind: str
    word: str
    sentences: tuple[str, ...]
    figures: tuple[Figure, ...]
    figures_note: str
    table: tuple[Row, ...]
    charge: str
    record: str
    cautions: tuple[str, ...]
    trouble: tuple[str, ...]
    producer: str


def write_bias_log(
    run_dir: Path,
    out: Path | None = None,
    *,
    workshop: Workshop | None = None,
    seal_head: str = "",
    invoice: str = "",
    record_attached: bool = False,
    attachments: Mapping[str, bytes] | None = None,
) -> Path:
    """Make the bias-stability log of a run and return where it is; the file is replaced whole or not at all.

    Args:
        out: the PDF; `bias-log.pdf` in the run's folder by default.
        workshop, seal_head, invoice, record_attached, attachments: as for `bias_log_bytes`.

    Raises:
        RecordError: there is no readable journal, or the PDF cannot be written.
    """
    target = run_dir / NAME if out is None else out
    data = bias_log_bytes(
        run_dir,
        workshop=workshop,
        seal_head=seal_head,
        invoice=invoice,
        record_attached=record_attached,
        attachments=attachments,
    )
    replace_file(target, data)
    return target


def bias_log_bytes(
    run_dir: Path,
    *,
    workshop: Workshop | None = None,
    seal_head: str = "",
    invoice: str = "",
    record_attached: bool = False,
    attachments: Mapping[str, bytes] | None = None,
    material: Material | None = None,
) -> bytes:
    """Return the PDF of the bias-stability log, one page.

    Args:
        workshop: letterhead, language, currency, time zone; None prints without one, in English.
        seal_head: head hash of the run's seal, 64 hexadecimal digits; "" prints "not sealed".
        invoice: number of the invoice it goes with; the job's own by default.
        record_attached: the full record goes with the same invoice.
        attachments: files to attach, by name.
        material: of the run, where it was gathered before; None gathers it.

    Raises:
        RecordError: there is no readable journal, or the PDF cannot be laid out.
    """
    sheet = sheet_of(workshop, seal_head, attachments or {})
    currency = (workshop or Workshop()).currency
    log = bias_log_of(run_dir, material or gather(run_dir), sheet, currency, invoice, record_attached)
    return typeset(_TEMPLATE, lambda ascii_only: _page_data(log, sheet, ascii_only), log.started_at_utc, sheet.files)


def bias_log_of(
    run_dir: Path, material: Material, sheet: Sheet, currency: str, invoice: str, record_attached: bool
) -> BiasLog:
    """Return what the log of a run says."""
    say = sheet.say
    papers = papers_of(run_dir, material.header, say)
    job, board, env = papers.job, board_of(material), material.envelope
    metrics = as_dict(as_dict(verdict_of(material)).get("metrics"))
    result = result_in(material, say)
    panels, absent = run_panels(material, say, ("bias", "temperature"), idle_bias=True)
    heights = (_BIAS_MM, _SINK_MM)
    charge, trouble = _charge(job, currency, say)
    facts = set_facts(material, job, say)
    if number := invoice or (job.invoice if job else ""):
        facts += ((say("Invoice"), name_in(number, 40)),)
    if env.frames:
        facts += ((say("Watched for"), span_text(env.last_t_s - env.first_t_s, say)),)
        facts += ((say("Under power"), span_text(env.mains_on_s, say)),)
    record = N_("The full record, with every limit, event and reading, goes with this invoice.")
    kept = N_("The full record, with every limit, event and reading, is kept by the workshop and can be had there.")
    if env.frames and env.drive_on.any():
        kept_out = say("The bias is not shown while the test signal is on.")
    else:
        kept_out = ""
    return BiasLog(
        title=say("Bias-stability log"),
        virtual=is_virtual(material),
        calibration=calibration_words(board, say),
        started_at_utc=started_label(material),
        run=as_text(material.header.get("run") or material.status.get("run")),
        facts=facts,
        kind=result.kind,
        word=say(WORDS[result.kind]),
        sentences=result_sentences(material, result, metrics, say),
        figures=tuple(run_figure(panel, height) for panel, height in zip(panels, heights, strict=False)),
        figures_note=kept_out,
        table=_table(material, metrics, say),
        charge=charge,
        record=say(record if record_attached else kept),
        cautions=tuple(say(words) for words in _CAUTIONS),
        trouble=(*absent, *papers.trouble, *trouble, *sheet.letterhead.trouble, *say.trouble),
        producer=f"benchwarden {__version__}",
    )


def _charge(job: Job | None, currency: str, say: Wording) -> tuple[str, tuple[str, ...]]:
    """Return the charge with its currency, and what is wrong with it."""
    if job is None or not job.charge.strip():
        return "", ()
    try:
        amount = Decimal(job.charge.strip())
    except InvalidOperation:
        amount = Decimal("NaN")
    if not amount.is_finite() or not 0 <= amount < _MOST_CHARGE:
        return "", (say("The charge in the job file is no amount and is left out."),)
    return say("Supervised run: {amount}", amount=say.money(amount, currency)), ()


def _table(material: Material, metrics: dict[str, Any], say: Wording) -> tuple[Row, ...]:
    sides = [as_dict(metrics.get(side)) for side in _SIDES]
    target_mv = as_number(as_dict(material.header.get("unit")).get("target_bias_drop_mv"))
    target = f"{general_text(target_mv, say)}\u00a0mV" if math.isfinite(target_mv) else ""
    rows: list[tuple[str, list[str]]] = [
        (say("Bias, target"), [target, target]),
        (say("at the start of idling"), [_plain(s.get("bias_start_mv"), "mV", say) for s in sides]),
        (say("warmed up, before the test signal"), _warm(material, say)),
        (say("at the end"), [_plain(s.get("bias_end_mv"), "mV", say) for s in sides]),
        (
            say("Drift in an hour, 95 % interval"),
            [_with_interval(s, "drift_mv_per_h", "drift_95_mv_per_h", "mV/h", say) for s in sides],
        ),
        (
            say("Bias against heatsink, 95 % interval"),
            [_with_interval(s, "tempco_mv_per_k", "tempco_95_mv_per_k", "mV/K", say) for s in sides],
        ),
        (say("Largest DC offset"), [_channel(f"offset_{k}_v", s.get("offset_worst_v"), say) for k, s in _named(sides)]),
        (say("Hottest heatsink"), [_channel(f"sink_{k}_c", s.get("sink_worst_c"), say) for k, s in _named(sides)]),
    ]
    # The target alone says nothing of the run.
    kept = [(name, values) for name, values in rows if any(values)]
    if len(kept) < 2:
        return ()
    return tuple((name, *(value or "\N{EN DASH}" for value in values)) for name, values in kept)


def _named(sides: list[dict[str, Any]]) -> list[tuple[str, dict[str, Any]]]:
    return list(zip(_SIDES, sides, strict=True))


def _plain(found: Any, unit: str, say: Wording) -> str:
    value = as_number(found)
    return f"{number_text(value, 2, say)}\u00a0{unit}" if math.isfinite(value) else ""


def _channel(channel: str, found: Any, say: Wording) -> str:
    value = as_number(found)
    return channel_text(channel, value, say=say) if math.isfinite(value) else ""


def _with_interval(side: dict[str, Any], key: str, interval: str, unit: str, say: Wording) -> str:
    value, pair = as_number(side.get(key)), [as_number(v) for v in as_list(side.get(interval))]
    if not math.isfinite(value):
        return ""
    shown = f"{general_text(_short(value), say)}\u00a0{unit}"
    if len(pair) != 2 or not all(map(math.isfinite, pair)):
        return shown
    low, high = (general_text(_short(v), say) for v in pair)
    return say("{value} ({low} to {high})", value=shown, low=low, high=high)


def _short(value: float) -> float:
    """Return a figure with the three digits that an interval is worth."""
    return float(f"{value:.3g}")


def _warm(material: Material, say: Wording) -> list[str]:
    """Return each bias at the end of the last idle stage at full mains before the test signal."""
    driven = [i for i, stage in enumerate(material.stages) if stage.get("drive_on") and i in material.readings]
    idle = [
        i
        for i, stage in enumerate(material.stages[: driven[0]] if driven else ())
        if i in material.readings and not stage.get("limiter_in") and stage.get("energised") is not False
    ]
    if not idle:
        return ["", ""]
    end = material.readings[idle[-1]].end
    return [_plain(1e3 * float(end[INDEX[f"bias_{side}_v"]]), "mV", say) for side in _SIDES]


def _page_data(log: BiasLog, sheet: Sheet, ascii_only: bool) -> dict[str, Any]:
    data: dict[str, Any] = asdict(log)
    data |= shared_data(sheet, _TEMPLATE, log.run, log.virtual, ascii_only)
    data |= {
        "document_title": f"{log.title} {one_line(log.run, 80, ascii_only)}",
        "head_set": "",
    }
    return data
