"""Run as a process of its own by test_kill.py: forks one recorder after another, each to be killed.

The imports are done once here; each recorder is a fork of this process, which has one thread and no store
open. For each line "ADDRESS" on standard input a recorder starts. All of these lines go to standard output,
each in one write shorter than a pipe takes whole:

    pid N      the recorder N is about to open the store
    open       the store is open and the job is there
    before N   the step that ends with event N is about to be written
    kept N     the store has acknowledged it
    ended S    the recorder has ended, with the status S of os.wait
"""

from __future__ import annotations

import os
import sys

import alembic.command  # noqa: F401 - the first opening of a store needs it; loaded once for all recorders

import halfsplit.jobs.sql  # noqa: F401 - the same
from halfsplit.errors import NotFound
from halfsplit.jobs.events import JobOpened, NoteAdded, ObservationRecorded
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.recording import load_job, open_job, record_all
from halfsplit.observations import Complaint, Reading

WHEN = "2031-04-02T07:15:00Z"


def say(line: str) -> None:
    os.write(1, f"{line}\n".encode())


def record_for_ever(address: str) -> None:
    say(f"pid {os.getpid()}")
    store = open_store(address)
    try:
        job = load_job(store, "job-1")
    except NotFound:
        job = open_job(store, "job-1", JobOpened("m", "f", "u", Complaint(())), when=WHEN)
    say("open")
    while True:
        number = job.last_number + 2
        reading = ObservationRecorded(
            Reading("volts", "X1.1", "", "key-on", number / 7), f"check-{number}", 1.0
        )
        say(f"before {number}")
        job = record_all(store, job, (reading, NoteAdded(f"belongs to {number - 1} " * 20)), when=WHEN)
        say(f"kept {number}")


def main() -> None:
    for line in sys.stdin:
        recorder = os.fork()
        if recorder == 0:
            try:
                record_for_ever(line.strip())
            finally:
                os._exit(1)  # only reached when recording failed; the test then sees a status that is no kill
        _, status = os.waitpid(recorder, 0)
        say(f"ended {status}")


main()
