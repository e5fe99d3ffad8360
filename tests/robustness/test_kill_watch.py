"""A watch of a bus killed at random moments: whatever it told as written down is in the job, whole, and it goes on."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from tests.unit.service.test_bus_evidence import MACHINE, WIRES

from halfsplit.jobs.events import EntryUndone, NoteAdded, ObservationRecorded
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.recording import load_job, record
from halfsplit.observations import CodeSeen, Move

WATCHER = Path(__file__).parent / "watcher_process.py"
KILLS = 12
#: Longest time between the last line read and the kill, us; writing one thing down takes about 1 ms (see test_kill.py).
LONGEST_US = 3_000


def words(what: object) -> str:
    """What a watch says of an entry that it wrote."""
    if isinstance(what, NoteAdded):
        return what.text.removeprefix("bus watch: ")
    assert isinstance(what, ObservationRecorded)
    match what.observation:
        case Move() as one:
            return f"{one.place} moved: {'it reacted' if one.changed else 'nothing changed'}"
        case CodeSeen() as one:
            return f"{one.controller} {'silent' if one.active else 'heard'}"
    return ""


def test_nothing_told_as_written_is_lost_when_a_watch_is_killed(tmp_path: Path) -> None:
    chance = random.Random(20310406)
    file = tmp_path / "jobs.sqlite3"
    (tmp_path / "machine.yaml").write_text(MACHINE)
    (tmp_path / "wires.csv").write_text(WIRES)
    told: Counter[str] = Counter()
    arguments = [sys.executable, "-W", "error", str(WATCHER)]
    with subprocess.Popen(arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        for _ in range(KILLS):
            process.stdin.write(f"{file} {tmp_path}\n")
            process.stdin.flush()
            watcher = int(process.stdout.readline().split()[1])
            wanted = chance.randrange(12)
            seen = 0
            line = ""
            while (line != "open" and seen <= wanted) or seen < wanted:
                line = process.stdout.readline().strip()
                assert line
                seen += line.startswith("kept")
                told.update([line.removeprefix("kept ")] if line.startswith("kept") else [])
            # The pause waits for nothing: the moment of the kill is the test's input, drawn from the seed.
            time.sleep(chance.randrange(LONGEST_US) / 1e6)
            os.kill(watcher, signal.SIGKILL)
            while not (line := process.stdout.readline().strip()).startswith("ended"):
                told.update([line.removeprefix("kept ")] if line.startswith("kept") else [])
            assert int(line.split()[1]) == signal.SIGKILL, "the watch ended by itself"
            with open_store(file) as store:
                job = load_job(store, "job-1")
                there = Counter(words(entry.what) for entry in job.entries)
                assert not told - there, "lost"
                # Who was silent and who was heard is written in one step: both are there or neither.
                assert there["E3 silent"] == there["E2 heard"]
        process.stdin.close()
        assert process.wait(timeout=60) == 0
    assert sum(told.values()) > 2 * KILLS
    assert told["X3 moved: it reacted"]
    with open_store(file) as store:
        job = load_job(store, "job-1")
        last = max(entry.number for entry in job.entries)
        undone = record(store, job, EntryUndone(last), when="2031-04-02T08:00:00Z")
        assert undone.entry(last).undone
