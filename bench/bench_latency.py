"""How long a person waits for the next check on the sweeper: cold, with kept tables, and after each answer.

    python bench/bench_latency.py

Each row is what was timed, the goal and the measured time in seconds, and the processor's share of that time (much less
than measured means that the machine had other work to do).

* opened: in a fresh process, and nothing kept: the machine file is read, the tables of the states are worked out;
* the same with the start of Python and its libraries, and again with the tables that the one before kept;
* the command: ``halfsplit job open`` and then ``halfsplit job next``, each a process, the folders empty at first;
* compiled: the table of one state alone, worked out, read back, and worked out again after one wire has changed;
* a long job: the report of one with so many different voltage readings of a sound machine, in a process of its own,
  tables kept: once where each reading was answered with a next check, as people work, whose odds were noted then, and
  once where all were written down without one, so that the report works the odds out;
* later: from telling what was seen to the next check, over whole jobs. The answers come from a machine with hidden
  faults of fixed seeds, so every run does the same work. Where there are two of them, all pairs are weighed, which is
  the slowest the odds can get.
"""

from __future__ import annotations

import dataclasses
import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rows import ROOT, Row, finish, parser, say

if TYPE_CHECKING:
    from halfsplit.service.desk import Desk

FOLDER = ROOT / "examples" / "saltmarsh-sweeper"
FIRST_S = 3.0
LATER_S = 0.5
COMPILED_S, READ_S, CHANGED_S = 2.0, 0.1, 0.5
REPEATS = 3
JOBS = ((3, 1), (11, 1), (29, 1), (5, 2))  # seed and number of hidden faults
STEPS = 12
REPORT_S, READINGS = 5.0, 200

COLD = """
import time
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom
from halfsplit.service.beside import Processes
from halfsplit.service.kept_tables import tables
start = time.perf_counter()
bench = Bench(load_machine({folder!r}), tables())
wrong = tuple(Symptom(name, "sweep", "off", 0.9, "yes") for name in {functions!r})
complaint = Complaint(wrong, ("rain",))
bench.prepare(complaint, Processes().begin)
best = Hunt(bench, complaint).next().best
print(best.check.id, time.perf_counter() - start)
"""


def row(what: str, goal_s: float | None, measured_s: float, processor_s: float) -> Row:
    return Row(
        what, measured_s, "s", goal_s, note=f"processor {processor_s:.3f} s", more={"processor": round(processor_s, 4)}
    )  # fmt: skip


def processor_of_children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def complaints() -> dict[str, tuple[str, ...]]:
    """For every function that works while sweeping, a complaint that it does not."""
    from halfsplit.machine.reading import load_machine

    functions = load_machine(FOLDER).functions.values()
    working = [function.id for function in functions if function.expected.get("sweep") == "on"]
    return {name: (name,) for name in working}


def timed(command: list[str], folder: str) -> tuple[float, float, str]:
    """Seconds from starting a process to its end, those of the processor, and what it said.

    Its folders lie in ``folder``.
    """
    environ = {**os.environ, "HALFSPLIT_CACHE": f"{folder}/cache", "HALFSPLIT_HOME": f"{folder}/home"}
    start, before = time.perf_counter(), processor_of_children_s()
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=environ)
    if not done.stdout.strip():
        sys.exit(f"Nothing came of {command}.")
    return time.perf_counter() - start, processor_of_children_s() - before, done.stdout


def first() -> list[Row]:
    """The slowest of several complaints, from opening the machine's file to the check, and from starting Python.

    Each the quickest of a few goes, without and with kept tables.
    """
    cold, kept, opened = [], [], []
    for functions in list(complaints().values())[:4]:
        command = [sys.executable, "-c", COLD.format(folder=str(FOLDER), functions=functions)]
        goes = []
        for _ in range(REPEATS):
            with tempfile.TemporaryDirectory() as folder:
                first, again = timed(command, folder), timed(command, folder)
                goes.append((first, again, (float(first[2].split()[-1]), first[1])))
        cold.append(min(go[0][:2] for go in goes))
        kept.append(min(go[1][:2] for go in goes))
        opened.append(min(go[2] for go in goes))
    return [
        row("first next check after opening a job, nothing kept", FIRST_S, *max(opened)),
        row("the same, starting Python included", FIRST_S, *max(cold)),
        row("the same, starting Python included, tables kept before", FIRST_S, *max(kept)),
    ]


def command_line() -> list[Row]:
    """The two commands a person types, the quickest of a few goes each."""
    halfsplit = [sys.executable, "-c", "import sys; from halfsplit.cli import main; sys.exit(main())"]
    function = next(iter(complaints()))
    opened, following = [], []
    for _ in range(REPEATS):
        with tempfile.TemporaryDirectory() as folder:
            complaint = ["--complaint", f"{function} dead in sweep", "--condition", "rain"]
            opened.append(timed([*halfsplit, "job", "open", str(FOLDER), *complaint], folder)[:2])
            following.append(timed([*halfsplit, "job", "next"], folder)[:2])
    return [
        row("halfsplit job open, nothing kept, store new", FIRST_S, *min(opened)),
        row("halfsplit job next, tables kept before", FIRST_S, *min(following)),
    ]


def long_report() -> list[Row]:
    """The report of a job with very many readings, its odds noted as the job went or not."""
    import numpy as np

    from halfsplit.diagnosis.checks import all_checks
    from halfsplit.diagnosis.hunt import Bench
    from halfsplit.jobs.events import ObservationRecorded
    from halfsplit.jobs.opening import open_store
    from halfsplit.jobs.recording import load_job, record_all
    from halfsplit.machine.reading import load_machine
    from halfsplit.observations import Reading
    from halfsplit.service.desk import Desk
    from halfsplit.service.odds_notes import OddsNotes

    machine = load_machine(FOLDER)
    bench = Bench(machine)
    signatures = bench.signatures
    checks = [one for one in all_checks(machine, tuple(machine.states)[1:4]) if one.kind in ("volts", "drop")]
    happened = []
    for at in np.random.default_rng(1).permutation(len(checks))[:READINGS]:
        check, table = checks[at], signatures.state(checks[at].state)
        volts = table.lines.volts[-1]
        value = round(float(volts[table.nodes[check.plus]] - volts[table.nodes[check.minus]]), 2)
        reading = Reading("volts", check.plus, check.minus, check.state, value)
        happened.append(ObservationRecorded(reading, check.id, 2.0))
    halfsplit = [sys.executable, "-c", "import sys; from halfsplit.cli import main; sys.exit(main())"]
    function = next(iter(complaints()))
    with tempfile.TemporaryDirectory() as folder:
        command = ["job", "open", str(FOLDER), "--complaint", f"{function} dead in sweep", "--id", "long"]
        timed([*halfsplit, *command], folder)
        with open_store(Path(folder, "home", "jobs.sqlite3")) as store:
            record_all(store, load_job(store, "long"), happened, when=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"))
            bare = reports(folder, "bare")
            notes = OddsNotes(Path(folder, "cache"))
            benches = {load_job(store, "long").fingerprint: bench}
            say(f"Working {READINGS} readings through, which takes minutes")
            answered(Desk(store, lambda: datetime.now(UTC), benches=benches, notes=notes))
        noted = reports(folder, "noted")
    what = f"halfsplit job report, {READINGS} readings, tables kept before"
    return [row(f"{what}, odds noted as the job went", REPORT_S, *noted), row(f"{what}, no odds noted", None, *bare)]


def reports(folder: str, name: str) -> tuple[float, float]:
    """The quickest of a few reports of the long job."""
    halfsplit = [sys.executable, "-c", "import sys; from halfsplit.cli import main; sys.exit(main())"]
    goes = [
        timed([*halfsplit, "job", "report", "long", "--out", f"{folder}/{name}{go}.pdf"], folder)[:2]
        for go in range(REPEATS + 1)
    ]
    return min(goes[1:])


def answered(desk: Desk) -> None:
    """Works the long job through, with a next step after each finding."""
    job = desk.job("long")
    standing = desk.opened(job)
    standing.decide()
    for entry in job.in_time:
        standing.take(entry.number, entry.what)
        standing.decide()


def compiled() -> list[Row]:
    """One state's table in this process: worked out, read back, and once more after one wire has changed."""
    from halfsplit.diagnosis.hunt import Bench
    from halfsplit.machine.reading import load_machine
    from halfsplit.service.kept_tables import FolderTables

    machine = load_machine(FOLDER)
    name, wire = next(iter(machine.wires.items()))
    longer = dataclasses.replace(wire, length_m=wire.length_m + 1.0)
    changed = dataclasses.replace(machine, wires={**machine.wires, name: longer})
    times: dict[str, list[tuple[float, float]]] = {"made": [], "read": [], "changed": []}
    for _ in range(REPEATS):
        with tempfile.TemporaryDirectory() as folder:
            for what, one in (("made", machine), ("read", machine), ("changed", changed)):
                bench = Bench(one, FolderTables(Path(folder)))
                start, before = time.perf_counter(), time.process_time()
                table = bench.signatures.state("sweep")
                times[what].append((time.perf_counter() - start, time.process_time() - before))
                if table.made_anew == (what == "read"):
                    sys.exit(f"The table was not {what}.")
    return [
        row("one state's table, nothing kept", COMPILED_S, *min(times["made"])),
        row("one state's table, kept before", READ_S, *min(times["read"])),
        row("one state's table after one wire has changed", CHANGED_S, *min(times["changed"])),
    ]


def later() -> list[Row]:
    """From telling what was seen to the next check, over whole jobs: the slowest and the usual."""
    import numpy as np

    from halfsplit.diagnosis.hunt import Bench, Hunt
    from halfsplit.diagnosis.practice import Clock, hide
    from halfsplit.machine.reading import load_machine

    bench = Bench(load_machine(FOLDER))
    times: list[tuple[float, float]] = []
    for seed, faults in JOBS:
        world, complaint = hide(bench, np.random.default_rng(seed), faults)
        hunt, clock = Hunt(bench, complaint), Clock(world)
        decision = hunt.next()
        for _ in range(STEPS):
            option = decision.best
            if option is None:
                break
            if option.check is not None:
                told = list(clock.check(option.check, complaint.symptoms))
            elif option.repair is not None:
                told = [clock.repair(option.repair), *clock.verify(complaint)]
            start, before = time.perf_counter(), time.process_time()
            hunt.record_all([(observation, option.check) for observation in told])
            decision = hunt.next()
            times.append((time.perf_counter() - start, time.process_time() - before))
    times.sort()
    return [
        row(f"each later next check, slowest of {len(times)}", LATER_S, *times[-1]),
        row(f"each later next check, median of {len(times)}", LATER_S, *times[len(times) // 2]),
    ]


def main() -> int:
    given = parser(__doc__).parse_args()
    return finish("latency", given, [*first(), *command_line(), *long_report(), *compiled(), *later()])


if __name__ == "__main__":
    sys.exit(main())
