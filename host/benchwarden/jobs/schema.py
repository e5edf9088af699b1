"""The store's tables, the same on SQLite and PostgreSQL.

A job is read and saved as a whole, so its content is one JSON document; columns of their own are
only what is searched, sorted or joined. Documents are kept as text, not in a server's JSON type: the
very bytes come back, so that a digest holds on either database. Every saved version stays
(`job_versions`), the newest is the one that `jobs.version` names; so nothing is ever overwritten, and
nothing is held twice. Notes are inside the document: nobody asks for one without its job. Runs are,
too, but have a table beside it, because a run's page asks which job it belongs to.

Search goes over single words. A text column to scan would have to be read whole (10,000 long
jobs: 130 ms on SQLite, 150 ms on PostgreSQL); SQLite's own text index has no like on a server without
extensions. The distinct words of all jobs are few and short, so looking for a piece of one inside each of
them takes milliseconds, and the rest are index look-ups (tests/bench_jobs.py).

Whoever adds a field to core.job.Job adds a migration, even an empty one: an older program then says
that the store is newer than itself, and not that a key is unknown.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
)

# Newest migration; tests hold it against the migrations themselves.
HEAD = "0001"
VERSION_TABLE = "job_store_schema"

metadata = MetaData()
# SQLite numbers rows by itself only under this very type name.
_ID = BigInteger().with_variant(Integer(), "sqlite")


def _job(name: str = "job_id") -> Column[int]:
    return Column(name, _ID, ForeignKey("jobs.id"), nullable=False)


jobs = Table(
    "jobs",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("number", Text, nullable=False, unique=True),
    Column("version", Integer, nullable=False),
    Column("state", Text, nullable=False),
    Column("customer", Text, nullable=False),
    Column("maker", Text, nullable=False),
    Column("model", Text, nullable=False),
    Column("serial", Text, nullable=False),
    # The serial as it is compared: letters and digits alone.
    Column("serial_key", Text, nullable=False),
    Column("opened_at_utc", Text, nullable=False),
    Column("changed_at_utc", Text, nullable=False),
    Column("verdict", Text, nullable=False),
    Index("jobs_by_change", "changed_at_utc", "id"),
    Index("jobs_by_serial", "serial_key"),
)

job_versions = Table(
    "job_versions",
    metadata,
    _job(),
    Column("version", Integer, nullable=False),
    Column("at_utc", Text, nullable=False),
    Column("saved_by", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("document", Text, nullable=False),
    PrimaryKeyConstraint("job_id", "version"),
)

# Versions that came with an import and differ from what was here; for a person to look at.
job_conflicts = Table(
    "job_conflicts",
    metadata,
    Column("id", _ID, primary_key=True),
    _job(),
    Column("version", Integer, nullable=False),
    Column("at_utc", Text, nullable=False),
    Column("saved_by", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("document", Text, nullable=False),
    Column("imported_at_utc", Text, nullable=False),
    Column("source", Text, nullable=False),
    UniqueConstraint("job_id", "version", "sha256"),
)

job_runs = Table(
    "job_runs",
    metadata,
    _job(),
    Column("folder", Text, nullable=False),
    PrimaryKeyConstraint("job_id", "folder"),
    Index("job_runs_by_folder", "folder"),
)

search_words = Table(
    "search_words",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("word", Text, nullable=False, unique=True),
)

job_words = Table(
    "job_words",
    metadata,
    Column("word_id", _ID, ForeignKey("search_words.id"), nullable=False),
    _job(),
    PrimaryKeyConstraint("word_id", "job_id"),
    Index("job_words_by_job", "job_id"),
    sqlite_with_rowid=False,
)

# In the database and not beside it: all benches see them, and one backup holds everything.
pictures = Table(
    "pictures",
    metadata,
    Column("sha256", Text, primary_key=True),
    Column("media_type", Text, nullable=False),
    Column("size", Integer, nullable=False),
    Column("data", LargeBinary, nullable=False),
)

run_samples = Table(
    "run_samples",
    metadata,
    Column("id", _ID, primary_key=True),
    _job(),
    Column("folder", Text, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("size", BigInteger, nullable=False),
    Column("rows", BigInteger, nullable=False),
    Column("kept_at_utc", Text, nullable=False),
    Column("kept_by", Text, nullable=False),
    UniqueConstraint("job_id", "folder", "sha256"),
)

# In pieces: days of samples are hundreds of megabytes, and no bench holds them whole.
run_sample_parts = Table(
    "run_sample_parts",
    metadata,
    Column("samples_id", _ID, ForeignKey("run_samples.id"), nullable=False),
    Column("part", Integer, nullable=False),
    Column("data", LargeBinary, nullable=False),
    PrimaryKeyConstraint("samples_id", "part"),
)
