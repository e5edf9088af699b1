"""Photos: only pictures get in, and only their pixels stay."""

from __future__ import annotations

import io
import struct
import zlib

import pytest
from invented_jobs import picture
from PIL import Image, PngImagePlugin

from benchwarden.errors import JobError
from benchwarden.jobs.photos import MOST_BYTES, MOST_EDGE_PX, check_kept, clean_name, clean_photo, thumbnail

# Tags of CIPA DC-008 (Exif 2.32): 4.6.5 orientation, 4.6.3 pointer to the position, 4.6.6 position, 4.6.5.4 texts.
ORIENTATION, GPS, LATITUDE, ARTIST, MAKE = 0x0112, 0x8825, 2, 0x013B, 0x010F


def with_exif(orientation: int = 1) -> bytes:
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    exif[ARTIST] = "SOMEBODY"
    exif[MAKE] = "CAMERAMAKER"
    exif.get_ifd(GPS)[LATITUDE] = (59.0, 20.0, 30.0)
    return picture("JPEG", exif=exif, comment=b"HOMEADDRESS")


def opened(data: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(data))
    image.load()
    return image


def test_position_and_names_are_gone() -> None:
    came = with_exif()
    assert opened(came).getexif().get_ifd(GPS)[LATITUDE] == (59.0, 20.0, 30.0)
    photo, kept = clean_photo("a.jpg", came)
    assert photo.media_type == "image/jpeg"
    image = opened(kept)
    assert len(image.getexif()) == 0
    assert not image.getexif().get_ifd(GPS)
    for secret in (b"SOMEBODY", b"CAMERAMAKER", b"HOMEADDRESS", b"Exif", b"http"):
        assert secret not in kept
    check_kept("a.jpg", "image/jpeg", kept)
    with pytest.raises(JobError, match="holds more than a picture"):
        check_kept("a.jpg", "image/jpeg", came)


def test_texts_of_a_png_are_gone() -> None:
    """Chunks tEXt, iTXt, eXIf and tIME: Portable Network Graphics (Third Edition), 11.3."""
    info = PngImagePlugin.PngInfo()
    info.add_text("Author", "SOMEBODY")
    info.add_itxt("Location", "HOMEADDRESS")
    exif = Image.Exif()
    exif[ARTIST] = "SOMEBODY"
    came = picture("PNG", pnginfo=info, exif=exif)
    _, kept = clean_photo("a.png", came)
    assert b"SOMEBODY" in came
    for secret in (b"SOMEBODY", b"HOMEADDRESS", b"tEXt", b"iTXt", b"eXIf", b"tIME", b"zTXt"):
        assert secret not in kept
    assert opened(kept).tobytes() == opened(came).tobytes()
    with pytest.raises(JobError, match="holds more"):
        check_kept("a.png", "image/png", came)


def test_what_hangs_behind_a_picture_is_gone() -> None:
    _, kept = clean_photo("a.jpg", picture() + b"APPENDED" * 100)
    assert b"APPENDED" not in kept


@pytest.mark.parametrize(
    ("orientation", "red_at"),
    [
        (1, (0, 24)),
        (2, (63, 24)),
        (3, (63, 24)),
        (4, (0, 24)),
        (5, (24, 0)),
        (6, (24, 0)),
        (7, (24, 63)),
        (8, (24, 63)),
    ],
)
def test_it_stands_upright(orientation: int, red_at: tuple[int, int]) -> None:
    """Which side is up for each value: CIPA DC-008, orientation; the picture's left half is red."""
    photo, kept = clean_photo("a.jpg", with_exif(orientation))
    image = opened(kept).convert("RGB")
    assert (photo.width_px, photo.height_px) == image.size == ((64, 48) if orientation < 5 else (48, 64))
    red, green, _ = image.getpixel(red_at)  # type: ignore[misc]
    assert red > 150
    assert green < 90


def test_encoding_again_loses_next_to_nothing() -> None:
    gradient = Image.linear_gradient("L").resize((512, 512)).convert("RGB")
    out = io.BytesIO()
    gradient.save(out, "JPEG", quality=75)
    came = opened(out.getvalue())
    _, kept = clean_photo("a.jpg", out.getvalue())
    differ = [abs(a - b) for a, b in zip(came.tobytes(), opened(kept).tobytes(), strict=True)]
    assert max(differ) <= 2
    assert len(kept) < 1.1 * len(out.getvalue())


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA", "I;16"])
def test_every_kind_of_png_is_kept(mode: str) -> None:
    came = Image.new(mode, (40, 30), 1 if mode == "1" else None)
    out = io.BytesIO()
    came.save(out, "PNG")
    photo, kept = clean_photo("a.png", out.getvalue())
    assert opened(kept).size == (40, 30)
    assert photo.media_type == "image/png"
    check_kept("a.png", "image/png", kept)
    assert opened(thumbnail(kept)).format == "JPEG"


@pytest.mark.parametrize("mode", ["L", "RGB", "CMYK"])
def test_every_kind_of_jpeg_is_kept(mode: str) -> None:
    out = io.BytesIO()
    Image.new(mode, (40, 30)).save(out, "JPEG")
    _, kept = clean_photo("a.jpg", out.getvalue())
    check_kept("a.jpg", "image/jpeg", kept)


def test_two_pictures_in_one_file_are_the_first() -> None:
    out = io.BytesIO()
    first, second = (Image.new("RGB", (40, 30), colour) for colour in ("red", "blue"))
    first.save(out, "MPO", save_all=True, append_images=[second])
    photo, kept = clean_photo("a.jpg", out.getvalue())
    assert photo.media_type == "image/jpeg"
    assert opened(kept).convert("RGB").getpixel((5, 5))[0] > 200  # type: ignore[index]
    check_kept("a.jpg", "image/jpeg", kept)


def test_large_pictures_become_smaller() -> None:
    photo, kept = clean_photo("a.jpg", picture("JPEG", (6000, 1500)))
    assert (photo.width_px, photo.height_px) == opened(kept).size == (MOST_EDGE_PX, 1024)
    assert max(opened(thumbnail(kept)).size) == 320


def _bomb(width: int, height: int) -> bytes:
    """A PNG of a few bytes that claims to be huge."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(b"\0" * 1_000_000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "is no picture"),
        (b"%PDF-1.7", "is no picture"),
        (b"\xff\xd8\xff", "is no picture"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "is no picture"),
        (picture("GIF"), "is no picture"),
        (picture("TIFF"), "is no picture"),
        (picture("WEBP"), "is no picture"),
        (picture("JPEG", (400, 300))[:2000], "is damaged or cut short"),
        (picture("PNG", (400, 300))[:-40], "is damaged or cut short"),
        (_bomb(8000, 8000), "has 8000 x 8000 pixels"),
        (_bomb(12000, 10000), "is too large|has 12000 x 10000 pixels"),
        (_bomb(60000, 60000), "is too large"),
        (_bomb(0x7FFFFFFF, 0x7FFFFFFF), "is too large|is no picture"),
        (b"\xff\xd8\xff\xe0" + b"\0" * MOST_BYTES, "has 25.0 MB"),
    ],
)
def test_what_is_no_picture_is_refused_by_name(data: bytes, why: str) -> None:
    with pytest.raises(JobError, match=rf"photo 'x.jpg' ({why}).*allowed: a JPEG or PNG picture of at most 25 MB"):
        clean_photo("x.jpg", data)


# The library warns of damaged metadata, which is thrown away here.
@pytest.mark.filterwarnings("ignore::UserWarning:PIL")
def test_any_damage_is_refused_or_harmless() -> None:
    """A picture cut or changed anywhere either gets in as a clean picture or is refused; nothing else happens."""
    for whole in (picture("JPEG"), picture("PNG"), with_exif(6)):
        for at in range(0, len(whole), 7):
            for data in (whole[:at], whole[:at] + bytes([whole[at] ^ 0xA5]) + whole[at + 1 :]):
                try:
                    photo, kept = clean_photo("x", data)
                except JobError:
                    continue
                check_kept("x", photo.media_type, kept)


def test_names_lose_their_folders_and_signs() -> None:
    assert clean_name("../../etc/passwd") == "passwd"
    assert clean_name("C:\\Users\\x\\left\u202e\0.jpg") == "left.jpg"
    assert clean_name("..") == clean_name("") == clean_name("/") == "photo"
    assert len(clean_name("x" * 500 + ".jpg")) == 100
