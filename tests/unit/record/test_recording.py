"""The fixed CSV format: what is written comes back, and what is wrong is named to the field."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchwarden.core.channels import CHANNELS, INDEX
from benchwarden.core.samples import SampleBlock
from benchwarden.errors import PlanError
from benchwarden.record.recording import load_recording, read_recording, stream_recording, write_recording

N = len(CHANNELS)


def block(rows: int, seed: int = 1) -> SampleBlock:
    rng = np.random.default_rng(seed)
    mean = (rng.standard_normal((rows, N)) * 10.0 ** rng.integers(-6, 3, (rows, N))).astype(np.float32)
    spread = np.abs(rng.standard_normal((rows, N))).astype(np.float32)
    low, high = mean - spread, mean + spread
    for array in (mean, low, high):
        array[3::7, 2] = np.nan
        array[5::11, 12] = np.nan
    return SampleBlock(
        np.round(np.arange(rows) * 0.1 + 0.05, 6),
        mean,
        low,
        high,
        rng.random(rows) > 0.5,
        rng.random(rows) > 0.5,
        rng.random(rows) > 0.5,
    )


def same(a: SampleBlock, b: SampleBlock) -> None:
    for name in ("t_s", "mean", "minimum", "maximum", "mains_on", "limiter_in", "drive_on"):
        left, right = getattr(a, name), getattr(b, name)
        assert left.dtype == right.dtype, name
        np.testing.assert_array_equal(left, right, err_msg=name)


def test_what_is_written_comes_back_to_the_last_bit(tmp_path: Path) -> None:
    wrote = block(500)
    write_recording(tmp_path / "r.csv", wrote)
    same(read_recording(tmp_path / "r.csv"), wrote)


def test_the_header_is_the_fixed_one(tmp_path: Path) -> None:
    write_recording(tmp_path / "r.csv", block(2), extremes=False)
    assert (tmp_path / "r.csv").read_text().splitlines()[0] == (
        "t_s,rail_pos_a,rail_neg_a,rail_pos_v,rail_neg_v,offset_left_v,offset_right_v,bias_left_v,bias_right_v,"
        "sink_left_c,sink_right_c,ambient_c,hf_left_v,hf_right_v,mains_on,limiter_in,drive_on"
    )


def test_small_chunks_give_the_same_numbers(tmp_path: Path) -> None:
    wrote = block(200)
    write_recording(tmp_path / "r.csv", wrote)
    parts = [p for p in stream_recording(tmp_path / "r.csv", chunk_bytes=997) if isinstance(p, SampleBlock)]
    assert len(parts) > 5
    np.testing.assert_array_equal(np.concatenate([p.mean for p in parts]), wrote.mean)
    np.testing.assert_array_equal(np.concatenate([p.drive_on for p in parts]), wrote.drive_on)


def test_absent_columns_and_empty_fields_are_missing_values(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text("t_s,bias_left_v,mains_on\n0,0.011,1\n0.1,,\n0.2,0.012,0\n0.3,,\n")
    found = load_recording(path)
    assert found.columns.channels == ("bias_left_v",)
    assert found.columns.bits == ("mains_on",)
    bias = found.block.mean[:, INDEX["bias_left_v"]]
    np.testing.assert_array_equal(bias, np.array([0.011, np.nan, 0.012, np.nan], np.float32))
    assert np.isnan(np.delete(found.block.mean, INDEX["bias_left_v"], axis=1)).all()
    # A missing bit keeps its last value.
    assert found.block.mains_on.tolist() == [True, True, False, False]


def test_without_extremes_minimum_and_maximum_are_the_mean(tmp_path: Path) -> None:
    wrote = block(20)
    write_recording(tmp_path / "r.csv", wrote, extremes=False)
    found = read_recording(tmp_path / "r.csv")
    np.testing.assert_array_equal(found.minimum, wrote.mean)
    np.testing.assert_array_equal(found.maximum, wrote.mean)


def test_other_line_ends_order_and_byte_order_mark_are_read(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes(b"\xef\xbb\xbfmains_on,t_s, ambient_c\r\n1, 0.5,21.5\r\n0,0.6 , 21.25\r\n")
    found = read_recording(path)
    assert found.t_s.tolist() == [0.5, 0.6]
    assert found.mean[:, INDEX["ambient_c"]].tolist() == [21.5, 21.25]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ("line 1", "header")),
        ("t_s,mains_on\n", ("line 2", "no rows")),
        ("time,mains_on\n0,1\n", ("line 1, column 1", "'time'", "t_s, rail_pos_a")),
        ("t_s,bias_left\n0,1\n", ("line 1, column 2", "'bias_left'", "bias_left_v")),
        ("t_s;bias_left_v\n0;1\n", ("line 1, column 1", "allowed")),
        ("mains_on\n1\n", ("line 1", "'t_s' is missing")),
        ("t_s,ambient_c,ambient_c\n0,1,2\n", ("line 1, column 3", "twice")),
        ("t_s,ambient_c_min\n0,1\n", ("line 1, column 2", "without 'ambient_c'")),
        ("t_s,ambient_c\n0,21\n0.1,warm\n", ("line 3, column 2 (ambient_c)", "'warm'", "a number")),
        ("t_s,ambient_c\n0,21\n0.1,2 1\n", ("line 3, column 2 (ambient_c)", "'2 1'")),
        ("t_s,ambient_c\n0,inf\n", ("line 2, column 2 (ambient_c)", "finite")),
        ("t_s,ambient_c\n0,21\n0.1\n", ("line 3", "1 fields", "2")),
        ("t_s,ambient_c\n0,21,5\n0.1\n", ("line 2", "3 fields", "2")),
        ("t_s,ambient_c\n0,21\n\n0.1,22\n", ("line 3", "empty line")),
        ("t_s,ambient_c\n0,21\n,22\n", ("line 3, column 1 (t_s)", "no time")),
        ("t_s,ambient_c\n0,21\n0.2,21\n0.2,22\n", ("line 4, column t_s", "0.2 after 0.2", "increasing")),
        ("t_s,ambient_c\n5,21\n4,21\n", ("line 3, column t_s", "4 after 5")),
        ("t_s,ambient_c\n0,21\n100000,21\n", ("line 3, column t_s", "100000 s", "seconds")),
        ("t_s,mains_on\n0,1\n0.1,2\n", ("line 3, column 2 (mains_on)", "'2'", "0, 1")),
        ("t_s,mains_on\n0,1\n0.1,on\n", ("line 3, column 2 (mains_on)", "'on'")),
        ("t_s,ambient_c\n0,21\n0.1,1_0\n", ("line 3, column 2 (ambient_c)", "'1_0'")),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(text)
    with pytest.raises(PlanError) as caught:
        read_recording(path)
    for word in (str(path), "allowed", *words):
        assert word in str(caught.value)


def test_the_line_is_right_in_a_later_chunk(tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_text("t_s,ambient_c\n" + "".join(f"{i},{20 + i}\n" for i in range(500)) + "500,x\n")
    with pytest.raises(PlanError, match=r"line 502, column 2 \(ambient_c\)"):
        list(stream_recording(path, chunk_bytes=300))


def test_a_missing_file_is_a_plan_error(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="cannot be read"):
        read_recording(tmp_path / "none.csv")


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_bytes(b"\xff\xfe\x00t_s\n")
    with pytest.raises(PlanError, match="line 1"):
        read_recording(path)
    path.write_bytes(b"t_s,ambient_c\n0,\xff\xff\n")
    with pytest.raises(PlanError, match="line 2, column 2"):
        read_recording(path)
