"""`benchwarden alert`: tell a person about a run that nobody watches, or try every way of telling."""

from __future__ import annotations

import argparse
import json
import logging
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from benchwarden.errors import BenchwardenError, PlanError
from benchwarden.record.alert_settings import NAME, AlertSettings, load_alerts
from benchwarden.record.board_records import DEFAULT as DEFAULT_RECORDS

EXIT_NOT_SENT = 1
TEST_S = 22.0
# After a run the last messages go out and an urgent sound is made again three times, for a minute.
LAST_S = 90.0
STOP_S = 40.0
SOON_S = 3.0


def add(commands: argparse._SubParsersAction[Any]) -> None:
    """Add the command to the parser's."""
    sub = commands.add_parser("alert", help="watch a run and tell a person: messages, desktop, sound")
    sub.add_argument("run_dir", type=Path, nargs="?", help="folder of the run to watch")
    sub.add_argument("--records", type=Path, default=DEFAULT_RECORDS, help=f"folder that holds {NAME}")
    sub.add_argument("--test", action="store_true", help="send one test notice by every way that is set, and say how")
    sub.add_argument("--json", action="store_true", help="with --test: the answers as JSON")
    sub.set_defaults(command=_alert)


def _alert(args: argparse.Namespace) -> int:
    if args.test == (args.run_dir is not None) or (args.json and not args.test):
        raise PlanError("alert; allowed: a run folder, or --test, or --test --json")
    # What no handler takes would go to the terminal, and libraries may log parts of an address.
    logging.getLogger().addHandler(logging.NullHandler())
    settings = load_alerts(args.records)
    return _test(settings, args.json) if args.test else _watch(args.run_dir, settings)


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _ways(settings: AlertSettings) -> tuple[list[Any], str]:
    """Return the ways out that are set and can be here, and what cannot."""
    from benchwarden.alerts.messages import NO_DESKTOP, DesktopWay, MessageWay
    from benchwarden.alerts.sound import SoundWay

    ways: list[Any] = [SoundWay()] if settings.sound else []
    desktop = DesktopWay.here() if settings.desktop else None
    ways += [desktop] if desktop else []
    ways += [MessageWay.to(address) for address in settings.addresses]
    return ways, NO_DESKTOP if settings.desktop and desktop is None else ""


def _test(settings: AlertSettings, as_json: bool) -> int:
    from benchwarden.alerts.notice import Notice, local_label
    from benchwarden.alerts.outbox import Outbox

    ways, no_desktop = _ways(settings)
    outbox = Outbox(ways, TEST_S, ())
    wall_s = time.time()
    text = f"This is a test. If you can read it, alerts reach you this way.\nAt {local_label(wall_s)}."
    outbox.post(Notice("test", False, "Benchwarden: a test", text, wall_s))
    results = outbox.close(TEST_S)
    order = [way.name for way in ways]
    found = [{"way": r.way, "ok": r.ok, "said": r.said} for r in sorted(results, key=lambda r: order.index(r.way))]
    if no_desktop:
        found.append({"way": "desktop", "ok": False, "said": no_desktop})
    if as_json:
        _say(json.dumps(found))
    elif found:
        width = max(len(str(entry["way"])) for entry in found)
        for entry in found:
            _say(f"{entry['way']!s:{width}}  {'out' if entry['ok'] else 'NOT OUT'}: {entry['said']}")
    else:
        _say("No way is set: no sound, no desktop, no address.")
    return 0 if found and all(entry["ok"] for entry in found) else EXIT_NOT_SENT


def _watch(run_dir: Path, settings: AlertSettings) -> int:
    from benchwarden.alerts.outbox import Outbox
    from benchwarden.alerts.watch import Watch
    from benchwarden.core.clock import SystemClock

    if not run_dir.is_dir():
        raise PlanError(f"{run_dir}: not a folder; allowed: the folder of a run")
    end = threading.Event()
    # A terminal that goes away, and the keyboard, end the run as well: how it ended is told first.
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda number, frame: end.set())
    ways, no_desktop = _ways(settings)
    if no_desktop:
        _say(f"Alerts: {no_desktop}.")
    _say(f"Alerts: {', '.join(way.name for way in ways) or 'no way is set; the alert log alone is written'}.")
    watch = Watch(run_dir, settings, ways, Outbox(ways), SystemClock(), time.time, end.wait, _say)
    watch.run()
    return 0


def start(
    run_dir: Path, records: Path | None, by_default: bool, said: Callable[[str], None]
) -> subprocess.Popen[bytes] | None:
    """Start the watching of a run as a process of its own; None where there is nothing for it to do.

    Args:
        records: folder that may hold the settings.
        by_default: without settings, watch with the default ones.
        said: told, in words, when it cannot be started; a run does not wait for it.
    """
    if records is None or not ((records / NAME).exists() or by_default):
        return None
    try:
        settings = load_alerts(records)
        if not (settings.sound or settings.desktop or settings.addresses):
            return None
        command = [sys.executable, "-m", "benchwarden", "alert", str(run_dir), "--records", str(records)]
        return subprocess.Popen(command, stdin=subprocess.DEVNULL)
    except (BenchwardenError, OSError) as error:
        said(f"CAUTION: nobody will be told of this run: {error}")
        return None


def finish(watcher: subprocess.Popen[bytes], run_ended: bool, said: Callable[[str], None]) -> None:
    """Let the last messages go out, for a bounded time, and end the watching."""
    with suppress(subprocess.TimeoutExpired, KeyboardInterrupt):
        if run_ended and not _ends_within(watcher, SOON_S):
            said(
                "Alerts: the last messages go out and an urgent sound is repeated, for a minute or so; Ctrl-C ends it."
            )
            watcher.wait(LAST_S)
    watcher.terminate()
    with suppress(subprocess.TimeoutExpired, KeyboardInterrupt):
        watcher.wait(STOP_S)
    watcher.kill()
    watcher.wait()


def _ends_within(watcher: subprocess.Popen[bytes], seconds: float) -> bool:
    try:
        watcher.wait(seconds)
    except subprocess.TimeoutExpired:
        return False
    return True
