"""The bias page's callbacks over HTTP: a recorded run at any zoom, and any moment of it."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from run_frames import NAME, TEMPCO_MV_PER_K, write_run

from benchwarden.core.channels import CHANNELS
from benchwarden.dashboard.app import make_site

HERE = {"Host": "127.0.0.1", "Origin": "http://127.0.0.1"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_run(tmp_path_factory.mktemp("runs"), "finished")


@pytest.fixture
def client(folder: Path) -> Iterator[FlaskClient]:
    with make_site(folder).server.test_client() as found:
        yield found


def called(client: FlaskClient, has: str, changed: str, **values: Any) -> dict[str, Any]:
    """Return what a callback answers; `values` of its inputs and states by "id__property"."""
    table = client.get("/bias/_dash-dependencies", headers=HERE).get_json()
    entry = next(found for found in table if has in found["output"] and found["clientside_function"] is None)

    def filled(parts: list[dict[str, Any]]) -> list[dict[str, Any]]:
        return [part | {"value": values.get(f"{part['id']}__{part['property']}".replace("-", "_"))} for part in parts]

    outputs = [
        dict(zip(("id", "property"), part.rsplit(".", 1), strict=True))
        for part in entry["output"].strip(".").split("...")
    ]
    answer = client.post(
        "/bias/_dash-update-component",
        headers=HERE,
        json={
            "output": entry["output"],
            "outputs": outputs,
            "inputs": filled(entry["inputs"]),
            "state": filled(entry["state"]),
            "changedPropIds": [changed],
        },
    )
    assert answer.status_code in (200, 204)
    found: dict[str, Any] = answer.get_json()["response"] if answer.status_code == 200 else {}
    return found


def draw(client: FlaskClient, changed: str = "where.search", **values: Any) -> dict[str, Any]:
    return called(client, "bias-over-time.figure", changed, **values)


def text(found: Any) -> str:
    return json.dumps(found, ensure_ascii=False)


def test_the_whole_run_is_drawn_with_its_peak(client: FlaskClient) -> None:
    found = draw(client)
    traces = {trace["name"]: trace for trace in found["bias-over-time"]["figure"]["data"]}
    assert max(v for v in traces["bias left"]["y"] if v is not None) == pytest.approx(30.0)
    assert traces["sink left"]["yaxis"] == "y2"
    assert "whole run" in found["bias-on-view"]["children"]
    assert found["bias-window"]["data"] is None


def test_figures_are_told_per_channel(client: FlaskClient) -> None:
    found = draw(client)
    left = text(found["bias-left-told"]["children"])
    assert "On its way (when the run ended)" in left
    assert "12.51 (12.10 to 12.90) mV" in left
    assert "0.44 (0.36 to 0.52)" in left
    assert f"+{TEMPCO_MV_PER_K:.3f}" in left
    # What the other channel does not know is not made up.
    assert "Not known yet" in text(found["bias-right-told"]["children"])


def test_a_channel_that_tripped_says_so_first(tmp_path: Path) -> None:
    with make_site(write_run(tmp_path, "tripped")).server.test_client() as client:
        found = draw(client)
    assert "✕ Tripped: bias and heat feeding each other (thermal-runaway)" in text(found["bias-left-told"]["children"])
    assert "Tripped" not in text(found["bias-right-told"]["children"])


def test_a_drag_and_the_buttons_move_the_window(client: FlaskClient) -> None:
    relayout = {"xaxis.range[0]": 2.0, "xaxis.range[1]": 4.0}
    found = draw(client, "bias-over-time.relayoutData", bias_over_time__relayoutData=relayout)
    assert found["bias-window"]["data"] == [120.0, 240.0]
    found = draw(client, "bias-in.n_clicks", bias_window__data=[120.0, 240.0])
    assert found["bias-window"]["data"] == [150.0, 210.0]
    first = found["bias-over-time"]["figure"]["data"][0]
    assert min(first["x"]) >= 150.0 / 60.0
    assert len(first["x"]) > 500


def test_a_resize_draws_nothing_anew(client: FlaskClient) -> None:
    assert draw(client, "bias-over-time.relayoutData", bias_over_time__relayoutData={"autosize": True}) == {}


def test_any_moment_shows_all_channels(client: FlaskClient) -> None:
    found = called(client, "bias-all.children", "bias-at.value", bias_at__value=300.04)
    said = text(found["bias-all"]["children"])
    assert "At 0:05:00.0." in said
    assert "limiter lamp OUT, idle" in said
    assert "30.00" in said
    assert said.count('"type": "Tr"') == len(CHANNELS) + 1
    later = called(client, "bias-all.children", "step-2.n_clicks", bias_moment__data=300.0)
    assert later["bias-moment"]["data"] == pytest.approx(301.0)


@pytest.mark.parametrize(
    "event", [None, [], {"points": []}, {"points": [{"x": "now"}]}, {"points": "x"}, {"points": [7]}]
)
def test_a_pointer_that_points_at_nothing_changes_nothing(client: FlaskClient, event: Any) -> None:
    assert called(client, "bias-all.children", "bias-over-time.hoverData", bias_over_time__hoverData=event) == {}


@pytest.mark.parametrize("name", ["../" + NAME, "/etc", "..", ".", "nothing", NAME + "/", "%2e%2e", "a" * 5000, "\x00"])
def test_only_runs_in_the_folder_can_be_named(client: FlaskClient, name: str) -> None:
    found = draw(client, where__search=f"?run={name}")
    assert "Nothing to show: there is no run of this name here" in found["bias-run"]["children"]


def test_a_run_is_chosen_by_its_name(client: FlaskClient) -> None:
    assert "invented stereo receiver" in draw(client, where__search=f"?run={NAME}")["bias-run"]["children"]


def test_no_run_yet_is_said(tmp_path: Path) -> None:
    with make_site(tmp_path / "none").server.test_client() as client:
        assert "Nothing to show" in draw(client)["bias-run"]["children"]


def test_json_holds_no_number_that_is_none(client: FlaskClient) -> None:
    # RFC 8259, section 6: NaN and Infinity are no JSON; a browser would refuse the whole answer.
    assert not any(isinstance(v, float) and not math.isfinite(v) for v in numbers(draw(client)))


def numbers(found: Any) -> Iterator[Any]:
    if isinstance(found, dict):
        for value in found.values():
            yield from numbers(value)
    elif isinstance(found, list):
        for value in found:
            yield from numbers(value)
    else:
        yield found
