"""What is each fact of a unit called, in which unit is it, and what does a technician need to know of it?

The facts themselves, their ranges and choices are in `core.unit`; this is how they are
asked for.
"""

from __future__ import annotations

from dataclasses import MISSING, dataclass, fields

from benchwarden.core.unit import CHOICES, RANGES, Unit

GROUPS = ("The set and the job", "Supply", "Output stage", "Heatsink and devices", "Bench")


@dataclass(frozen=True)
class Fact:
    """One fact as a person is asked for it.

    Attributes:
        key: its name in `Unit` and unit.toml.
        group: one of GROUPS.
        label: what it is, without its unit.
        unit: as written beside the number; "" for none.
        help: what it is, where it is found, what comes of a wrong value.
        kind: "number", "whole", "text", "yes-no" or "choice".
        low, high: allowed range of a number.
        choices: what a choice may be, with its words.
        default: taken when nothing is given; None for a fact that is then estimated, or needed.
        needed: there is neither default nor estimate.
        estimated: how the plan estimates it when it is left empty, in words; "" for no estimate.
    """

    key: str
    group: str
    label: str
    unit: str
    help: str
    kind: str
    low: float = 0.0
    high: float = 0.0
    choices: tuple[tuple[str, str], ...] = ()
    default: object = None
    needed: bool = False
    estimated: str = ""

    @property
    def allowed(self) -> str:
        """What may be given, in words."""
        if self.kind in ("number", "whole"):
            whole = "a whole number, " if self.kind == "whole" else ""
            return f"{whole}{self.low:g} to {self.high:g}{' ' + self.unit if self.unit else ''}"
        if self.kind == "choice":
            return ", ".join(value for value, _ in self.choices)
        return "yes or no" if self.kind == "yes-no" else "text on one line"


# Key, label, unit, help.
_ASKED: dict[str, tuple[tuple[str, str, str, str], ...]] = {
    "The set and the job": (
        ("model", "Amplifier", "", "Maker and model as on the front. Printed on the customer's record."),
        ("serial", "Serial number", "", "From the plate on the back. Tells this set from its twins in later runs."),
        ("customer", "Customer or job", "", "A name or a job number, as it shall stand on the record."),
        ("technician", "Technician", "", "Who answers for this run. Printed on the record."),
        ("run", "Name of the run", "", "What was repaired, in a few words. It heads the record and names its folder."),
        (
            "run_type",
            "Kind of run",
            "",
            "First power-up after a repair, or a burn-in with load and test tone of a set that has passed one.",
        ),
    ),
    "Supply": (
        (
            "mains_v",
            "Mains",
            "V",
            "Nominal voltage at the wall socket. The lamp and the transformer setting are reckoned from it.",
        ),
        ("mains_hz", "Mains frequency", "Hz", "50 or 60. Sets the ripple on the rails."),
        (
            "rail_nominal_v",
            "Each rail, idle at full mains",
            "V",
            "From the service manual, without its sign; rails must be alike. "
            "Too high a figure lets a missing rail look right later, too low a one stops a healthy set.",
        ),
        (
            "reservoir_uf",
            "Reservoir of each rail",
            "µF",
            "Printed on the large capacitors; add those in parallel. Decides how long charging may take.",
        ),
        (
            "transformer_va",
            "Transformer rating",
            "VA",
            "From its plate or the manual. Decides how much the rails sag and what a short can draw.",
        ),
        (
            "quiescent_other_a",
            "Current of everything else",
            "A",
            "What preamplifier, tuner, displays and relays take from one rail. "
            "Too low a figure makes a healthy set look as if it drew too much.",
        ),
    ),
    "Output stage": (
        (
            "rated_power_w",
            "Rated power of one channel",
            "W",
            "Sine power into the load below, from the manual. The test tone, heat and heatsink are reckoned from it.",
        ),
        (
            "load_ohm",
            "Load for that power",
            "Ω",
            "The resistance the rated power belongs to, and the dummy load of a burn-in.",
        ),
        (
            "load_connected",
            "Load connected now",
            "",
            "Say yes only if a dummy load hangs on the outputs during this run: a fault then draws through it too.",
        ),
        (
            "output_pairs",
            "Pairs of output devices in a channel",
            "",
            "Count them on one heatsink: two devices are one pair, four are two.",
        ),
        (
            "emitter_resistor_ohm",
            "One emitter resistor",
            "Ω",
            "Printed on the large white or cement resistor, often 0.22 or 0.33; also R22 or R33. "
            "The idle current is the drop over this resistance: a wrong value falsifies every bias limit.",
        ),
        (
            "target_bias_drop_mv",
            "Bias drop across one emitter resistor",
            "mV",
            "From the service manual. Where it gives the drop over two resistors in series, enter half of it. "
            "Too high a target lets a stage run hot.",
        ),
    ),
    "Heatsink and devices": (
        (
            "package",
            "Package of the output devices",
            "",
            "Metal can (two screws through a diamond flange) or flat plastic. Sets how hot the heatsink may become.",
        ),
        (
            "sink_k_per_w",
            "One channel's heatsink to the air",
            "K/W",
            "From the heatsink's data, or leave it empty. Too low a figure foretells a cooler sink than you will see.",
        ),
        (
            "rth_jc_k_per_w",
            "Junction to case of one device",
            "K/W",
            "Rth j-c in the data sheet of the device really fitted. "
            "Too low a figure allows a sink too hot for its junction.",
        ),
        (
            "rth_cs_k_per_w",
            "Case to heatsink",
            "K/W",
            "Insulator and compound together: about 0.5 for mica with compound, about 1 for a dry pad.",
        ),
        (
            "tj_max_c",
            "Highest junction temperature",
            "°C",
            "From the data sheet: usually 200 for a metal can, 150 for plastic.",
        ),
        (
            "power_max_w",
            "Power rating of one device",
            "W",
            "Total dissipation at 25 °C case, first page of the data sheet.",
        ),
    ),
    "Bench": (
        (
            "limiter_lamp_w",
            "Series lamp",
            "W",
            "Rating printed on the filament lamp in your limiter, at the mains voltage. "
            "A lamp other than this one makes every figure through the lamp wrong.",
        ),
        (
            "shunt_position",
            "Where the rail shunts sit",
            "",
            "In place of the rail fuses, behind the reservoir; or between rectifier and reservoir, "
            "where charging pulses go through the shunt. The wrong one trips at once or too late.",
        ),
        (
            "sample_rate_hz",
            "Readings per second",
            "1/s",
            "Of a recording to be judged; a board sends 10. Leave it unless you judge a foreign recording.",
        ),
    ),
}
_CHOICE_WORDS = {
    "power-up": "First power-up",
    "burn-in": "Burn-in",
    "metal-can": "Metal can",
    "plastic": "Plastic",
    "rail-fuse": "In place of the rail fuses",
    "before-reservoir": "Between rectifier and reservoir",
}
_ESTIMATES = {
    "transformer_va": "1.6 times both channels' rated power",
    "sink_k_per_w": "a sink that rises 55 K at one third of rated power",
    "rth_jc_k_per_w": "from the power rating, or usual for the package",
    "rth_cs_k_per_w": "usual for the package",
    "tj_max_c": "usual for the package",
    "power_max_w": "usual for the package",
}


def _facts() -> tuple[Fact, ...]:
    known = {f.name: f for f in fields(Unit)}
    found = []
    for group in GROUPS:
        for key, label, unit, words in _ASKED[group]:
            default = known[key].default
            annotation = str(known[key].type).split(" | ")[0]
            kind = {"str": "text", "bool": "yes-no", "int": "whole", "float": "number"}[annotation]
            kind = "choice" if key in CHOICES else kind
            low, high = RANGES.get(key, (0.0, 0.0))
            found.append(
                Fact(
                    key=key,
                    group=group,
                    label=label,
                    unit=unit,
                    help=words,
                    kind=kind,
                    low=low,
                    high=high,
                    choices=tuple((value, _CHOICE_WORDS[value]) for value in CHOICES.get(key, ())),
                    default=None if default is MISSING else default,
                    needed=default is MISSING,
                    estimated=_ESTIMATES.get(key, ""),
                )
            )
    return tuple(found)


FACTS: tuple[Fact, ...] = _facts()
FACT: dict[str, Fact] = {fact.key: fact for fact in FACTS}
