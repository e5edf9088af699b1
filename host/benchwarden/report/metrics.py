"""How the analysis' figures are named and printed, whatever keys they have.

Names end in their unit (`drift_left_v_per_h`, `tau_s`); the unit is read from
there, so that a new figure needs no line here.
"""

from __future__ import annotations

from typing import Any

from benchwarden.core.channels import CHANNEL, CHANNELS
from benchwarden.report.printable import channel_label, channel_text, clipped, clock_text, general_text
from benchwarden.report.wording import ENGLISH, N_, Wording

_UNITS = {
    "v": "V",
    "mv": "mV",
    "uv": "\N{MICRO SIGN}V",
    "a": "A",
    "ma": "mA",
    "ua": "\N{MICRO SIGN}A",
    "w": "W",
    "mw": "mW",
    "va": "VA",
    "wh": "Wh",
    "c": "\N{DEGREE SIGN}C",
    "k": "K",
    "mk": "mK",
    "s": "s",
    "ms": "ms",
    "us": "\N{MICRO SIGN}s",
    "h": "h",
    "minutes": "min",
    "hz": "Hz",
    "khz": "kHz",
    "ohm": "\N{GREEK CAPITAL LETTER OMEGA}",
    "mohm": "m\N{GREEK CAPITAL LETTER OMEGA}",
    "f": "F",
    "uf": "\N{MICRO SIGN}F",
    "db": "dB",
    "pct": "%",
    "percent": "%",
}
# Per minute is common in warm-up; a bare "min" at the end means the minimum.
_PER = {**_UNITS, "min": "min", "day": "d"}
_DEEPEST = 4
# A word after a channel's name that leaves its unit what it is.
_OF_THE_CHANNEL = ("min", "max", "mean", "worst", "start", "end", "final", "low", "high", "first", "last")
_MOST_ROWS = 150


def name_and_unit(key: str) -> tuple[str, str]:
    """Return (words, unit) of a figure's key; the unit is empty where the key has none."""
    channel = next((name for name in CHANNEL if key == name or key.startswith(name + "_")), None)
    lead, own_unit = "", ""
    if channel is not None:
        lead, own_unit = CHANNEL[channel].label, CHANNEL[channel].unit
        key = key[len(channel) :].strip("_")
        if not key:
            return lead, own_unit
    parts = key.split("_")
    words, unit = parts, own_unit if channel is not None and parts[-1] in _OF_THE_CHANNEL else ""
    for at in range(len(parts) - 1, -1, -1):
        token = parts[at].lower()
        first_of_key = at == 0 and channel is None
        if at >= 2 and parts[at - 1] == "per" and token in _PER and parts[at - 2].lower() in _UNITS:
            unit = f"{_UNITS[parts[at - 2].lower()]}/{_PER[token]}"
            words = parts[: at - 2] + parts[at + 1 :]
            break
        if token in _UNITS and not first_of_key:
            unit = _UNITS[token]
            words = parts[:at] + parts[at + 1 :]
            break
    text = " ".join(word for word in words if word)
    if lead:
        return (f"{lead}: {text}" if text else lead), unit
    return (text[:1].upper() + text[1:]) or key, unit


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def value_text(value: Any, unit: str, say: Wording = ENGLISH) -> str:
    """Return a figure with its unit; a pair of numbers is an interval."""
    tail = f"\u00a0{unit}" if unit else ""
    if value is None:
        return say("not determined")
    if isinstance(value, bool):
        return say("yes") if value else say("no")
    if _is_number(value):
        if value != value:
            return say("not determined")
        return general_text(float(value), say) + tail
    if isinstance(value, (list, tuple)):
        if len(value) == 2 and all(_is_number(v) for v in value):
            low, high = (general_text(float(v), say) for v in value)
            return say("{low} to {high}", low=low, high=high) + tail
        shown = ", ".join(value_text(v, "", say) for v in value[:8])
        if len(value) > 8:
            shown = say("{shown} and {n} more", shown=shown, n=str(len(value) - 8))
        return shown + tail if shown else say("none")
    return say(_VALUE_WORDS.get(str(value), str(value)))


def metric_rows(metrics: Any, say: Wording = ENGLISH) -> list[tuple[str, str]]:
    """Return (words, value with unit) of every figure, nested tables flattened in their order."""
    rows: list[tuple[str, str]] = []
    _flatten(metrics, "", rows, _DEEPEST, say)
    out = [(say(_RUN_WORDS.get(words, words)), value) for words, value in rows[:_MOST_ROWS]]
    if len(rows) > _MOST_ROWS:
        more = str(len(rows) - _MOST_ROWS)
        out.append((say("{n} more figures", n=more), say("in the verdict kept with the run")))
    return out


def _flatten(found: Any, prefix: str, rows: list[tuple[str, str]], depth: int, say: Wording) -> None:
    if not isinstance(found, dict):
        return
    for key, value in found.items():
        words, unit = name_and_unit(str(key))
        # "Tau" may become "tau" inside a line, "DC offset" may not.
        inner = words[:1].lower() + words[1:] if words[1:2].islower() else words
        label = f"{prefix}: {inner}" if prefix else words
        if isinstance(value, dict) and depth > 1:
            _flatten(value, label, rows, depth - 1, say)
        else:
            rows.append((label, value_text(value, unit, say)))


_SIDES = ("left", "right")
_AHEAD = ("state", "final_mv", "final_95_mv", "tau_s", "tau_95_s", "loop_gain", "loop_gain_95")
# Where the words out of a key would not tell a customer what it is.
_WORDS = {
    "Outlook: state": N_("The idle bias is"),
    "Outlook: final": N_("It would end at"),
    "Outlook: tau": N_("with a time constant of"),
    "Outlook: loop gain": N_("Thermal loop gain"),
    "Offset worst": N_("Largest DC offset"),
    "Hf worst": N_("Highest HF level"),
    "Sink worst": N_("Hottest heatsink"),
    "Bias worst": N_("Highest bias drop, signal included"),
    "Bias start": N_("Idle bias at the start"),
    "Bias end": N_("Idle bias at the end"),
    "Sink end": N_("Heatsink at the end of idle"),
    "Final": N_("End of the fitted warm-up"),
    "Tau": N_("Time constant of the warm-up"),
    "Settled": N_("Kept within 5 % of its end"),
    "Time to settle": N_("Time until it did"),
    "Drift": N_("Drift of the idle bias"),
    "Drift from": N_("Drift taken from run time"),
    "Drift over": N_("Drift taken over"),
    "Sen": N_("Drift, median of slopes (Sen)"),
    "Mann kendall p": N_("Chance of so steady a trend in independent points (Mann-Kendall)"),
    "Tempco": N_("Bias against heatsink"),
    "Tempco apart from mains": N_("Mains taken out of it"),
    "Mains": N_("Bias against rail voltage"),
    "Recovery: drives": N_("Times the test signal was on"),
    "Recovery: drive off": N_("Recovery from run time"),
    "Recovery: before": N_("Idle bias before the signal"),
    "Recovery: right after": N_("Idle bias just after it"),
    "Recovery: came back": N_("Came back within 5 %"),
    "Recovery: time to come back": N_("Time to come back"),
    "Recovery: tau": N_("Time constant of the way back"),
    "Recovery: watched": N_("Watched after the signal for"),
    "Oscillation: events": N_("HF events"),
    "Oscillation: longest": N_("Longest HF event"),
    "Oscillation: largest": N_("Largest HF event"),
    "Oscillation: happenings": N_("HF events, those within 15 s counted once"),
    "Oscillation: while driven": N_("of these with the test signal"),
    "Oscillation: goes with": N_("They go with"),
    "Oscillation: driven to idle rate": N_("Rate with the signal over rate without"),
    "Oscillation: warm to cold rate": N_("Rate warm over rate cold"),
}


_RUN_WORDS = {
    "Frames": N_("Frames received"),
    "Gaps": N_("Gaps between them"),
    "Longest gap": N_("Longest gap"),
    "Duration": N_("Length of the record"),
    "Energised": N_("Under power"),
    "Driven": N_("Of that with the test signal"),
    "Full mains": N_("Of that at full mains without the limiter"),
    "Rail a worst": N_("Highest rail current"),
    "Ambient: worst": N_("Warmest the room was"),
    "Not judged": N_("Not judged"),
}
_VALUE_WORDS = {
    "settled": N_("settled"),
    "settling": N_("settling"),
    "drifting": N_("drifting"),
    "unknown": N_("unknown"),
}


def other_figures(metrics: Any) -> dict[str, Any]:
    """Return the figures that `side_rows`, `margin_rows` and `worst_rows` do not show, and no sentences."""
    if not isinstance(metrics, dict):
        return {}
    shown = {"sentence", "reasons", "forecasts"}
    shown |= {"margins"} if margin_rows(metrics) else set()
    shown |= {"worst", "worst_at_s"} if worst_rows(metrics) else set()
    shown |= {*_SIDES, "outlook"} if side_rows(metrics) else set()
    return {key: value for key, value in metrics.items() if key not in shown}


def side_rows(metrics: Any, say: Wording = ENGLISH) -> list[tuple[str, str, str]]:
    """Return (words, left, right) of every figure that both channels have."""
    if not (isinstance(metrics, dict) and all(isinstance(metrics.get(side), dict) for side in _SIDES)):
        return []
    outlook = metrics.get("outlook")
    ahead = outlook if isinstance(outlook, dict) else {}
    left, right = (_side_texts(metrics[side], ahead.get(side), say) for side in _SIDES)
    dash = "\N{EN DASH}"
    return [(words, left.get(words, dash), right.get(words, dash)) for words in {**left, **right}][:_MOST_ROWS]


def _side_texts(side: dict[str, Any], ahead: Any, say: Wording) -> dict[str, str]:
    rows: list[tuple[str, str]] = []
    known = {k: v for k, v in ahead.items() if k in _AHEAD} if isinstance(ahead, dict) else {}
    _flatten(known, "Outlook", rows, _DEEPEST, say)
    # Without a test signal there is no recovery to tell of.
    _flatten({k: v for k, v in side.items() if k != "recovery" or v is not None}, "", rows, _DEEPEST, say)
    return {_side_words(words, say): value for words, value in rows}


def _side_words(words: str, say: Wording) -> str:
    plain = words.removesuffix(" 95")
    said = say(_WORDS.get(plain, plain))
    return said if plain == words else say("{figure}, 95 % interval", figure=said)


def margin_rows(metrics: Any, say: Wording = ENGLISH) -> list[tuple[str, str, str, str, str, str]]:
    """Return (quantity, worst second, limit, share used, when, stage), the nearest to its limit first."""
    found = metrics.get("margins") if isinstance(metrics, dict) else None
    rows = []
    for name, margin in found.items() if isinstance(found, dict) else ():
        if not (isinstance(margin, dict) and name in CHANNEL):
            continue
        worst, limit, share, t_s = (_float(margin.get(key)) for key in ("worst", "limit", "share", "t_s"))
        if worst != worst or limit != limit or share != share:
            continue
        used = f"{max(100.0 * share, 0.0):.0f}\u00a0%"
        stage = clipped(str(margin.get("stage", "")), 60)
        texts = (
            channel_label(name, say),
            channel_text(name, worst, say=say),
            channel_text(name, limit, say=say),
            used,
            clock_text(t_s, say),
            stage,
        )
        rows.append((share, texts))
    return [texts for _, texts in sorted(rows, key=lambda row: -row[0])]


def worst_rows(metrics: Any, say: Wording = ENGLISH) -> list[tuple[str, str, str, str, str]]:
    """Return (quantity, lowest, when, highest, when) under power."""
    worst = metrics.get("worst") if isinstance(metrics, dict) else None
    at = metrics.get("worst_at_s") if isinstance(metrics, dict) else None
    if not (isinstance(worst, dict) and isinstance(at, dict)):
        return []
    rows = []
    for name in CHANNELS:
        values, times = worst.get(name), at.get(name)
        if isinstance(values, list) and isinstance(times, list) and len(values) == len(times) == 2:
            (low, high), (low_s, high_s) = map(_float, values), map(_float, times)
            rows.append(
                (
                    channel_label(name, say),
                    channel_text(name, low, say=say),
                    clock_text(low_s, say),
                    channel_text(name, high, say=say),
                    clock_text(high_s, say),
                )
            )
    return rows


def _float(found: Any) -> float:
    return float(found) if _is_number(found) else float("nan")
