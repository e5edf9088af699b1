"""Unit facts: what the technician knows of the amplifier before power goes on."""

from __future__ import annotations

import itertools
import math
import tomllib
from dataclasses import MISSING, dataclass, field, fields
from pathlib import Path
from typing import Any

from benchwarden.errors import PlanError

RUN_TYPES = ("power-up", "burn-in")
PACKAGES = ("metal-can", "plastic")
SHUNT_POSITIONS = ("rail-fuse", "before-reservoir")


@dataclass(frozen=True)
class UnitStage:
    """A stage as a recording tells it: from t_start_s on, the mains side was set like this."""

    t_start_s: float
    name: str
    mains_pct: float
    limiter_in: bool
    drive_on: bool


@dataclass(frozen=True)
class Unit:
    """Facts of one amplifier; the first block is fixed, the second has defaults.

    Attributes:
        rated_power_w: per channel into load_ohm, watts.
        rail_nominal_v: each rail at full mains, idle, volts.
        emitter_resistor_ohm: one emitter resistor, ohms.
        output_pairs: pairs per channel.
        target_bias_drop_mv: across one emitter resistor, millivolts.
        package: of the output devices.
        limiter_lamp_w: rating of the series lamp at mains_v, watts.
        mains_v: nominal mains, volts rms.
        reservoir_uf: each rail's reservoir capacitance, microfarads.
        quiescent_other_a: rail current of everything but the output stages, amperes.
        transformer_va: rating of the set's transformer; None estimates it.
        sink_k_per_w: one channel's heatsink to ambient; None estimates it.
        rth_jc_k_per_w: one device junction to case; None takes the package's usual value.
        rth_cs_k_per_w: case to sink through the insulator.
        tj_max_c: junction rating; None takes the package's usual value.
        power_max_w: one device's rating at 25 C case; None estimates it.
    """

    rated_power_w: float
    load_ohm: float
    rail_nominal_v: float
    emitter_resistor_ohm: float
    target_bias_drop_mv: float
    limiter_lamp_w: float
    run: str = ""
    run_type: str = "power-up"
    load_connected: bool = False
    output_pairs: int = 1
    package: str = "plastic"
    shunt_position: str = "rail-fuse"
    sample_rate_hz: float = 10.0
    mains_v: float = 230.0
    mains_hz: float = 50.0
    reservoir_uf: float = 6800.0
    quiescent_other_a: float = 0.03
    transformer_va: float | None = None
    sink_k_per_w: float | None = None
    rth_jc_k_per_w: float | None = None
    rth_cs_k_per_w: float | None = None
    tj_max_c: float | None = None
    power_max_w: float | None = None
    customer: str = ""
    model: str = ""
    serial: str = ""
    technician: str = ""
    stage: tuple[UnitStage, ...] = field(default=())


# Smallest and largest value that makes sense, both allowed; of the facts and of a stage.
RANGES: dict[str, tuple[float, float]] = {
    "rated_power_w": (1, 500),
    "load_ohm": (1, 32),
    "rail_nominal_v": (8, 80),
    "emitter_resistor_ohm": (0.05, 5),
    "target_bias_drop_mv": (0.5, 200),
    "limiter_lamp_w": (15, 1000),
    "output_pairs": (1, 8),
    "sample_rate_hz": (0.1, 1000),
    "mains_v": (90, 260),
    "mains_hz": (45, 65),
    "reservoir_uf": (100, 100000),
    "quiescent_other_a": (0, 2),
    "transformer_va": (5, 3000),
    "sink_k_per_w": (0.05, 30),
    "rth_jc_k_per_w": (0.1, 20),
    "rth_cs_k_per_w": (0.05, 5),
    "tj_max_c": (100, 225),
    "power_max_w": (5, 500),
    "mains_pct": (0, 120),
    "t_start_s": (-1e9, 1e9),
}
CHOICES: dict[str, tuple[str, ...]] = {
    "run_type": RUN_TYPES,
    "package": PACKAGES,
    "shunt_position": SHUNT_POSITIONS,
}


def _checked(where: str, key: str, value: Any, annotation: str) -> Any:
    if key in CHOICES:
        if value not in CHOICES[key]:
            raise PlanError(f"{where}: {key} = {value!r}; allowed: {', '.join(CHOICES[key])}")
        return value
    if annotation == "str":
        if not isinstance(value, str):
            raise PlanError(f"{where}: {key} = {value!r}; allowed: text in quotes")
        return value
    if annotation == "bool":
        if not isinstance(value, bool):
            raise PlanError(f"{where}: {key} = {value!r}; allowed: true, false")
        return value
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise PlanError(f"{where}: {key} = {value!r}; allowed: a number")
    if annotation == "int" and value != int(value):
        raise PlanError(f"{where}: {key} = {value!r}; allowed: a whole number")
    low, high = RANGES[key]
    if not low <= value <= high:
        raise PlanError(f"{where}: {key} = {value!r}; allowed: {low:g} to {high:g}")
    return int(value) if annotation == "int" else float(value)


def _build(where: str, cls: type[Any], table: dict[str, Any], whole: bool = True) -> dict[str, Any]:
    known = {f.name: f for f in fields(cls)}
    out: dict[str, Any] = {}
    for key, value in table.items():
        if key not in known:
            allowed = ", ".join(sorted(known))
            raise PlanError(f"{where}: unknown key {key!r}; allowed: {allowed}")
        annotation = str(known[key].type).split(" | ")[0]
        out[key] = value if key == "stage" else _checked(where, key, value, annotation)
    missing = [
        name for name, f in known.items() if name not in out and f.default is MISSING and f.default_factory is MISSING
    ]
    if missing and whole:
        raise PlanError(f"{where}: missing key {', '.join(missing)}")
    return out


def checked_fact(where: str, key: str, value: Any) -> Any:
    """Return one fact as `Unit` holds it.

    Raises:
        PlanError: naming `where`, the key and what is allowed.
    """
    return _build(where, Unit, {key: value}, whole=False)[key]


def unit_from_table(table: dict[str, Any], where: str) -> Unit:
    """Return the unit facts held in a parsed `unit.toml`.

    Raises:
        PlanError: naming `where`, the key and the allowed values.
    """
    values = _build(where, Unit, table)
    stages = values.get("stage", ())
    if not isinstance(stages, (list, tuple)):
        raise PlanError(f"{where}: stage = {stages!r}; allowed: [[stage]] tables")
    built = []
    for number, entry in enumerate(stages, 1):
        if not isinstance(entry, dict):
            raise PlanError(f"{where}: stage {number} = {entry!r}; allowed: a [[stage]] table")
        built.append(UnitStage(**_build(f"{where}: stage {number}", UnitStage, entry)))
    if any(b.t_start_s <= a.t_start_s for a, b in itertools.pairwise(built)):
        raise PlanError(f"{where}: stage t_start_s must increase from stage to stage")
    values["stage"] = tuple(built)
    return Unit(**values)


def load_toml(path: Path) -> dict[str, Any]:
    """Return the parsed file.

    Raises:
        PlanError: it cannot be read or is not TOML; names the file.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PlanError(f"{path}: cannot be read ({error.strerror})") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PlanError(f"{path}: not valid TOML: {error}") from error


def load_unit(path: Path) -> Unit:
    """Read `unit.toml`.

    Raises:
        PlanError: naming the file, the key and the allowed values.
    """
    return unit_from_table(load_toml(path), str(path))
