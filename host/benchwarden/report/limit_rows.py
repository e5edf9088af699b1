"""Which limits were in force, for which stages, and where each comes from; the working behind the numbers."""

from __future__ import annotations

import math

from benchwarden.core.calibration import Calibration
from benchwarden.core.channels import CHANNELS
from benchwarden.report.identity import half_width_text
from benchwarden.report.lenient import as_dict, as_list, as_number, as_text
from benchwarden.report.printable import channel_label, channel_text, general_text
from benchwarden.report.source import Material
from benchwarden.report.wording import N_, Wording

Row = tuple[str, ...]
_KIND_SUFFIX = {"value": "", "rate": "/s", "spread": ""}
_KIND_WORDS = {"rate": N_("{quantity}, rate"), "spread": N_("{quantity}, jump")}
# A quantity on both sides, and what to call it there.
_TWINS = (
    (("rail_pos_a", "rail_neg_a"), N_("Rail current, both rails")),
    (("offset_left_v", "offset_right_v"), N_("DC offset, left and right")),
    (("bias_left_v", "bias_right_v"), N_("Bias drop, left and right")),
    (("sink_left_c", "sink_right_c"), N_("Heatsink, left and right")),
    (("hf_left_v", "hf_right_v"), N_("HF level, left and right")),
)
# (channels, kind), then what the table says of them.
_Key = tuple[tuple[str, ...], str, str, str, str, str, str, str]


def number_ranges(numbers: list[int]) -> str:
    """Return rising numbers with runs joined: "1–3, 5"."""
    parts: list[str] = []
    start = last = numbers[0]
    for number in [*numbers[1:], -1]:
        if number == last + 1:
            last = number
            continue
        parts.append(str(start) if start == last else f"{start}\N{EN DASH}{last}")
        start = last = number
    return ", ".join(parts)


def limit_rows(material: Material, calibration: Calibration | None, say: Wording) -> tuple[Row, ...]:
    """Return the limits once each, with the stages they were in force for."""
    found: dict[_Key, list[int]] = {}
    for index, stage in enumerate(material.stages):
        for limit in map(as_dict, as_list(stage.get("limits"))):
            channel, kind = as_text(limit.get("channel")), as_text(limit.get("kind"))
            suffix = _KIND_SUFFIX.get(kind, "")
            low, high = as_number(limit.get("low")), as_number(limit.get("high"))
            key = (
                (channel,),
                kind,
                channel_text(channel, low, suffix, say),
                channel_text(channel, high, suffix, say),
                half_width_text(calibration, channel, low, high, say=say) if kind == "value" else "\N{EN DASH}",
                f"{as_text(limit.get('for_ms'))}\u00a0ms",
                as_text(limit.get("cause")),
                as_text(limit.get("why")),
            )
            stages = found.setdefault(key, [])
            if index + 1 not in stages:
                stages.append(index + 1)
    joined = _twins_joined(found)
    order = {name: k for k, name in enumerate(CHANNELS)}
    rows = sorted(joined.items(), key=lambda item: (order.get(item[0][0][0], len(order)), item[1][0]))
    return tuple((number_ranges(stages), _named(key[0], key[1], say), *key[2:]) for key, stages in rows)


def _named(channels: tuple[str, ...], kind: str, say: Wording) -> str:
    both = next((words for pair, words in _TWINS if pair == channels), None)
    label = say(both) if both else channel_label(channels[0], say)
    if kind == "value":
        return label
    return say(_KIND_WORDS[kind], quantity=label) if kind in _KIND_WORDS else f"{label}, {kind}"


def _twins_joined(found: dict[_Key, list[int]]) -> dict[_Key, list[int]]:
    """Return the rows with those that differ in nothing but their side made one."""
    out = dict(found)
    for key, stages in found.items():
        for (first, second), _ in _TWINS:
            twin: _Key = ((second,), *key[1:])
            if key[0] == (first,) and out.get(twin) == stages and key in out:
                del out[key], out[twin]
                out[((first, second), *key[1:])] = stages
    return out


def working_rows(material: Material, say: Wording) -> tuple[Row, ...]:
    """Return the working, once for all stages it is the same for."""
    numbers = {as_text(stage.get("name")): index + 1 for index, stage in reversed(list(enumerate(material.stages)))}
    found: dict[Row, list[int]] = {}
    for item in map(as_dict, as_list(material.header.get("working"))):
        value = as_number(item.get("value"))
        unit = as_text(item.get("unit"))
        shown = f"{general_text(value, say)}\u00a0{unit}".strip() if math.isfinite(value) else "\N{EN DASH}"
        quantity, formula, figures, source = (
            as_text(item.get(k)) for k in ("quantity", "formula", "numbers", "source")
        )
        # The figures of a stage come with its name in front.
        stage = next((name for name in numbers if name and quantity.startswith(name + ": ")), None)
        if stage is not None:
            quantity = quantity[len(stage) + 2 :]
        stages = found.setdefault((quantity, formula, figures, shown, source), [])
        if stage is not None and numbers[stage] not in stages:
            stages.append(numbers[stage])
    return tuple((number_ranges(sorted(stages)) if stages else say("all"), *row) for row, stages in found.items())
