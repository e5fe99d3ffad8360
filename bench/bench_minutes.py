"""Practice jobs: the planner's minutes beside other ways of working, right and wrong about the machine, and its odds.

    python bench/bench_minutes.py [--machines NAME ...] [--settings NAME ...] [--count 300] [--pairs 50] [--workers 1]

Ways of working are those of ways.py, settings those of breakdowns.py. Every way works every breakdown, on the same
machine with the same luck. With right parameters all ways are played, with wrong ones the planner, by rate and the two
rules of thumb. Minutes are those until the job is ended, mended or not; the shares mended stand beside them. Ratios are
of means, with a 95 % bootstrap interval over breakdowns. Pairs are two hidden faults at once, for the planner.

Calibration sorts what was stated, the leading suspect's odds before each step of the planner, and counts how often it
was so. Statements of one breakdown hang together; the intervals are by breakdown (estimates.reliability).

300 breakdowns of one machine take hours. Each is written to FOLDER/jobs as it ends, and a run that is broken off goes
on from there as long as neither the program nor the machine changes.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from breakdowns import MISSING, PAIRS, SETTINGS, Breakdown, breakdown, hidden_on, without
from estimates import Bin, overconfident, ratio_of_means, reliability, share_interval
from harness import write_harness
from kept_jobs import Job, digest, keep, kept
from rows import ROOT, Row, finish, parser, say
from ways import CHART, KNOWS, LIKELIEST, ONE_FAULT, PLANNER, RATE, RATE_BLIND, RATIO, WAYS

from halfsplit.diagnosis.hunt import Bench
from halfsplit.machine.reading import load_machine
from halfsplit.service.kept_tables import tables

SHIPPED = ("saltmarsh-sweeper", "orchard-platform")
GENERATED = ("400", "1500")
ALL_WAYS = (PLANNER, ONE_FAULT, RATE, RATE_BLIND, CHART, LIKELIEST, RATIO, KNOWS)
FEW_WAYS = (PLANNER, RATE, CHART, LIKELIEST, KNOWS)
OF_CHART, OF_CHART_WRONG, OF_LIKELIEST = 0.45, 0.50, 0.28
OF_RATE = 0.97
CLOSED_WRONG = 0.01
PAIRS_MENDED, PAIRS_WRONG_REPAIRS, PAIR_CHECKS = 0.85, 1.0, 40
MORE_CHECKS = 1.01
SURE = (0.85, 0.95)
OVERCONFIDENT = 0.10
LEAST_STATED = 20

_bench: Bench | None = None
_lacking: Bench | None = None


def play(task: tuple[str, int, tuple[str, ...]]) -> Job:
    """One breakdown of the bench set beforehand, worked by every way."""
    setting, seed, ways = task
    if _bench is None:
        raise RuntimeError("a worker was started without a bench")
    if setting == "pairs":
        one = Breakdown([PAIRS, seed], *hidden_on(_bench, np.random.default_rng([PAIRS, seed]), 2), _bench)
    else:
        one = breakdown(_bench, setting, seed, _lacking)
    went = {name: WAYS[name](one.believed, one.fresh(), one.complaint) for name in ways}
    faults = [one.world.faults[each.fault] for each in one.world.hidden]
    return Job(seed, tuple(fault.id for fault in faults), tuple(fault.mode.id for fault in faults), went)


def played(tasks: Sequence[tuple[str, int, tuple[str, ...]]], workers: int) -> Iterator[Job]:
    """The jobs of some tasks as they end."""
    if workers <= 1:
        yield from map(play, tasks)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("fork")) as pool:
        yield from (one.result() for one in as_completed([pool.submit(play, task) for task in tasks]))


def jobs_of(folder: Path, name: str, setting: str, count: int, given: argparse.Namespace) -> list[Job]:
    """The jobs of a machine in a setting, by seed: those kept, and the others played now."""
    ways = (PLANNER,) if setting == "pairs" else ALL_WAYS if setting == "right" else FEW_WAYS
    file = given.out / "jobs" / f"{name}-{setting}-{digest(folder, setting)}.jsonl"
    found = kept(file, range(count), ways)
    tasks = [(setting, seed, ways) for seed in range(count) if seed not in found]
    say(f"{name}, {setting}: {len(found)} kept, {len(tasks)} to play")
    for number, job in enumerate(keep(file, played(tasks, given.workers)), 1):
        found[job.seed] = job
        if number % 10 == 0:
            say(f"{name}, {setting}: {number} of {len(tasks)} played")
    return [found[seed] for seed in sorted(found)]


def minutes(jobs: Iterable[Job], way: str) -> list[float]:
    return [job.went[way].minutes for job in jobs]


def share(jobs: Sequence[Job], way: str, what: str) -> float:
    return float(np.mean([bool(getattr(job.went[way], what)) for job in jobs]))


def rows_of(title: str, setting: str, jobs: Sequence[Job], *, with_goals: bool) -> list[Row]:
    """The rows of one machine in one setting."""
    ways = [way for way in WAYS if all(way in job.went for job in jobs)]
    head = f"{title}, {setting}"
    found = []
    for way in ways:
        took = minutes(jobs, way)
        about = f"90th percentile {np.percentile(took, 90):.0f} min"
        if way != KNOWS:
            about += f"; cause found in {share(jobs, way, 'found'):.1%}, mended in {share(jobs, way, 'mended'):.1%}"
        found.append(Row(f"{head}: {way}, mean", float(np.mean(took)), "min", note=f"{about}; {len(jobs)} breakdowns"))
    goals = {CHART: OF_CHART if setting == "right" else OF_CHART_WRONG}
    if setting == "right":
        goals |= {LIKELIEST: OF_LIKELIEST, RATE: OF_RATE}
    own = minutes(jobs, PLANNER)
    for way in ways:
        if way in (PLANNER, ONE_FAULT):
            continue
        ratio = ratio_of_means(own, minutes(jobs, way))
        goal = goals.get(way) if with_goals else None
        about = f"95 % interval {ratio}"
        both = [job for job in jobs if job.went[PLANNER].mended and job.went[way].mended]
        if way != KNOWS and 0 < len(both) < len(jobs):
            about += f"; {ratio_of_means(minutes(both, PLANNER), minutes(both, way)).value:.3f} over the {len(both)} "
            about += "that both mended"
        found.append(Row(f"{head}: planner over {way}", ratio.value, "x", goal, note=about))
        if way == RATE and goal is not None:
            found.append(Row(f"{head}: upper end of that interval", ratio.high, "x", 1.0))
    wrong = [job for job in jobs if job.went[PLANNER].closed_wrong]
    low, high = share_interval(len(wrong), len(jobs))
    found.append(
        Row(
            f"{head}: wrong cause closed", len(wrong) / len(jobs), "share", CLOSED_WRONG,
            note=f"95 % interval {low:.3f} to {high:.3f}", more={"seeds": [job.seed for job in wrong]},
        )
    )  # fmt: skip
    if ONE_FAULT in ways:
        checks = [[float(job.went[way].checks) for job in jobs] for way in (PLANNER, ONE_FAULT)]
        ratio = ratio_of_means(checks[0], checks[1])
        found.append(
            Row(f"{head}: checks with two faults weighed over one only", ratio.value, "x", MORE_CHECKS,
                note=f"95 % interval {ratio}")
        )  # fmt: skip
    if setting == "missing":
        hit = [job for job in jobs if MISSING in job.kinds]
        if hit:
            found.append(
                Row(
                    f"{head}: mended where the hidden one is of that kind", share(hit, PLANNER, "mended"), "share",
                    note=f"{len(hit)} breakdowns, {np.mean(minutes(hit, PLANNER)):.0f} min; missing is {MISSING}",
                )
            )  # fmt: skip
    return found


def pair_rows(title: str, jobs: Sequence[Job]) -> list[Row]:
    """The rows of two faults at once."""
    went = [job.went[PLANNER] for job in jobs]
    mended = [one.mended and one.checks <= PAIR_CHECKS for one in went]
    low, high = share_interval(sum(mended), len(mended))
    wrong = [sum(not right for _, right in one.repairs) for one in went]
    return [
        Row(f"{title}, two faults: both mended within {PAIR_CHECKS} checks", float(np.mean(mended)), "share",
            PAIRS_MENDED, at_least=True, note=f"{len(jobs)} pairs, 95 % interval {low:.2f} to {high:.2f}"),
        Row(f"{title}, two faults: wrong repairs, mean", float(np.mean(wrong)), "repairs", PAIRS_WRONG_REPAIRS),
    ]  # fmt: skip


Stated = tuple[tuple[str, int], float, bool]
"""Of which machine and breakdown (seed), the odds, and whether it was so."""


def sorted_in_bins(said: Sequence[Stated]) -> tuple[Bin, ...]:
    return reliability([odds for _, odds, _ in said], [so for _, _, so in said], [case for case, _, _ in said])


def calibration_rows(stated: dict[str, list[Stated]]) -> tuple[list[Row], dict[str, object]]:
    """Rows and reliability tables of what was stated, by "right" and "wrong" parameters."""
    found: list[Row] = []
    whole: dict[str, object] = {}
    for which, said in stated.items():
        if not said:
            continue
        bins = sorted_in_bins(said)
        whole[which] = [asdict(one) for one in bins]
        found += [
            Row(
                f"{which} parameters: stated at {one.low:.0%} to {one.high:.0%}, true in", one.true, "share",
                note=f"{one.count:,} statements of {one.cases} breakdowns, {one.stated:.3f} stated on average, "
                f"95 % interval {one.interval[0]:.2f} to {one.interval[1]:.2f}",
            )
            for one in bins
        ]  # fmt: skip
        if which == "right":
            sure = next((one.true for one in bins if (one.low, one.high) == SURE and one.count >= LEAST_STATED), None)
            about = "" if sure is not None else f"fewer than {LEAST_STATED} such statements"
            found += [
                Row("stated at 85% to 95% with right parameters, true in at least", sure, "share", SURE[0],
                    at_least=True, note=about),
                Row("stated at 85% to 95% with right parameters, true in at most", sure, "share", SURE[1], note=about),
            ]  # fmt: skip
        worst = overconfident(bins, LEAST_STATED)
        about = f"of bins with {LEAST_STATED} statements or more"
        if worst is not None:
            low, high = (worst.stated - share for share in reversed(worst.interval))
            without = "" if worst.without_one is None else f", {worst.without_one:.3f} without the one that makes most"
            about = (
                f"{worst.low:.0%} to {worst.high:.0%}, of {worst.cases} breakdowns, 95 % interval {low:.2f} to "
                f"{high:.2f}{without}; {about}"
            )
        found.append(
            Row(
                f"{which} parameters: overconfidence in the worst bin",
                None if worst is None else worst.stated - worst.true, "share",
                OVERCONFIDENT if which == "wrong" else None, note=about,
            )
        )  # fmt: skip
    return found, whole


def main() -> int:
    global _bench, _lacking  # noqa: PLW0603 - handed to the forked workers once instead of with every task
    names = [*SHIPPED, *GENERATED]
    arguments = parser(__doc__)
    arguments.add_argument("--machines", nargs="+", choices=names, default=[*SHIPPED, "1500"], metavar="NAME")
    arguments.add_argument("--settings", nargs="+", choices=SETTINGS, default=list(SETTINGS), metavar="NAME")
    arguments.add_argument("--count", type=int, default=300, help="breakdowns of each machine (%(default)s)")
    arguments.add_argument("--pairs", type=int, default=50, help="pairs of hidden faults of each machine (%(default)s)")
    arguments.add_argument("--workers", type=int, default=1, help="processes (%(default)s)")
    given = arguments.parse_args()
    rows: list[Row] = []
    stated: dict[str, list[Stated]] = {"right": [], "wrong": []}
    repaired: dict[str, list[Stated]] = {"right": [], "wrong": []}
    with tempfile.TemporaryDirectory() as above:
        for name in given.machines:
            folder = write_harness(Path(above, name), int(name)) if name.isdigit() else ROOT / "examples" / name
            title = f"harness of {name}" if name.isdigit() else name
            _bench = Bench(load_machine(folder), tables())
            _lacking = without(_bench, MISSING, tables()) if "missing" in given.settings else None
            for setting in given.settings:
                jobs = jobs_of(folder, name, setting, given.count, given)
                rows += rows_of(title, setting, jobs, with_goals=name != SHIPPED[1])
                which = "right" if setting == "right" else "wrong"
                for job in jobs:
                    case, went = (name, job.seed), job.went[PLANNER]
                    stated[which] += [(case, odds, so) for odds, so in went.stated]
                    repaired[which] += [(case, odds, so) for odds, so in went.repairs]
            if given.pairs:
                rows += pair_rows(title, jobs_of(folder, name, "pairs", given.pairs, given))
    found, whole = calibration_rows(stated)
    mends = {which: [asdict(one) for one in sorted_in_bins(said)] for which, said in repaired.items()}
    return finish(
        "minutes", given, [*rows, *found], details={"calibration": whole, "calibration of repairs done": mends}
    )


if __name__ == "__main__":
    sys.exit(main())
