"""Ratings of a power semiconductor as its sheet gives them, and which part replaces which."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SoaPoint:
    """A corner of a safe operating area: collector-emitter volts, collector amperes."""

    v: float
    i: float


@dataclass(frozen=True)
class SoaCurve:
    """Boundary of the safe operating area at 25 C case for one pulse length.

    Attributes:
        pulse_s: length of a single pulse, seconds; None for direct current.
        points: corners by rising voltage, at least two; straight lines between them on log-log axes.
    """

    pulse_s: float | None
    points: tuple[SoaPoint, ...]


@dataclass(frozen=True)
class GainPoint:
    """Least current gain at a collector current."""

    i: float
    hfe_min: float


@dataclass(frozen=True)
class Ratings:
    """What a data sheet promises of one type; None where it says nothing.

    Attributes:
        marking: type.
        source: sheet and page, or "invented for the demonstration".
        polarity: one of core.part_lots.POLARITIES.
        vceo_v, vcbo_v, vebo_v: greatest voltages, volts.
        ic_max_a, ic_peak_a, ib_max_a: greatest currents, amperes.
        power_w: at 25 C case, watts.
        tj_max_c: greatest junction temperature.
        rth_jc_k_per_w: junction to case, kelvin per watt.
        soa: curves, direct current first.
        gain: least gain against current.
        gain_test_v: at this collector-emitter voltage.
        ft_mhz: transition frequency, megahertz, typical or least as `source` says.
        cob_pf: output capacitance, picofarads.
        package: outline name.
        case_on_collector: whether the mounting face is the collector, so that an insulator is needed.
        pinout: leads from left to right seen from the marked side, such as "BCE"; for a metal can "B E, case C".
    """

    marking: str
    source: str
    polarity: str = "npn"
    vceo_v: float | None = None
    vcbo_v: float | None = None
    vebo_v: float | None = None
    ic_max_a: float | None = None
    ic_peak_a: float | None = None
    ib_max_a: float | None = None
    power_w: float | None = None
    tj_max_c: float | None = None
    rth_jc_k_per_w: float | None = None
    soa: tuple[SoaCurve, ...] = ()
    gain: tuple[GainPoint, ...] = ()
    gain_test_v: float | None = None
    ft_mhz: float | None = None
    cob_pf: float | None = None
    package: str = ""
    case_on_collector: bool | None = None
    pinout: str = ""
    note: str = ""


@dataclass(frozen=True)
class Substitution:
    """One type fitted, or to be fitted, in place of another.

    Attributes:
        role: one of core.job.PART_ROLES.
        positions: where, as the circuit diagram names them.
    """

    role: str
    original: Ratings
    candidate: Ratings
    positions: tuple[str, ...] = ()
    note: str = ""
