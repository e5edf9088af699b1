"""`benchwarden job`: the job file from the command line, on a folder or a server that several benches share."""

from __future__ import annotations

import argparse
import json
import platform
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchwarden.core.clock import SystemClock
from benchwarden.core.job import JOB_STATES, Job
from benchwarden.core.job_form import plain_table
from benchwarden.errors import JobError, RecordError
from benchwarden.jobs.job_edits import KEYS, bytes_of, job_in_file, with_facts
from benchwarden.jobs.job_lines import lines_of
from benchwarden.places import DEFAULT_JOBS, JOBS_VARIABLE, job_store_address

if TYPE_CHECKING:
    from benchwarden.jobs.store import JobStore

EXIT_LEFT = 1
_Command = Callable[["JobStore", argparse.Namespace], int]


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    top = commands.add_parser("job", help="the job file: repairs with their parts, checks, runs, notes and photos")
    subs = top.add_subparsers(required=True, metavar="WHAT")
    about_keys = f"right after the number; keys: {', '.join(KEYS)}"

    new = _sub(subs, "new", _new, "open a job", creates=True)
    new.add_argument("number", nargs="?", default="", help="default: one more than the greatest")
    new.add_argument("facts", nargs="*", metavar="KEY=VALUE", help=about_keys)
    new.add_argument("--file", type=Path, help="the whole job as JSON or TOML")
    new.add_argument("--unit", type=Path, help="unit.toml: facts for the plan")

    listed = _sub(subs, "list", _list, "list jobs, the last changed first")
    find = _sub(subs, "find", _list, "find jobs by any words: customer, set, complaint, work, notes, parts")
    find.add_argument("words", nargs="+")
    for sub in (listed, find):
        sub.add_argument("--state", choices=JOB_STATES, default="")
        sub.add_argument("--limit", type=int, default=50)
        sub.add_argument("--offset", type=int, default=0)
        sub.add_argument("--json", action="store_true", help="for another program to read: one JSON list")

    show = _sub(subs, "show", _show, "show a job, or an earlier version of it")
    show.add_argument("number")
    show.add_argument("--version", type=int, help="default: the newest")
    show.add_argument("--json", action="store_true", help="the whole document, to be edited and given to set --file")

    change = _sub(subs, "set", _set, "change a job")
    change.add_argument("number")
    change.add_argument("facts", nargs="*", metavar="KEY=VALUE", help=about_keys)
    change.add_argument("--file", type=Path, help="the whole job as JSON or TOML, begun from show --json")
    change.add_argument("--unit", type=Path, help="unit.toml: facts for the plan")

    note = _sub(subs, "note", _note, "add a note to a job")
    note.add_argument("number")
    note.add_argument("text", help="- reads it from standard input")

    photo = _sub(subs, "photo", _photo, "add photos to a job, or write out those it has")
    photo.add_argument("number")
    photo.add_argument("files", nargs="*", type=Path, help="JPEG or PNG; position and other metadata are taken out")
    photo.add_argument("--caption", default="")
    photo.add_argument("--out", type=Path, metavar="FOLDER", help="write the job's photos there")

    attach = _sub(subs, "attach-run", _attach, "attach a run to a job, with its samples")
    attach.add_argument("number")
    attach.add_argument("run_dir", type=Path)
    attach.add_argument("--no-samples", action="store_true", help="only verdict and figures, no samples")

    samples = _sub(subs, "samples", _samples, "list the samples kept with a job, or write a run's to a Parquet file")
    samples.add_argument("number")
    samples.add_argument("run", nargs="?", help="the run's folder name")
    samples.add_argument("target", nargs="?", type=Path, help="Parquet file to write")

    history = _sub(subs, "history", _history, "who saved a job when, and what imports brought that differs")
    history.add_argument("number")

    for name, function, words, creates in (
        ("export", _export, "write everything to a ZIP of open formats", False),
        ("import", _import, "take everything from such a ZIP; nothing is overwritten", True),
        ("backup", _backup, "copy everything while benches go on working", False),
    ):
        _sub(subs, name, function, words, creates=creates).add_argument("path", type=Path)


def _sub(
    subs: argparse._SubParsersAction[Any], name: str, function: _Command, words: str, *, creates: bool = False
) -> argparse.ArgumentParser:
    sub: argparse.ArgumentParser = subs.add_parser(name, help=words)
    where = f"folder, or postgresql://... ; default: {JOBS_VARIABLE}, else {DEFAULT_JOBS}"
    sub.add_argument("--store", metavar="ADDRESS", help=where)
    sub.add_argument("--by", default=platform.node(), help="who does it, for the history; default: this machine's name")

    def command(args: argparse.Namespace) -> int:
        from benchwarden.jobs.store import open_store

        with open_store(job_store_address(args.store), create=creates) as store:
            return function(store, args)

    sub.set_defaults(command=command)
    return sub


def _say(text: str) -> None:
    """Print lines; what a terminal would act on is taken out, whoever wrote it."""
    kept = "".join(c if c.isprintable() or c == "\n" else " " for c in text)
    encoding = sys.stdout.encoding or "utf-8"
    sys.stdout.write(kept.encode(encoding, "replace").decode(encoding) + "\n")


def _new(store: JobStore, args: argparse.Namespace) -> int:
    number, facts = args.number, list(args.facts)
    if "=" in number:
        # The number may be left out before the first fact.
        number, facts = "", [number, *facts]
    job = job_in_file(args.file) if args.file else Job(number="")
    job = with_facts(job, facts, args.unit)
    job = store.create(replace(job, number=number or job.number or store.next_number(), version=0), args.by)
    _say(f"Job {job.number} opened in {store.name}.")
    return 0


def _list(store: JobStore, args: argparse.Namespace) -> int:
    text = " ".join(getattr(args, "words", ()))
    rows = store.search(text, args.state, args.limit, args.offset)
    if args.json:
        _say(json.dumps([plain_table(row) for row in rows]))
        return 0
    table = [("job", "state", "customer", "set", "serial", "verdict", "changed (UTC)")]
    for row in rows:
        whole = f"{row.maker} {row.model}".strip()
        table.append((row.number, row.state, row.customer, whole, row.serial, row.verdict, row.changed_at_utc))
    cut = [tuple(cell if len(cell) <= 32 else cell[:31] + "…" for cell in line) for line in table]
    widths = [max(len(line[k]) for line in cut) for k in range(len(table[0]))]
    for line in cut:
        _say("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())
    more = store.count(text, args.state)
    if more > len(rows):
        _say(f"{len(rows)} of {more}; --limit and --offset show others.")
    return 0 if rows else EXIT_LEFT


def _show(store: JobStore, args: argparse.Namespace) -> int:
    job = store.open(args.number, args.version)
    if args.json:
        _say(json.dumps(plain_table(job), indent=1))
        return 0
    for line in lines_of(job):
        _say(line)
    beside = store.conflicts(args.number)
    if beside:
        _say(f"CAUTION: {len(beside)} version(s) came with imports and differ; `job history {job.number}` lists them.")
    return 0


def _set(store: JobStore, args: argparse.Namespace) -> int:
    if args.file:
        if args.facts or args.unit:
            raise JobError("job set: --file with other facts; allowed: the whole document, or single facts")
        job = job_in_file(args.file)
        if job.number != args.number:
            raise JobError(f"{args.file}: number {job.number!r}; allowed: {args.number!r}")
        if not job.version:
            raise JobError(f"{args.file}: version is missing; begin from `job show {args.number} --json`")
        job = store.save(job, args.by, "whole document saved")
    else:
        if not (args.facts or args.unit):
            raise JobError(f"job set: nothing to change; allowed: KEY=VALUE ({', '.join(KEYS)}), --unit, --file")
        keys = ", ".join(fact.partition("=")[0] for fact in args.facts) or "unit facts"
        job = store.change(
            args.number, lambda stored: with_facts(stored, args.facts, args.unit), args.by, f"{keys} set"
        )
    _say(f"Job {job.number} saved, version {job.version}.")
    return 0


def _note(store: JobStore, args: argparse.Namespace) -> int:
    job = store.add_note(args.number, sys.stdin.read().strip() if args.text == "-" else args.text, args.by)
    _say(f"Job {job.number}: note {len(job.notes)} kept.")
    return 0


def _photo(store: JobStore, args: argparse.Namespace) -> int:
    if not args.files and not args.out:
        raise JobError("job photo: allowed: files to add, or --out FOLDER")
    for path in args.files:
        job = store.add_photo(args.number, path.name, bytes_of(path), args.caption, args.by)
        photo = job.photos[-1]
        _say(f"Job {job.number}: {photo.name} kept, {photo.width_px} x {photo.height_px}, {photo.size / 1e3:.0f} kB.")
    if args.out:
        for photo in store.open(args.number).photos:
            ending = "jpg" if photo.media_type == "image/jpeg" else "png"
            target = args.out / f"{photo.sha256[:16]}.{ending}"
            try:
                args.out.mkdir(parents=True, exist_ok=True)
                target.write_bytes(store.photo_bytes(photo.sha256))
            except OSError as error:
                raise RecordError(f"{target}: cannot be written ({error.strerror})") from error
            _say(f"{target}  {photo.name}")
    return 0


def _attach(store: JobStore, args: argparse.Namespace) -> int:
    from benchwarden.jobs.run_facts import run_facts

    run = run_facts(args.run_dir)
    job = store.add_run(args.number, run, args.by)
    _say(f"Job {job.number}: run {run.folder} attached: {run.verdict}.")
    if not args.no_samples:
        from benchwarden.jobs.samples import export_parquet

        with tempfile.TemporaryDirectory(prefix="benchwarden-") as folder:
            target = Path(folder) / "samples.parquet"
            export_parquet(args.run_dir, target)
            kept = store.add_samples(args.number, run.folder, target, args.by)
        _say(f"{kept.rows} samples kept, {kept.size / 1e6:.1f} MB.")
    return 0


def _samples(store: JobStore, args: argparse.Namespace) -> int:
    if args.run is None:
        for kept in store.samples_of(args.number):
            _say(f"{kept.folder}  {kept.rows} rows, {kept.size / 1e6:.1f} MB, kept {kept.kept_at_utc} {kept.kept_by}")
        return 0
    if args.target is None:
        raise JobError("job samples: a run without a file; allowed: NUMBER, or NUMBER RUN FILE")
    kept = store.fetch_samples(args.number, args.run, args.target)
    _say(f"{args.target}: {kept.rows} rows.")
    return 0


def _history(store: JobStore, args: argparse.Namespace) -> int:
    for saved in store.history(args.number):
        _say(f"{saved.version:4}  {saved.at_utc}  {saved.by or '-'}  {saved.what}")
    for saved, _ in store.conflicts(args.number):
        _say(f"CONFLICT from {saved.source}: version {saved.version}, {saved.at_utc}  {saved.by or '-'}  {saved.what}")
    return 0


def _export(store: JobStore, args: argparse.Namespace) -> int:
    from benchwarden.jobs.exchange import export_jobs

    done = export_jobs(store, args.path, SystemClock().utc_label())
    _say(
        f"{done.path}: {done.jobs} jobs in {done.versions} versions, {done.photos} photos, "
        f"samples of {done.samples} runs."
    )
    return 0


def _import(store: JobStore, args: argparse.Namespace) -> int:
    from benchwarden.jobs.exchange_import import import_jobs

    done = import_jobs(store, args.path, SystemClock().utc_label())
    _say(f"{len(done.added)} jobs added, {len(done.skipped)} were here already, samples of {done.samples} runs added.")
    for number in done.conflicts:
        _say(f"CONFLICT: job {number} differs from the one here; both are kept, `job history {number}` lists them.")
    for words in done.refused:
        _say(f"NOT TAKEN: {words}")
    return EXIT_LEFT if done.conflicts or done.refused else 0


def _backup(store: JobStore, args: argparse.Namespace) -> int:
    from benchwarden.jobs.backup import back_up

    _say(f"{back_up(store, args.path, SystemClock().utc_label())}")
    return 0
