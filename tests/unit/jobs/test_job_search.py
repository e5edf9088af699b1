"""Search: any piece of any word, on either store the same; what is typed is only text."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_jobs import whole_job

from benchwarden.core.job import FittedPart, Job, JobNote, SetFacts
from benchwarden.errors import JobError
from benchwarden.jobs.store import JobStore
from benchwarden.jobs.words import MOST_ASKED, asked_words, folded, key_of, words_of


def found(store: JobStore, text: str, **more: str) -> list[str]:
    return sorted(row.number for row in store.search(text, **more))


def test_every_place_is_searched(store: JobStore) -> None:
    store.create(replace(whole_job("2041"), invoice="R-77/2026"))
    store.create(Job("17", customer="nobody"))
    for text in (
        "2041",
        "lindqvist",
        "brackwater",
        "60",
        "BW60-01873",
        "bw6001873",
        "hums",
        "replaced",
        "bridged",
        "Q11",
        "2SC5200",
        "C5200",
        "3281",
        "R-77",
        "Left hot bridged",
    ):
        assert found(store, text) == ["2041"], text
    assert found(store, "lindqvist nobody") == []
    assert found(store, "nowhere") == []
    assert found(store, "") == found(store, "  \n") == ["17", "2041"]


def test_case_and_accents_do_not_count(store: JobStore) -> None:
    store.create(Job("1", customer="Ångström Straße", complaint="rôle café", notes=(JobNote("Łódź"),)))
    for text in ("angstrom", "ÅNGSTRÖM", "strasse", "STRASSE", "cafe", "CAFÉ", "role", "lodz"):
        assert found(store, text) == ["1"], text


def test_composed_and_decomposed_letters_are_one() -> None:
    """Unicode Standard Annex 15, figure 3: U+00C5 and A with U+030A are the same letter; figure 6: U+FB01 is f, i."""
    assert folded("\u00c5") == folded("A\u030a") == folded("\u212b") == "a"
    assert folded("\ufb01") == "fi"


def test_signs_mean_themselves(store: JobStore) -> None:
    signs = ("%", "_", "'", "\\", '"', "100%", "a_b", "';--", "\\x", "*", "(", "[a]", "?", "$1")
    store.create(Job("plain", complaint="before a b 100 x after"))
    for n, text in enumerate(signs):
        store.create(Job(f"{n}", complaint=f"before {text} after"))
    for text in signs:
        holding = [f"{n}" for n, other in enumerate(signs) if text in other]
        assert found(store, text) == sorted(holding), text


def test_what_no_database_takes_is_harmless(store: JobStore) -> None:
    store.create(Job("1", complaint="hum"))
    assert found(store, "hum\0") == ["1"]
    assert found(store, "\0\0") == ["1"]
    assert found(store, "\ud800") == []
    assert found(store, "x" * 100_000) == []
    with pytest.raises(JobError, match="13 words; allowed: 12"):
        store.search(" ".join(f"word{n}" for n in range(13)))


def test_limits_states_and_order(store: JobStore) -> None:
    for n in range(7):
        store.create(Job(f"{n}", state="done" if n % 2 else "open", complaint="hum"))
    store.add_note("2", "last changed")
    assert [row.number for row in store.search("hum", limit=3)] == ["2", "6", "5"]
    pages = [row.number for at in range(0, 9, 3) for row in store.search("hum", limit=3, offset=at)]
    assert sorted(pages) == [str(n) for n in range(7)]
    assert found(store, "hum", state="done") == ["1", "3", "5"]
    assert (store.count("hum"), store.count("hum", "done"), store.count(state="under test")) == (7, 3, 0)
    for wrong in ({"limit": 0}, {"limit": 1001}, {"offset": -1}, {"state": "lost"}):
        with pytest.raises(JobError, match="allowed"):
            store.search(**wrong)  # type: ignore[arg-type]


def test_words_that_are_gone_find_no_more(store: JobStore) -> None:
    job = store.create(Job("1", complaint="hum rattle", parts_fitted=(FittedPart("Q11", "2SC5200"),)))
    store.save(replace(job, complaint="rattle", parts_fitted=(FittedPart("Q11", "2SA1943"),)))
    assert found(store, "hum") == found(store, "5200") == []
    assert found(store, "rattle 1943 q11") == ["1"]


@pytest.mark.parametrize("matches", [999, 1001])
def test_a_piece_of_very_many_words(folder_store: JobStore, matches: int) -> None:
    """Where more words match than are named one by one, the answer is the same."""
    for half in range(2):
        text = " ".join(f"common{n}" for n in range(half, matches, 2))
        folder_store.create(Job(f"{half}", complaint=text[:19_000]))
    assert found(folder_store, "common") == ["0", "1"]
    assert found(folder_store, "common1") == ["0", "1"]
    assert found(folder_store, "common998") == ["0"]


@settings(deadline=None, max_examples=60)
@given(st.text(min_size=1, max_size=300), st.data())
def test_any_piece_of_any_word_finds_it(text: str, data: st.DataObject) -> None:
    text = "".join(c for c in text if c != "\0")
    words = words_of(Job("n", complaint=text, amplifier=SetFacts(serial="s")))
    for word in folded(text).split():
        start = data.draw(st.integers(0, len(word) - 1))
        piece = word[start : start + data.draw(st.integers(1, MOST_ASKED))]
        for asked in asked_words(piece):
            assert any(asked in kept for kept in words)
    assert max(map(len, words)) <= 60


def test_a_serial_is_letters_and_digits() -> None:
    assert key_of("BW60-01873") == key_of(" bw 60/01873.") == "bw6001873"
    assert key_of("№ 5") == "no5"
