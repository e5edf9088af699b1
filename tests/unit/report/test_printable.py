"""What may be printed, tried on Typst itself; how values are put."""

from __future__ import annotations

import json
import math

import pytest
import typst
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.report import printable as p

_PROBE = b"""#set page(width: 200cm, height: auto)
#let all = json(bytes(sys.inputs.all))
#for face in ("Libertinus Serif", "DejaVu Sans Mono") {
  set text(font: (face, "Libertinus Serif", "DejaVu Sans Mono"))
  for weight in ("regular", "bold") { for c in all { text(weight: weight, c); parbreak() } }
}"""


def compiled(texts: list[str]) -> bytes:
    return bytes(
        typst.compile(
            _PROBE, ignore_system_fonts=True, pdf_standards=["a-3b"], timestamp=0, sys_inputs={"all": json.dumps(texts)}
        )
    )


def test_every_character_called_printable_has_a_glyph_in_every_face() -> None:
    # PDF/A forbids missing glyphs and Typst refuses them by name.
    chars = sorted(p._PRINTABLE)
    assert len(chars) > 2000
    assert compiled(chars).startswith(b"%PDF-")
    with pytest.raises(typst.TypstError, match="could not be displayed"):
        compiled(["\U0001f600"])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.text(max_size=60), max_size=20))
def test_whatever_comes_out_can_be_printed(texts: list[str]) -> None:
    assert compiled([p.printable(text) for text in texts]).startswith(b"%PDF-")
    assert all(p.printable(text, ascii_only=True).isascii() for text in texts)


def test_the_symbols_of_the_trade_stay() -> None:
    for text in ("±42 V, 21 °C, 0.22 Ω, 40 µV, 40 μV", "10⁻³ × 2 ≤ τ → ∞", "Größe, naïve, Žižka, Ωμέγα, Привет"):
        assert p.printable(text) == text


def test_codes_blanks_and_length() -> None:
    assert p.printable("a\x00b") == "a<U+0000>b"
    assert p.printable(" a \t\r\n b ") == "a b"
    assert p.printable("e\u0301") == "\u00e9"
    assert p.printable("a\u202eb") == "a<U+202E>b"
    assert p.printable("a" * 30, room=10) == "a" * 10 + " [and 20 more characters, kept in the journal]"
    assert p.printable("\U0001f600" * 5, room=20) == "<U+1F600><U+1F600> [and 3 more characters, kept in the journal]"
    assert p.printable("a" * 10, room=10) == "a" * 10
    # What white space takes up before it becomes one blank is counted where it hides more.
    assert p.printable(" " * 50 + "a", room=10) == " [and 40 more characters, kept in the journal]"
    assert p.printable("b" * 60).replace(p.BREAK, "") == "b" * 60
    assert max(map(len, p.printable("b" * 60).split(p.BREAK))) <= 24


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.04, "0.0 s"), (59.94, "59.9 s"), (59.97, "1 min 00 s"), (61, "1 min 01 s"), (3599.6, "1 h 00 min"),
     (7380, "2 h 03 min"), (190_800, "2 d 5 h"), (-5, "−5.0 s"), (math.nan, "an unknown time")],
)  # fmt: skip
def test_spans(seconds: float, words: str) -> None:
    assert p.span_text(seconds).replace("\u00a0", " ") == words


def test_clock_rounds_without_sixty_seconds() -> None:
    assert p.clock_text(59.96) == "0:01:00.0"
    assert p.clock_text(86_399.9) == "23:59:59.9"
    assert p.clock_text(-0.3) == "−0:00:00.3"
    assert p.clock_text(None) == p.clock_text(math.nan) == "–"


def test_channels_print_in_their_usual_unit() -> None:
    assert p.channel_text("bias_left_v", 0.01104) == "11.04\u00a0mV"
    assert p.channel_text("offset_left_v", -0.0123) == "−12\u00a0mV"
    assert p.channel_text("offset_left_v", 38.2) == "38.20\u00a0V"
    assert p.channel_text("sink_left_c", 61.26) == "61.3\u00a0°C"
    assert p.channel_text("sink_left_c", 0.5, "/s") == "0.5\u00a0°C/s"
    assert p.channel_text("rail_pos_a", -0.0001) == "0.000\u00a0A"
    assert p.channel_text("rail_pos_a", math.nan) == "–"


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (0.41, "0.41"), (402.0, "402"), (1234.5678, "1235"), (-0.0125, "−0.0125"), (1.5e-7, "1.5×10⁻⁷"),
     (2.5e8, "2.5×10⁸"), (99_999.0, "99999"), (math.inf, "unbounded")],
)  # fmt: skip
def test_general_numbers(value: float, text: str) -> None:
    assert p.general_text(value) == text
