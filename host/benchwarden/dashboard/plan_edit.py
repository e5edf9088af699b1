"""How are changes to a plan typed: from text in fields to the table of a plan file, and back?

Changes are kept as typed, `{stage: {key: text}}` with keys as in `analysis.plan_edits`, so
that an error takes nothing away. Limits are typed in the unit the bench page shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from benchwarden.analysis.plan_edits import TIMES, Editable, editable
from benchwarden.analysis.plan_file import DEFAULT_HOURS, changed_plan, computed_plan
from benchwarden.core.plan import Plan
from benchwarden.core.unit import Unit
from benchwarden.dashboard.margins import Scale, scale
from benchwarden.dashboard.plan_form import number_of, number_text
from benchwarden.errors import PlanError

Texts = dict[str, dict[str, str]]
_SIDES = ("low", "high", "rate_high", "for_ms")


@dataclass(frozen=True)
class RunWish:
    """Which run the plan is for, as typed.

    Attributes:
        run_type: "" as the unit facts say, else "power-up" or "burn-in".
        hours: of a burn-in; "" for the usual length.
    """

    run_type: str = ""
    hours: str = ""


@dataclass(frozen=True)
class Planned:
    """What came of facts, run and changes.

    Attributes:
        computed: without changes; None where it cannot be computed.
        plan: with the changes that are right; as computed where there are none.
        table: of the plan file; None while a change is wrong.
        wrong: what is wrong, by stage and key; a key "" belongs to the stage as a whole,
            a stage "" to the plan as a whole.
    """

    computed: Plan | None
    plan: Plan | None
    table: dict[str, Any] | None
    wrong: dict[tuple[str, str], str]


def factor(key: str) -> Scale:
    """Return how the number under `key` is written for people."""
    channel, _, side = key.partition(".")
    if not side:
        return Scale(1.0, "s", 0)
    if side == "for_ms":
        return Scale(1.0, "ms", 0)
    written = scale(channel)
    return Scale(written.factor, written.unit + ("/s" if side == "rate_high" else ""), written.decimals)


def shown_number(key: str, value: float) -> str:
    """Return a plan file's number as it stands in its field, so that the same number is read from it."""
    by = factor(key).factor
    return number_text(value * by, lambda typed: typed / by)


def texts_of_plan(table: Mapping[str, Any]) -> tuple[RunWish, Texts]:
    """Return run and changes as typed, from the table of a plan file that was found right."""
    hours = table.get("hours")
    texts: Texts = {}
    for stage, changes in table.get("stage", {}).items():
        entries = {key: shown_number(key, changes[key]) for key in TIMES if key in changes}
        for channel, limits in changes.get("limits", {}).items():
            for side in _SIDES:
                if side in limits:
                    entries[f"{channel}.{side}"] = shown_number(f"{channel}.{side}", limits[side])
        if entries:
            texts[stage] = entries
    return RunWish(str(table.get("run_type", "")), "" if hours is None else number_text(float(hours))), texts


def planned(unit: Unit, wish: RunWish, texts: Mapping[str, Mapping[str, str]]) -> Planned:
    """Return the plan, with every change that is right put over it, and what is wrong with the others."""
    table: dict[str, Any] = {}
    if wish.run_type:
        table["run_type"] = wish.run_type
    if (wish.run_type or unit.run_type) == "burn-in" and wish.hours.strip():
        try:
            table["hours"] = number_of(wish.hours)
        except ValueError as error:
            return Planned(None, None, None, {("", "hours"): f"Hours: “{wish.hours.strip()}” {error}."})
    try:
        computed = computed_plan(table, unit, "plan")
    except PlanError as error:
        return Planned(None, None, None, {("", "hours" if "hours" in str(error) else ""): _sentence(error)})
    except (ValueError, ArithmeticError) as error:
        # A solver that finds no operating point: the facts contradict each other.
        words = f"With these facts no operating point exists ({error}). Check rails, power, transformer and bias."
        return Planned(None, None, None, {("", ""): words})
    wrong: dict[tuple[str, str], str] = {}
    kept: dict[str, Any] = {}
    known = {stage.name: {entry.key: entry for entry in editable(stage)} for stage in computed.stages}
    for stage, entries in texts.items():
        ones: dict[str, dict[str, Any]] = {}
        for key, text in entries.items():
            found = known.get(stage, {}).get(key)
            if found is None:
                what = "such number in this stage" if stage in known else "such stage"
                wrong[stage, key] = f"“{text}”: the plan has no {what}. Reset it."
                continue
            try:
                ones[key] = _one(found, text)
            except ValueError as error:
                wrong[stage, key] = str(error)
        fitting, not_fitting = _fitting(computed, stage, ones)
        wrong |= not_fitting
        if fitting:
            kept[stage] = fitting
    if kept:
        table["stage"] = kept
    return Planned(computed, changed_plan(computed, kept, "plan"), None if wrong else table, wrong)


def _fitting(
    computed: Plan, stage: str, ones: Mapping[str, dict[str, Any]]
) -> tuple[dict[str, Any], dict[tuple[str, str], str]]:
    """Return the stage table of those changes that the plan takes together, and what is wrong with the rest."""
    wrong: dict[tuple[str, str], str] = {}
    try:
        together = _joined(ones.values())
        changed_plan(computed, {stage: together} if together else {}, "plan")
        return together, wrong
    except PlanError as error:
        whole = _sentence(error)
    # Which of them is it? Each alone, so that it can be said beside it.
    for key, one in ones.items():
        try:
            changed_plan(computed, {stage: one}, "plan")
        except PlanError as error:
            wrong[stage, key] = _sentence(error)
    rest = _joined(one for key, one in ones.items() if (stage, key) not in wrong)
    try:
        changed_plan(computed, {stage: rest} if rest else {}, "plan")
    except PlanError:
        wrong[stage, ""] = whole
        return {}, wrong
    return rest, wrong


def usual_hours() -> str:
    """Return the length of a burn-in when none is given."""
    return f"{DEFAULT_HOURS:g}"


def _one(entry: Editable, text: str) -> dict[str, Any]:
    """Return the stage table of one change.

    Raises:
        ValueError: it is no number within what is allowed, in words.
    """
    written = factor(entry.key)
    allowed = f"{entry.low * written.factor:g} to {entry.high * written.factor:g} {written.unit}"
    try:
        value = number_of(text) / written.factor
    except ValueError as error:
        raise ValueError(f"“{text.strip()}” {error}. Allowed: {allowed}.") from error
    if not entry.low <= value <= entry.high:
        raise ValueError(f"“{text.strip()}” is beyond what the board takes. Allowed: {allowed}.")
    if entry.side == "for_ms" and value != round(value):
        raise ValueError(f"“{text.strip()}” is no whole number. Allowed: {allowed}.")
    if not entry.channel:
        return {entry.key: value}
    return {"limits": {entry.channel: {entry.side: int(value) if entry.side == "for_ms" else value}}}


def _joined(ones: Iterable[dict[str, Any]]) -> dict[str, Any]:
    joined: dict[str, Any] = {}
    for one in ones:
        for key, value in one.items():
            if key == "limits":
                for channel, sides in value.items():
                    joined.setdefault("limits", {}).setdefault(channel, {}).update(sides)
            else:
                joined[key] = value
    return joined


def _sentence(error: Exception) -> str:
    text = str(error).removeprefix("plan: ")
    return text[:1].upper() + text[1:] + "."
