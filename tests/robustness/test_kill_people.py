"""A process that adds people, killed at random moments: whoever it said was kept is there, and everybody is whole."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from halfsplit.jobs.opening import open_store
from halfsplit.jobs.people import read_people

WRITER = Path(__file__).parent / "people_process.py"
KILLS = 8
#: Longest time between the last line read and the kill, us; one change takes about 1 ms (see test_kill.py).
LONGEST_US = 3_000


def test_nobody_who_was_kept_is_lost_and_nobody_is_kept_by_half(tmp_path: Path) -> None:
    chance = random.Random(20310404)
    file = tmp_path / "jobs.sqlite3"
    kept = 0
    for _ in range(KILLS):
        command = [sys.executable, "-W", "error", str(WRITER), str(file)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
            assert writer.stdout is not None
            for _ in range(1 + chance.randrange(10)):
                line = writer.stdout.readline()
                assert line
                kept = int(line.split()[1]) if line.startswith("kept") else kept
            # The pause waits for nothing: the moment of the kill is the test's input, drawn from the seed.
            time.sleep(chance.randrange(LONGEST_US) / 1e6)
            os.kill(writer.pid, signal.SIGKILL)
            said = writer.stdout.read().split("\n")
            kept = max([kept, *(int(one.split()[1]) for one in said if one.startswith("kept") and " " in one)])
            assert writer.wait() == -signal.SIGKILL
        with open_store(file) as store:
            people = read_people(store)
            assert kept <= people.number <= kept + 1
            assert [one.name for one in people.persons.values()] == [
                f"Person {number}" for number in range(1, people.number + 1)
            ]
            assert all(one.secret == f"hash {n} " * 20 for n, one in enumerate(people.persons.values(), 1))
    assert kept > 3 * KILLS
