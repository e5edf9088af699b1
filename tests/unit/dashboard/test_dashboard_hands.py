"""What helps a person's hands: what proves an act, what to set a pot to, and the way ahead."""

from __future__ import annotations

from typing import Any

import fake_run
import pytest

from benchwarden.dashboard import views
from benchwarden.dashboard.feed import Snapshot
from benchwarden.dashboard.figures import FORECAST, TRENDS, figure
from benchwarden.dashboard.pot import pots
from benchwarden.dashboard.proof import proofs
from benchwarden.dashboard.status import Status, parse
from benchwarden.dashboard.trends import Points

AHEAD = [[100.0, 9.4, 9.4, 9.4], [400.0, 10.9, 10.5, 11.4], [700.0, 11.7, 11.0, 12.3]]


def idle(phase: str = "settling", ask: str = "", **outlook: Any) -> Status:
    """Return a status at full mains without the lamp, bias expected at 11 mV."""
    table = fake_run.status(phase, len(fake_run.stages(0)) - 1)
    stage = table["stages"][table["stage_index"]]
    stage |= {"mains_pct": 100.0, "limiter_in": False, "energised": True}
    stage["expected"] = {
        "rail_pos_v": [40.0, 42.0, 44.0],
        "rail_neg_v": [-44.0, -42.0, -40.0],
        "bias_left_v": [0.0095, 0.011, 0.0125],
        "bias_right_v": [0.0095, 0.011, 0.0125],
        "offset_left_v": [-0.1, 0.0, 0.1],
    }
    table["values"] = fake_run.values(100.0)
    table["relay"] |= {"limiter_in": False, "contact": True, "coil": True}
    table["prompt"] = fake_run.prompt("other", ask) if ask else None
    side = fake_run.outlook(why="10 mV, on its way", **outlook)
    table["outlook"] = {"left": side, "right": side | {"state": "unknown", "final_mv": None, "set_now_mv": None}}
    return parse(table)


def test_what_proves_an_act_is_named_with_what_it_has_to_read() -> None:
    found = {proof.what: proof for proof in proofs(idle("waiting-reading", "watch"))}
    assert found["Positive rail"].reads == "41.58 V"
    assert found["Positive rail"].needs == "40.00 to 44.00 V"
    assert found["Mains contact"].holds
    assert found["Limiter lamp, read back"].reads == "bypassed"
    assert found["Bias drop, left"].holds
    # A reading that no hand sets is named only where it stands in the way.
    assert "DC offset, left" not in found


def test_a_reading_that_does_not_hold_is_named_whatever_it_is() -> None:
    table = fake_run.fresh("waiting-reading")
    stage = table["stages"][table["stage_index"]]
    stage["expected"] = {"offset_left_v": [-0.005, 0.0, 0.005]}
    lacking = [proof for proof in proofs(parse(table)) if not proof.holds and proof.what == "DC offset, left"]
    assert [proof.reads for proof in lacking] == ["12 mV"]


def test_a_lamp_that_is_still_in_is_told_before_anything_else() -> None:
    table = fake_run.fresh("waiting-reading")
    stage = table["stages"][table["stage_index"]]
    stage["limiter_in"], table["relay"]["limiter_in"] = False, True
    lamp = next(proof for proof in proofs(parse(table)) if proof.what.startswith("Limiter"))
    assert (lamp.reads, lamp.needs, lamp.holds) == ("in circuit", "bypassed", False)


def test_nothing_is_to_be_proven_while_a_stage_is_held_or_over() -> None:
    assert proofs(idle("holding")) == ()
    assert proofs(parse(fake_run.fresh("tripped"))) == ()
    assert proofs(parse(fake_run.fresh("connecting"))) == ()


def test_the_hand_on_the_pot_is_told_what_to_set_now() -> None:
    left, right = pots(idle("waiting-reading", "watch"))
    assert left.now == "11.20"
    assert (left.set_now, left.turn) == ("8.3", "down")
    assert left.settles == "12.5 (12.1\N{NO-BREAK SPACE}…\N{NO-BREAK SPACE}12.9)"
    assert left.says == "Turn down to 8.3 mV now."
    assert right.set_now == "11.0"
    assert "10 mV, on its way" in right.says


def test_hands_off_is_not_contradicted() -> None:
    left, _ = pots(idle("holding"))
    assert left.says == "To settle at 11.0 mV it would have to read 8.3 mV now."


@pytest.mark.parametrize(
    ("outlook", "says", "turn"),
    [
        ({"final_mv": 11.1, "final_95_mv": [10.8, 11.4]}, "Leave it", ""),
        ({"final_95_mv": [9.0, 30.0]}, "too early", ""),
        ({"final_95_mv": None}, "too early", ""),
        ({"final_mv": 9.0, "final_95_mv": [8.8, 9.2], "set_now_mv": 11.6}, "Turn up to 11.6", "up"),
    ],
)
def test_advice_waits_until_it_is_worth_a_turn(outlook: dict[str, Any], says: str, turn: str) -> None:
    left, _ = pots(idle("settling", "watch", **outlook))
    assert says in left.says
    assert left.turn == turn


def test_a_bias_without_an_end_is_no_matter_of_the_pot() -> None:
    left, _ = pots(idle("holding", final_mv=None, set_now_mv=None, reaches_limit_s=[300.0, 600.0, 900.0]))
    assert (left.set_now, left.settles, left.turn) == ("–", "nowhere", "")
    assert left.says == "No pot mends this: it reaches its safe limit in about 10 min 00 s."


def test_no_pot_is_shown_through_the_lamp_or_without_mains() -> None:
    assert pots(parse(fake_run.fresh("confirm"))) == ()
    assert pots(parse(fake_run.fresh("holding"))) == ()


def test_the_way_ahead_reaches_the_plot_in_its_units() -> None:
    status = idle(ahead=AHEAD, sink_ahead=[[100.0, 38.0, 38.0, 38.0], [700.0, 44.0, 42.0, 46.0]])
    found = views.ahead(Snapshot(status, "", 0.0, 0.0, 0.0, False))
    assert set(found) == set(FORECAST)
    assert found["bias"][0][0] == [pytest.approx(t / 60.0) for t in (100.0, 400.0, 700.0)]
    assert found["bias"][0][1:] == [[9.4, 10.9, 11.7], [9.4, 10.5, 11.0], [9.4, 11.4, 12.3]]
    assert found["temperature"][0][1] == [38.0, 44.0]


@pytest.mark.parametrize("odd", ["text", [[1, 2]], [[1, 2, 3, None]], [[float("nan")] * 4], {"t": 1}, [1, 2]])
def test_a_way_that_is_none_is_left_out(odd: Any) -> None:
    assert idle(ahead=odd).outlook[0].ahead == ()


def test_only_plots_with_a_forecast_have_room_for_one() -> None:
    for trend in TRENDS:
        lines = len(figure(trend, Points([], {name: [] for name, _ in trend.lines}, -1)).data)
        assert lines == len(trend.lines) + (4 if trend.name in FORECAST else 0)
