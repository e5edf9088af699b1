"""NTC and board converter models.

Sources: resistances of the Vishay NTCLE100E3...103 fit (document 29049, as
quoted in public drivers); read_u16's scaling of 12 bits to 16 is MicroPython's
(raw << 4 | raw >> 8, ports/rp2/machine_adc.c, from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from benchwarden.virtual.parts import Misuse, NtcInput, Rp2040Adc, ntc_ohm


@pytest.mark.parametrize(("celsius", "ohm"), [(0, 32554.8), (25, 10000.2), (50, 3605.3), (85, 1070.3), (100, 677.3)])
def test_resistance_of_the_published_fit(celsius: float, ohm: float) -> None:
    assert ntc_ohm(celsius) == pytest.approx(ohm, abs=0.1)


def test_beta_of_the_published_fit() -> None:
    beta = np.log(ntc_ohm(25) / ntc_ohm(85)) / (1 / 298.15 - 1 / 358.15)
    assert beta == pytest.approx(3977, abs=0.1)


def test_broken_and_crushed_leads() -> None:
    rng = np.random.default_rng(1)
    assert NtcInput(lambda: "open", rng).ratio() == 1.0
    assert NtcInput(lambda: "short", rng).ratio() == 0.0
    with pytest.raises(Misuse):
        NtcInput(lambda: "gone", rng).ratio()


def test_tolerance_is_seeded_and_within_the_part() -> None:
    r25 = [NtcInput(lambda: 25.0, np.random.default_rng(seed)).r25_ohm for seed in range(300)]
    assert float(np.std(r25)) == pytest.approx(33, rel=0.2)  # 1 % is three sigma
    assert r25[7] == NtcInput(lambda: 25.0, np.random.default_rng(7)).r25_ohm


def test_converter_scale_and_ends() -> None:
    adc = Rp2040Adc(np.random.default_rng(1))
    adc._noise = lambda: 0.0
    assert adc.read_u16(0.0) == 0
    assert adc.read_u16(1.0) == 0xFFFF
    assert adc.read_u16(0.5) == 0x8008
    adc._noise = lambda: 100.0
    assert adc.read_u16(1.0) == 0xFFFF
