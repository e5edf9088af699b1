"""How a value or a foreign text is put so that the record's fonts can print it."""

from __future__ import annotations

import math
import unicodedata

from benchwarden.core.channels import CHANNEL
from benchwarden.report.wording import ENGLISH, N_, Wording

# Scripts and symbols that the fonts inside Typst hold in every weight the
# record uses, so that no missing glyph can stop a PDF/A file.
# Source: found by compiling every assigned character with the embedded fonts
# of Typst 0.15; tests/unit/report/test_printable.py compiles this table again.
_RANGES: tuple[tuple[int, int], ...] = (
    (0x20, 0x7E),
    (0xA0, 0xAC),
    (0xAE, 0x2FF),
    (0x370, 0x377),
    (0x37A, 0x37F),
    (0x384, 0x38A),
    (0x38C, 0x38C),
    (0x38E, 0x3A1),
    (0x3A3, 0x482),
    (0x48A, 0x4FF),
    (0x5D0, 0x5EA),
    (0x1E00, 0x1EFF),
    (0x2010, 0x2027),
    (0x2030, 0x2040),
    (0x2044, 0x2052),
    (0x2070, 0x2071),
    (0x2074, 0x208E),
    (0x20A0, 0x20BF),
    (0x2100, 0x211E),
    (0x2122, 0x2122),
    (0x2126, 0x214F),
    (0x2153, 0x2184),
    (0x2190, 0x22FF),
    (0x2500, 0x25FF),
)
_PRINTABLE = frozenset(chr(code) for low, high in _RANGES for code in range(low, high + 1))
# Invisible and meant to be: they separate or join, they carry no content.
_DROPPED = frozenset("\u00ad\u200b\u2060\ufeff")
_LONGEST_WORD = 24
# As wide as one letter and a half.
_WIDE = frozenset("WMmw@%\u2026\u2014")
BREAK = "\u200b"


TAIL = "[and {n} more characters, kept in the journal]"


def printable(text: str, room: int = 600, ascii_only: bool = False, tail: str = TAIL) -> str:
    """Return `text` so that it can be printed, with nothing silently lost.

    A character without a glyph, a control character or one that would reorder
    the text becomes its code, `<U+1F600>`; white space becomes one blank; a
    word too long for any column may break (zero-width space); what does not
    fit into `room` printed characters is counted instead, in the words of `tail`.
    """
    head = unicodedata.normalize("NFC", text[: room + 1])
    beyond = len(text) - len(text[: room + 1])
    out: list[str] = []
    word, printed = 0.0, 0
    for taken, char in enumerate(head):
        if char in _DROPPED:
            continue
        if char.isspace():
            piece, word = (" " if out and out[-1] != " " else ""), 0.0
        else:
            fits = char.isascii() and char.isprintable() if ascii_only else char in _PRINTABLE
            piece = char if fits else f"<U+{ord(char):04X}>"
        if printed + len(piece) > room:
            left_over = len(head) - taken + beyond
            return f"{''.join(out).strip()} {tail.format(n=left_over)}"
        if piece == " " or not piece:
            out += [piece] if piece else []
        else:
            width = 1.5 if piece in _WIDE else float(len(piece))
            word += width
            if word > _LONGEST_WORD:
                if not ascii_only:
                    out.append(BREAK)
                word = width
            out.append(piece)
        printed += len(piece)
    if beyond:
        # White space and what is dropped left room, but there is more of it than was looked at.
        return f"{''.join(out).strip()} {tail.format(n=beyond)}"
    return "".join(out).strip()


def clipped(text: str, room: int) -> str:
    """Return `text` cut to `room` characters for a line that has no more, marked where cut."""
    flat = " ".join(text.split())
    return flat if len(flat) <= room else flat[: room - 1] + "\N{HORIZONTAL ELLIPSIS}"


def number_text(value: float, decimals: int, say: Wording = ENGLISH) -> str:
    """Return a number with a true minus sign; a missing one is a dash."""
    if not math.isfinite(value):
        return "\N{EN DASH}"
    shown = f"{value:.{decimals}f}"
    if float(shown) == 0:
        shown = shown.lstrip("-")
    return _spelt(shown, say)


def _spelt(shown: str, say: Wording) -> str:
    return shown.replace("-", "\N{MINUS SIGN}").replace(".", say.decimal)


def general_text(value: float, say: Wording = ENGLISH) -> str:
    """Return a number of unknown size with four significant digits."""
    if not math.isfinite(value):
        return say("not a number") if math.isnan(value) else say("unbounded")
    if value == 0:
        return "0"
    size = abs(value)
    if 1e-3 <= size < 1e5:
        decimals = max(0, 3 - math.floor(math.log10(size)))
        shown = f"{value:.{decimals}f}"
        if "." in shown:
            shown = shown.rstrip("0").rstrip(".")
        return _spelt(shown, say)
    mantissa, exponent = f"{value:.3e}".split("e")
    mantissa = mantissa.rstrip("0").rstrip(".")
    power = str(int(exponent)).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return _spelt(f"{mantissa}\N{MULTIPLICATION SIGN}10{power}", say)


def channel_scale(channel: str) -> tuple[float, str, int]:
    """Return (factor, unit, decimals) in which a channel is printed; millivolts for bias and offset."""
    known = CHANNEL.get(channel)
    if known is None:
        return 1.0, "", 4
    if known.group == "bias":
        return 1000.0, "mV", 2
    if known.group == "offset":
        return 1000.0, "mV", 0
    return 1.0, known.unit, known.decimals


def channel_text(channel: str, value: float, suffix: str = "", say: Wording = ENGLISH) -> str:
    """Return a channel's value with its unit; `suffix` extends the unit ("/s")."""
    if not math.isfinite(value):
        return "\N{EN DASH}"
    factor, unit, decimals = channel_scale(channel)
    # A tenth of a millivolt means nothing on 40 V of offset.
    if unit == "mV" and abs(value) >= 1.0:
        factor, unit, decimals = 1.0, "V", 2
    return f"{number_text(value * factor, decimals, say)}\u00a0{unit}{suffix}".rstrip("\u00a0")


def uncertainty_text(channel: str, half_width: float, say: Wording = ENGLISH) -> str:
    """Return an expanded uncertainty in its channel's unit with two significant digits, as JCGM 100 7.2.6 has it."""
    if not math.isfinite(half_width):
        return "\N{EN DASH}"
    factor, unit, _ = channel_scale(channel)
    scaled = half_width * factor
    if unit == "mV" and scaled >= 1000.0:
        scaled, unit = scaled / 1000.0, "V"
    decimals = max(0, 1 - math.floor(math.log10(scaled))) if scaled > 0 else 0
    return f"{number_text(scaled, decimals, say)}\u00a0{unit}"


# Where the analysis names a place that is no channel.
_PLACES = {
    "left": N_("left"),
    "right": N_("right"),
    "positive rail": N_("positive rail"),
    "negative rail": N_("negative rail"),
}


def channel_label(channel: str, say: Wording = ENGLISH) -> str:
    """Return the quantity in words, or the name itself where it is neither a channel nor a known place."""
    known = CHANNEL.get(channel)
    return say(known.label if known else _PLACES.get(channel, channel))


def span_text(seconds: float, say: Wording = ENGLISH) -> str:
    """Return a duration in words: 42.0 s, 13 min 32 s, 2 h 03 min, 1 d 2 h."""
    if not math.isfinite(seconds):
        return say("an unknown time")
    if seconds < 0:
        return "\N{MINUS SIGN}" + span_text(-seconds, say)
    if seconds < 59.95:
        return f"{number_text(seconds, 1, say)}\u00a0s"
    whole = round(seconds)
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes}\u00a0min\u00a0{rest:02d}\u00a0s"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours}\u00a0h\u00a0{minutes:02d}\u00a0min"
    days, hours = divmod(hours, 24)
    return f"{days}\u00a0d\u00a0{hours}\u00a0h"


def clock_text(t_s: float | None, say: Wording = ENGLISH) -> str:
    """Return run time as h:mm:ss.s."""
    if t_s is None or not math.isfinite(t_s):
        return "\N{EN DASH}"
    sign = "\N{MINUS SIGN}" if t_s < 0 else ""
    tenths = round(abs(t_s) * 10)
    hours, rest = divmod(tenths, 36000)
    minutes, rest = divmod(rest, 600)
    return f"{sign}{hours}:{minutes:02d}:{rest // 10:02d}{say.decimal}{rest % 10}"
