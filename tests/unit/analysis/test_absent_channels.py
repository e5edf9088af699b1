"""Whatever is missing from a recording, the judge copes, says so, and is not wrong about what is left."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from signals import Bench, unit

from benchwarden.analysis.judge import Judge
from benchwarden.core.channels import BITS, CHANNELS, INDEX
from benchwarden.core.samples import SampleBlock
from benchwarden.core.unit import load_unit
from benchwarden.record.recording import load_recording

RECORDINGS = Path(__file__).resolve().parents[3] / "recordings"


def like(*starts: str) -> tuple[str, ...]:
    return tuple(c for c in CHANNELS if c.startswith(starts))


GROUPS: dict[str, tuple[str, ...]] = {c: (c,) for c in CHANNELS} | {
    "currents": ("rail_pos_a", "rail_neg_a"),
    "voltages": ("rail_pos_v", "rail_neg_v"),
    "offsets": like("offset"),
    "drops": like("bias"),
    "temperatures": like("sink", "ambient"),
    "hf": like("hf"),
    "left": tuple(c for c in CHANNELS if "left" in c),
    "everything but the drops": tuple(c for c in CHANNELS if not c.startswith("bias")),
    "everything": CHANNELS,
}
# Recording: channels (any of them) without which its fault cannot be told, and causes
# that are right when something else is missing.
FAULTS: dict[str, tuple[tuple[str, ...], set[str]]] = {
    "fault-device-shorted": (("rail_pos_a", "rail_neg_a"), {"over-current"}),
    "fault-oscillation-burst": (("hf_right_v", "rail_pos_a", "rail_neg_a"), {"oscillation"}),
    "fault-runaway-fast": ((), {"thermal-runaway"}),
    "fault-offset-creep": (("offset_left_v",), {"dc-offset"}),
    "fault-sensor-off": (("sink_left_c",), {"sensor-fault"}),
}


def without(block: SampleBlock, names: tuple[str, ...]) -> SampleBlock:
    columns = [INDEX[n] for n in names]

    def cut(values: np.ndarray) -> np.ndarray:
        values = values.copy()
        values[:, columns] = np.nan
        return values

    return replace(block, mean=cut(block.mean), minimum=cut(block.minimum), maximum=cut(block.maximum))


def judged(block: SampleBlock, facts: Any, known: tuple[str, ...] = BITS) -> dict[str, Any]:
    judge = Judge(facts, known_bits=known)
    judge.feed(block)
    table: dict[str, Any] = judge.finish()
    return table


@pytest.mark.parametrize("name", ["healthy-power-up", *FAULTS])
def test_a_recording_without_some_of_its_channels(name: str) -> None:
    facts = load_unit(RECORDINGS / name / "unit.toml")
    block = load_recording(RECORDINGS / name / "recording.csv").block
    # The long recordings lose whole groups only, which is the harder half.
    least = 2 if block.t_s[-1] > 700.0 else 1
    for gone in (g for g in GROUPS.values() if len(g) >= least):
        table = judged(without(block, gone), facts)
        trips = table["trips"]
        assert table["verdict"] == ("trip" if trips else "pass" if set(gone) <= {"ambient_c"} else "incomplete")
        words = " ".join(table["metrics"]["not_judged"])
        assert all(channel in words for channel in gone)
        if name not in FAULTS:
            assert trips == []
            continue
        needed, causes = FAULTS[name]
        if set(gone) & set(needed) or set(gone) == set(CHANNELS):
            continue
        assert trips, gone
        # Only the channels that locate it are missing: the cause stays.
        assert trips[0]["cause"] in causes, (gone, trips[0])


@pytest.mark.parametrize("known", [(), ("mains_on",), ("drive_on",), ("limiter_in", "drive_on")])
def test_a_healthy_recording_without_its_bits_passes(known: tuple[str, ...]) -> None:
    folder = RECORDINGS / "healthy-power-up"
    table = judged(load_recording(folder / "recording.csv").block, load_unit(folder / "unit.toml"), known)
    assert (table["verdict"], table["trips"]) == ("pass", [])


def test_a_short_that_holds_the_rails_down_is_told_without_a_contact_column() -> None:
    bench = Bench(unit(), 100.0)
    for name in ("rail_pos_v", "rail_neg_v"):
        bench.put(name, 0.0)
        bench.add(name, 2.5 if "pos" in name else -2.5, 5.0)
    for name in ("rail_pos_a", "rail_neg_a"):
        bench.put(name, 0.0)
        bench.add(name, 3.0, 5.0)
    table = judged(bench.block, bench.unit, ())
    assert table["trips"][0]["cause"] == "over-current"
    assert table["trips"][0]["t_s"] < 8.0


def frames_each_second(block: SampleBlock) -> SampleBlock:
    """Return one frame a second that holds means only, as a slow recorder writes."""
    starts = np.unique(np.floor(block.t_s), return_index=True)[1]
    last = np.append(starts[1:], len(block.t_s)) - 1
    parts = np.split(block.mean.astype(np.float64), starts[1:])
    mean = np.array([part.mean(axis=0) for part in parts], dtype=np.float32)
    bits = (block.mains_on[last], block.limiter_in[last], block.drive_on[last])
    return SampleBlock(block.t_s[last].copy(), mean, mean.copy(), mean.copy(), *bits)


@pytest.mark.parametrize("name", ["healthy-power-up", *FAULTS])
def test_one_frame_a_second_of_means_gives_the_same_verdict(name: str) -> None:
    facts = replace(load_unit(RECORDINGS / name / "unit.toml"), sample_rate_hz=1.0)
    block = load_recording(RECORDINGS / name / "recording.csv").block
    table = judged(frames_each_second(block), facts)
    if name == "fault-oscillation-burst":
        # Bursts shorter than a frame are in its mean only: silence would be no fault of the judge.
        assert all(t["cause"] in ("oscillation", "bias-unstable") for t in table["trips"][:1])
        return
    assert [t["cause"] for t in table["trips"][:1]] == sorted(FAULTS[name][1] if name in FAULTS else ())
