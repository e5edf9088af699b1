"""Job data as plain tables: what goes out comes back, what is wrong is refused by key."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.core.job import CheckResult, EarlierRepair, FittedPart, Job, JobNote, JobRun, Photo, SetFacts
from benchwarden.core.job_form import LONGEST_TEXT, MOST_ROWS, job_from, lot_from, plain_table, ratings_from
from benchwarden.core.part_lots import PartLot, Piece
from benchwarden.core.substitutes import GainPoint, Ratings, SoaCurve, SoaPoint, Substitution
from benchwarden.errors import JobError

RATINGS = Ratings(
    "BW 1",
    "invented for the demonstration",
    vceo_v=140.0,
    soa=(SoaCurve(None, (SoaPoint(10.0, 15.0), SoaPoint(140.0, 0.2))), SoaCurve(0.01, (SoaPoint(10.0, 30.0),))),
    gain=(GainPoint(1.0, 50.0),),
)
JOB = Job(
    "2041",
    "M. Lindqvist",
    SetFacts("Brackwater", "Integrated 60", "BW60-01873"),
    complaint="Hum, then silence.\nLeft channel hot.",
    earlier_repairs=(EarlierRepair("Emitter resistors of 1 ohm", "unknown"),),
    unit={"rated_power_w": 60, "rail_nominal_v": 42.0},
    lots=(PartLot("A", "BW 1", pieces=(Piece("1", 55.0, 0.61), Piece("2"))),),
    substitutions=(Substitution("output", RATINGS, RATINGS, ("Q601",)),),
    parts_fitted=(FittedPart("Q601", "BW 1", "output", "left", lot="A"),),
    cold_checks=(CheckResult("junctions", "passed", "left", measured=0.61),),
    runs=(JobRun("20261129T124301Z-demo", metrics={"bias_left_v": 0.011}),),
    notes=(JobNote("Sockets cleaned."),),
    photos=(Photo("board.jpg", "image/jpeg", "00" * 32, 12_345),),
)
TEXT = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=60)


def test_a_job_comes_back_from_json() -> None:
    assert job_from(json.loads(json.dumps(plain_table(JOB))), "job.json") == JOB


@given(complaint=TEXT, name=TEXT, text=TEXT)
def test_any_text_comes_back(complaint: str, name: str, text: str) -> None:
    job = Job("1", name, SetFacts(name, name, name), complaint=complaint, notes=(JobNote(text, by=name),))
    assert job_from(json.loads(json.dumps(plain_table(job))), "job.json") == job


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ([], "a list; allowed: a table"),
        ({}, "number"),
        ({"number": 7}, "number = 7: input should be a valid string"),
        ({"number": "1", "colour": "red"}, "colour is not a key known here"),
        ({"number": "1", "state": "lost"}, "state = 'lost'; allowed: open, under test, done"),
        ({"number": "1", "complaint": "x" * (LONGEST_TEXT + 1)}, f"allowed: {LONGEST_TEXT} at most"),
        ({"number": "x" * 201}, "number has 201 characters"),
        ({"number": "1", "customer": "a\0b"}, "customer holds a zero byte"),
        ({"number": "1", "customer": "a\ud800b"}, "customer holds half a character"),
        ({"number": "1", "notes": [{"text": "a"}] * (MOST_ROWS + 1)}, f"notes has {MOST_ROWS + 1} rows"),
        ({"number": "1", "version": -1}, "version = -1; allowed: 0 to"),
        ({"number": "1", "parts_fitted": [{"position": "Q1", "marking": "x", "role": "hero"}]}, "parts_fitted.0.role"),
        ({"number": "1", "runs": [{"folder": "a", "duration_s": float("inf")}]}, "runs.0.duration_s"),
        ({"number": "1", "unit": {"a": "x" * 200_000}}, "unit is larger"),
    ],
)
def test_what_is_wrong_is_refused_by_key(table: Any, words: str) -> None:
    with pytest.raises(JobError, match=r"^job\.json: ") as caught:
        job_from(table, "job.json")
    assert words in str(caught.value)


def test_lots_and_ratings_by_themselves() -> None:
    with pytest.raises(JobError, match=r"lot\.toml: pieces\.0\.hfe = -3; allowed: 0 to 100000"):
        lot_from({"name": "A", "marking": "x", "pieces": [{"name": "1", "hfe": -3}]}, "lot.toml")
    with pytest.raises(JobError, match=r"parts\.toml: polarity = 'pnpn'; allowed: npn, pnp"):
        ratings_from({"marking": "x", "source": "y", "polarity": "pnpn"}, "parts.toml")
    assert ratings_from(plain_table(RATINGS), "parts.toml") == RATINGS
