"""Unit facts: what is accepted, and how a mistake is named."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchwarden.core.unit import load_unit
from benchwarden.errors import PlanError

GOOD = """
run = "any label"
run_type = "power-up"
rated_power_w = 60
load_ohm = 8
load_connected = false
rail_nominal_v = 42.0
emitter_resistor_ohm = 0.22
output_pairs = 1
target_bias_drop_mv = 11.0
package = "metal-can"
limiter_lamp_w = 100
shunt_position = "rail-fuse"
sample_rate_hz = 10
[[stage]]
t_start_s = 0.0
name = "limiter 25 %"
mains_pct = 25
limiter_in = true
drive_on = false
"""


def _load(tmp_path: Path, text: str) -> object:
    path = tmp_path / "unit.toml"
    path.write_text(text, encoding="utf-8")
    return load_unit(path)


def test_example_of_the_format_is_read(tmp_path: Path) -> None:
    path = tmp_path / "unit.toml"
    path.write_text(GOOD, encoding="utf-8")
    unit = load_unit(path)
    assert (unit.rated_power_w, unit.package, unit.output_pairs) == (60.0, "metal-can", 1)
    assert (unit.stage[0].name, unit.stage[0].mains_pct, unit.stage[0].limiter_in) == ("limiter 25 %", 25.0, True)


@pytest.mark.parametrize(
    ("was", "becomes", "names"),
    [
        ("rated_power_w = 60", "rated_power = 60", ("unit.toml", "'rated_power'", "rated_power_w")),
        ("rated_power_w = 60", "rated_power_w = -60", ("rated_power_w", "1 to 500")),
        ("rated_power_w = 60", 'rated_power_w = "60"', ("rated_power_w", "a number")),
        ("rated_power_w = 60", "rated_power_w = nan", ("rated_power_w", "a number")),
        ("rated_power_w = 60", "", ("missing key", "rated_power_w")),
        ("output_pairs = 1", "output_pairs = 1.5", ("output_pairs", "a whole number")),
        ("output_pairs = 1", "output_pairs = true", ("output_pairs", "a number")),
        ('package = "metal-can"', 'package = "ceramic"', ("package", "metal-can, plastic")),
        ("load_connected = false", "load_connected = 0", ("load_connected", "true, false")),
        ("mains_pct = 25", "mains_pct = 250", ("stage 1", "mains_pct", "0 to 120")),
        ("drive_on = false", "drive = false", ("stage 1", "'drive'", "drive_on")),
        ("rated_power_w = 60", "rated_power_w = ", ("not valid TOML",)),
    ],
)
def test_mistakes_are_named(tmp_path: Path, was: str, becomes: str, names: tuple[str, ...]) -> None:
    with pytest.raises(PlanError) as caught:
        _load(tmp_path, GOOD.replace(was, becomes))
    for name in names:
        assert name in str(caught.value)


def test_stages_have_to_follow_each_other(tmp_path: Path) -> None:
    again = GOOD[GOOD.index("[[stage]]") :]
    with pytest.raises(PlanError, match="t_start_s must increase"):
        _load(tmp_path, GOOD + again)


def test_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"nowhere\.toml: cannot be read"):
        load_unit(tmp_path / "nowhere.toml")
