"""Put one case before every rule and keep what they said."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from benchwarden.analysis import cusum
from benchwarden.analysis.judge import Judge
from benchwarden.corpus.case import SIDES, Case, Question, Truth
from benchwarden.corpus.rules import CUSUM_ARL0, CUSUM_K, Trip, fixed_thresholds, plain_cusum, plain_cusum_after

ANALYSIS, THRESHOLDS, CUSUM = "this analysis", "fixed thresholds", "plain CUSUM"
# The same CUSUM if every alarm before the fault is forgiven: what its run lengths alone could do.
FORGIVEN = "CUSUM, early alarms forgiven"
RULES = (ANALYSIS, THRESHOLDS, CUSUM)


@dataclass(frozen=True)
class Answer:
    """What the forecast said to a question; NaN where it said it does not know."""

    question: Question
    final_v: float
    final_95_v: tuple[float, float]
    loop_gain: float
    loop_gain_95: tuple[float, float]


@dataclass(frozen=True)
class Row:
    """One run and what became of it.

    Attributes:
        end_s: time of the last frame.
        trips: first trip per rule, None where it was silent.
        why: the analysis' words for its trip.
        judge_s: processor time of the analysis, seconds.
    """

    truth: Truth
    end_s: float
    frames: int
    trips: dict[str, Trip | None]
    why: str
    answers: tuple[Answer, ...]
    judge_s: float


@lru_cache(maxsize=1)
def cusum_limit() -> float:
    """Return the limit of the plain CUSUM."""
    return cusum.limit_for(CUSUM_ARL0, CUSUM_K)


def judged(case: Case) -> Row:
    """Return what each rule makes of a case."""
    judge = Judge(case.unit, known_bits=case.known_bits)
    block = case.block
    answers = []
    at, started = 0, time.process_time()
    for question in case.truth.questions:
        # Only what was known by then.
        stop = int(np.searchsorted(block.t_s, question.t_s))
        judge.feed(block.part(at, stop))
        at = stop
        answer = _answered(judge, question)
        if answer is not None:
            answers.append(answer)
    judge.feed(block.part(at, len(block)))
    table = judge.finish()
    judge_s = time.process_time() - started
    first = table["trips"][0] if table["trips"] else None
    trips: dict[str, Trip | None] = {
        ANALYSIS: Trip(first["t_s"], first["cause"], first["channel"]) if first else None,
        THRESHOLDS: fixed_thresholds(case),
        CUSUM: plain_cusum(case, cusum_limit()),
        FORGIVEN: plain_cusum_after(case, cusum_limit(), case.truth.onset_s)
        if math.isfinite(case.truth.onset_s)
        else None,
    }
    why = first["why"] if first else ""
    end_s = float(block.t_s[-1]) if len(block) else 0.0
    return Row(case.truth, end_s, len(block), trips, why, tuple(answers), judge_s)


def _answered(judge: Judge, question: Question) -> Answer | None:
    outlook = getattr(judge, "outlook", None)
    if outlook is None:
        return None
    side: dict[str, Any] = outlook()[SIDES[question.side]]

    def number(value: Any, scale: float = 1.0) -> float:
        return math.nan if value is None else scale * float(value)

    def pair(value: Any, scale: float = 1.0) -> tuple[float, float]:
        return (math.nan, math.nan) if value is None else (number(value[0], scale), number(value[1], scale))

    return Answer(
        question,
        number(side.get("final_mv"), 1e-3),
        pair(side.get("final_95_mv"), 1e-3),
        number(side.get("loop_gain")),
        pair(side.get("loop_gain_95")),
    )
