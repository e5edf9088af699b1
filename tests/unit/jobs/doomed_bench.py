"""A bench that is a process of its own: it adds notes, or dies in the middle of a save.

python doomed_bench.py ADDRESS NAME COUNT     adds COUNT notes to job 2041
python doomed_bench.py ADDRESS NAME die       is killed between the statements of one save
"""

from __future__ import annotations

import os
import signal
import sys
from dataclasses import replace

from benchwarden.jobs import job_rows
from benchwarden.jobs.store import open_store


def main() -> None:
    address, name, what = sys.argv[1:]
    with open_store(address) as store:
        if what != "die":
            print("ready", flush=True)
            sys.stdin.readline()
            for n in range(int(what)):
                store.add_note("2041", f"{name} {n}", by=name)
            return

        def killed(*_: object) -> None:
            os.kill(os.getpid(), signal.SIGKILL)

        # Job row and document are written, words and runs are not.
        job_rows.write_lookups = killed
        job = store.open("2041")
        store.save(replace(job, work="half", complaint="half"), by=name)


if __name__ == "__main__":
    main()
