"""Addresses beside the jobs page: pictures of the store, papers of runs, uploads of both, results to fetch.

All of them lie below the page's own address, which answers on the bench machine only.
"""

from __future__ import annotations

import contextlib
from typing import Any

from flask import Flask, Response, jsonify, request, send_file
from werkzeug.datastructures import FileStorage
from werkzeug.exceptions import RequestEntityTooLarge

from benchwarden.dashboard.jobs_desk import NOBODY, Desk, sentence
from benchwarden.dashboard.jobs_invoice import MOST_INVOICE_BYTES
from benchwarden.dashboard.jobs_seen import paper_of
from benchwarden.dashboard.run_names import run_folder
from benchwarden.errors import BenchwardenError, JobError, RecordError
from benchwarden.jobs.photos import MOST_BYTES, clean_name, thumbnail

_NOT_HERE = "There is nothing of this name here.", 404
_PNG = b"\x89PNG"
_HEX = frozenset("0123456789abcdef")
# Beside the file: its name, a caption, and what a browser puts between them.
_FRAME_BYTES = 100_000
_TYPES = {
    ".pdf": "application/pdf",
    ".csv": "text/csv",
    ".json": "application/json",
    ".toml": "text/plain",
    ".zip": "application/zip",
}
Answer = Response | tuple[str, int] | tuple[Response, int]


def add_job_routes(server: Flask, desk: Desk) -> None:
    """Add the addresses to the server."""

    @server.get("/jobs/photo/<sha256>")
    def photo(sha256: str) -> Answer:
        return _photo(desk, sha256)

    @server.post("/jobs/photo")
    def add_photo() -> Answer:
        return _add_photo(desk)

    @server.get("/jobs/paper/<name>/<file>")
    def paper(name: str, file: str) -> Answer:
        path = paper_of(desk.context.folders.runs, name, file)
        if path is None:
            return _NOT_HERE
        kind = _TYPES[path.suffix]
        return send_file(path.resolve(), mimetype=kind, as_attachment=True, download_name=f"{name}-{file}")

    @server.post("/jobs/invoice")
    def add_invoice() -> Answer:
        return _add_invoice(desk)

    @server.get("/jobs/made/<token>")
    def made(token: str) -> Answer:
        found = desk.invoices.made(token)
        if found is None or found.path is None or not found.path.is_file():
            return _NOT_HERE
        kind = _TYPES[found.path.suffix]
        return send_file(found.path, mimetype=kind, as_attachment=True, download_name=found.name)


def _photo(desk: Desk, sha256: str) -> Answer:
    if len(sha256) != 64 or not set(sha256) <= _HEX:
        return _NOT_HERE
    try:
        desk.context.at_the_bench()
        with desk.store() as store:
            data = store.photo_bytes(sha256)
        if request.args.get("small"):
            return Response(thumbnail(data), mimetype="image/jpeg")
    except BenchwardenError:
        return _NOT_HERE
    # The store keeps these two kinds, each made anew from its pixels.
    return Response(data, mimetype="image/png" if data.startswith(_PNG) else "image/jpeg")


def _add_photo(desk: Desk) -> Answer:
    try:
        desk.context.at_the_bench()
        name, data = _uploaded(MOST_BYTES, "photo")
        number, caption = request.args.get("job", ""), request.form.get("caption", "").strip()
        with desk.store() as store:
            job = store.add_photo(number, name, data, caption, request.form.get("by", "").strip() or NOBODY)
    except BenchwardenError as error:
        return _said(f"✕ Not added: {sentence(error)}", ok=False)
    kept = job.photos[-1]
    said = f"✓ {kept.name} is kept, {kept.width_px} × {kept.height_px}; place and camera were taken out of it."
    return _said(said, ok=True)


def _add_invoice(desk: Desk) -> Answer:
    try:
        desk.context.at_the_bench()
        name, data = _uploaded(MOST_INVOICE_BYTES, "invoice")
        run = request.form.get("run", "")
        if paper_of(desk.context.folders.runs, run, "record.pdf") is None:
            raise RecordError("first make the papers of a run, and choose it")
        run_dir = run_folder(desk.context.folders.runs, run)
        made = desk.invoices.add(name, data, run_dir, with_page=bool(request.form.get("page")))
    except BenchwardenError as error:
        return _said(f"✕ {sentence(error)}", ok=False)
    return jsonify({"ok": True, "said": "", "token": made.token, "name": made.name, "lines": list(made.lines)})


def _uploaded(most: int, what: str) -> tuple[str, bytes]:
    """Return name and bytes of the file that a request brings.

    Raises:
        JobError: there is none, or it is too large.
    """
    # Counted before anything is read; for this request alone.
    request.max_content_length = most + _FRAME_BYTES
    too_large = f"{what}: the file is too large; allowed: at most {most // 1_000_000} MB"
    try:
        found: FileStorage | None = request.files.get("file")
    except RequestEntityTooLarge as error:
        raise JobError(too_large) from error
    if found is None or not found.filename:
        raise JobError(f"{what}: no file was chosen; choose one first")
    with contextlib.closing(found):
        data = found.read(most + 1)
    if len(data) > most:
        raise JobError(too_large)
    return clean_name(found.filename), data


def _said(said: str, *, ok: bool) -> Response:
    answer: dict[str, Any] = {"ok": ok, "said": said}
    return jsonify(answer)
