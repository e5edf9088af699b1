"""Make the reference recordings: short runs on the virtual amplifier, each with one story.

    python recordings/make.py

Writes recording.csv, unit.toml and NOTE.md into one folder per run. Nothing here is a
measurement; every NOTE.md says so.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np

from benchwarden.core.channels import CHANNELS
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import Unit
from benchwarden.corpus.bench_play import Act, Tweak, burn_in, play, power_up, set_pots
from benchwarden.record.recording import write_recording

HERE = Path(__file__).resolve().parent
# Digits worth keeping per channel; what lies below is converter noise.
_DECIMALS = (5, 5, 3, 3, 4, 4, 6, 6, 2, 2, 2, 4, 4)

UNIT = Unit(
    rated_power_w=60,
    load_ohm=8,
    rail_nominal_v=42.0,
    emitter_resistor_ohm=0.22,
    target_bias_drop_mv=11.0,
    limiter_lamp_w=100,
    package="metal-can",
    reservoir_uf=10000,
    model="invented 60 W set",
)
BURN_IN = replace(UNIT, run_type="burn-in", load_connected=True)
SMALL = replace(
    BURN_IN,
    rated_power_w=25,
    rail_nominal_v=31.0,
    target_bias_drop_mv=13.0,
    emitter_resistor_ohm=0.33,
    package="plastic",
    reservoir_uf=4700,
    model="invented 25 W set",
)


@dataclass(frozen=True)
class Story:
    """One recording: what is played and what is true in it."""

    folder: str
    unit: Unit
    acts: list[Act]
    seed: int
    truth: str
    faults: tuple[tuple[str, float, float, str], ...] = ()
    tweaks: tuple[Tweak, ...] = ()
    end_s: float | None = None
    per_frame: int = 10
    extremes: bool = False


def idle(length_s: float) -> list[Act]:
    """Return the acts of a short idle run."""
    return [*burn_in()[:4], Act(length_s - 10.0, "relay open again", 0, False, closed=False, turn_s=0.0)]


STORIES = (
    Story(
        "healthy-power-up",
        UNIT,
        power_up(150.0),
        11,
        "A healthy set. Pots at minimum, brought to target in steps from 150 s on.",
        tweaks=(set_pots(150.0, UNIT),),
        end_s=305.0,
    ),
    Story(
        "healthy-burn-in",
        BURN_IN,
        burn_in(700.0, 400.0, 700.0),
        12,
        "A healthy set, idle, driven at 1/8 power from 740 s to 1140 s, idle again. One frame a second.",
        per_frame=100,
        extremes=True,
    ),
    Story(
        "fault-device-shorted",
        UNIT,
        power_up(60.0),
        13,
        "Both output devices of the left channel shorted from the start; the lamp holds the current.",
        faults=(("device-shorted", 0.9, 0.0, "left"),),
        end_s=60.0,
        extremes=True,
    ),
    Story(
        "fault-runaway-slow",
        SMALL,
        idle(1500.0),
        14,
        "Thermal loop gain of the right channel goes above one at 200 s.",
        faults=(("runaway-slow", 0.7, 200.0, "right"),),
        end_s=1500.0,
        per_frame=100,
    ),
    Story(
        "fault-runaway-fast",
        BURN_IN,
        idle(240.0),
        15,
        "The left channel's devices come loose at 120 s: the loop closes through junction and case.",
        faults=(("runaway-fast", 0.6, 120.0, "left"),),
        end_s=240.0,
    ),
    Story(
        "fault-oscillation-burst",
        BURN_IN,
        idle(160.0),
        16,
        "The right channel oscillates in bursts of some volts from 90 s on.",
        faults=(("oscillation-burst", 0.6, 90.0, "right"),),
        end_s=160.0,
        extremes=True,
    ),
    Story(
        "fault-offset-creep",
        UNIT,
        idle(700.0),
        17,
        "DC creeps onto the left output from 100 s on.",
        faults=(("offset-creep", 0.7, 100.0, "left"),),
        end_s=700.0,
        per_frame=100,
    ),
    Story(
        "fault-sensor-off",
        BURN_IN,
        burn_in(200.0, 500.0, 100.0),
        18,
        "The left heatsink sensor falls off at 600 s, during drive.",
        faults=(("sensor-off", 0.9, 600.0, "left"),),
        end_s=860.0,
        per_frame=100,
    ),
)


def unit_text(unit: Unit) -> str:
    """Return unit facts as TOML; what is not known is left out."""

    def shown(value: object) -> str:
        if isinstance(value, bool):
            return str(value).lower()
        return f'"{value}"' if isinstance(value, str) else f"{value:g}"

    names = [f.name for f in fields(unit) if f.name != "stage" and getattr(unit, f.name) not in (None, "")]
    lines = [f"{name} = {shown(getattr(unit, name))}" for name in names]
    for stage in unit.stage:
        lines += ["[[stage]]", *(f"{f.name} = {shown(getattr(stage, f.name))}" for f in fields(stage))]
    return "\n".join(lines) + "\n"


def rounded(block: SampleBlock) -> SampleBlock:
    """Return the block with no more digits than the sense chain has."""
    assert len(_DECIMALS) == len(CHANNELS)

    def cut(values: np.ndarray) -> np.ndarray:
        out = np.empty_like(values)
        for i, digits in enumerate(_DECIMALS):
            out[:, i] = np.round(values[:, i].astype(np.float64), digits)
        return out

    return replace(block, mean=cut(block.mean), minimum=cut(block.minimum), maximum=cut(block.maximum))


def make(story: Story) -> None:
    """Play one story and write its folder."""
    rate = 100 / story.per_frame
    known = {name: value for name, value in vars(story.unit).items() if value is not None}
    unit = Unit(**{**known, "run": story.folder.replace("-", " "), "sample_rate_hz": rate})
    run = play(
        unit, story.acts, story.seed, story.faults, story.tweaks, end_s=story.end_s, scans_per_frame=story.per_frame
    )
    folder = HERE / story.folder
    folder.mkdir(exist_ok=True)
    write_recording(folder / "recording.csv", rounded(run.block), story.extremes)
    (folder / "unit.toml").write_text(unit_text(run.unit), encoding="utf-8")
    fault = "; ".join(f"{n}, severity {s:g}, from {t:g} s, {c}" for n, s, t, c in story.faults) or "none"
    damage = "; ".join(f"{what} at {t:g} s" for t, what in run.damaged) or "nothing"
    note = f"""# {story.folder}

Virtual bench: computed by the amplifier model, not measured on any amplifier.

- {story.truth}
- Fault: {fault}.
- Destroyed in the model, because nothing opened the relay: {damage}.
- Made by `python recordings/make.py`, model seed {story.seed}; {rate:g} frames a second, sensor noise and
  converter steps added (`benchwarden.corpus.bench_play`).
"""
    (folder / "NOTE.md").write_text(note, encoding="utf-8")
    size_kb = (folder / "recording.csv").stat().st_size / 1e3
    sys.stdout.write(f"{story.folder}: {size_kb:.0f} kB, fault {fault}, destroyed {damage}\n")


def main() -> None:
    for story in STORIES:
        make(story)


if __name__ == "__main__":
    main()
