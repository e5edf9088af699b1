"""What every record says about itself, word by word."""

from __future__ import annotations

from benchwarden.report.wording import N_

VIRTUAL_WORDS = "virtual bench"
CAUTIONS = (
    N_(
        "Benchwarden is not a certified protective device. It does not replace fuses, a residual-current device, an "
        "isolating transformer or the judgement of the person at the bench, and an open mains relay is not isolation."
    ),
    N_(
        "Work on mains equipment follows the local electrical codes and, in many places, may only be done by licensed "
        "or otherwise qualified people. This record does not show that those rules were met."
    ),
    N_(
        "Capacitors hold charge after the power is off; neither the limiter lamp nor the open relay discharges them. "
        "Measure before touching."
    ),
    N_(
        "The record tells what these sensors read, where they were attached, during the time and at the settings "
        "stated. It does not promise how long the set will last, how it behaves with another load, mains or room "
        "temperature, that the parts fitted are genuine, or that the set meets any safety standard."
    ),
    N_(
        "Limits and expected readings follow from what was entered about the set and from the formulas in the "
        "appendix. Where an entry is wrong, so are they."
    ),
    N_(
        "Minimum and maximum between two frames are kept by the board; anything shorter than one scan of the board "
        "(nominally 10 ms), and any frequency outside the sense modules' range, is not in this record."
    ),
)
VIRTUAL_CAUTION = N_(
    "This run was made on the virtual bench: every number comes from a model of an amplifier, none was measured. "
    "It says nothing about any real set and must not be given to anybody as proof of a repair."
)
UNCERTAINTY_WORDS = N_(
    "U is the expanded uncertainty for 95 % coverage (JCGM 100): of the calibration, with temperature within 20 K of "
    "it and a year of ageing; of the parts' tolerances for a quantity that is not calibrated. Contact of the sensors "
    "and noise of a single scan are not in it."
)
GLYPH_NOTE = N_("A character that the record's fonts do not hold is printed as its code, like <U+65E5>.")
ENGLISH_NOTE = N_("Sentences that the analysis and the plan make for themselves are in English.")
