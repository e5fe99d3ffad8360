"""How long a person waits for the next check on the sweeper: cold in a fresh process, and after each answer.

    python bench/bench_latency.py

Prints one JSON list of rows: what was timed, the goal and the measured time in seconds, whether it was met, and the
processor's share of that time (much less than measured means that the machine had other work to do).
The answers come from a machine with hidden faults of fixed seeds, so every run does the same work. Where there are
two of them, pairs are grown, which is the slowest the odds can get.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "examples" / "saltmarsh-sweeper"
FIRST_S = 3.0
LATER_S = 0.5
JOBS = ((3, 1), (11, 1), (29, 1), (5, 2))  # seed and number of hidden faults
STEPS = 12

COLD = """
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom
bench = Bench(load_machine({folder!r}))
wrong = tuple(Symptom(name, "sweep", "off", 0.9, "yes") for name in {functions!r})
best = Hunt(bench, Complaint(wrong, ("rain",))).next().best
print(best.check.id if best is not None and best.check is not None else "")
"""


def row(what: str, goal_s: float, measured_s: float, processor_s: float) -> dict[str, object]:
    met = measured_s <= goal_s
    return {
        "what": what, "goal": goal_s, "measured": round(measured_s, 3), "processor": round(processor_s, 3),
        "unit": "s", "met": met,
    }  # fmt: skip


def processor_of_children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def complaints() -> dict[str, tuple[str, ...]]:
    """For every function that works while sweeping, a complaint that it does not."""
    from halfsplit.machine.reading import load_machine

    functions = load_machine(FOLDER).functions.values()
    working = [function.id for function in functions if function.expected.get("sweep") == "on"]
    return {name: (name,) for name in working}


def cold() -> dict[str, object]:
    """The slowest of several complaints, each in a process of its own, from starting Python to the check's name."""
    times = []
    for functions in list(complaints().values())[:4]:
        program = COLD.format(folder=str(FOLDER), functions=functions)
        start, before = time.perf_counter(), processor_of_children_s()
        done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
        times.append((time.perf_counter() - start, processor_of_children_s() - before))
        if not done.stdout.strip():
            sys.exit(f"No check was found for {functions}.")
    return row("first next check, cold in a fresh process", FIRST_S, *max(times))


def later() -> list[dict[str, object]]:
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
            for observation in told:
                hunt.record(observation, option.check)
            decision = hunt.next()
            times.append((time.perf_counter() - start, time.process_time() - before))
    times.sort()
    return [
        row(f"each later next check, slowest of {len(times)}", LATER_S, *times[-1]),
        row(f"each later next check, median of {len(times)}", LATER_S, *times[len(times) // 2]),
    ]


def main() -> int:
    print(json.dumps([cold(), *later()], indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
