"""Pictures in the store's tables: each once, found by its digest."""

from __future__ import annotations

import hashlib

from sqlalchemy import Connection, select

from benchwarden.core.job import Photo
from benchwarden.errors import JobError, RecordDamaged
from benchwarden.jobs.job_rows import insert_once
from benchwarden.jobs.schema import pictures


def keep(connection: Connection, photo: Photo, data: bytes) -> None:
    """Keep a picture's file; one that is there already stays."""
    row = {"sha256": photo.sha256, "media_type": photo.media_type, "size": len(data), "data": data}
    connection.execute(insert_once(connection, pictures), row)


def data_of(connection: Connection, sha256: str) -> bytes:
    """Return a picture's file.

    Raises:
        JobError: there is none. RecordDamaged: it is not what was kept.
    """
    shown = "".join(c for c in sha256[:64] if c.isprintable())
    found = connection.execute(select(pictures.c.data).where(pictures.c.sha256 == shown)).scalar()
    if found is None:
        raise JobError(f"photo {shown[:16]}: not in this store")
    data = bytes(found)
    if hashlib.sha256(data).hexdigest() != sha256:
        raise RecordDamaged(f"photo {sha256[:16]}: not what was kept", "nothing", "the picture")
    return data
