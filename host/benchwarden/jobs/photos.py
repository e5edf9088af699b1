"""Pictures for a job: what is let in, and in which form it is kept.

A picture is decoded and encoded anew, so that nothing of the file that came stays but its pixels:
no position, no camera, no author, no hidden thumbnail. Orientation is applied, colours become sRGB.
"""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from pathlib import PurePosixPath, PureWindowsPath

from PIL import Image, ImageCms, ImageOps
from PIL.JpegImagePlugin import get_sampling

from benchwarden.core.job import Photo
from benchwarden.errors import JobError

MOST_BYTES = 25_000_000
MOST_PIXELS = 50_000_000
# Markings on a part stay legible, and a year of pictures fits a disk.
MOST_EDGE_PX = 4096
ALLOWED = f"a JPEG or PNG picture of at most {MOST_BYTES // 1_000_000} MB and {MOST_PIXELS // 1_000_000} megapixels"
_QUALITY = 90
_TYPES = {"JPEG": "image/jpeg", "MPO": "image/jpeg", "PNG": "image/png"}
# What an encoder writes by itself and what says how to show pixels; anything else is somebody's.
_HARMLESS = frozenset(
    ("jfif", "jfif_version", "jfif_unit", "jfif_density", "progressive", "progression", "transparency", "interlace")
)
# What the decoders raise on bytes that are none of theirs.
_BROKEN = (
    OSError,
    SyntaxError,
    ValueError,
    EOFError,
    IndexError,
    KeyError,
    TypeError,
    OverflowError,
    struct.error,
    zlib.error,
    Image.DecompressionBombError,
    Image.DecompressionBombWarning,
)


def clean_photo(name: str, data: bytes, caption: str = "") -> tuple[Photo, bytes]:
    """Return a picture as it is kept, and what is known of it.

    Raises:
        JobError: too large, damaged, or no JPEG or PNG; names the file and what is allowed.
    """
    name = clean_name(name)
    image, media_type = _decoded(name, data)
    out = io.BytesIO()
    if media_type == "image/jpeg":
        # The tables it came with: encoded again with these, it loses next to nothing.
        tables, sampling = getattr(image, "quantization", None), get_sampling(image)
        try:
            upright = _plain(image, ("L", "RGB"))
            if (
                tables
                and sampling >= 0
                and upright.size in (image.size, image.size[::-1])
                and upright.mode == image.mode
            ):
                upright.save(out, "JPEG", qtables=tables, subsampling=sampling, optimize=True)
            else:
                upright.save(out, "JPEG", quality=_QUALITY, optimize=True)
        except _BROKEN as error:
            raise _refused(name, f"cannot be made ready ({error})") from error
    else:
        try:
            upright = _plain(image, ("1", "L", "LA", "RGB", "RGBA"))
            upright.save(out, "PNG", optimize=upright.width * upright.height < 4_000_000)
        except _BROKEN as error:
            raise _refused(name, f"cannot be made ready ({error})") from error
    clean = out.getvalue()
    digest = hashlib.sha256(clean).hexdigest()
    return Photo(name, media_type, digest, len(clean), caption, upright.width, upright.height), clean


def check_kept(photo_name: str, media_type: str, data: bytes) -> None:
    """Refuse a picture from elsewhere that `clean_photo` would not have made.

    Raises:
        JobError: damaged, of another type, or it holds more than pixels.
    """
    image, found = _decoded(photo_name, data)
    if found != media_type:
        raise _refused(photo_name, f"is {found}, not {media_type[:40]}")
    more = sorted(str(key) for key in set(image.info) - _HARMLESS)
    if more or len(image.getexif()):
        raise _refused(photo_name, f"holds more than a picture ({', '.join(more)[:80] or 'exif'})")


def thumbnail(data: bytes, edge_px: int = 320) -> bytes:
    """Return a kept picture as a small JPEG, its longer edge at most `edge_px`."""
    image, _ = _decoded("photo", data, edge_px)
    small = image.convert("RGBA") if "A" in image.getbands() or "transparency" in image.info else image.convert("RGB")
    small.thumbnail((edge_px, edge_px))
    if small.mode == "RGBA":
        paper = Image.new("RGB", small.size, "white")
        paper.paste(small, mask=small.getchannel("A"))
        small = paper
    out = io.BytesIO()
    small.info.clear()
    small.save(out, "JPEG", quality=80)
    return out.getvalue()


def clean_name(name: str) -> str:
    """Return a file's own name, without folders and without what does not print; "photo" where nothing is left."""
    name = PureWindowsPath(PurePosixPath(name.encode("utf-8", "replace").decode()).name).name
    return "".join(c for c in name if c.isprintable()).strip(" .")[:100] or "photo"


def _decoded(name: str, data: bytes, draft_px: int = 0) -> tuple[Image.Image, str]:
    if len(data) > MOST_BYTES:
        raise _refused(name, f"has {len(data) / 1e6:.1f} MB")
    try:
        image = Image.open(io.BytesIO(data), formats=("JPEG", "PNG"))
    except _BROKEN as error:
        raise _refused(name, "is too large" if _is_bomb(error) else "is no picture of these kinds") from error
    # Told by the header alone, before a byte of it is decoded.
    if image.width * image.height > MOST_PIXELS:
        raise _refused(name, f"has {image.width} x {image.height} pixels")
    try:
        if draft_px:
            image.draft(None, (draft_px, draft_px))
        image.load()
    except _BROKEN as error:
        raise _refused(name, f"is damaged or cut short ({error})") from error
    return image, _TYPES[image.format or ""]


def _is_bomb(error: BaseException) -> bool:
    return isinstance(error, Image.DecompressionBombError | Image.DecompressionBombWarning)


def _plain(image: Image.Image, modes: tuple[str, ...]) -> Image.Image:
    """Return the pixels alone: upright, in sRGB, not larger than is kept."""
    plain = ImageOps.exif_transpose(image)
    profile = image.info.get("icc_profile")
    if profile and plain.mode in ("RGB", "RGBA"):
        try:
            own = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            plain = (
                ImageCms.profileToProfile(plain, own, ImageCms.createProfile("sRGB"), outputMode=plain.mode) or plain
            )
        except (ImageCms.PyCMSError, OSError):
            # A profile that is none: the numbers are taken as they are.
            plain = plain.copy()
    if plain.mode.startswith("I") or plain.mode == "F":
        # Sixteen bits a pixel: the upper eight.
        plain = plain.convert("I").point(lambda value: value / 256.0).convert("L")
    if plain.mode not in modes:
        clear = "transparency" in plain.info or "A" in plain.getbands()
        plain = plain.convert("RGBA" if clear and "RGBA" in modes else "RGB")
    if max(plain.size) > MOST_EDGE_PX:
        plain = plain.convert("L" if plain.mode == "1" else plain.mode)
        plain.thumbnail((MOST_EDGE_PX, MOST_EDGE_PX))
    kept = plain.copy()
    kept.info = {}
    return kept


def _refused(name: str, why: str) -> JobError:
    return JobError(f"photo {name!r} {why}; allowed: {ALLOWED}")
