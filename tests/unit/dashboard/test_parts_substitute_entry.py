"""How a substitution is typed and read back."""

from __future__ import annotations

import pytest

from benchwarden.core.substitutes import GainPoint, Ratings, SoaCurve, SoaPoint, Substitution
from benchwarden.dashboard.parts_substitute_entry import (
    RATING_KEYS,
    SubstitutionTexts,
    entry_of,
    gain_of,
    new_substitution,
    soa_of,
    texts_from,
    texts_of,
)

# Invented for this test.
ORIGINAL = Ratings("LM 1N", "invented for the demonstration", vceo_v=140.0, ic_max_a=10.0, power_w=100.0)
CANDIDATE = Ratings(
    "LM 2N",
    "invented for the demonstration",
    vceo_v=230.0,
    rth_jc_k_per_w=0.83,
    soa=(
        SoaCurve(None, (SoaPoint(10.0, 15.0), SoaPoint(50.0, 3.0), SoaPoint(200.0, 0.1))),
        SoaCurve(0.01, (SoaPoint(40.0, 10.0), SoaPoint(200.0, 0.4))),
        SoaCurve(0.0005, (SoaPoint(40.0, 15.0), SoaPoint(200.0, 1.0))),
    ),
    gain=(GainPoint(1.0, 80.0), GainPoint(7.0, 35.0)),
    case_on_collector=True,
    pinout="BCE",
)
PAIR = Substitution("output", ORIGINAL, CANDIDATE, ("Q601", "Q603"), "both channels")


def with_rating(key: str, text: str) -> SubstitutionTexts:
    texts = texts_of(PAIR)
    return SubstitutionTexts(texts.facts, {**texts.ratings, "candidate": {**texts.ratings["candidate"], key: text}})


def test_a_substitution_comes_back_from_its_fields_as_it_was() -> None:
    assert entry_of(texts_of(PAIR)).substitution == PAIR
    assert entry_of(texts_from(texts_of(PAIR).table())).substitution == PAIR


def test_every_rating_is_asked_for() -> None:
    assert set(RATING_KEYS) == set(Ratings.__dataclass_fields__)


def test_what_is_needed_is_asked_for() -> None:
    wrong = entry_of(new_substitution()).wrong
    assert set(wrong) == {(side, key) for side in ("original", "candidate") for key in ("marking", "source")}


@pytest.mark.parametrize(
    ("key", "text", "words"),
    [
        ("vceo_v", "lots", "“lots” is not a number. Allowed: 1 to 5000 V."),
        ("tj_max_c", "1500", "is not possible here. Allowed: 80 to 250 °C."),
        ("gain", "80", "“80” is not two numbers with a stroke between"),
        ("gain", "1/a", "“a” is not a number"),
        ("soa", "10/15 50/3", "Curve 1: “10/15” is neither dc nor a pulse"),
        ("soa", "dc 10/15", "Curve 1 has 1 corners. Allowed: two or more."),
        ("soa", "dc 50/3 10/15", "Curve 1: its voltages do not rise"),
        ("soa", "dc 10/15 50/3\ndc 10/15 50/4", "Two curves are of the same pulse"),
        ("soa", "dc 10/15 50/3\n100s 10/15 50/4", "Curve 2: “100s”: allowed: 1e-07 to 10 s."),
        ("marking", "x" * 500, "500 characters are too long"),
    ],
)
def test_what_is_wrong_is_said_with_what_is_allowed(key: str, text: str, words: str) -> None:
    found = entry_of(with_rating(key, text))
    assert found.substitution is None
    assert words in found.wrong["candidate", key]


def test_curves_are_put_in_order_direct_current_first() -> None:
    assert [curve.pulse_s for curve in soa_of("500us 1/9 2/8\n10ms 1/9 2/8\ndc 1/9 2/8")] == [None, 0.01, 0.0005]
    assert gain_of("7/35 1/80") == (GainPoint(1.0, 80.0), GainPoint(7.0, 35.0))
    assert soa_of(" \n ") == ()
