"""A job in plain lines, for a terminal."""

from __future__ import annotations

from benchwarden.core.job import Job


def lines_of(job: Job) -> list[str]:
    """Return a job as lines to read; its texts are as somebody wrote them."""
    amplifier = job.amplifier
    lines = [
        f"Job {job.number}, {job.state}, version {job.version}, changed {job.changed_at_utc}",
        f"  customer    {job.customer or '-'}",
        f"  set         {f'{amplifier.maker} {amplifier.model}'.strip() or '-'}, serial {amplifier.serial or '-'}",
        f"  opened      {job.opened_at_utc}",
    ]
    for key in ("technician", "complaint", "work", "charge", "invoice"):
        if getattr(job, key):
            lines.append(f"  {key:11} {getattr(job, key)}")
    lines.append(f"  unit facts  {len(job.unit)} known" if job.unit else "  unit facts  none yet")
    lines += [
        f"  earlier     {repair.found} ({repair.by or '?'}, {repair.when or '?'})" for repair in job.earlier_repairs
    ]
    lines += [f"  lot         {lot.name}: {lot.marking}, {len(lot.pieces)} measured" for lot in job.lots]
    lines += [
        f"  fitted      {part.position}: {part.marking}" + (f" for {part.replaced}" if part.replaced else "")
        for part in job.parts_fitted
    ]
    lines += [
        f"  check       {check.check} {check.position}: {check.state}"
        + (f", because: {check.why}" if check.why else "")
        for check in job.cold_checks
    ]
    lines += [
        f"  run         {run.folder}: {run.run_type}, {run.verdict}{', VIRTUAL' if run.virtual else ''}. {run.sentence}"
        for run in job.runs
    ]
    lines += [f"  note        {note.at_utc} {note.by}: {note.text}" for note in job.notes]
    lines += [
        f"  photo       {photo.name}, {photo.width_px} x {photo.height_px}, {photo.size / 1e3:.0f} kB. {photo.caption}"
        for photo in job.photos
    ]
    return lines
