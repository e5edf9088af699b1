"""The two files of a run that a browser may have: its printed record and its recording."""

from __future__ import annotations

from pathlib import Path

from flask import Flask, Response, send_file

from benchwarden.dashboard.run_names import run_folder
from benchwarden.errors import RecordError

FILES = {"record.pdf": "application/pdf", "recording.csv": "text/csv"}
_NOT_HERE = "There is no such file of a run here."


def has_file(run_dir: Path, file: str) -> bool:
    """Return True when the run has this file, and it lies in the run's own folder."""
    path = run_dir / file
    return path.is_file() and not path.is_symlink()


def add_files(server: Flask, runs: Path) -> None:
    """Serve `record.pdf` and `recording.csv` of the runs in the folder `runs`, and nothing else."""

    @server.get("/runs/<name>/record.pdf")
    def record(name: str) -> Response | tuple[str, int]:
        return _sent(runs, name, "record.pdf")

    @server.get("/runs/<name>/recording.csv")
    def recording(name: str) -> Response | tuple[str, int]:
        return _sent(runs, name, "recording.csv")


def _sent(runs: Path, name: str, file: str) -> Response | tuple[str, int]:
    try:
        run_dir = run_folder(runs, name)
    except RecordError:
        return _NOT_HERE, 404
    if not has_file(run_dir, file):
        return _NOT_HERE, 404
    sent = send_file(
        (run_dir / file).resolve(), mimetype=FILES[file], as_attachment=True, download_name=f"{name}-{file}"
    )
    sent.headers["X-Content-Type-Options"] = "nosniff"
    return sent
