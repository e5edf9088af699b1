"""The list of ratings: read, refused, written, kept."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchwarden.core.substitutes import Ratings
from benchwarden.errors import JobError, RecordError
from benchwarden.parts import parts_list
from benchwarden.parts.parts_list import example_parts, load_parts, save_parts
from benchwarden.parts.safe_area import checked_area, thermal_of

INVENTED = "invented for the demonstration"


def test_the_example_list_says_where_everything_is_from() -> None:
    parts = example_parts()
    assert {"LM 6001N", "LM 6001P", "LM 2100N", "LM 2100P", "OM 5001N", "OM 5001P"} <= set(parts)
    for marking, ratings in parts.items():
        assert ratings.marking == marking
        assert (ratings.source == INVENTED) == marking.startswith(("LM ", "OM "))
        assert ratings.source == INVENTED or "/D" in ratings.source
        checked_area(ratings)


def test_the_example_lists_figures_belong_together() -> None:
    # P = (Tj max - 25 C) / Rth jc on every sheet; makers round.
    for ratings in example_parts().values():
        assert ratings.power_w is not None
        assert ratings.tj_max_c is not None
        assert ratings.rth_jc_k_per_w is not None
        assert ratings.power_w * ratings.rth_jc_k_per_w == pytest.approx(ratings.tj_max_c - 25.0, rel=0.01)
        thermal = thermal_of(ratings)
        assert thermal is not None
        for curve in ratings.soa[:1]:
            assert max(p.v * p.i for p in curve.points) <= ratings.power_w * 1.01
            assert max(p.i for p in curve.points) == ratings.ic_max_a
            assert ratings.vceo_v is not None
            assert curve.points[-1].v <= ratings.vceo_v


def test_a_list_comes_back_as_it_was_saved(tmp_path: Path) -> None:
    path = tmp_path / "new" / "parts.toml"
    save_parts(path, example_parts())
    assert load_parts(path) == example_parts()
    assert list(load_parts(path)) == list(example_parts())
    assert sorted(os.listdir(path.parent)) == ["parts.toml"]


def test_what_was_there_before_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "parts.toml"
    one = {"A": Ratings("A", "sheet 1")}
    save_parts(path, one)
    before = path.read_bytes()
    save_parts(path, one)
    assert not path.with_name("parts.toml.bak").exists()
    save_parts(path, one | {"B": Ratings("B", "sheet 2", vceo_v=60.0)})
    assert path.with_name("parts.toml.bak").read_bytes() == before
    assert set(load_parts(path)) == {"A", "B"}


def test_a_write_that_fails_leaves_the_list_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "parts.toml"
    save_parts(path, {"A": Ratings("A", "sheet")})
    before = path.read_bytes()

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(parts_list.os, "fsync", full)
    with pytest.raises(RecordError, match=r"parts\.toml: cannot be written \(No space left on device\)"):
        save_parts(path, {"B": Ratings("B", "sheet")})
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["parts.toml"]


def test_what_cannot_be_read_again_is_not_written(tmp_path: Path) -> None:
    path = tmp_path / "parts.toml"
    for parts, message in (
        ({"A": Ratings("B", "sheet")}, "its marking is 'B'"),
        ({"A": Ratings("A", " ")}, "source is missing"),
        ({" ": Ratings(" ", "sheet")}, "without a name"),
        ({"A": Ratings("A", "sheet", power_w=-1.0)}, "power_w = -1; allowed: 0.01 to 5000"),
        ({"A": Ratings("A", "sheet", note="\ud800")}, "half a character"),
        ({"A": Ratings("A", "sheet", polarity="pn")}, "polarity = 'pn'; allowed: npn, pnp"),
    ):
        with pytest.raises(JobError, match=message):
            save_parts(path, parts)
    assert not path.exists()


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=60).filter(
        str.strip
    ),
    st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=200),
    st.floats(1.0, 5000.0),
)
def test_any_text_and_number_comes_back(tmp_path: Path, marking: str, note: str, vceo_v: float) -> None:
    path = tmp_path / "parts.toml"
    parts = {marking: Ratings(marking, "sheet", note=note, vceo_v=vceo_v, pinout=note[:50])}
    save_parts(path, parts)
    assert load_parts(path) == parts


SOA = "soa = [{ points = [{ v = 10, i = 1 }, { v = 20, i = 0.5 }] }]"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[parts.A", "not valid TOML"),
        ("part = 1", "'part' is not a key known here; allowed: [parts."),
        ("parts = 1", "parts is a int; allowed"),
        ("parts.A = 1", 'parts."A": a int; allowed: a table'),
        ("[parts.A]\npolarity = 'npn'", 'parts."A": source is missing; allowed: sheet and page'),
        ("[parts.A]\nsource = 's'\nvceo = 60", "'vceo' is not a key known here; allowed: source, polarity, vceo_v"),
        ("[parts.A]\nsource = 's'\nmarking = 'B'", "'marking' is not a key known here"),
        ("[parts.A]\nsource = 's'\nvceo_v = 'x'", 'parts."A": vceo_v = '),
        ("[parts.A]\nsource = 's'\nvceo_v = nan", 'parts."A": vceo_v'),
        ("[parts.A]\nsource = 's'\nvceo_v = 0.5", "vceo_v = 0.5; allowed: 1 to 5000"),
        ("[parts.A]\nsource = 's'\npolarity = 'p'", "polarity = 'p'; allowed: npn, pnp, n-channel, p-channel"),
        ("[parts.A]\nsource = 's'\nsoa = 3", "soa is no list of tables; allowed: [{ pulse_s, points }, ...]"),
        (
            "[parts.A]\nsource = 's'\nsoa = [{ dots = [] }]",
            "soa: 'dots' is not a key known here; allowed: pulse_s, points",
        ),
        (
            "[parts.A]\nsource = 's'\nsoa = [{ points = [1, 2] }]",
            "points is no list of tables; allowed: [{ v, i }, ...]",
        ),
        ("[parts.A]\nsource = 's'\n" + SOA.replace("0.5", "2"), "amperes 1, 2; allowed: level or falling"),
        (
            "[parts.A]\nsource = 's'\ngain = [{ i = 1, hfe = 20 }]",
            "gain: 'hfe' is not a key known here; allowed: i, hfe_min",
        ),
        ("[parts.A]\nsource = 's'\ngain = [{ i = 1 }]", 'parts."A": gain.0.hfe_min'),
        ("[parts.A]\nsource = 's'\ngain = [{ i = 1, hfe_min = 2 }, { i = 1, hfe_min = 3 }]", "1 A is there twice"),
    ],
)
def test_a_wrong_list_names_file_type_key_and_what_is_allowed(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "parts.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(JobError) as error:
        load_parts(path)
    assert str(path) in str(error.value)
    assert message in str(error.value)


def test_a_file_that_is_no_list(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(JobError, match="cannot be read"):
        load_parts(tmp_path / "none.toml")
    with pytest.raises(JobError, match="cannot be read"):
        load_parts(tmp_path)
    (tmp_path / "image.toml").write_bytes(b"\x89PNG\r\n\xff\xfe")
    with pytest.raises(JobError, match="not valid TOML"):
        load_parts(tmp_path / "image.toml")
    (tmp_path / "deep.toml").write_text("a = " + "[" * 100_000, encoding="utf-8")
    with pytest.raises(JobError, match="not valid TOML"):
        load_parts(tmp_path / "deep.toml")
    monkeypatch.setattr(parts_list, "LARGEST_BYTES", 3)
    (tmp_path / "large.toml").write_text("a=12", encoding="utf-8")
    with pytest.raises(JobError, match="4 bytes; allowed: 3 at most"):
        load_parts(tmp_path / "large.toml")


def test_an_empty_list_is_a_list(tmp_path: Path) -> None:
    (tmp_path / "parts.toml").write_text("", encoding="utf-8")
    assert load_parts(tmp_path / "parts.toml") == {}
    save_parts(tmp_path / "parts.toml", {})
    assert load_parts(tmp_path / "parts.toml") == {}


def test_a_curve_without_pulse_length_is_the_one_for_direct_current(tmp_path: Path) -> None:
    path = tmp_path / "parts.toml"
    path.write_text("[parts.A]\nsource = 's'\n" + SOA, encoding="utf-8")
    (part,) = load_parts(path).values()
    assert part.soa[0].pulse_s is None
    save_parts(path, {"A": replace(part, case_on_collector=False)})
    assert load_parts(path)["A"].case_on_collector is False
