"""Sets come back as they were kept, nothing is overwritten unseen, and no name leads out of the folder."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchwarden.analysis.plan_edits import editable
from benchwarden.analysis.planner import load_plan, power_up_plan
from benchwarden.core.plan import Plan
from benchwarden.core.unit import RUN_TYPES, Unit, UnitStage, load_unit
from benchwarden.core.unit_facts import FACTS, Fact
from benchwarden.errors import PlanError, RecordError
from benchwarden.record.unit_store import UnitStore, is_name

UNIT = Unit(60.0, 8.0, 42.0, 0.22, 11.0, 100.0, model="Brackwater Integrated 60")
STAGES = power_up_plan(UNIT).stages


def _value(fact: Fact) -> st.SearchStrategy[Any]:
    if fact.kind == "text":
        # All that a text file can hold: quotes, controls, any script; no lone surrogates.
        return st.text(st.characters(exclude_categories=("Cs",)), max_size=40)
    if fact.kind == "yes-no":
        return st.booleans()
    if fact.kind == "choice":
        return st.sampled_from([value for value, _ in fact.choices])
    if fact.kind == "whole":
        return st.integers(int(fact.low), int(fact.high))
    number = st.floats(fact.low, fact.high)
    return st.one_of(st.none(), number) if fact.estimated else number


UNITS = st.fixed_dictionaries({fact.key: _value(fact) for fact in FACTS}).map(lambda values: Unit(**values))


@st.composite
def _plans(draw: st.DrawFn) -> dict[str, Any]:
    """Return plan tables that a plan file may hold: times and limits close to the computed ones."""
    table: dict[str, Any] = {}
    for stage in draw(st.lists(st.sampled_from(STAGES), unique_by=lambda s: s.name, max_size=3)):
        changes: dict[str, Any] = {}
        for entry in draw(st.lists(st.sampled_from(editable(stage)), unique_by=lambda e: e.key, max_size=5)):
            value = entry.computed * draw(st.floats(0.95, 1.05))
            if entry.side == "for_ms":
                value = round(value)
            if entry.channel:
                changes.setdefault("limits", {}).setdefault(entry.channel, {})[entry.side] = value
            else:
                changes[entry.key] = value
        if changes:
            table.setdefault("stage", {})[stage.name] = changes
    return table


@given(unit=UNITS)
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_unit_comes_back_as_it_was_kept(tmp_path: Path, unit: Unit) -> None:
    store = UnitStore(tmp_path)
    digest = store.open("one").digest if (tmp_path / "one").exists() else ""
    store.save("one", unit, {}, digest)
    assert store.open("one").unit == unit
    assert load_unit(tmp_path / "one" / "unit.toml") == unit


@given(table=_plans())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_plan_comes_back_as_it_was_kept(tmp_path: Path, table: dict[str, Any]) -> None:
    store = UnitStore(tmp_path)
    digest = store.open("one").digest if (tmp_path / "one").exists() else ""
    store.save("one", UNIT, table, digest)
    assert store.open("one").plan == table
    found = load_plan(tmp_path / "one" / "plan.toml", UNIT)
    assert _numbers(found) == _numbers(power_up_plan(UNIT)) | _wanted(table)


def _numbers(plan: Plan) -> dict[tuple[str, str], float]:
    return {(stage.name, entry.key): entry.computed for stage in plan.stages for entry in editable(stage)}


def _wanted(table: dict[str, Any]) -> dict[tuple[str, str], float]:
    """Return what a plan table asks for, as `_numbers` has it."""
    found: dict[tuple[str, str], float] = {}
    for stage, changes in table.get("stage", {}).items():
        for key, value in changes.items():
            if key != "limits":
                found[stage, key] = value
        for channel, sides in changes.get("limits", {}).items():
            for side, value in sides.items():
                # A waiting time given with another side belongs to that side's limit.
                insisted = "low" if channel == "rail_neg_v" else "high"
                beside = {"low", "high", "rate_high"} & set(sides)
                if side != "for_ms" or not beside or insisted in beside or channel.startswith("offset"):
                    found[stage, f"{channel}.{side}"] = value
    return found


@pytest.mark.parametrize("table", [{"run_type": "burn-in", "hours": 5.5}, {"run_type": "power-up"}, {}])
def test_run_type_and_hours_come_back(tmp_path: Path, table: dict[str, Any]) -> None:
    UnitStore(tmp_path).save("one", UNIT, table, "")
    assert UnitStore(tmp_path).open("one").plan == table
    assert load_plan(tmp_path / "one" / "plan.toml", UNIT).run_type == table.get("run_type", RUN_TYPES[0])


def test_stages_of_a_recording_are_kept(tmp_path: Path) -> None:
    unit = replace(UNIT, stage=(UnitStage(0.0, "limiter 25 %", 25.0, True, False),))
    UnitStore(tmp_path).save("one", unit, {}, "")
    assert UnitStore(tmp_path).open("one").unit == unit


def test_saving_again_keeps_the_version_before(tmp_path: Path) -> None:
    store = UnitStore(tmp_path)
    first = store.save("one", UNIT, {}, "")
    before = (tmp_path / "one" / "unit.toml").read_bytes()
    store.save("one", replace(UNIT, serial="BW60-2"), {}, first.digest)
    assert (tmp_path / "one" / "unit.toml.bak").read_bytes() == before
    assert store.open("one").unit.serial == "BW60-2"
    assert not list(tmp_path.glob("one/*.new"))


@pytest.mark.parametrize("file", ["unit.toml", "plan.toml"])
def test_what_somebody_changed_meanwhile_is_not_overwritten(tmp_path: Path, file: str) -> None:
    store = UnitStore(tmp_path)
    kept = store.save("one", UNIT, {}, "")
    path = tmp_path / "one" / file
    path.write_text(path.read_text(encoding="utf-8") + "# by an editor\n", encoding="utf-8")
    changed = path.read_bytes()
    with pytest.raises(PlanError, match="changed since you loaded it"):
        store.save("one", replace(UNIT, serial="other"), {}, kept.digest)
    assert path.read_bytes() == changed
    store.save("two", replace(UNIT, serial="other"), {}, "")


def test_of_two_windows_the_second_is_refused(tmp_path: Path) -> None:
    UnitStore(tmp_path).save("one", UNIT, {}, "")
    first, second = UnitStore(tmp_path).open("one"), UnitStore(tmp_path).open("one")
    UnitStore(tmp_path).save("one", replace(UNIT, serial="first"), {}, first.digest)
    with pytest.raises(PlanError, match="changed since"):
        UnitStore(tmp_path).save("one", replace(UNIT, serial="second"), {}, second.digest)
    assert UnitStore(tmp_path).open("one").unit.serial == "first"


def test_a_new_set_takes_no_other_sets_name(tmp_path: Path) -> None:
    store = UnitStore(tmp_path)
    store.save("one", UNIT, {}, "")
    with pytest.raises(PlanError, match="already one of that name"):
        store.save("one", UNIT, {}, "")


def test_files_that_are_gone_are_not_made_again(tmp_path: Path) -> None:
    store = UnitStore(tmp_path)
    kept = store.save("one", UNIT, {}, "")
    (tmp_path / "one" / "unit.toml").unlink()
    with pytest.raises(PlanError, match="gone since it was loaded"):
        store.save("one", UNIT, {}, kept.digest)


@pytest.mark.parametrize(
    "name",
    ["", ".", "..", "../one", "/etc", "a/b", "a\\b", "One", "ä", "a b", "-a", "a.toml", "a" * 41, "nul", "com1", "a\n"],
)
def test_names_are_no_paths(tmp_path: Path, name: str) -> None:
    assert not is_name(name)
    store = UnitStore(tmp_path / "units")
    for act in (lambda: store.open(name), lambda: store.save(name, UNIT, {}, ""), lambda: store.unit_path(name)):
        with pytest.raises(PlanError, match="allowed: 1 to 40 lower-case letters"):
            act()
    assert not (tmp_path / "units").exists()


def test_damaged_sets_are_named_with_what_is_wrong(tmp_path: Path) -> None:
    store = UnitStore(tmp_path)
    store.save("good", UNIT, {}, "")
    for name, text in (
        ("cut", "rated_power_w = "),
        ("wrong", "rated_power_w = 9999"),
        ("binary", "\0\x01"),
    ):
        (tmp_path / name).mkdir()
        (tmp_path / name / "unit.toml").write_text(text, encoding="utf-8")
    store.save("plan", UNIT, {}, "")
    (tmp_path / "plan" / "plan.toml").write_text("= nothing", encoding="utf-8")
    found = {kept.name: kept for kept in store.sets()}
    assert found["good"].damaged == ""
    assert found["good"].title == "Brackwater Integrated 60"
    assert "cut/unit.toml: not valid TOML" in found["cut"].damaged
    assert "rated_power_w = 9999; allowed: 1 to 500" in found["wrong"].damaged
    assert "binary/unit.toml" in found["binary"].damaged
    assert "plan/plan.toml: not valid TOML" in found["plan"].damaged
    # Where the folder is, is nobody's business in a browser.
    assert not any(str(tmp_path) in kept.damaged for kept in found.values())


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_out_of_the_folder_is_no_set(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    UnitStore(tmp_path).save("outside", UNIT, {}, "")
    units = tmp_path / "units"
    units.mkdir()
    (units / "linked").symlink_to(outside)
    (units / "file").mkdir()
    (units / "file" / "unit.toml").symlink_to(outside / "unit.toml")
    store = UnitStore(units)
    assert store.sets() == ()
    for name in ("linked", "file"):
        with pytest.raises(PlanError, match="none of that name"):
            store.open(name)


def test_a_text_that_no_file_can_hold_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="broken character"):
        UnitStore(tmp_path).save("one", replace(UNIT, model="\ud800"), {}, "")
    assert not (tmp_path / "one").exists()


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "units").write_text("a file where the folder should be", encoding="utf-8")
    with pytest.raises(RecordError, match="cannot be written"):
        UnitStore(tmp_path / "units").save("one", UNIT, {}, "")
    assert UnitStore(tmp_path / "units").sets() == ()


def test_a_file_far_too_large_is_not_read(tmp_path: Path) -> None:
    store = UnitStore(tmp_path)
    store.save("one", UNIT, {}, "")
    path = tmp_path / "one" / "unit.toml"
    path.write_text("#" * 300_000, encoding="utf-8")
    with pytest.raises(PlanError, match="allowed: up to 200000"):
        store.open("one")
