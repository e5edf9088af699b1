"""What is asked about a lot of parts, and how does one look?"""

from __future__ import annotations

from dataclasses import dataclass

from benchwarden.core.job_form import LONGEST_NAME, LONGEST_TEXT, RANGES
from benchwarden.core.part_lots import POLARITIES, SEEN, SOURCES

GROUPS = ("The lot", "Without an instrument", "Promise and measurement")


@dataclass(frozen=True)
class Asked:
    """One fact of a lot as a person is asked for it.

    Attributes:
        key: its name in `PartLot`.
        help: how to look, in words.
        kind: "text", "long", "number", "whole" or "choice".
        unit: as written beside the number.
        choices: what a choice may be.
    """

    key: str
    group: str
    label: str
    help: str
    kind: str = "text"
    unit: str = ""
    choices: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """What may be given, in words."""
        if self.kind == "choice":
            return ", ".join(self.choices)
        if self.kind in ("text", "long"):
            return f"up to {LONGEST_NAME if self.kind == 'text' else LONGEST_TEXT} characters"
        low, high = RANGES[f"PartLot.{self.key}"]
        whole = "a whole number, " if self.kind == "whole" else ""
        return f"{whole}{_plain(low)} to {_plain(high)}{f' {self.unit}' if self.unit else ''}"


def _plain(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")


_LOT, _EYES, _METER = GROUPS
ASKED: tuple[Asked, ...] = (
    Asked("name", _LOT, "Name of the lot", "As it is called in the drawer and in the list of parts fitted."),
    Asked("marking", _LOT, "Type as marked", "Exactly as written on the parts, prefix included."),
    Asked("polarity", _LOT, "Polarity", "As the marking promises.", "choice", choices=POLARITIES),
    Asked(
        "source",
        _LOT,
        "Source",
        "Appointed is whom the maker names as its distributor, on the maker's own pages. Unknown counts as a doubt.",
        "choice",
        choices=SOURCES,
    ),
    Asked("dealer", _LOT, "Dealer", "Who, and the delivery note, so that the lot can be sent back."),
    Asked("bought_year", _LOT, "Bought in", "Year of the purchase.", "whole"),
    Asked("claimed_stock", _LOT, "Claimed stock", "Pieces the seller says to have. Thousands of a type long ended are "
          "odd.", "whole"),
    Asked("date_code", _EYES, "Date code", "As printed. Often two digits of the year and two of the week."),
    Asked("date_code_year", _EYES, "Year of the code", "By the maker's own rule; empty when not sure.", "whole"),
    Asked("date_code_week", _EYES, "Week of the code", "Where the code has one.", "whole"),
    Asked("made_from", _EYES, "Type made from", "First year of the type, by the maker's notices or sheets.", "whole"),
    Asked("made_until", _EYES, "Type made until", "Last year of the type; empty when still made or unknown.", "whole"),
    Asked("years_source", _EYES, "Years are from", "Sheet, notice or book. Without it the years only raise a doubt."),
    Asked(
        "marking_style",
        _EYES,
        "Marking style",
        "Under a loupe against a dated piece: logo, letters, ink or laser, lines, country. Laser on a type that ended "
        "in the time of ink is odd.",
        "choice",
        choices=SEEN,
    ),
    Asked(
        "ink",
        _EYES,
        "Ink against solvent",
        "Rub one piece with a swab and acetone or alcohol: odd when the marking or a coat comes off, or grinding marks "
        "show. Air the room; no flame, no open spark.",
        "choice",
        choices=SEEN,
    ),
    Asked(
        "case_rest",
        _EYES,
        "Case against the rest",
        "All pieces side by side: height, edges, pins, stamping on the back, flatness of the face screwed down.",
        "choice",
        choices=SEEN,
    ),
    Asked(
        "case_known_good",
        _EYES,
        "Case against a known-good piece",
        "The same beside a piece of sure origin, out of a set that never was repaired if need be.",
        "choice",
        choices=SEEN,
    ),
    Asked("gain_group", _METER, "Gain group", "Letter or colour as marked; empty for none."),
    Asked("gain_low", _METER, "Group promises from", "Least gain of the group by the sheet.", "number"),
    Asked("gain_high", _METER, "Group promises to", "Greatest gain of the group by the sheet.", "number"),
    Asked("test_current_a", _METER, "Measured at", "Collector current of gain and base-emitter voltage. The few "
          "milliamperes of a small meter tell little of a power transistor.", "number", "A"),
    Asked("test_voltage_v", _METER, "and at", "Collector-emitter voltage of that measurement.", "number", "V"),
    Asked("note", _METER, "Note", "Anything else that was seen.", "long"),
)  # fmt: skip
ASKED_OF = {asked.key: asked for asked in ASKED}


@dataclass(frozen=True)
class Column:
    """One column of the table of measured pieces."""

    key: str
    label: str
    unit: str = ""


COLUMNS = (
    Column("name", "Piece"),
    Column("hfe", "hFE"),
    Column("vbe_v", "VBE", "V"),
    Column("capacitance_pf", "Capacitance", "pF"),
    Column("leakage_ua", "Leakage", "uA"),
)
# Two tables of the same columns.
TABLES = {"pieces": "Measured pieces of the lot", "known_good": "Known-good pieces, measured the same way"}
TABLE_HELP = {
    "pieces": "Four to ten pieces, all at the same current, voltage and temperature: let them lie side by side for ten "
    "minutes and hold them with pliers, not fingers. VBE falls by about 2 mV per kelvin. Empty where not measured. "
    "A table copied from a spreadsheet can be pasted into any cell.",
    "known_good": "Pieces of sure origin, measured in the same session. Only they, or the sheet, show a lot that is "
    "all of one wrong kind.",
}
# Rows that stand ready.
READY = {"pieces": 6, "known_good": 2}
