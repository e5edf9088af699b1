"""Checks before power in a file of their own, for a run that belongs to no job.

```toml
[[check]]
check = "emitter resistors"
position = "left, all four"
marked = 0.22
measured = 0.221
state = "passed"
```
"""

from __future__ import annotations

from pathlib import Path

from benchwarden.core.cold_checks import CHANNELS, COLD_CHECKS
from benchwarden.core.job import CHECK_STATES, CheckResult
from benchwarden.core.job_form import check_result_from
from benchwarden.core.unit import load_toml
from benchwarden.errors import JobError


def load_checks(path: Path) -> tuple[CheckResult, ...]:
    """Return the results in a file.

    Raises:
        PlanError: there is no such file, or it is no TOML.
        JobError: naming the file, the key and what is allowed.
    """
    table = load_toml(path)
    unknown = sorted(set(table) - {"check"})
    if unknown:
        raise JobError(f"{path}: {unknown[0]} is not a key known here; allowed: [[check]] tables")
    rows = table.get("check", [])
    if not isinstance(rows, list):
        raise JobError(f"{path}: check is no list; allowed: [[check]] tables")
    return tuple(check_result_from(row, f"{path}: check {number}") for number, row in enumerate(rows, 1))


def empty_checks() -> str:
    """Return a file with every check in it, skipped until somebody makes it."""
    lines = [
        "# Checks before power: plug out, reservoirs discharged. Not a protective device, no substitute for",
        "# local codes and licensed practice.",
        f"# state: {', '.join(CHECK_STATES)}. One that failed or was skipped needs",
        '# why = "the reason to power up all the same"; the reason goes into the record.',
    ]
    for check in COLD_CHECKS:
        lines += ["", f"# {check.title}. {check.how}"]
        if check.limit_words():
            lines.append(f"# Passes: {check.limit_words()}. {check.source}.")
        lines.append(f"# If powered: {check.harm}")
        for side in CHANNELS if check.per_channel else ("",):
            lines += ["[[check]]", f'check = "{check.key}"', 'state = "skipped"']
            lines.append(f'position = "{side}"')
            if check.unit:
                lines += ["# marked = "] if check.compares else []
                lines.append(f"# measured =   # {check.unit}")
            if check.asks_noise:
                lines.append("# noisy = false")
            if not check.required:
                lines.append('why = "not asked for"')
    return "\n".join(lines) + "\n"
