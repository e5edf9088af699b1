"""Who is told what, and when: sequences of statuses against what a person must hear."""

from __future__ import annotations

from typing import Any

import pytest
from told import WALL_S, Played, fake_run, kinds, quiet, snapshot

from benchwarden.alerts.notice import local_label
from benchwarden.alerts.rules import AGAIN_S, CALM_S, GATHER_S
from benchwarden.record.alert_settings import AlertSettings

NO_SIGNS = AlertSettings(alive_every_min=0)


def begun(settings: AlertSettings = NO_SIGNS) -> Played:
    played = Played(settings)
    assert kinds(played.look(quiet())) == ["on"]
    return played


# By state of fake_run: what has to be told within twelve minutes. A state not named here is calm.
TOLD = {
    "tripped": ["trip", "warnings", "prompt"],
    "disagree": ["trip"],
    "link-lost": ["link"],
    "missing": ["warnings"],
    "near": ["warnings"],
    "finished": ["ended"],
    "aborted": ["ended"],
    "hostile": ["error", "ended"],
    "confirm": ["prompt"],
    "remove-limiter": ["prompt"],
    "waiting-reading": ["prompt"],
}


@pytest.mark.parametrize("name", sorted(fake_run.states()))
def test_every_state_is_told_as_it_should_be(name: str) -> None:
    played = begun()
    assert kinds(played.look(fake_run.fresh(name), 700.0)) == TOLD.get(name, [])


def test_alerts_on_says_where_to_and_when_the_next_sign_of_life_is_due() -> None:
    played = Played(AlertSettings(alive_every_min=60))
    (notice,) = played.look(quiet())
    assert "Alerts are on" in notice.title
    assert "bench job 118" in notice.title
    assert "sound, json://bench.example" in notice.text
    assert local_label(WALL_S + 3600.0) in notice.text
    assert not notice.urgent


def test_without_signs_of_life_that_is_said() -> None:
    (notice,) = Played(NO_SIGNS).look(quiet())
    assert "silence says nothing" in notice.text


def test_a_trip_is_told_once_with_cause_and_place_and_heard_again_three_times() -> None:
    played = begun()
    told = played.look(fake_run.fresh("tripped"), 300.0)
    trips = [n for n in told if n.kind == "trip"]
    assert len(trips) == 1
    trip = trips[0]
    assert trip.urgent
    assert "TRIPPED" in trip.title
    assert "thermal-runaway" in trip.text
    assert "left" in trip.text
    assert "limiter 75 %" in trip.text
    assert "Relay OPEN" in trip.text
    sounds = [n for n in told if n.reach == "sound"]
    assert [round(n.wall_s - trip.wall_s) for n in sounds] == [20, 40, 60]
    assert all(n.urgent for n in sounds)


def test_the_reason_in_full_is_waited_for() -> None:
    played = begun()
    first = fake_run.fresh("tripped")
    first["findings"] = []
    assert kinds(played.look(first, 0.5)) == []
    told = played.look(fake_run.fresh("tripped"), 30.0)
    assert "loop gain 1.2" in next(n for n in told if n.kind == "trip").text
    assert kinds(told).count("trip") == 1


def test_what_lasts_is_told_again_every_quarter_of_an_hour_and_when_it_is_over() -> None:
    played = begun()
    lost = fake_run.fresh("link-lost")
    told = played.look(lost, 2 * AGAIN_S + 5.0)
    assert [n.title.split(" (")[0] for n in told] == [
        "Link to the board lost",
        "Still so after 15 min 01 s: Link to the board lost",
        "Still so after 30 min 01 s: Link to the board lost",
    ]
    told = played.look(quiet(), CALM_S + 2.0)
    assert [n.title.split(" (")[0] for n in told] == ["Over: Link to the board lost"]
    assert "It lasted 30 min" in told[0].text


def test_what_comes_and_goes_is_one_thing() -> None:
    played = begun()
    for _ in range(20):
        played.look(fake_run.fresh("link-lost"), 2.0)
        played.look(quiet(), CALM_S / 2)
    played.look(quiet(), 20.0)
    assert kinds(played.notices) == ["on", "link", "link"]
    assert played.notices[-1].title.startswith("Over")


def test_a_blink_of_the_link_is_not_told() -> None:
    played = begun()
    played.look(fake_run.fresh("link-lost"), 0.5)
    assert kinds(played.look(quiet(), 60.0)) == []


def test_a_second_trip_of_another_cause_is_told_by_itself() -> None:
    played = begun()
    played.look(fake_run.fresh("tripped"), 5.0)
    other = fake_run.fresh("tripped")
    other["findings"] = [fake_run.TRIP | {"cause": "dc-offset", "t_s": 99.0}]
    told = [n for n in played.look(other, 60.0) if n.reach != "sound" and n.kind == "trip"]
    assert [n.title.split(" (")[0] for n in told] == ["TRIPPED"]
    assert "dc-offset" in told[0].text


def test_a_relay_that_disagrees_is_urgent() -> None:
    played = begun()
    table = quiet()
    table["relay"].update(coil=False, contact=True)
    told = played.look(snapshot(table, disagree_s=0.4))
    assert kinds(told) == ["relay"]
    assert told[0].urgent
    assert "contact reads CLOSED but the board commands OPEN" in told[0].text
    assert "plug" in told[0].text


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"age_s": 4.0, "data_age_s": 4.0}, []),
        ({"age_s": 6.0, "data_age_s": 6.0}, ["stale"]),
        # The program writes, but nothing new comes from the board.
        ({"age_s": 0.1, "data_age_s": 6.0}, ["stale"]),
    ],
)
def test_silence_is_noticed(changes: dict[str, Any], told: list[str]) -> None:
    played = begun()
    found = played.look(snapshot(quiet(), **changes))
    assert kinds(found) == told
    if told:
        assert found[0].urgent
        assert "CLOSED: mains is on the amplifier" in found[0].text


def test_a_lost_link_is_not_told_as_silence_too_while_the_program_lives() -> None:
    played = begun()
    lost = fake_run.fresh("link-lost")
    assert kinds(played.look(snapshot(lost, age_s=0.1, data_age_s=30.0), 10.0)) == ["link"]
    assert kinds(played.look(snapshot(lost, age_s=30.0, data_age_s=30.0), 10.0)) == ["stale"]


def test_a_run_that_never_begins_is_told() -> None:
    played = Played(NO_SIGNS)
    assert kinds(played.look(snapshot(None), 59.0)) == ["on"]
    told = played.look(snapshot(None), 5.0)
    assert kinds(told) == ["stale"]
    assert "NO RUN" in told[0].title
    assert "did not begin" in told[0].text


def test_a_computer_that_slept_is_told_whichever_clock_shows_it() -> None:
    for now_s, wall_s in ((3600.0, 3600.0), (0.5, 3600.0), (3600.0, 0.5)):
        played = begun()
        played.look(quiet(), 5.0)
        played.now_s += now_s
        played.wall_s += wall_s
        told = played.look(quiet(), 5.0)
        assert kinds(told) == ["slept"]
        assert told[0].urgent
        assert "1 h 00 min" in told[0].text


def test_a_clock_set_back_does_not_silence_the_signs_of_life() -> None:
    played = Played(AlertSettings(alive_every_min=60))
    played.look(quiet(), 10.0)
    played.wall_s -= 86400.0
    assert kinds(played.look(quiet(), 3600.0)) == ["alive"]


def test_a_program_error_is_urgent_and_the_end() -> None:
    played = begun()
    table = quiet(error="RecordError: disk full")
    told = played.look(table, 100.0)
    assert kinds(told) == ["error", "ended"]
    assert told[0].urgent
    assert "disk full" in told[1].text
    assert "last message" in told[1].text


def test_a_prompt_is_told_once_it_has_waited_and_over_when_it_is_answered() -> None:
    played = begun(AlertSettings(alive_every_min=0, prompt_wait_min=10))
    asked = fake_run.fresh("confirm")
    assert kinds(played.look(asked, 599.0)) == []
    told = played.look(asked, 5.0)
    assert kinds(told) == ["prompt"]
    assert not told[0].urgent
    assert "10 min" in told[0].text
    assert "variable transformer to 50 %" in told[0].text
    assert [n.title.split(" (")[0] for n in played.look(quiet(), 20.0)] == ["Over: Somebody is waited for"]


def test_each_prompt_has_its_own_wait() -> None:
    played = begun(AlertSettings(alive_every_min=0, prompt_wait_min=10))
    for number in range(5):
        played.look(quiet(prompt=fake_run.prompt("other", "watch", number)), 500.0)
    assert kinds(played.notices) == ["on"]


def test_prompts_are_never_told_where_that_is_set() -> None:
    played = begun(AlertSettings(alive_every_min=0, prompt_wait_min=0))
    assert kinds(played.look(fake_run.fresh("confirm"), 7200.0)) == []


def warning(number: int) -> dict[str, Any]:
    return fake_run.WARNING | {"t_s": 61.0 + number, "why": f"reason {number}"}


def test_ten_warnings_in_a_minute_are_one_message() -> None:
    played = begun()
    rows: list[dict[str, Any]] = []
    told = []
    for number in range(10):
        rows.append(warning(number))
        told += played.look(quiet(findings=list(rows)), 5.0)
    told += played.look(quiet(findings=list(rows)), 600.0)
    assert kinds(told) == ["warnings"]
    assert "10 warnings" in told[0].title
    assert all(f"reason {number}" in told[0].text for number in range(10))
    assert told[0].wall_s - WALL_S <= GATHER_S + 1.0


def test_a_later_warning_is_told_alone_and_old_ones_are_not_repeated() -> None:
    played = begun()
    played.look(quiet(findings=[warning(0)]), 100.0)
    told = played.look(quiet(findings=[warning(0), warning(1)]), 100.0)
    assert kinds(told) == ["warnings"]
    assert "reason 1" in told[0].text
    assert "reason 0" not in told[0].text
    assert "A warning" in told[0].title


def test_a_flood_of_warnings_still_fits_a_message() -> None:
    played = begun()
    told = played.look(quiet(findings=[warning(n) for n in range(50)]), 70.0)
    assert "and 38 more" in told[0].text


def test_the_same_warning_slides_out_of_the_list_and_is_not_told_again() -> None:
    played = begun()
    for first in range(0, 100, 10):
        played.look(quiet(findings=[warning(n) for n in range(first, first + 50)]), 70.0)
    told = [n.title.split(" (")[0] for n in played.notices if n.kind == "warnings"]
    assert told == ["50 warnings"] + ["10 warnings"] * 9


def test_signs_of_life_say_how_it_stands_and_when_the_next_is_due() -> None:
    played = Played(AlertSettings(alive_every_min=60))
    table = quiet(t_s=7200.0)
    table["values"].update(bias_left_v=[0.011, 0.010, 0.012], bias_right_v=[0.0125, 0.012, 0.013])
    told = played.look(table, 3 * 3600.0 + 10.0, 5.0)
    alive = [n for n in told if n.kind == "alive"]
    assert [round(n.wall_s - WALL_S) for n in alive] == [3600, 7200, 10800]
    text = alive[0].text
    assert "Stage 4 of 7, limiter 75 %" in text
    assert "2 h 00 min done" in text
    # 46 s of this stage and 60 s of each of the three after it.
    assert "at least 3 min 46 s to go" in text
    assert "Bias 11.0 mV left, 12.5 mV right." in text
    assert "Heatsinks 38.4 °C left, 37.1 °C right" in text
    assert "CLOSED: mains is on the amplifier" in text
    assert local_label(WALL_S + 7200.0) in text
    assert all(n.reach == "messages" and not n.urgent for n in alive)


def test_a_sign_of_life_does_not_call_a_silent_run_well() -> None:
    played = Played(AlertSettings(alive_every_min=5))
    played.look(quiet(), 10.0)
    told = played.look(snapshot(quiet(), age_s=300.0, data_age_s=300.0), 310.0)
    alive = [n for n in told if n.kind == "alive"]
    assert len(alive) == 1
    assert "wrong now: NO NEWS OF THE RUN" in alive[0].title
    assert "These figures are old" in alive[0].text


def test_a_run_that_ended_says_how_and_that_it_was_all() -> None:
    played = Played(AlertSettings(alive_every_min=5))
    played.look(quiet(), 10.0)
    table = fake_run.fresh("finished")
    table["why"] = "All stages passed; the mains relay is open."
    told = played.look(table, 7200.0)
    assert kinds(told) == ["ended"]
    assert "Run ended: PASS" in told[0].title
    assert "All stages passed" in told[0].text
    assert "last message of this run" in told[0].text
    assert "relay" in told[0].text.lower()
    assert played.state.at_rest


def test_a_trip_that_ends_the_run_at_once_is_told_before_the_end_and_heard_after_it() -> None:
    played = begun()
    table = fake_run.fresh("tripped")
    table.update(prompt=None, verdict={"verdict": "trip"})
    told = played.look(table, 100.0)
    assert kinds(told) == ["trip", "warnings", "ended"]
    assert sum(n.reach == "sound" for n in told) == 3
    assert played.state.at_rest


def test_the_reason_of_a_trip_is_said_once_at_the_end() -> None:
    played = begun()
    table = fake_run.fresh("tripped")
    table.update(prompt=None, verdict={"verdict": "trip"}, why=f"thermal-runaway (left): {fake_run.TRIP['why']}")
    last = [n for n in played.look(table, 10.0) if n.kind == "ended"]
    assert last[0].text.count(fake_run.TRIP["why"]) == 1


def test_an_end_without_a_verdict_is_told_after_a_while() -> None:
    played = begun()
    table = fake_run.fresh("finished")
    table["verdict"] = None
    told = played.look(table, 100.0)
    assert kinds(told) == ["ended"]
    assert "without a verdict" in told[0].title


def test_watching_that_is_ended_says_so_with_what_still_waited() -> None:
    played = begun()
    played.look(quiet(findings=[warning(0)]), 5.0)
    told = played.stop(quiet(findings=[warning(0)]))
    assert kinds(told) == ["warnings", "stopped"]
    assert "No more messages will come" in told[-1].text
    assert played.state.at_rest


def test_after_the_end_nothing_more_is_said_about_stopping() -> None:
    played = begun()
    played.look(fake_run.fresh("finished"), 5.0)
    assert played.stop(fake_run.fresh("finished")) == []


def test_a_virtual_bench_is_named_in_every_notice() -> None:
    played = Played(AlertSettings(alive_every_min=5))
    played.look(quiet(virtual=True), 310.0)
    table = fake_run.fresh("finished")
    table["virtual"] = True
    played.look(table, 5.0)
    assert kinds(played.notices) == ["on", "alive", "ended"]
    assert all(n.title.startswith("VIRTUAL BENCH: ") for n in played.notices)


def test_a_calm_day_is_24_signs_of_life_and_nothing_else() -> None:
    played = Played(AlertSettings(alive_every_min=60))
    told = played.look(quiet(), 86400.0 + 5.0, 5.0)
    assert kinds(told) == ["on"] + ["alive"] * 24
