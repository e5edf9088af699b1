"""Speed of the job store with many jobs, and of a long run's samples as Parquet.

    python tests/bench_jobs.py                        10,000 jobs in a folder, and 24 h of samples
    python tests/bench_jobs.py --server ADDRESS       the same on an empty PostgreSQL database
    python tests/bench_jobs.py --own-server           the same on a server started for it, where its programs are

Search is printed beside looking for the words with LIKE in the whole documents, in the same store and run.
The budget is 100 ms a search.
"""

from __future__ import annotations

import argparse
import random
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent / "unit" / "analysis"))
sys.path.insert(0, str(Path(__file__).resolve().parent / "unit" / "jobs"))

from invented_jobs import whole_job
from own_server import Server, programs
from signals import Bench, unit

from benchwarden.core.job import FittedPart, Job, JobNote, SetFacts
from benchwarden.core.samples import FRAME_DTYPE
from benchwarden.jobs import job_rows
from benchwarden.jobs.documents import with_bookkeeping
from benchwarden.jobs.exchange import export_jobs
from benchwarden.jobs.samples import export_parquet, read_parquet
from benchwarden.jobs.store import JobStore, open_store
from benchwarden.record.export import export_csv
from benchwarden.record.journal import Journal

TROUBLE = (
    "hum left right channel output stage runs hot bias drifts relay clicks protection dead silent distorted "
    "intermittent after warm cold scratch crackle pot capacitor resistor emitter driver fuse blown smell rectifier "
    "bridge reservoir solder joint cracked terminal cleaned replaced matched measured adjusted offset heatsink grease"
)
WORDS = TROUBLE.split()
NAMES = ("Lindqvist", "Moser", "Okafor", "Petit", "Novak", "Silva", "Brandt", "Hughes", "Kaya", "Ibsen")


def invented(number: int, rng: random.Random) -> Job:
    """A job of two to three thousand characters to search, and some ten thousand in all."""

    def text(count: int) -> str:
        return " ".join(rng.choice(WORDS) for _ in range(count))

    whole = whole_job(str(1000 + number))
    return replace(
        whole,
        customer=f"{rng.choice('ABCDEFGH')}. {rng.choice(NAMES)}",
        amplifier=SetFacts(
            "Brackwater", f"Integrated {rng.choice((30, 40, 60, 80))}", f"BW-{rng.randrange(10**6):06d}"
        ),
        complaint=text(60),
        work=text(120),
        notes=tuple(JobNote(text(40), "2026-11-29T12:00:00Z", "bench") for _ in range(4)),
        parts_fitted=tuple(
            FittedPart(f"Q{k}", f"2SC{rng.randrange(1000, 6000)}", "output", note=f"lot {rng.randrange(10**5)}")
            for k in range(12)
        ),
        lots=tuple(replace(whole.lots[0], name=f"lot {k}", pieces=whole.lots[0].pieces * 8) for k in range(4)),
    )


def timed(name: str, work: Callable[[int], object], count: int) -> None:
    took = []
    for n in range(count):
        started = time.perf_counter()
        work(n)
        took.append((time.perf_counter() - started) * 1e3)
    took.sort()
    print(f"  {name:38} median {took[len(took) // 2]:7.1f} ms   99 % {took[int(len(took) * 0.99)]:7.1f} ms")


def jobs(store: JobStore, count: int) -> None:
    rng = random.Random(1)
    made = [invented(n, rng) for n in range(count)]
    started = time.perf_counter()
    for at in range(0, count, 500):
        # As an import does it: many in one transaction.
        with store.database.writing("filling") as connection:
            for n, job in enumerate(made[at : at + 500], at):
                label = f"2026-{1 + n * 11 // count:02d}-{1 + n % 28:02d}T12:00:00Z"
                job_rows.new_row(connection, with_bookkeeping(job, 1, label), "bench", "opened")
    print(f"{count} jobs on {store.name}: filled in {time.perf_counter() - started:.0f} s")
    if store.database.is_server:
        with store.database._engine.execution_options(isolation_level="AUTOCOMMIT").connect() as raw:
            raw.exec_driver_sql("VACUUM ANALYZE")
    some = [rng.choice(made) for _ in range(200)]
    numbers = [job.number for job in some]
    timed("search: a serial", lambda n: store.search(some[n].amplifier.serial), 200)
    timed("search: a piece of a marking", lambda n: store.search(some[n].parts_fitted[0].marking[2:]), 200)
    timed("search: a customer and two words", lambda n: store.search(f"{some[n].customer[3:]} hum cracked"), 200)
    timed("search: nothing to find", lambda n: store.search("nowherefound"), 200)
    timed("search: one letter", lambda n: store.search("aeiourst"[n % 8]), 100)
    timed("search: two letters", lambda n: store.search(("re", "in", "20", "q1")[n % 4]), 100)
    timed("count: a customer and a word", lambda n: store.count(f"{some[n].customer[3:]} hum"), 100)
    timed("list of the last changed", lambda n: store.search(), 100)
    like = "ILIKE" if store.database.is_server else "LIKE"
    hold = "%(w)s" if store.database.is_server else ":w"

    def plain(word: str) -> None:
        with store.database.reading("comparing") as connection:
            connection.exec_driver_sql(
                "SELECT j.number FROM jobs j JOIN job_versions v ON v.job_id = j.id AND v.version = j.version "
                f"WHERE v.document {like} {hold} ORDER BY j.changed_at_utc DESC LIMIT 50",
                {"w": f"%{word}%"},
            ).all()

    timed("beside it, LIKE in documents: a serial", lambda n: plain(some[n].amplifier.serial), 20)
    timed("beside it, LIKE in documents: nothing", lambda n: plain("nowherefound"), 20)
    timed("earlier jobs of a set", lambda n: store.of_set("", "", some[n].amplifier.serial), 100)
    timed("open", lambda n: store.open(numbers[n]), 200)
    timed("add a note", lambda n: store.add_note(numbers[n], "one more hum", "bench"), 100)
    timed("save a changed job", lambda n: store.save(replace(store.open(numbers[n]), work=f"changed {n}")), 100)
    with tempfile.TemporaryDirectory() as folder:
        started = time.perf_counter()
        done = export_jobs(store, Path(folder) / "all.zip", "2026-11-29T12:00:00Z")
        size = done.path.stat().st_size / 1e6
        print(f"  export of everything: {time.perf_counter() - started:.1f} s, {size:.1f} MB")
    if store.database.path is not None:
        print(f"  file: {store.database.path.stat().st_size / 1e6:.0f} MB")


def samples(hours: float) -> None:
    block = Bench(replace(unit(), load_connected=True), hours * 3600.0).block
    count = len(block)
    sent = np.zeros(count, FRAME_DTYPE)
    sent["t_ms"] = np.round(block.t_s * 1000)
    sent["valid"] = 0x1FFF
    sent["bits"] = 1
    # A board's readings are whole steps of its converters.
    steps = np.array([1e-4, 1e-4, 1e-3, 1e-3, 2e-4, 2e-4, 8e-6, 8e-6, 1e-2, 1e-2, 1e-2, 1e-3, 1e-3], np.float32)
    rng = np.random.default_rng(1)
    for name in ("mean", "min", "max"):
        wobble = rng.normal(0.0, 2.0, block.mean.shape).astype(np.float32)
        sent[name] = (np.round(block.mean / steps + wobble) * steps).astype(np.float32)
    unit_facts = {"run": "bench", "run_type": "burn-in"}
    with tempfile.TemporaryDirectory() as folder:
        run, target = Path(folder) / "run", Path(folder) / "x.parquet"
        with Journal.create(run, {"unit": unit_facts}) as journal:
            for at in range(0, count, 600):
                part = sent[at : at + 600]
                journal.append_frames(1, np.arange(at + 1, at + 1 + len(part), dtype=np.uint32), part)
                journal.commit()
        before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        started = time.perf_counter()
        rows = export_parquet(run, target)
        wrote_s = time.perf_counter() - started
        started = time.perf_counter()
        read = sum(len(part) for part in read_parquet(target))
        read_s = time.perf_counter() - started
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        assert rows == read == count
        print(f"{hours:g} h, {rows} rows: Parquet written in {wrote_s:.1f} s, read in {read_s:.2f} s", end=", ")
        print(f"{target.stat().st_size / 1e6:.1f} MB; memory grew by {peak_mb - before_mb:.0f} MB at the peak")
        started = time.perf_counter()
        export_csv(run, Path(folder) / "x.csv")
        csv_mb = (Path(folder) / "x.csv").stat().st_size / 1e6
        journal_mb = (run / "journal.sqlite").stat().st_size / 1e6
        print(f"  beside it, CSV: {time.perf_counter() - started:.1f} s, {csv_mb:.0f} MB; journal {journal_mb:.0f} MB")
        with open_store(Path(folder) / "store") as store:
            store.create(whole_job())
            name = whole_job().runs[0].folder
            started = time.perf_counter()
            store.add_samples("2041", name, target)
            kept_s = time.perf_counter() - started
            started = time.perf_counter()
            store.fetch_samples("2041", name, Path(folder) / "back.parquet")
            print(f"  kept in a folder's store in {kept_s:.1f} s, fetched in {time.perf_counter() - started:.1f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=10_000)
    parser.add_argument("--hours", type=float, default=24.0, help="of samples; 0 for none")
    parser.add_argument("--server", help="postgresql://..., an empty database")
    parser.add_argument("--own-server", action="store_true")
    args = parser.parse_args()
    if args.hours:
        samples(args.hours)
    with tempfile.TemporaryDirectory(prefix="bw-pg-") as folder:
        if args.own_server:
            found = programs()
            assert found is not None, "PostgreSQL's initdb is not installed"
            server = Server(found, Path(folder))
            server.start()
            try:
                with open_store(server.address(server.new_database())) as store:
                    jobs(store, args.jobs)
            finally:
                server.stop()
        else:
            with tempfile.TemporaryDirectory() as place, open_store(args.server or place) as store:
                jobs(store, args.jobs)


if __name__ == "__main__":
    main()
