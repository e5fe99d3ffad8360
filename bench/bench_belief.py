"""Odds and the next check: how long they take at 2,000 x 300 and 20,000 x 1,000, alone and beside general libraries.

    python bench/bench_belief.py [--sizes 2000x300 20000x1000] [--steps 6] [--no-libraries]

* A job of that size: a generated harness (harness.py) whose catalogue is thinned to so many suspects (a fault at a
  severity, steady or sleeping) and whose checks are thinned, evenly over all their kinds, to so many. Measured over the
  first steps of a few jobs, the median: the odds after an answer, the ranking of all checks, and all from the answer
  told to the next check. Tables of the states and whatever else a machine is worked out once for are there before.
* The same network for halfsplit and for pyAgrum and pgmpy (general_engines.py): one suspect, checks of four outcomes,
  synthetic and seeded, two answers known. 2 % of the suspects differ from a check's usual outcome, every outcome is
  mistaken in 3 %. At 200 x 50 the answers are compared, at the larger sizes the times of the odds and the information
  of all checks together. Each side has its model ready before; the libraries are asked in the way that is quicker for
  them, for as many checks as finish within about 20 s, and the rest is extrapolated in proportion to their number.

All times are processor seconds of one core.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from statistics import median

import numpy as np
from breakdowns import Fewer, hidden_on
from general_engines import ENGINES, WAYS, Floats, installed
from harness import write_harness
from rows import Row, finish, parser, say

from halfsplit.diagnosis.checks import all_checks
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.outcome_tables import OutcomeTables
from halfsplit.diagnosis.planning import Planner
from halfsplit.diagnosis.practice import Clock
from halfsplit.machine.reading import load_machine
from halfsplit.service.kept_tables import tables

SMALL = (200, 50)
SIZES = ("2000x300", "20000x1000")
LARGEST = (20_000, 1_000)
RANK_MS, NEXT_MS = 2.0, 50.0
TIMES, TIMES_AT = 1000.0, (2_000, 300)
SAME = 1e-9
OUTCOMES, DIFFER, MISTAKEN = 4, 0.02, 0.03
SUSPECTS_A_NODE = 17.0
JOBS = 3
LIBRARY_S = 20.0
FIRST_ASKED = 30
SHOWN = 7


class Sized(Fewer):
    """A bench with so many suspects and checks, thinned evenly."""

    def __init__(self, bench: Bench, suspects: int, checks: int) -> None:
        # A blown fuse is looked up among the faults, so those stay.
        stay = [fault.mode.id == "fuse-open" for fault in bench.faults]
        own = np.array([2 * len(fault.severities) for fault in bench.faults])
        before = np.cumsum(np.where(stay, 0, own))
        share = min(1.0, (suspects - own[stay].sum()) / before[-1])
        # One is taken whenever the share taken so far falls behind.
        chosen, taken = np.array(stay), 0
        for at in np.flatnonzero(~chosen):
            if taken + own[at] / 2 <= share * before[at]:
                chosen[at], taken = True, taken + own[at]
        super().__init__(bench, [fault for fault, so in zip(bench.faults, chosen, strict=True) if so], tables())
        self.most = checks

    def planner(self, states: Sequence[str]) -> Planner:
        key = tuple(states)
        if key not in self._planners:
            every = all_checks(self.machine, key)
            some = [every[at * len(every) // self.most] for at in range(self.most)] if len(every) > self.most else every
            self._planners[key] = Planner(self.space, self.signatures, some)
        return self._planners[key]


def size_of(text: str) -> tuple[int, int]:
    suspects, _, checks = text.partition("x")
    return int(suspects), int(checks)


def job_rows(suspects: int, checks: int, steps: int) -> tuple[list[Row], float]:
    """Times of whole jobs of a size, and the seconds of one ranking."""
    with tempfile.TemporaryDirectory() as folder:
        machine = load_machine(write_harness(Path(folder), round(suspects / SUSPECTS_A_NODE * 1.15)))
    sized = Sized(Bench(machine, tables()), suspects, checks)
    odds, ranked, whole = [], [], []
    kinds: Counter[str] = Counter()
    for seed in range(JOBS):
        world, complaint = hidden_on(sized, np.random.default_rng([40_101, seed]), 1)
        hunt, clock = Hunt(sized, complaint), Clock(world)
        decision = hunt.next()
        kinds = Counter(check.kind for check in hunt.planner.checks)
        for _ in range(steps):
            option = decision.best
            if option is None or option.check is None:
                break
            told = [(one, option.check) for one in clock.check(option.check, complaint.symptoms)]
            start = time.process_time()
            hunt.record_all(told)
            known = time.process_time()
            decision = hunt.next()
            whole.append(1e3 * (time.process_time() - start))
            odds.append(1e3 * (known - start))
            belief = replace(hunt.belief)  # nothing worked out for it before
            start = time.process_time()
            hunt.planner.rank(belief, hunt.evidence, hunt.situation)[:SHOWN]
            ranked.append(1e3 * (time.process_time() - start))
    there = f"{sized.space.singles:,} suspects, {sum(kinds.values()):,} checks: " + ", ".join(
        f"{count} {kind}" for kind, count in kinds.most_common()
    )
    goal = (suspects, checks) == LARGEST
    head = f"{suspects:,} x {checks:,}"
    rows = [
        Row(f"{head}: odds after an answer, two faults weighed", median(odds), "ms",
            note=f"{there}; slowest of {len(odds)}: {max(odds):.1f} ms"),
        Row(f"{head}: all checks ranked", median(ranked), "ms", RANK_MS if goal else None,
            note=f"slowest {max(ranked):.1f} ms"),
        Row(f"{head}: from the answer to the next check", median(whole), "ms", NEXT_MS if goal else None,
            note=f"slowest {max(whole):.1f} ms"),
    ]  # fmt: skip
    return rows, median(ranked) / 1e3


def network(suspects: int, checks: int) -> tuple[Floats, Floats, dict[int, int]]:
    """A synthetic network: prior ``[suspects]``, tables ``[checks, outcomes, suspects]``, and two answers."""
    rng = np.random.default_rng([40_102, suspects, checks])
    usual = rng.integers(OUTCOMES, size=checks)
    other = rng.integers(OUTCOMES, size=(checks, suspects))
    kind = np.where(rng.random((checks, suspects)) < DIFFER, other, usual[:, None])
    outcome = np.full((checks, OUTCOMES, suspects), MISTAKEN / OUTCOMES)
    np.put_along_axis(outcome, kind[:, None, :], 1.0 - MISTAKEN + MISTAKEN / OUTCOMES, axis=1)
    return rng.dirichlet(np.full(suspects, 0.3)), outcome, {0: int(usual[0] + 1) % OUTCOMES, 1: int(usual[1])}


def least_s(work: Callable[[], object], most_s: float = 2.0) -> float:
    """Seconds of the quickest of several goes, as many as fit into ``most_s`` after the first."""
    took: list[float] = []
    while not took or (sum(took) < most_s and len(took) < 50):
        start = time.process_time()
        work()
        took.append(time.process_time() - start)
    return min(took)


def same_rows() -> list[Row]:
    """The answers at the small size."""
    prior, outcome, seen = network(*SMALL)
    ours = OutcomeTables(outcome)
    odds = ours.odds_after(prior, seen)
    told = ours.information(odds)
    rows = []
    for name, (module, make) in ENGINES.items():
        head = f"{SMALL[0]} x {SMALL[1]}: apart from {name}"
        if not installed(module):
            rows.append(Row(f"{head}, odds and information", None, "", SAME, note=f"{module} is not installed"))
            continue
        engine = make(prior, outcome)
        left = [check for check in range(len(outcome)) if check not in seen]
        theirs = np.array([engine.told(left, seen, way) for way in WAYS])
        rows += [
            Row(f"{head}, odds", float(np.abs(engine.posterior(seen) - odds).max()), "", SAME),
            Row(f"{head}, information", float(np.abs(theirs - told[left]).max()), "nat", SAME),
        ]
    return rows


def network_rows(suspects: int, checks: int, ranked_s: float, *, libraries: bool) -> list[Row]:
    """Times on the same network; ``ranked_s`` is what ranking the checks of a job of that size takes."""
    prior, outcome, seen = network(suspects, checks)
    tables = OutcomeTables(outcome)
    head = f"{suspects:,} x {checks:,}, same network"
    ours = least_s(lambda: tables.information(tables.odds_after(prior, seen)))
    rows = [
        Row(f"{head}: odds after two answers and information of all checks", 1e3 * ours, "ms",
            note=f"odds alone {1e3 * least_s(lambda: tables.odds_after(prior, seen)):.3g} ms; tables made once before"),
    ]  # fmt: skip
    for name, (module, make) in ENGINES.items() if libraries else ():
        goal = TIMES if (suspects, checks) == TIMES_AT else None
        if not installed(module):
            rows.append(Row(f"{head}: times {name}", None, "x", goal, at_least=True, note=f"{module} is not installed"))
            continue
        say(f"{head}: {name}")
        left = [check for check in range(checks) if check not in seen]
        first = min(FIRST_ASKED, len(left), most_checks(suspects))
        engine = make(prior, outcome[: 2 + first])
        each = {way: least_s(partial(engine.told, left[:first], seen, way), 0.0) / first for way in WAYS}
        way = min(WAYS, key=lambda one: each[one])
        asked = min(len(left), max(first, int(LIBRARY_S / max(each[way], 1e-9))), most_checks(suspects))
        engine = make(prior, outcome[: 2 + asked])
        took = least_s(partial(engine.told, left[:asked], seen, way), 0.0)
        odds_s = least_s(partial(engine.posterior, seen), 0.0)
        whole = took * checks / asked + (odds_s if way == "joint" else 0.0)
        about = f"{whole:.3g} s for the odds and all checks by {way} distributions, "
        about += "measured" if asked == len(left) else f"extrapolated from {asked} checks in {took:.3g} s"
        rows += [
            Row(f"{head}: times {name}", whole / ours, "x", goal, at_least=True, note=about),
            Row(f"{suspects:,} x {checks:,}: the same over the ranking of a job of that size", whole / ranked_s, "x"),
        ]
    return rows


def most_checks(suspects: int) -> int:
    """As many checks as a library's tables of them fit into some hundred megabytes."""
    return int(3e7 / (OUTCOMES * suspects))


def main() -> int:
    arguments = parser(__doc__)
    arguments.add_argument("--sizes", nargs="+", default=list(SIZES), help="suspects x checks (%(default)s)")
    arguments.add_argument("--steps", type=int, default=6, help="checks of each job (%(default)s)")
    arguments.add_argument("--no-libraries", action="store_true", help="halfsplit alone")
    given = arguments.parse_args()
    rows: list[Row] = []
    for size in map(size_of, given.sizes):
        say(f"{size[0]:,} x {size[1]:,}: jobs")
        found, ranked_s = job_rows(*size, given.steps)
        rows += [*found, *network_rows(*size, ranked_s, libraries=not given.no_libraries)]
    if not given.no_libraries:
        rows += same_rows()
    return finish("belief", given, rows, packages=["pyagrum", "pgmpy"])


if __name__ == "__main__":
    sys.exit(main())
