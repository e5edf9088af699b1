"""Export: the fixed CSV gives back identical float32, the stages go with it."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import numpy as np
import pytest
from frame_maker import frames, seqs

from benchwarden.core.unit import load_unit
from benchwarden.errors import RecordError
from benchwarden.record.export import export_csv, unit_toml
from benchwarden.record.journal import Journal
from benchwarden.record.journal_reader import JournalReader
from benchwarden.record.recording import read_recording

UNIT = {
    "run": 'left "hum"\nsecond line \x7f \\ é',
    "run_type": "burn-in",
    "rated_power_w": 60.0,
    "load_ohm": 8.0,
    "load_connected": False,
    "rail_nominal_v": 42.0,
    "emitter_resistor_ohm": 0.22,
    "output_pairs": 1,
    "target_bias_drop_mv": 11.0,
    "package": "metal-can",
    "limiter_lamp_w": 100.0,
    "transformer_va": None,
}
# The project's published recording format, word for word.
FIXED_HEADER = (
    "t_s,rail_pos_a,rail_neg_a,rail_pos_v,rail_neg_v,offset_left_v,offset_right_v,bias_left_v,bias_right_v,"
    "sink_left_c,sink_right_c,ambient_c,hf_left_v,hf_right_v,mains_on,limiter_in,drive_on"
)


def stage(journal: Journal, t_s: float, name: str, pct: float, limiter_in: bool, drive_on: bool = False) -> None:
    body = {"name": name, "mains_pct": pct, "limiter_in": limiter_in, "drive_on": drive_on}
    journal.append_note("stage", t_s, body)


def recorded(run_dir: Path, header: dict[str, object]) -> None:
    sent = frames(3000, seed=4)
    sent["valid"][7] = 0
    sent["mean"][8, 3] = np.inf
    with Journal.create(run_dir, header) as journal:
        for at in range(0, 3000, 500):
            journal.append_frames(5, seqs(1 + at, 500), sent[at : at + 500])
            journal.commit()
        stage(journal, 0.0, "limiter 25 %", 25, True)
        stage(journal, 60.0, "replaced at once", 50, True)
        stage(journal, 60.0, "limiter 50 %", 50, True)
        stage(journal, 120.125, "direct", 100, False, True)
        journal.append_note("words", 130.0, {"text": "no stage"})


def test_reading_back_gives_the_identical_block(tmp_path: Path) -> None:
    recorded(tmp_path / "run", {"unit": UNIT})
    out = tmp_path / "out" / "run.csv"
    assert export_csv(tmp_path / "run", out) == 3000
    back = read_recording(out)
    with JournalReader(tmp_path / "run") as reader:
        blocks = list(reader.blocks())
    for name in ("t_s", "mean", "minimum", "maximum", "mains_on", "limiter_in", "drive_on"):
        want = np.concatenate([getattr(block, name) for block in blocks])
        got = getattr(back, name)
        if name == "mean":
            assert np.isinf(want[8, 3])
            want[8, 3] = np.nan  # the format knows missing values, not infinite ones
        assert got.dtype == want.dtype
        assert np.array_equal(got, want, equal_nan=name in ("mean", "minimum", "maximum"))
    assert np.isnan(back.mean[7]).all()


def test_columns_and_numbers_stand_as_the_format_says(tmp_path: Path) -> None:
    recorded(tmp_path / "run", {"unit": UNIT})
    out = tmp_path / "run.csv"
    export_csv(tmp_path / "run", out)
    with open(out, newline="", encoding="utf-8") as source:
        rows = list(csv.reader(source))
    header = ",".join(rows[0])
    assert header.startswith(FIXED_HEADER + ",rail_pos_a_min,rail_pos_a_max,")
    assert len(rows[0]) == 17 + 26
    # Exact milliseconds, compared as decimal text and not as binary numbers.
    assert [row[0] for row in rows[1:4]] == ["0.0", "0.1", "0.2"]
    assert rows[2999 + 1][0] == "299.9"
    assert rows[8][1:14] == [""] * 13
    with JournalReader(tmp_path / "run") as reader:
        first = next(reader.blocks())
    assert [np.float32(text) for text in rows[1][1:14]] == first.mean[0].tolist()


def test_unit_and_stages_go_beside_it(tmp_path: Path) -> None:
    recorded(tmp_path / "run", {"unit": UNIT})
    export_csv(tmp_path / "run", tmp_path / "out" / "run.csv")
    unit = load_unit(tmp_path / "out" / "unit.toml")
    assert unit.run == UNIT["run"]
    assert (unit.rated_power_w, unit.output_pairs, unit.transformer_va) == (60.0, 1, None)
    told = [(s.t_start_s, s.name, s.mains_pct, s.limiter_in, s.drive_on) for s in unit.stage]
    assert told == [
        (0.0, "limiter 25 %", 25.0, True, False),
        (60.0, "limiter 50 %", 50.0, True, False),
        (120.125, "direct", 100.0, False, True),
    ]


def test_unit_facts_may_lie_in_the_run_folder(tmp_path: Path) -> None:
    recorded(tmp_path / "run", {})
    with pytest.raises(RecordError, match="unit facts cannot be read"):
        export_csv(tmp_path / "run", tmp_path / "out" / "run.csv")
    (tmp_path / "run" / "unit.toml").write_text(unit_toml(UNIT, []), encoding="utf-8")
    export_csv(tmp_path / "run", tmp_path / "out" / "run.csv")
    assert len(load_unit(tmp_path / "out" / "unit.toml").stage) == 3


def test_toml_text_reads_back_whatever_was_typed() -> None:
    nasty = "".join(map(chr, range(0x100))) + "\u2028\U0001f50c'''\"\"\""
    assert tomllib.loads(unit_toml({**UNIT, "run": nasty}, []))["run"] == nasty


def test_every_float32_comes_back(tmp_path: Path) -> None:
    """Random bit patterns over the whole range of float32, subnormals included."""
    with Journal.create(tmp_path / "run", {"unit": UNIT}) as journal:
        journal.append_frames(5, seqs(1, 2000), frames(2000, seed=11))
    export_csv(tmp_path / "run", tmp_path / "run.csv")
    back = read_recording(tmp_path / "run.csv")
    assert back.mean.tobytes() == np.ascontiguousarray(frames(2000, seed=11)["mean"]).tobytes()


def test_a_failed_export_leaves_nothing(tmp_path: Path) -> None:
    recorded(tmp_path / "run", {"unit": UNIT})
    (tmp_path / "a file").write_text("in the way")
    with pytest.raises(RecordError, match="cannot be written"):
        export_csv(tmp_path / "run", tmp_path / "a file" / "run.csv")
    assert (tmp_path / "a file").read_text() == "in the way"
