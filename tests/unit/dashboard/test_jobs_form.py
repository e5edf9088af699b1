"""What stands in the fields of a job, and what becomes of two people's changes to it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.core.job import PART_ROLES, SIDES, EarlierRepair, FittedPart, Job, JobNote, SetFacts
from benchwarden.dashboard.jobs_form import (
    FACTS,
    LISTS,
    Texts,
    checked_charge,
    empty_row,
    is_blank,
    job_with,
    rows_of,
    shown,
    texts_of,
)
from benchwarden.dashboard.jobs_merge import MINE, THEIRS, changed, clashes, decided, over, table_of
from benchwarden.errors import JobError

JOB = Job(
    "2041",
    "M. Lindqvist",
    SetFacts("Brackwater", "Integrated 60", "BW60-01873"),
    "under test",
    "Hum.\nWorse when warm.",
    "Both output pairs.",
    (EarlierRepair("odd emitter resistors", "unknown", "2019"),),
    parts_fitted=(FittedPart("Q11", "2SC5200-O", "output", "left", "2SC3281", "lot 7", "matched"),),
    notes=(JobNote("smells"),),
    technician="I. Sørensen",
    charge="85.50",
    invoice="R-7",
    version=3,
)


def with_fact(texts: Texts, key: str, value: str) -> Texts:
    return Texts({**texts.facts, key: value}, texts.rows)


def test_a_job_comes_back_from_its_fields_as_it_was() -> None:
    assert job_with(JOB, texts_of(JOB)) == JOB
    assert job_with(Job("1"), texts_of(Job("1"))) == Job("1")


def test_every_field_of_a_row_stands_in_the_page() -> None:
    # A field of the data that the page forgot would be lost with the next save.
    for one, kind in zip(LISTS, (EarlierRepair, FittedPart), strict=True):
        assert {field.key for field in one.fields} == set(kind.__dataclass_fields__)


def test_rows_are_read_in_their_order_and_blank_ones_left_out() -> None:
    ids: list[dict[str, Any]] = [
        {"type": "job-row", "list": "parts_fitted", "row": row, "key": key}
        for row in (10, 2)
        for key in ("marking", "position", "role")
    ]
    rows = rows_of(ids, ["late", "Q9", "driver", "early", None, "output"], "parts_fitted")
    assert [row["marking"] for row in rows] == ["early", "late"]
    assert rows[0]["position"] == ""
    assert rows_of(ids, ["x"] * 6, "earlier_repairs") == []
    texts = texts_of(JOB)
    blank = {**empty_row("parts_fitted"), "role": "driver", "side": "left", "note": "  "}
    assert is_blank("parts_fitted", blank)
    more = Texts(texts.facts, {**texts.rows, "parts_fitted": (blank, *texts.rows["parts_fitted"], blank)})
    assert job_with(JOB, more) == JOB


def test_a_row_without_what_it_is_about_is_refused_by_number() -> None:
    texts = texts_of(JOB)
    row = {**empty_row("parts_fitted"), "position": "Q12"}
    more = Texts(texts.facts, {**texts.rows, "parts_fitted": (*texts.rows["parts_fitted"], row)})
    with pytest.raises(JobError, match="part 2: “Marking” is empty"):
        job_with(JOB, more)


@pytest.mark.parametrize(
    ("typed", "kept"), [("", ""), (" 85 ", "85"), ("85,50", "85.50"), ("85.50", "85.50"), ("0", "0"), ("0.5", "0.5")]
)
def test_a_charge_is_an_amount(typed: str, kept: str) -> None:
    assert checked_charge(typed, "job 1") == kept


@pytest.mark.parametrize("typed", ["a lot", "-1", "1e3", "nan", "inf", "1.2.3", "1,234", "1_000", "10000000", "²", "."])
def test_what_is_no_amount_is_refused(typed: str) -> None:
    with pytest.raises(JobError, match="is no amount; allowed: empty, or 0 to 9999999 such as 85"):
        checked_charge(typed, "job 1")


def test_choices_and_lengths_are_those_of_the_job_form() -> None:
    with pytest.raises(JobError, match=r"state = 'lost'; allowed: open, under test, done"):
        job_with(JOB, with_fact(texts_of(JOB), "state", "lost"))
    with pytest.raises(JobError, match="customer has 201 characters; allowed: 200"):
        job_with(JOB, with_fact(texts_of(JOB), "customer", "x" * 201))


def test_a_list_is_shown_a_row_a_line() -> None:
    assert shown("earlier_repairs", texts_of(JOB)) == (
        "what can be seen of it: odd emitter resistors; by whom: unknown; when: 2019"
    )
    assert shown("complaint", texts_of(JOB)) == "Hum.\nWorse when warm."


def test_what_others_add_beside_the_fields_is_nothing_to_decide() -> None:
    mine = replace(JOB, complaint="Mine.")
    theirs = replace(JOB, notes=(*JOB.notes, JobNote("a note")), version=7)
    assert clashes(JOB, mine, theirs) == ()
    assert over(mine, theirs) == replace(theirs, complaint="Mine.")


def test_every_field_that_differs_is_shown_with_both_values_and_who_changed_it() -> None:
    mine = replace(JOB, complaint="Mine.", technician="me", invoice="R-8")
    theirs = replace(JOB, complaint="Theirs.", customer="other", invoice="R-8", version=4)
    found = {clash.key: clash for clash in clashes(JOB, mine, theirs)}
    assert set(found) == {"complaint", "technician", "customer"}
    assert (found["complaint"].mine, found["complaint"].theirs, found["complaint"].preset) == ("Mine.", "Theirs.", "")
    assert (found["technician"].preset, found["customer"].preset) == (MINE, THEIRS)
    table = table_of(tuple(found.values()), 4, "who")
    assert table["choices"] == {"technician": MINE, "customer": THEIRS}
    job, left = decided(mine, theirs, table["choices"])
    assert left == ("complaint",)
    job, left = decided(mine, theirs, {**table["choices"], "complaint": MINE})
    assert left == ()
    assert job == replace(theirs, complaint="Mine.", technician="me")


_TEXT = st.sampled_from(("", "one", "two", "three"))
_JOBS = st.builds(
    lambda customer, serial, complaint, state, parts, notes: replace(
        JOB,
        customer=customer,
        amplifier=SetFacts(serial=serial),
        complaint=complaint,
        state=state,
        parts_fitted=tuple(parts),
        notes=tuple(JobNote(text) for text in notes),
    ),
    _TEXT,
    _TEXT,
    _TEXT,
    st.sampled_from(("open", "done")),
    st.lists(
        st.builds(FittedPart, _TEXT, st.just("type"), st.sampled_from(PART_ROLES), st.sampled_from(SIDES)), max_size=2
    ),
    st.lists(st.just("note"), max_size=2),
)


@given(base=_JOBS, mine=_JOBS, theirs=_JOBS, mind=st.randoms(use_true_random=False))
def test_nothing_of_either_is_lost_without_a_person(base: Job, mine: Job, theirs: Job, mind: Any) -> None:
    found = clashes(base, mine, theirs)
    if not found:
        # Then they changed nothing that the page edits, and what they did beside it is kept.
        assert not changed(texts_of(base), texts_of(theirs)) or not changed(texts_of(mine), texts_of(theirs))
        assert texts_of(over(mine, theirs)) == texts_of(mine)
        assert over(mine, theirs).notes == theirs.notes
        return
    choices = {clash.key: mind.choice((MINE, THEIRS)) for clash in found}
    job, left = decided(mine, theirs, choices)
    assert left == ()
    assert job.notes == theirs.notes
    here, there, kept = texts_of(mine), texts_of(theirs), texts_of(job)
    for fact in FACTS:
        side = here if choices.get(fact.key) == MINE else there
        assert kept.facts[fact.key] == side.facts[fact.key]
    for one in LISTS:
        side = here if choices.get(one.key) == MINE else there
        assert kept.rows[one.key] == side.rows[one.key]
    missing, left = decided(mine, theirs, {})
    assert set(left) == {clash.key for clash in found}
    assert missing == theirs
