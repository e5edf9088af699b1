"""How is a substitution typed: from text in fields to a `Substitution`, and back?"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchwarden.core.job import PART_ROLES
from benchwarden.core.job_form import LONGEST_NAME, LONGEST_TEXT, RANGES, plain_table, substitution_from
from benchwarden.core.part_lots import POLARITIES
from benchwarden.core.substitutes import GainPoint, Ratings, SoaCurve, SoaPoint, Substitution
from benchwarden.dashboard.plan_form import number_of, number_text
from benchwarden.dashboard.status import plain
from benchwarden.errors import JobError

SIDES = ("original", "candidate")
# Key, label, unit, help. The order of a data sheet.
TEXTS = (
    ("marking", "Type", "as in the list, or any other"),
    ("source", "Ratings are from", "sheet and page"),
    ("package", "Package", "outline name"),
    ("pinout", "Leads", "left to right from the marked side, as BCE"),
)
NUMBERS = (
    ("vceo_v", "VCEO", "V"),
    ("vcbo_v", "VCBO", "V"),
    ("vebo_v", "VEBO", "V"),
    ("ic_max_a", "IC", "A"),
    ("ic_peak_a", "IC peak", "A"),
    ("ib_max_a", "IB", "A"),
    ("power_w", "Power at 25 °C case", "W"),
    ("tj_max_c", "Greatest junction temperature", "°C"),
    ("rth_jc_k_per_w", "Junction to case", "K/W"),
    ("ft_mhz", "Transition frequency", "MHz"),
    ("cob_pf", "Output capacitance", "pF"),
    ("gain_test_v", "Gain measured at", "V"),
)
SOA_HELP = (
    "A curve a line: dc or the pulse, then corners as volts/amperes by rising voltage, such as "
    "“dc 10/15 50/3 200/0.1” and “10ms 40/10 200/0.4”."
)
GAIN_HELP = "Least gain at collector current, as amperes/gain: “1/80 7/35”."
INSULATED = {"": None, "yes": True, "no": False}
RATING_KEYS = (
    *[key for key, _, _ in TEXTS],
    "polarity",
    "case_on_collector",
    *[key for key, _, _ in NUMBERS],
    "soa",
    "gain",
    "note",
)
_PULSE = {"us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ms": 1e-3, "s": 1.0}


@dataclass(frozen=True)
class SubstitutionTexts:
    """One substitution as it stands in its fields.

    Attributes:
        facts: role, positions and note.
        ratings: text by rating key, for "original" and "candidate".
    """

    facts: Mapping[str, str] = field(default_factory=dict)
    ratings: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @property
    def title(self) -> str:
        """Which type stands in for which."""
        one, other = (self.ratings[side].get("marking", "").strip() or "?" for side in SIDES)
        return f"{other} for {one}"

    def table(self) -> dict[str, Any]:
        """Return it as a browser keeps it."""
        return {"facts": dict(self.facts), "ratings": {side: dict(self.ratings[side]) for side in SIDES}}


@dataclass(frozen=True)
class SubstitutionEntry:
    """What was made of the fields; `wrong` is by (side, key), the side "" for role, positions and note."""

    substitution: Substitution | None
    wrong: dict[tuple[str, str], str]


def new_substitution() -> SubstitutionTexts:
    """Return the fields of a substitution of which nothing is known yet."""
    return texts_from({"facts": {"role": "output"}})


def texts_from(table: Any) -> SubstitutionTexts:
    """Return the texts from what a browser kept; what is missing is empty."""
    facts = dict(table.get("facts") or {}) if isinstance(table, dict) else {}
    ratings = dict(table.get("ratings") or {}) if isinstance(table, dict) else {}
    return SubstitutionTexts(
        {key: str(facts.get(key) or "") for key in ("role", "positions", "note")},
        {side: _filled(dict(ratings.get(side) or {})) for side in SIDES},
    )


def _filled(ratings: dict[str, Any]) -> dict[str, str]:
    texts = {key: str(ratings.get(key) or "") for key in RATING_KEYS}
    return {**texts, "polarity": texts["polarity"] or "npn"}


def texts_of(one: Substitution) -> SubstitutionTexts:
    """Return what stands in the fields for a substitution."""
    return SubstitutionTexts(
        {"role": one.role, "positions": ", ".join(one.positions), "note": one.note},
        {"original": rating_texts(one.original), "candidate": rating_texts(one.candidate)},
    )


def rating_texts(ratings: Ratings) -> dict[str, str]:
    """Return what stands in the fields for a type's ratings."""
    texts = {key: getattr(ratings, key) for key, _, _ in TEXTS} | {"polarity": ratings.polarity, "note": ratings.note}
    texts |= {key: _number_text(getattr(ratings, key)) for key, _, _ in NUMBERS}
    texts["case_on_collector"] = next(key for key, value in INSULATED.items() if value is ratings.case_on_collector)
    texts["soa"] = "\n".join(_curve_text(curve) for curve in ratings.soa)
    texts["gain"] = " ".join(f"{number_text(point.i)}/{number_text(point.hfe_min)}" for point in ratings.gain)
    return texts


def entry_of(texts: SubstitutionTexts) -> SubstitutionEntry:
    """Return the substitution that the fields hold, or what is wrong with them."""
    wrong: dict[tuple[str, str], str] = {}
    found = {side: _ratings(side, texts.ratings[side], wrong) for side in SIDES}
    positions = tuple(part.strip() for part in texts.facts.get("positions", "").split(",") if part.strip())
    if texts.facts.get("role") not in PART_ROLES:
        wrong["", "role"] = f"Allowed: {', '.join(PART_ROLES)}."
    if wrong:
        return SubstitutionEntry(None, wrong)
    table = {"role": texts.facts["role"], "positions": positions, "note": texts.facts.get("note", "").strip(), **found}
    try:
        return SubstitutionEntry(substitution_from(table, texts.title[:80]), {})
    except JobError as error:
        return SubstitutionEntry(None, {("", "note"): plain(error, 300)})


def _number_text(value: float | None) -> str:
    return "" if value is None else number_text(float(value))


def _curve_text(curve: SoaCurve) -> str:
    if curve.pulse_s is None:
        name = "dc"
    else:
        unit = "us" if curve.pulse_s < 1e-3 else "ms" if curve.pulse_s < 1.0 else "s"
        name = f"{number_text(round(curve.pulse_s / _PULSE[unit], 9))}{unit}"
    return " ".join((name, *(f"{number_text(point.v)}/{number_text(point.i)}" for point in curve.points)))


def _ratings(side: str, texts: Mapping[str, str], wrong: dict[tuple[str, str], str]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for key, _, _ in TEXTS:
        values[key] = texts[key].strip()
        if len(values[key]) > LONGEST_NAME:
            wrong[side, key] = f"{len(values[key])} characters are too long. Allowed: up to {LONGEST_NAME}."
    for key in ("marking", "source"):
        if not values[key]:
            words = "sheet and page, or whoever says so" if key == "source" else "a type"
            wrong[side, key] = f"Needed, and empty. Allowed: {words}."
    values["note"] = texts["note"].strip()
    if len(values["note"]) > LONGEST_TEXT:
        wrong[side, "note"] = f"{len(values['note'])} characters are too long. Allowed: up to {LONGEST_TEXT}."
    if texts["polarity"] not in POLARITIES:
        wrong[side, "polarity"] = f"Allowed: {', '.join(POLARITIES)}."
    values["polarity"] = texts["polarity"]
    values["case_on_collector"] = INSULATED.get(texts["case_on_collector"])
    for key, _, unit in NUMBERS:
        try:
            values[key] = _number(texts[key], f"Ratings.{key}", unit) if texts[key].strip() else None
        except ValueError as error:
            wrong[side, key] = str(error)
    for key, read in (("soa", soa_of), ("gain", gain_of)):
        try:
            values[key] = [plain_table(point) for point in read(texts[key])]
        except ValueError as error:
            wrong[side, key] = str(error)
    return values


def _number(text: str, key: str, unit: str = "") -> float:
    low, high = RANGES[key]
    allowed = f"Allowed: {low:g} to {high:g}{f' {unit}' if unit else ''}."
    shown = plain(text.strip(), 40)
    try:
        value = number_of(text)
    except ValueError as error:
        raise ValueError(f"“{shown}” {error}. {allowed}") from error
    if not low <= value <= high:
        raise ValueError(f"“{shown}” is not possible here. {allowed}")
    return value


def soa_of(text: str) -> tuple[SoaCurve, ...]:
    """Return the curves of a safe operating area as typed, one a line, direct current first.

    Raises:
        ValueError: names the line and what is allowed.
    """
    curves = []
    for number, line in enumerate((line for line in text.splitlines() if line.strip()), 1):
        name, *corners = line.split()
        try:
            points = tuple(
                SoaPoint(_number(v, "SoaPoint.v", "V"), _number(i, "SoaPoint.i", "A")) for v, i in map(_pair, corners)
            )
            curves.append(SoaCurve(_pulse(name), points))
        except ValueError as error:
            raise ValueError(f"Curve {number}: {error}") from error
        if len(points) < 2:
            raise ValueError(f"Curve {number} has {len(points)} corners. Allowed: two or more.")
        if any(b.v <= a.v for a, b in itertools.pairwise(points)):
            raise ValueError(f"Curve {number}: its voltages do not rise from corner to corner.")
    pulses = [curve.pulse_s for curve in curves]
    if len(set(pulses)) < len(pulses):
        raise ValueError("Two curves are of the same pulse. Allowed: one of each.")
    return tuple(sorted(curves, key=lambda curve: (curve.pulse_s is not None, -(curve.pulse_s or 0.0))))


def gain_of(text: str) -> tuple[GainPoint, ...]:
    """Return least gains as typed, by rising current.

    Raises:
        ValueError: names what is allowed.
    """
    points = [
        GainPoint(_number(i, "GainPoint.i", "A"), _number(hfe, "GainPoint.hfe_min"))
        for i, hfe in map(_pair, text.split())
    ]
    return tuple(sorted(points, key=lambda point: point.i))


def _pair(text: str) -> tuple[str, str]:
    first, slash, second = text.partition("/")
    if not slash:
        raise ValueError(f"“{plain(text, 40)}” is not two numbers with a stroke between, such as 50/3.")
    return first, second


def _pulse(name: str) -> float | None:
    if name.lower() == "dc":
        return None
    found = re.fullmatch(r"([0-9.,]+)(us|µs|μs|ms|s)", name)
    if not found:
        raise ValueError(f"“{plain(name, 40)}” is neither dc nor a pulse such as 10ms, 500us or 1s.")
    value = number_of(found[1]) * _PULSE[found[2]]
    low, high = RANGES["SoaCurve.pulse_s"]
    if not low <= value <= high:
        raise ValueError(f"“{plain(name, 40)}”: allowed: {low:g} to {high:g} s.")
    return value
