"""The list of runs: what is told of each, what a name may mean, and that nothing outside is reached."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import made_runs
import pytest
from flask.testing import FlaskClient

from benchwarden.core.clock import SystemClock
from benchwarden.dashboard import runs_list
from benchwarden.dashboard.app import make_site
from benchwarden.dashboard.context import Folders
from benchwarden.dashboard.run_names import run_folder, run_names
from benchwarden.dashboard.runs_list import RunsList
from benchwarden.errors import RecordError
from benchwarden.record.journal_format import NAME as JOURNAL

HERE = {"Host": "127.0.0.1:8050"}
FIRST, SECOND = "20260310T080000Z-first", "20260311T080000Z-second"
HOSTILE_NAMES = (
    "../x",
    "..",
    ".",
    "",
    "%2e%2e",
    "..%2f",
    "/etc",
    "/etc/passwd",
    "notes.txt",
    "linked",
    "C:\\x",
    "a\0b",
    f"../runs/{FIRST}",
    f"{FIRST}/",
    f"{FIRST}/..",
    f"./{FIRST}",
    "other-folder",
)


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    folder = tmp_path / "runs"
    folder.mkdir()
    made_runs.write_run(folder / FIRST, seconds=70)
    made_runs.write_run(folder / SECOND, seconds=90, verdict="", unit={"customer": "Ä. Berg\u202egpj"}, virtual=True)
    (folder / "notes.txt").write_text("a file")
    (folder / "other-folder").mkdir()
    outside = tmp_path / "x"
    made_runs.write_run(outside, seconds=5, started_at_utc="2026-01-01T00:00:00Z")
    (folder / "linked").symlink_to(outside)
    return folder


@pytest.fixture
def client(runs: Path, tmp_path: Path) -> Iterator[FlaskClient]:
    folders = Folders(runs, tmp_path / "records", tmp_path / "units")
    with make_site(None, folders).server.test_client() as found:
        yield found


def test_runs_are_listed_newest_first_with_their_facts(runs: Path) -> None:
    second, first = RunsList(runs, SystemClock()).rows()
    assert (first.name, first.started, first.model) == (FIRST, "2026-03-10T08:00:00Z", "Brackwater Integrated 60")
    assert (first.serial, first.kind, first.verdict) == ("BW60-0417", "burn-in", "pass")
    assert first.duration_s == pytest.approx(69.9)
    assert (second.verdict, second.virtual) == ("", True)
    assert "\u202e" not in second.customer, "a direction override would disguise the text"
    assert first.matches(["brackwater", "passed"])
    assert not first.matches(["brackwater", "tripped"])
    assert second.matches(["virtual"])


def test_a_run_is_read_again_only_when_its_files_change(runs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[str] = []
    plain = runs_list.read_row
    monkeypatch.setattr(runs_list, "read_row", lambda folder: (read.append(folder.name), plain(folder))[1])
    listed = RunsList(runs, SystemClock())
    listed.rows()
    listed.rows()
    assert sorted(read) == [FIRST, SECOND]
    (runs / SECOND / "verdict.json").write_text('{"verdict": "trip"}')
    assert listed.rows()[0].verdict == "trip"
    assert len(read) == 3


def test_what_the_time_does_not_last_for_is_told_by_its_name(runs: Path) -> None:
    listed = RunsList(runs, SystemClock())
    rows = listed.rows(budget_s=-1.0)
    assert [(row.is_read, row.started) for row in rows] == [
        (False, "2026-03-11T08:00:00Z"),
        (False, "2026-03-10T08:00:00Z"),
    ]
    assert all(row.is_read for row in listed.rows())


def test_damaged_and_half_made_folders_say_what_is_wrong(runs: Path, tmp_path: Path) -> None:
    (runs / "20260312T080000Z-half").mkdir()
    made_runs.damage_header(made_runs.write_run(runs / "20260313T080000Z-damaged", seconds=5))
    (runs / "20260314T080000Z-rubbish").mkdir()
    (runs / "20260314T080000Z-rubbish" / JOURNAL).write_bytes(b"\x07rubbish" * 999)
    (runs / "20260315T080000Z-empty").mkdir()
    (runs / "20260315T080000Z-empty" / JOURNAL).write_bytes(b"")
    wrong = {row.name[17:]: row for row in RunsList(runs, SystemClock()).rows() if row.problem}
    assert set(wrong) == {"half", "damaged", "rubbish", "empty"}
    assert "no run here" in wrong["half"].problem
    assert "header is damaged" in wrong["damaged"].problem
    assert not any(str(tmp_path) in row.problem for row in wrong.values()), "no places on this machine"


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_only_a_folder_of_a_run_is_a_name(runs: Path, name: str) -> None:
    assert name not in run_names(runs)
    with pytest.raises(RecordError, match="no run of this name"):
        run_folder(runs, name)
    assert run_folder(runs, FIRST) == runs / FIRST


def test_record_and_recording_are_sent_as_files(client: FlaskClient, runs: Path) -> None:
    (runs / FIRST / "record.pdf").write_bytes(b"%PDF-1.7 x")
    (runs / FIRST / "recording.csv").write_bytes(b"t_s\n0\n")
    for file, kind, body in (
        ("record.pdf", "application/pdf", b"%PDF-1.7 x"),
        ("recording.csv", "text/csv; charset=utf-8", b"t_s\n0\n"),
    ):
        answer = client.get(f"/runs/{FIRST}/{file}", headers=HERE)
        assert (answer.status_code, answer.data) == (200, body)
        assert answer.headers["Content-Type"] == kind
        assert answer.headers["Content-Disposition"] == f"attachment; filename={FIRST}-{file}"
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        answer.close()
    assert client.get(f"/runs/{SECOND}/record.pdf", headers=HERE).status_code == 404, "not made yet"
    assert client.get(f"/runs/{FIRST}/record.pdf", headers={"Host": "evil.example"}).status_code == 403


@pytest.mark.parametrize("name", [*HOSTILE_NAMES, "..%2f..%2fx", "%2e%2e%2fx", "..%5cx", "%00"])
def test_no_address_leads_to_another_file(client: FlaskClient, runs: Path, tmp_path: Path, name: str) -> None:
    for folder in (runs.parent / "x", runs, runs.parent, runs / "other-folder"):
        (folder / "record.pdf").write_bytes(b"%PDF secret")
        (folder / "recording.csv").write_bytes(b"secret")
    for file in ("record.pdf", "recording.csv"):
        answer = client.get(f"/runs/{name}/{file}", headers=HERE)
        assert answer.status_code in (301, 308, 404), answer.status_code
        assert b"secret" not in answer.data


def test_no_other_file_of_a_run_is_sent(client: FlaskClient, runs: Path, tmp_path: Path) -> None:
    for file in (JOURNAL, "verdict.json", "status.json", "record.pdf/../verdict.json", "record.pdf%00"):
        assert client.get(f"/runs/{FIRST}/{file}", headers=HERE).status_code == 404
    secret = tmp_path / "secret.pdf"
    secret.write_bytes(b"secret")
    (runs / FIRST / "record.pdf").symlink_to(secret)
    assert client.get(f"/runs/{FIRST}/record.pdf", headers=HERE).status_code == 404


def callback(client: FlaskClient, output: str, inputs: list[tuple[str, Any]], state: list[tuple[str, Any]]) -> Any:
    """Call a callback of the page as a browser does."""
    dependencies = client.get("/runs/_dash-dependencies", headers=HERE).get_json()
    (found,) = [entry for entry in dependencies if output in entry["output"]]

    def placed(pairs: list[tuple[str, Any]]) -> list[dict[str, Any]]:
        return [{"id": key.split(".")[0], "property": key.split(".")[1], "value": value} for key, value in pairs]

    names = [part.rsplit(".", 1) for part in found["output"].strip(".").split("...")]
    outputs = [{"id": name, "property": part} for name, part in names]
    answer = client.post(
        "/runs/_dash-update-component",
        headers={**HERE, "Origin": "http://127.0.0.1:8050"},
        json={
            "output": found["output"],
            "outputs": outputs if found["output"].startswith("..") else outputs[0],
            "inputs": placed(inputs),
            "state": placed(state),
            "changedPropIds": [inputs[0][0]],
        },
    )
    assert answer.status_code == 200
    return answer.get_json()["response"]


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_callbacks_take_no_other_name(client: FlaskClient, tmp_path: Path, name: str) -> None:
    asked = quote(name, safe="")
    shown = str(callback(client, "runs-body.children", [("where.search", f"?run={asked}")], []))
    assert str(tmp_path) not in shown
    assert ("there is no run of this name here" if name else "runs-rows") in shown
    inputs = [
        ("window.data", {"whole": True}),
        ("more.data", True),
        ("over.data", name),
        ("align.data", ""),
        ("spread.data", False),
        ("fill-tick.n_intervals", 0),
    ]
    drawn = callback(client, "run-track.figure", inputs, [("run-name.data", name), ("moment.data", None)])
    assert "no run of this name" in str(drawn["run-window"]["children"])
    drawn = callback(client, "run-track.figure", inputs, [("run-name.data", FIRST), ("moment.data", None)])
    if name:
        assert "cannot be read" in str(drawn["compare-said"]["children"])


def test_a_viewer_may_use_all_of_the_page(runs: Path, tmp_path: Path) -> None:
    """Nothing on it changes anything."""
    site = make_site(None, Folders(runs, tmp_path / "records", tmp_path / "units"))
    with site.server.test_client() as client:
        entries = client.get("/runs/_dash-dependencies", headers=HERE).get_json()
    asked = [entry["output"] for entry in entries if entry["clientside_function"] is None]
    assert len(asked) == 6
    assert {("/runs/", output) for output in asked} <= site.context.readable


@pytest.mark.parametrize(
    "window", [None, {}, {"start": "x", "stop": []}, {"start": 1e308, "stop": -1e308}, {"start": 5, "stop": 5}, []]
)
def test_any_window_draws_something(client: FlaskClient, window: Any) -> None:
    inputs = [
        ("window.data", window or None),
        ("more.data", None),
        ("over.data", None),
        ("align.data", None),
        ("spread.data", None),
        ("fill-tick.n_intervals", None),
    ]
    drawn = callback(client, "run-track.figure", inputs, [("run-name.data", FIRST), ("moment.data", {"t": "x"})])
    start, stop = drawn["run-bias"]["figure"]["layout"]["xaxis"]["range"]
    assert stop > start
