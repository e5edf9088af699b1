"""What can be seen and measured of a lot of parts before one is fitted."""

from __future__ import annotations

from dataclasses import dataclass

# Where a lot was bought, the safest first.
SOURCES = ("appointed distributor", "other dealer", "auction or marketplace", "pulled from a set", "unknown")
# What an observation can be: "not looked" is no finding either way.
SEEN = ("not looked", "as expected", "odd")
POLARITIES = ("npn", "pnp", "n-channel", "p-channel")


@dataclass(frozen=True)
class Piece:
    """One part of a lot as it was measured; None where it was not.

    Attributes:
        hfe: current gain at the lot's test current.
        vbe_v: base-emitter voltage at that current, volts.
        capacitance_pf: collector-base capacitance at the meter's voltage, picofarads.
        leakage_ua: collector-emitter leakage with the base open, microamperes.
    """

    name: str
    hfe: float | None = None
    vbe_v: float | None = None
    capacitance_pf: float | None = None
    leakage_ua: float | None = None


@dataclass(frozen=True)
class PartLot:
    """Parts of one type from one purchase.

    Attributes:
        name: how the workshop calls the lot, unique within a job.
        marking: type as written on the parts.
        polarity: one of POLARITIES.
        source: one of SOURCES; `dealer` is who, in words.
        date_code: as written, "" for none; `date_code_year` and `date_code_week` as read from it, or None.
        made_from, made_until: first and last year the type was made, None where not known or still made.
        years_source: where these years are from.
        marking_style: how the marking looks for its years (logo, printing or laser engraving, wording).
        ink: what solvent on a swab did to the marking: "odd" when it came off or a coat did.
        case_rest: case shape and finish against the rest of the lot.
        case_known_good: the same against a known-good piece.
        claimed_stock: pieces the seller claims to have, None where not said.
        gain_group: letter or colour as marked; `gain_low`, `gain_high` what it promises at `test_current_a`.
        test_current_a, test_voltage_v: at which gain and base-emitter voltage were measured.
        known_good: measured pieces of sure origin, for comparison; may be empty.
        note: anything else that was seen.
    """

    name: str
    marking: str
    polarity: str = "npn"
    source: str = "unknown"
    dealer: str = ""
    date_code: str = ""
    date_code_year: int | None = None
    date_code_week: int | None = None
    made_from: int | None = None
    made_until: int | None = None
    years_source: str = ""
    marking_style: str = "not looked"
    ink: str = "not looked"
    case_rest: str = "not looked"
    case_known_good: str = "not looked"
    claimed_stock: int | None = None
    bought_year: int | None = None
    gain_group: str = ""
    gain_low: float | None = None
    gain_high: float | None = None
    test_current_a: float | None = None
    test_voltage_v: float | None = None
    pieces: tuple[Piece, ...] = ()
    known_good: tuple[Piece, ...] = ()
    note: str = ""
