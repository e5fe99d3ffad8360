"""A recorder killed at 50 random moments: nothing it acknowledged is lost, and the job goes on.

SIGKILL gives the process no chance to tidy up, which is what a crash, an empty battery or an impatient user
does. It does not empty the disk's cache as a power cut may; for that the store waits for the disk on every
commit, and tests/unit/jobs/test_sql.py checks that setting.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from halfsplit.jobs.events import NoteAdded, ObservationRecorded
from halfsplit.jobs.model import fold
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.recording import load_job, record
from halfsplit.observations import Reading

RECORDER = Path(__file__).parent / "recorder_process.py"
WHEN = "2031-04-02T07:15:00Z"
KILLS = 50
#: Longest time between the last line read and the kill. One step takes about 1 ms here, so a kill falls
#: anywhere in one of the next few; in a new store it falls anywhere in the making of the tables, which takes
#: about 10 ms.
LONGEST_US, LONGEST_NEW_US = 3_000, 15_000


class Recorder:
    """The process that forks recorders, and what the present one has said."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process

    def start(self, address: str) -> int:
        assert self.process.stdin is not None
        self.process.stdin.write(address + "\n")
        self.process.stdin.flush()
        word, number = self.line().split()
        assert word == "pid"
        return int(number)

    def line(self) -> str:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "the recorder's parent has ended"
        return line.strip()


@pytest.fixture
def recorder() -> Iterator[Recorder]:
    arguments = [sys.executable, "-W", "error", str(RECORDER)]
    with subprocess.Popen(arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        yield Recorder(process)
        assert process.stdin is not None
        process.stdin.close()
        assert process.wait(timeout=60) == 0


def kill_after(pid: int, microseconds: int) -> None:
    """Kills after a time. The pause waits for nothing: the moment is the test's input, drawn from the seed.

    It must not be a loop that watches the clock: on a busy computer that keeps the recorder from running, and
    then every kill finds it standing where it last spoke.
    """
    time.sleep(microseconds / 1e6)
    os.kill(pid, signal.SIGKILL)


def kill_at_random(
    recorder: Recorder, address: str, chance: random.Random, *, new: bool
) -> tuple[list[int], str]:
    """Lets a recorder run and kills it at random; gives the acknowledged numbers and its last words."""
    pid = recorder.start(address)
    lines: list[str] = []
    if new:
        kill_after(pid, chance.randrange(LONGEST_NEW_US))
    else:
        kept = chance.randrange(12)
        while sum(line.startswith("kept") for line in lines) < kept or not lines:
            lines.append(recorder.line())
        kill_after(pid, chance.randrange(LONGEST_US))
    while not (line := recorder.line()).startswith("ended"):
        lines.append(line)
    assert int(line.split()[1]) == signal.SIGKILL, "the recorder ended by itself"
    return [int(line.split()[1]) for line in lines if line.startswith("kept")], lines[-1] if lines else "pid"


def check_sound(file: Path) -> None:
    """SQLite's own look at its file."""
    with contextlib.closing(sqlite3.connect(file)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


@pytest.fixture(params=["postgresql", "sqlite"])
def new_address(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[], str]:
    """Gives the address of another new store of one kind each time; a path for SQLite."""
    if request.param == "postgresql":
        made: Callable[[], str] = request.getfixturevalue("new_database")
        return made
    numbers = itertools.count(1)
    return lambda: str(tmp_path / f"jobs-{next(numbers)}.sqlite3")


def test_nothing_acknowledged_is_lost_at_50_kills_while_recording(
    new_address: Callable[[], str], recorder: Recorder
) -> None:
    chance = random.Random(20310402)
    address = new_address()
    acknowledged: set[int] = set()
    inside = unacknowledged = 0
    for _ in range(KILLS):
        kept, last_word = kill_at_random(recorder, address, chance, new=False)
        acknowledged.update(kept)
        inside += last_word.startswith("before")
        with open_store(address) as store:
            events = store.events("job-1")
            assert [event.number for event in events] == list(range(1, len(events) + 1))
            assert acknowledged <= {event.number for event in events}
            # Every step wrote a reading and a note: both are there or neither, with the values they had.
            for reading, note in zip(events[1::2], events[2::2], strict=True):
                assert isinstance(reading.what, ObservationRecorded)
                assert reading.what.observation == Reading("volts", "X1.1", "", "key-on", note.number / 7)
                assert note.what == NoteAdded(f"belongs to {reading.number} " * 20)
            (line,) = store.jobs()
            assert line.last_number == len(events)
            unacknowledged += bool(kept) and len(events) > max(kept)
            # The job goes on: one more step, from here, which the next recorder must find.
            job = fold(events)
            for what in (
                ObservationRecorded(Reading("volts", "X1.1", "", "key-on", (job.last_number + 2) / 7)),
                NoteAdded(f"belongs to {job.last_number + 1} " * 20),
            ):
                job = record(store, job, what, when=WHEN)
            acknowledged.update((job.last_number - 1, job.last_number))
        if "://" not in address:
            check_sound(Path(address))
    print(f"{KILLS} kills, {inside} inside a step, {unacknowledged} after it was kept and before it was said")
    # Were most kills to fall between steps, the test would show little.
    assert inside >= KILLS // 2
    assert len(acknowledged) > 4 * KILLS


def test_a_store_whose_making_was_killed_is_made_at_the_next_opening(
    new_address: Callable[[], str], recorder: Recorder
) -> None:
    chance = random.Random(20310403)
    words = []
    for _ in range(20):
        address = new_address()
        kept, last_word = kill_at_random(recorder, address, chance, new=True)
        words.append(last_word)
        with open_store(address) as store:
            if store.jobs():
                assert set(kept) <= set(range(1, load_job(store, "job-1").last_number + 1))
            else:
                assert not kept
        if "://" not in address:
            check_sound(Path(address))
    assert words.count("pid") >= 3  # killed before the store was open
