"""The first tables: jobs, their versions, words, runs, pictures and samples.

Written out and not taken from the program's tables: those will change, this step will not.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _text(name: str, **more: bool) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=False, **more)  # type: ignore[arg-type]


def _job() -> sa.Column[int]:
    return sa.Column("job_id", _ID, sa.ForeignKey("jobs.id"), nullable=False)


def upgrade() -> None:
    """Make all tables."""
    op.create_table(
        "jobs",
        sa.Column("id", _ID, primary_key=True),
        _text("number", unique=True),
        sa.Column("version", sa.Integer(), nullable=False),
        *map(_text, ("state", "customer", "maker", "model", "serial", "serial_key")),
        *map(_text, ("opened_at_utc", "changed_at_utc", "verdict")),
    )
    op.create_index("jobs_by_change", "jobs", ["changed_at_utc", "id"])
    op.create_index("jobs_by_serial", "jobs", ["serial_key"])
    op.create_table(
        "job_versions",
        _job(),
        sa.Column("version", sa.Integer(), nullable=False),
        *map(_text, ("at_utc", "saved_by", "what", "sha256", "document")),
        sa.PrimaryKeyConstraint("job_id", "version"),
    )
    op.create_table(
        "job_conflicts",
        sa.Column("id", _ID, primary_key=True),
        _job(),
        sa.Column("version", sa.Integer(), nullable=False),
        *map(_text, ("at_utc", "saved_by", "what", "sha256", "document", "imported_at_utc", "source")),
        sa.UniqueConstraint("job_id", "version", "sha256"),
    )
    op.create_table("job_runs", _job(), _text("folder"), sa.PrimaryKeyConstraint("job_id", "folder"))
    op.create_index("job_runs_by_folder", "job_runs", ["folder"])
    op.create_table("search_words", sa.Column("id", _ID, primary_key=True), _text("word", unique=True))
    op.create_table(
        "job_words",
        sa.Column("word_id", _ID, sa.ForeignKey("search_words.id"), nullable=False),
        _job(),
        sa.PrimaryKeyConstraint("word_id", "job_id"),
        sqlite_with_rowid=False,
    )
    op.create_index("job_words_by_job", "job_words", ["job_id"])
    op.create_table(
        "pictures",
        sa.Column("sha256", sa.Text(), primary_key=True),
        _text("media_type"),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
    )
    op.create_table(
        "run_samples",
        sa.Column("id", _ID, primary_key=True),
        _job(),
        *map(_text, ("folder", "sha256")),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("rows", sa.BigInteger(), nullable=False),
        *map(_text, ("kept_at_utc", "kept_by")),
        sa.UniqueConstraint("job_id", "folder", "sha256"),
    )
    op.create_table(
        "run_sample_parts",
        sa.Column("samples_id", _ID, sa.ForeignKey("run_samples.id"), nullable=False),
        sa.Column("part", sa.Integer(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("samples_id", "part"),
    )
