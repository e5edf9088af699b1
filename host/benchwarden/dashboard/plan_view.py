"""How is a computed plan laid out: figures asked for first, stages, one stage's numbers, working?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from dash import dcc, html

from benchwarden.analysis.doubts import doubts
from benchwarden.analysis.heat_cases import HeatCase
from benchwarden.analysis.plan_edits import Editable, editable
from benchwarden.analysis.plan_headlines import assumed, headlines, stage_draw
from benchwarden.core.channels import CHANNEL
from benchwarden.core.plan import Limit, Plan, PlanStage, Working
from benchwarden.core.unit_facts import FACT
from benchwarden.dashboard import words
from benchwarden.dashboard.frame import named
from benchwarden.dashboard.margins import scale
from benchwarden.dashboard.plan_edit import Planned, factor
from benchwarden.dashboard.plan_facts import DECIMAL
from benchwarden.dashboard.plan_form import number_of
from benchwarden.dashboard.status import plain

_SIDE_WORDS = {
    "settle_s": "Settle",
    "hold_s": "Hold",
    "reach_s": "Reach within",
    "low": "Opens below",
    "high": "Opens above",
    "rate_high": "Opens when rising faster than",
    "for_ms": "Once broken for",
}
_SPOT = named({"aria-hidden": "true"})


def glance(plan: Plan) -> list[Any]:
    """Return the figures a technician asks for first, and which facts to check before believing them."""
    unit, found = plan.unit, headlines(plan)
    first, draw = found.first, found.first_draw
    at = f"at {first.mains_pct:g} % through the lamp" if first.limiter_in else f"at {first.mains_pct:g} %"
    if found.separable:
        lamp = f"Tells a healthy set from a shorted one {at}."
    elif found.better_lamp_w is not None:
        lamp = f"NOT ENOUGH to tell a healthy set from a shorted one {at}: a {found.better_lamp_w:g} W lamp would."
    else:
        lamp = f"NOT ENOUGH to tell a healthy set from a shorted one {at}, and no common lamp would."
    low_v, _, high_v = draw.rail_v
    eighth, third = _case(found.cases, "1/8"), _case(found.cases, "1/3")
    hottest = max(found.cases, key=lambda case: case.sink_c)
    low, high = found.loop.usual_gain
    stable = "stable below 1" if high < 1.0 else "1 OR MORE FEEDS ITSELF: watch the first warm-up"
    hot = hottest.sink_c > found.sink_limit_c
    relay = f"The relay opens above {found.sink_limit_c:.0f} °C"
    rows = (
        ("Series lamp", f"{unit.limiter_lamp_w:g} W", lamp, not found.separable),
        (
            f"Healthy, at {first.name}",
            f"{draw.nominal_a:.3f} A",
            f"from each rail; at most {found.first_most_a:.3f} A. Rail then {low_v:.1f} to {high_v:.1f} V.",
            False,
        ),
        (
            f"Shorted, at {first.name}",
            f"{draw.shorted_a:.3f} A or more",
            f"{draw.shorted_case}. The relay opens above {draw.limit_a:.3f} A.",
            not found.separable,
        ),
        (
            "Thermal loop gain, foretold",
            f"{low:.2f} to {high:.2f}",
            f"with a usual bias sensor, {found.loop.gain:.2f} without; {stable}.",
            high >= 1.0,
        ),
        (
            "Heatsink at the most",
            f"{hottest.sink_c:.0f} °C",
            f"{hottest.name}, settled in a 25 °C room; {eighth.sink_c:.0f} °C at 1/8 power. "
            + (f"{relay} BEFORE that." if hot else f"{relay}."),
            hot,
        ),
        (
            "Heat of one channel at 1/8 and 1/3 power",
            f"{eighth.channel_w:.1f} and {third.channel_w:.1f} W",
            f"{eighth.device_w:.1f} and {third.device_w:.1f} W in each output device.",
            False,
        ),
    )
    out: list[Any] = []
    doubtful = doubts(unit)
    if doubtful:
        out.append(
            html.Div(
                [
                    html.Strong("△ Check these facts first: they cannot all be true."),
                    html.Ul(
                        [
                            html.Li(
                                [
                                    html.A(FACT[doubt.key].label, href=f"#fact-{doubt.key}"),
                                    f": {doubt.words}.",
                                ]
                            )
                            for doubt in doubtful
                        ]
                    ),
                ],
                className="plan-doubts",
                role="note",
            )
        )
    out.append(
        html.Dl(
            [
                html.Div(
                    [
                        html.Dt(name),
                        html.Dd([html.Span("△ ", **_SPOT) if warn else "", big], className="plan-big"),
                        html.Dd(words.kept_together(small), className="facts"),
                    ],
                    className="plan-figure is-odd" if warn else "plan-figure",
                )
                for name, big, small, warn in rows
            ],
            className="plan-glance",
        )
    )
    taken = [
        f"{FACT[key].label} {value:.3g} {FACT[key].unit}"
        for key, value in assumed(unit).items()
        if getattr(unit, key) is None
    ]
    if taken:
        out.append(html.P(f"Estimated, because left empty: {'; '.join(taken)}.", className="facts"))
    return out


def _case(cases: Iterable[HeatCase], share: str) -> HeatCase:
    return next(case for case in cases if case.name.startswith(share))


def stages(plan: Plan, computed: Plan) -> list[Any]:
    """Return the table of all stages, changed numbers marked in words."""
    head = (
        "Stage",
        "Transformer",
        "Lamp",
        "Signal",
        "Rail current, healthy",
        "Relay opens above",
        "Shorted at least",
        "Rail",
        "Settle, hold",
        "Changed",
    )
    rows = [
        html.Tr(
            [
                html.Th(f"{stage.stage_id}. {stage.name}", scope="row"),
                *[
                    html.Td(text, **named({"data-label": label}))
                    for label, text in zip(head[1:], _cells(plan, stage, before), strict=True)
                ],
            ]
        )
        for stage, before in zip(plan.stages, computed.stages, strict=True)
    ]
    return [
        html.Table(
            [html.Thead(html.Tr([html.Th(text, scope="col") for text in head])), html.Tbody(rows)],
            className="plan-stages",
            **named({"aria-label": "Stages of the plan"}),
        ),
        html.P(
            f"In all {words.duration(sum(s.settle_s + s.hold_s for s in plan.stages))} at least.", className="facts"
        ),
    ]


def _cells(plan: Plan, stage: PlanStage, before: PlanStage) -> tuple[str, ...]:
    lasts = f"{words.duration(stage.settle_s)}, {words.duration(stage.hold_s)}"
    count = sum(now.computed != was.computed for now, was in zip(editable(stage), editable(before), strict=True))
    changed = f"{count} changed" if count else ""
    if not stage.energised:
        return ("", "", "", "relay open: nothing", "", "", "0 V", lasts, changed)
    draw = stage_draw(plan.unit, stage)
    return (
        f"{stage.mains_pct:g} %",
        "in circuit" if stage.limiter_in else "bypassed",
        "1 kHz tone" if stage.drive_on else "none",
        _amperes(draw.nominal_a),
        _amperes(draw.limit_a),
        _amperes(draw.shorted_a),
        f"{draw.rail_v[0]:.1f} to {draw.rail_v[2]:.1f} V",
        lasts,
        changed,
    )


def _amperes(value: float) -> str:
    return f"{value:.3f} A" if value < 10.0 else f"{value:.1f} A"


def stage_detail(planned: Planned, name: str, texts: Mapping[str, str]) -> list[Any]:
    """Return one stage: what to do, what to expect, and every number that may be changed.

    Args:
        texts: changes of this stage as typed.
    """
    assert planned.computed is not None
    assert planned.plan is not None
    before = next(stage for stage in planned.computed.stages if stage.name == name)
    now = next(stage for stage in planned.plan.stages if stage.name == name)
    wrong = {key: said for (stage, key), said in planned.wrong.items() if stage == name}
    entries = editable(before)
    known = {entry.key for entry in entries}
    lost = [said for key, said in wrong.items() if key not in known]
    return [
        html.P(now.prompt, className="plan-prompt"),
        html.Ul([html.Li(said) for said in lost], className="plan-wrong", role="alert") if lost else "",
        html.Details(
            [
                html.Summary("What a healthy set reads here"),
                html.Ul(
                    [
                        html.Li(f"{CHANNEL[channel].label}: {_span(channel, (span.low, span.nominal, span.high))}")
                        for channel, span in now.figures.expected.items()
                    ]
                ),
            ]
        ),
        html.H3("Numbers you may change"),
        html.P(
            "Leave a field empty to keep the computed number. A limit tighter than computed may stop a healthy set, "
            "a wider one protects it less; the board refuses what lies beyond its ceiling.",
            className="facts",
        ),
        *_groups(entries, texts, wrong),
    ]


def stage_numbers(planned: Planned, name: str) -> list[Any]:
    """Return all limits and the working of one stage."""
    assert planned.plan is not None
    now = next(stage for stage in planned.plan.stages if stage.name == name)
    return [
        html.Details(
            [
                html.Summary(f"All {len(now.figures.limits)} limits of this stage and where they come from"),
                html.Ul([html.Li(limit_line(limit)) for limit in now.figures.limits], className="plan-limits"),
                html.P(
                    f"Alert line of the rail monitors, without software: {now.figures.alert_pos_a:.2f} A.",
                    className="facts",
                ),
            ]
        ),
        html.H3("Working of this stage"),
        *working(now.figures.working),
    ]


def _groups(entries: tuple[Editable, ...], texts: Mapping[str, str], wrong: Mapping[str, str]) -> list[Any]:
    out = []
    for channel in dict.fromkeys(entry.channel for entry in entries):
        label = CHANNEL[channel].label if channel else "Times"
        mine = [entry for entry in entries if entry.channel == channel]
        changed = any(entry.key in texts for entry in mine)
        out.append(
            html.Details(
                [
                    html.Summary([label, html.Strong(" · changed") if changed else ""]),
                    *[_edit(entry, texts, wrong) for entry in mine],
                ],
                # What is changed, or wrong, is not to be looked for.
                open=changed or not channel,
                className="plan-channel",
                **named({"data-channel": channel or "times"}),
            )
        )
    return out


def _edit(entry: Editable, texts: Mapping[str, str], wrong: Mapping[str, str]) -> Any:
    written = factor(entry.key)
    text = texts.get(entry.key, "")
    said, kind = wrong.get(entry.key, ""), "wrong" if entry.key in wrong else ""
    if text and not said:
        said, kind = _compared(entry, number_of(text) / written.factor)
    computed = words.kept_together(f"{entry.computed * written.factor:.4g} {written.unit}")
    return html.Div(
        [
            html.Label(
                [
                    html.Span(_SIDE_WORDS[entry.side], className="plan-side"),
                    html.Span(["computed ", html.Strong(computed)], className="plan-computed"),
                    dcc.Input(
                        id={"type": "edit", "key": entry.key.replace(".", ":")},
                        type="text",
                        value=text,
                        autoComplete="off",
                        **DECIMAL,
                    ),
                    html.Span(written.unit, className="plan-unit"),
                ]
            ),
            html.P(said, className=f"said-{kind} plan-said" if kind else "plan-said"),
            html.P(entry.why, className="facts"),
        ],
        className="fact plan-edit",
    )


def _compared(entry: Editable, value: float) -> tuple[str, str]:
    if value == entry.computed:
        return "Same as computed.", "same"
    time = not entry.channel
    more = ("longer" if value > entry.computed else "shorter") if time else ""
    if entry.is_wider(value):
        return f"△ {(more or 'Wider').capitalize()} than computed: protects less.", "wider"
    return f"{(more or 'Tighter').capitalize()} than computed.", "tighter"


def limit_line(limit: Limit) -> str:
    """Return a limit as a sentence, in the units the bench page shows."""
    written = scale(limit.channel)
    per = written.unit + ("/s" if limit.kind == "rate" else "")
    sides = [
        f"{word} {edge * written.factor:.4g} {per}"
        for word, edge in (("below", limit.low), ("above", limit.high))
        if not math.isnan(edge)
    ]
    kind = {"value": "", "rate": "changing ", "spread": "off its mean by "}[limit.kind]
    over = f" over {limit.window_ms} ms" if limit.kind != "value" else ""
    return (
        f"{CHANNEL[limit.channel].label} {kind}{' or '.join(sides)}{over} for {limit.for_ms} ms: "
        f"{words.cause(limit.cause)}. {limit.why}"
    )


def _span(channel: str, span: tuple[float, float, float]) -> str:
    written = scale(channel)
    low, nominal, high = (written.text(value) for value in span)
    return f"{low} to {high} {written.unit}, about {nominal}"


def working(items: Iterable[Working]) -> list[Any]:
    """Return computed figures, each opening to formula, numbers and source."""
    return [
        html.Details(
            [
                html.Summary([html.Span(item.quantity), html.Strong(figure(item))]),
                html.Dl(
                    [
                        html.Dt("Formula"),
                        html.Dd(item.formula),
                        html.Dt("With the numbers"),
                        html.Dd(plain(item.numbers)),
                        html.Dt("Source"),
                        html.Dd(item.source),
                    ]
                ),
            ],
            className="plan-working",
        )
        for item in items
    ]


def figure(item: Working) -> str:
    """Return a computed figure with its unit, to four digits as `benchwarden plan` prints it."""
    return f"{item.value:.4g} {'°C' if item.unit == 'C' else item.unit}".rstrip()
