"""Run as a process of its own by test_kill_watch.py: forks one watch of a bus after another, each to be killed.

The machine is worked out once here; each watcher is a fork of this process, which has one thread and no store open. It
plays a bus on which a controller drops out while a connector is moved, as fast as it can, and writes into the job. For
each line "ADDRESS FOLDER" on standard input a watcher starts. All of these go to standard output, each in one write:

    pid N        the watcher N is about to open the store
    open         the store is open and the job is there
    step         frames are about to be worked in
    kept TEXT    what was told is written down, as the watch says it
    ended S      the watcher has ended, with the status S of os.wait
"""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime
from pathlib import Path

import alembic.command  # noqa: F401 - the first opening of a store needs it; loaded once for all watchers
import numpy as np

import halfsplit.jobs.sql  # noqa: F401 - the same
from halfsplit.buslog.live import Heard
from halfsplit.diagnosis.hunt import Bench
from halfsplit.errors import NotFound
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.recording import load_job
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.service import working
from halfsplit.service.bus_watch import Watching
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.watch_job import keeper
from halfsplit.service.watch_results import Told

NAMED = {10: "E1", 20: "E2", 30: "E3"}


def say(line: str) -> None:
    os.write(1, f"{line}\n".encode())


def kept(told: list[Told]) -> None:
    for one in told:
        if one.kind in ("drop", "written"):
            say(f"kept {one.text}")
        assert one.kind != "trouble", one.text


def watch_for_ever(address: str, folder: Path, bench: Bench, fingerprint: str) -> None:
    say(f"pid {os.getpid()}")
    store = open_store(address)
    desk = Desk(store, lambda: datetime(2031, 4, 2, 7, tzinfo=UTC), "Rosa", {fingerprint: bench})
    try:
        load_job(store, "job-1")
    except NotFound:
        complaint = complaint_of(bench.machine, ["third unsteady in on"], comes_and_goes=True)
        working.open_job(desk, folder, complaint, job_id="job-1")
    writing = keeper(desk, "job-1", named_of=tuple(NAMED.values()), beside="E1", state="on")
    watching = Watching(0.0, 10.0, NAMED, writing, "job-1")
    say("open")
    now_s = 0.0
    while True:
        begin_s, now_s = now_s, now_s + 0.5
        spoken = [
            (begin_s + n / 10 + source / 1e4, source)
            for n in range(5)
            for source in NAMED
            if not (source == 30 and now_s > 60.0 and now_s % 4.0 < 2.0)
        ]
        say("step")
        times, keys = np.array([one[0] for one in spoken]), np.array([one[1] for one in spoken], np.int64)
        kept(watching.hear(Heard(times, keys, 0, now_s)))
        if now_s == 12.0:
            kept(watching.word("now X2", now_s))
        if now_s == 58.0:
            kept(watching.word("now X3", now_s))


def main() -> None:
    bench: Bench | None = None
    fingerprint = ""
    for line in sys.stdin:
        address, folder = line.split()
        if bench is None:
            fingerprint = fingerprint_of(machine_files(Path(folder)))
            bench = Bench(load_machine(Path(folder)))
        watcher = os.fork()
        if watcher == 0:
            try:
                watch_for_ever(address, Path(folder), bench, fingerprint)
            finally:
                os._exit(1)  # only reached when the watch failed; the test then sees a status that is no kill
        _, status = os.waitpid(watcher, 0)
        say(f"ended {status}")


main()
