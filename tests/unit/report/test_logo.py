"""A logo is a drawing or a picture and nothing else; anything else leaves the letterhead without it."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import pytest
from PIL import Image

from benchwarden.core.workshop import Workshop
from benchwarden.errors import PlanError
from benchwarden.report.letterhead import letterhead_of
from benchwarden.report.logo import MOST_BYTES, read_logo
from benchwarden.report.wording import ENGLISH

SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 20 10">{}</svg>'


def picture(kind: str, size: tuple[int, int] = (40, 20)) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, (10, 80, 90)).save(out, kind)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "data", "shape"),
    [
        ("a.png", picture("PNG"), 2.0),
        ("a.jpg", picture("JPEG", (30, 60)), 0.5),
        ("a.svg", SVG.format('<path d="M0 0h20v10z" fill="#123"/>').encode(), 2.0),
        ("b.svg", b'<svg xmlns="http://www.w3.org/2000/svg" width="30mm" height="10mm"/>', 3.0),
        (
            "c.svg",
            SVG.format('<defs><linearGradient id="g"/></defs><rect fill="url(#g)"/>').encode(),
            2.0,
        ),
    ],
)
def test_pictures_and_drawings(tmp_path: Path, name: str, data: bytes, shape: float) -> None:
    (tmp_path / name).write_bytes(data)
    logo = read_logo(tmp_path / name)
    assert logo.width / logo.height == shape
    assert logo.kind == ("svg" if name.endswith("svg") else "png")


def bomb() -> bytes:
    """Return a PNG of a few bytes that claims 50000 x 50000 pixels (PNG specification, IHDR)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 50_000, 50_000, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


HOSTILE = {
    "script": SVG.format("<script>alert(1)</script>"),
    "handler": SVG.format('<rect onload="x()"/>'),
    "image": SVG.format('<image href="http://example.org/x.png"/>'),
    "file": SVG.format('<image href="file:///etc/passwd"/>'),
    "use": SVG.format('<use href="#a"/>'),
    "link": SVG.format('<a href="http://example.org"/>'),
    "gradient elsewhere": SVG.format('<linearGradient href="http://example.org/g.svg#g"/>'),
    "style url": SVG.format("<rect style=\"fill: url( 'http://example.org/x' )\"/>"),
    "style escape": SVG.format('<rect style="fill: u\\72l(http://example.org/x)"/>'),
    "style": SVG.format("<style>@import 'http://example.org/x.css'</style>"),
    "text": SVG.format("<text>words</text>"),
    "foreign": SVG.format('<foreignObject><p xmlns="http://www.w3.org/1999/xhtml">x</p></foreignObject>'),
    # Entities that grow without end ("billion laughs", CWE-776) and one that reads a file (CWE-611).
    "entities": '<!DOCTYPE svg [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>' + SVG.format("<desc>&b;</desc>"),
    "external entity": '<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]>' + SVG.format("<desc>&x;</desc>"),
    "instruction": "<?xml-stylesheet href='http://example.org/x.css'?>" + SVG.format(""),
    "not svg": '<html xmlns="http://www.w3.org/1999/xhtml"/>',
    "not xml": "<svg",
    "no size": '<svg xmlns="http://www.w3.org/2000/svg"/>',
    "nothing": "",
    "strip": '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1000 1"/>',
    "endless": '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 inf inf"/>',
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_drawing_that_does_more_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "logo.svg").write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match=r"logo\.svg: logo"):
        read_logo(tmp_path / "logo.svg")


@pytest.mark.parametrize(
    "data",
    [bomb(), b"\x89PNG\r\n\x1a\n", picture("PNG")[:-30], picture("GIF"), b"MZ" * 50, b"", b"x" * (MOST_BYTES + 1)],
    ids=["bomb", "head", "torn", "gif", "program", "empty", "huge"],
)
def test_a_picture_that_is_none_is_refused(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "logo.png").write_bytes(data)
    with pytest.raises(PlanError, match=r"logo\.png: logo"):
        read_logo(tmp_path / "logo.png")


def test_a_bad_logo_leaves_the_letterhead_without_it_and_says_so(tmp_path: Path) -> None:
    found = letterhead_of(Workshop("Quarrystone Audio", logo=tmp_path / "gone.png"), ENGLISH)
    assert (found.name, found.logo) == ("Quarrystone Audio", None)
    assert "gone.png: logo cannot be read" in found.trouble[0]
    assert str(tmp_path) not in found.trouble[0]
