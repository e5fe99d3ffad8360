"""Run as a process of its own by the contract tests: opens the store at once with others and races them.

Arguments: address of the store, how many notes to write, its name. Says "ready", waits for a line, then
prints the number of every acknowledged event.
"""

from __future__ import annotations

import contextlib
import sys

import halfsplit.jobs.sql  # noqa: F401 - loaded before "ready", so that all open the store in the same moment
from halfsplit.errors import NotFound
from halfsplit.jobs.events import Event, JobOpened, NoteAdded
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.store import AlreadyThere, Overtaken
from halfsplit.observations import Complaint

WHEN = "2031-04-02T07:15:00Z"


def main() -> None:
    address, count, name = sys.argv[1], int(sys.argv[2]), sys.argv[3]
    print("ready", flush=True)
    sys.stdin.readline()
    with open_store(address) as store:
        with contextlib.suppress(AlreadyThere):
            store.create_job(Event("job-1", 1, WHEN, "", JobOpened("m", "f", "u", Complaint(()))))
        last, kept = 1, 0
        while kept < count:
            try:
                store.append("job-1", last, Event("job-1", last + 1, WHEN, name, NoteAdded(f"note {kept}")))
            except Overtaken as error:
                last = error.found
            except NotFound as error:
                raise SystemExit(f"the job that was just made is gone: {error}") from error
            else:
                last, kept = last + 1, kept + 1
                print(last, flush=True)


main()
