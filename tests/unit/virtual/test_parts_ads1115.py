"""The ADS1115 model against its data sheet (TI SBAS444D; codes also SBASAV5 table 8-3)."""

from __future__ import annotations

import numpy as np
import pytest

from benchwarden.virtual import parts
from benchwarden.virtual.clock import VirtualClock
from benchwarden.virtual.parts import Ads1115, Misuse

SINGLE_SHOT = 0x8000 | 0x0100 | 7 << 5 | 3  # start, single shot, 860 SPS, comparator off


class Bench:
    def __init__(self, exact: bool = True, seed: int = 3) -> None:
        self.clock = VirtualClock()
        self.volts = {parts.MUX_0_1: 0.0, parts.MUX_2: 0.0}
        self.ads = Ads1115(
            self.clock,
            {mux: lambda mux=mux: self.volts[mux] for mux in self.volts},
            np.random.default_rng(seed),
        )
        if exact:
            self.ads.gain, self.ads.offset_lsb, self.ads._noise = 1.0, 0.0, lambda: 0.0

    def read(self, register: int) -> int:
        buf = bytearray(2)
        self.ads.write(bytes((register,)))
        self.ads.read_into(buf)
        return int.from_bytes(buf, "big")

    def config(self, value: int) -> None:
        self.ads.write(bytes((parts.ADS_CONFIG, value >> 8, value & 0xFF)))

    def convert(self, mux: int, pga: int, volts: float) -> int:
        self.volts[mux] = volts
        self.config(SINGLE_SHOT | mux << 12 | pga << 9)
        self.clock.advance(1300)
        return self.read(parts.ADS_CONVERSION)


def test_config_reads_8583h_after_power_on() -> None:
    assert Bench().read(parts.ADS_CONFIG) == 0x8583


@pytest.mark.parametrize(
    ("volts", "code"),
    [
        (2.048 * 32767 / 32768, 0x7FFF),
        (2.048, 0x7FFF),
        (2.048 / 32768, 0x0001),
        (0.0, 0x0000),
        (-2.048 / 32768, 0xFFFF),
        (-2.048, 0x8000),
        (-3.0, 0x8000),
    ],
)
def test_ideal_codes_of_the_2_048_v_range(volts: float, code: int) -> None:
    assert Bench().convert(parts.MUX_0_1, 2, volts) == code


@pytest.mark.parametrize(
    ("pga", "lsb_v"),
    [(0, 187.5e-6), (1, 125e-6), (2, 62.5e-6), (3, 31.25e-6), (4, 15.625e-6), (5, 7.8125e-6)],
)
def test_lsb_of_every_range(pga: int, lsb_v: float) -> None:
    assert Bench().convert(parts.MUX_0_1, pga, 100 * lsb_v) == 100


def test_the_bias_range_resolves_microvolts() -> None:
    # 11 mV is 1408 steps of 7.8125 uV exactly.
    assert Bench().convert(parts.MUX_0_1, 5, 0.011) == 1408


def test_single_shot_takes_its_time_and_says_so() -> None:
    bench = Bench()
    bench.volts[parts.MUX_0_1] = 1.0
    bench.config(SINGLE_SHOT | 2 << 9)
    assert not bench.read(parts.ADS_CONFIG) & 0x8000, "busy"
    assert bench.read(parts.ADS_CONVERSION) == 0, "the old result until the new one is there"
    # 1/860 s within the oscillator's 10 %, after 25 us of waking.
    bench.clock.advance(int(1e6 / 860 * 0.9))
    assert not bench.read(parts.ADS_CONFIG) & 0x8000
    bench.clock.advance(int(1e6 / 860 * 0.2) + 26)
    assert bench.read(parts.ADS_CONFIG) & 0x8000
    assert bench.read(parts.ADS_CONVERSION) == 16000
    bench.volts[parts.MUX_0_1] = 0.0
    bench.clock.advance(100_000)
    assert bench.read(parts.ADS_CONVERSION) == 16000, "no conversion without being asked"


def test_asking_again_while_busy_changes_nothing() -> None:
    bench = Bench()
    bench.volts[parts.MUX_0_1], bench.volts[parts.MUX_2] = 1.0, 0.5
    bench.config(SINGLE_SHOT | 2 << 9)
    bench.clock.advance(500)
    bench.config(SINGLE_SHOT | parts.MUX_2 << 12 | 2 << 9)
    bench.clock.advance(1300)
    assert bench.read(parts.ADS_CONVERSION) == 16000, "the conversion that was under way"


def test_continuous_mode_follows() -> None:
    bench = Bench()
    bench.config(7 << 5 | 2 << 9 | 3)
    bench.clock.advance(2600)
    bench.volts[parts.MUX_0_1] = 1.0
    bench.read(parts.ADS_CONVERSION)
    bench.clock.advance(2600)
    assert bench.read(parts.ADS_CONVERSION) == 16000


def test_a_single_input_is_clamped_to_the_supply() -> None:
    # Range +-4.096 V on a 3.3 V supply: codes above the supply do not occur, but for the diodes' 0.3 V.
    assert Bench().convert(parts.MUX_2, 1, 10.0) == round(3.6 / 125e-6)


def test_noise_is_about_one_lsb_on_the_bias_range() -> None:
    bench = Bench(exact=False)
    seen = [bench.convert(parts.MUX_0_1, 5, 0.011) for _ in range(1000)]
    assert 0.8 < float(np.std(seen)) < 1.3
    assert abs(float(np.mean(seen)) - 1408) < 4


def test_same_seed_same_readings() -> None:
    runs = [
        [bench.convert(parts.MUX_0_1, 5, 0.011) for _ in range(50)]
        for bench in (Bench(exact=False), Bench(exact=False))
    ]
    assert runs[0] == runs[1]
    other = Bench(exact=False, seed=4)
    assert runs[0] != [other.convert(parts.MUX_0_1, 5, 0.011) for _ in range(50)]


def test_the_result_register_cannot_be_written() -> None:
    with pytest.raises(Misuse):
        Bench().ads.write(bytes((parts.ADS_CONVERSION, 0, 0)))
