"""May this file be printed as the workshop's logo?"""

from __future__ import annotations

import io
import re
import warnings
from dataclasses import dataclass
from pathlib import Path
from xml.parsers import expat

from PIL import Image

from benchwarden.errors import PlanError

MOST_BYTES = 1 << 20
MOST_PIXELS = 4_000_000
# Narrower or flatter than this nothing could be read in it.
MOST_SHAPE = 12.0
_RASTER = ("PNG", "JPEG")
# Drawing alone: whatever runs, embeds, links or loads is not among them.
_SHAPES = ("path", "rect", "circle", "ellipse", "line", "polyline", "polygon")
_FRAMES = ("svg", "g", "defs", "title", "desc", "metadata", "clipPath", "mask")
_ELEMENTS = frozenset((*_SHAPES, *_FRAMES, "linearGradient", "radialGradient", "stop"))
_DIGITS = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*(px|pt|mm|cm|in|)\s*")
_OWN_REFERENCE = re.compile(r"\s*#[A-Za-z_][\w.-]*\s*")
_URL = re.compile(r"url\(\s*['\"]?\s*(?!#)", re.IGNORECASE)
_MOST_ELEMENTS = 5000


@dataclass(frozen=True)
class Logo:
    """A logo that can be printed.

    Attributes:
        kind: "png" or "svg".
        width, height: in any unit, for their ratio.
    """

    data: bytes
    kind: str
    width: float
    height: float


def read_logo(path: Path) -> Logo:
    """Return the logo in a file.

    Raises:
        PlanError: naming the file, what is wrong with it and what is allowed.
    """
    try:
        with open(path, "rb") as source:
            data = source.read(MOST_BYTES + 1)
    except OSError as error:
        raise PlanError(f"{path}: logo cannot be read ({error.strerror})") from error
    if len(data) > MOST_BYTES:
        raise PlanError(f"{path}: logo is larger than {MOST_BYTES >> 10} KiB, which is the most allowed")
    logo = _drawing(path, data) if path.suffix.lower() == ".svg" else _raster(path, data)
    shape = logo.width / logo.height
    if not 1 / MOST_SHAPE <= shape <= MOST_SHAPE:
        raise PlanError(f"{path}: logo is {shape:.2g} times as wide as high; allowed: up to {MOST_SHAPE:g} either way")
    return logo


def _raster(path: Path, data: bytes) -> Logo:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=_RASTER) as image:
                width, height = image.size
                if width * height > MOST_PIXELS:
                    raise PlanError(f"{path}: logo has {width} x {height} pixels; allowed: {MOST_PIXELS} in all")
                # Decoded once here, and written anew: what is printed is a picture and nothing else.
                out = io.BytesIO()
                image.convert("RGBA").save(out, "PNG")
    except PlanError:
        raise
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise PlanError(f"{path}: logo is no picture that can be read; allowed: PNG, JPEG or SVG") from error
    return Logo(out.getvalue(), "png", float(width), float(height))


def _drawing(path: Path, data: bytes) -> Logo:
    """Return an SVG that draws and does nothing else."""
    checked = _Checked(path)
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartDoctypeDeclHandler = checked.refuse_doctype
    parser.ProcessingInstructionHandler = checked.refuse_instruction
    parser.StartElementHandler = checked.element
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise PlanError(f"{path}: logo is no SVG: {error}") from error
    if checked.size is None:
        raise PlanError(f"{path}: logo has no size; allowed: an SVG with a viewBox, or with width and height")
    return Logo(data, "svg", *checked.size)


class _Checked:
    """Looks at one element after the other."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._count = 0
        self.size: tuple[float, float] | None = None

    def _refuse(self, what: str) -> PlanError:
        return PlanError(f"{self._path}: logo has {what[:60]}; allowed: drawing alone, nothing run, linked or loaded")

    def refuse_doctype(self, *_: object) -> None:
        raise self._refuse("a document type")

    def refuse_instruction(self, *_: object) -> None:
        raise self._refuse("a processing instruction")

    def element(self, name: str, attributes: dict[str, str]) -> None:
        space, _, local = name.rpartition(" ")
        self._count += 1
        if self._count > _MOST_ELEMENTS:
            raise self._refuse(f"more than {_MOST_ELEMENTS} elements")
        if self._count == 1:
            if (space, local) != ("http://www.w3.org/2000/svg", "svg"):
                raise self._refuse(f"the root {local!r}")
            self.size = _size(attributes)
        if space == "http://www.w3.org/2000/svg" and local not in _ELEMENTS:
            raise self._refuse(f"an element {local!r}")
        for key, value in attributes.items():
            plain = key.rpartition(" ")[2].lower()
            if plain.startswith("on"):
                raise self._refuse(f"a script in {plain!r}")
            is_reference = plain in ("href", "src", "base")
            if (is_reference and not _OWN_REFERENCE.fullmatch(value)) or _URL.search(value) or "\\" in value:
                raise self._refuse(f"a reference to elsewhere in {plain!r}")


def _size(attributes: dict[str, str]) -> tuple[float, float] | None:
    box = attributes.get("viewBox", "").replace(",", " ").split()
    try:
        if len(box) == 4 and float(box[2]) > 0 and float(box[3]) > 0:
            return float(box[2]), float(box[3])
    except ValueError:
        return None
    found = [_DIGITS.fullmatch(attributes.get(key, "")) for key in ("width", "height")]
    if all(found) and len({match[2] for match in found if match}) == 1:
        width, height = (float(match[1]) for match in found if match)
        if width > 0 and height > 0:
            return width, height
    return None
