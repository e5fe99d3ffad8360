"""Many practice jobs, each worked by the planner and by two rules of thumb, and one table of what came out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np

from halfsplit.diagnosis.chart import half_split_chart, most_likely_first
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.practice import Played, hide, play
from halfsplit.diagnosis.world import World
from halfsplit.observations import Complaint

#: First part of every seed, so that jobs of a table differ from those anybody plays by hand.
SINGLES, PAIRS = 20_001, 20_002
MOST_CHECKS_OF_A_PAIR = 40

Rule = Callable[[Bench, World, Complaint], Played]
RULES: dict[str, Rule] = {
    "planner": play,
    "half-split chart": half_split_chart,
    "most likely place first": most_likely_first,
}

_bench: Bench | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """One hidden machine and how each rule fared on it."""

    seed: int
    hidden: tuple[str, ...]
    played: dict[str, Played]


@dataclass(frozen=True, slots=True)
class Table:
    """All jobs of one machine: single faults, then pairs (worked by the planner only)."""

    machine: str
    singles: tuple[Job, ...]
    pairs: tuple[Job, ...]

    def minutes(self, rule: str) -> float:
        """Mean minutes of a rule over the single faults."""
        return float(np.mean([job.played[rule].minutes for job in self.singles]))

    def share(self, rule: str, what: str) -> float:
        """Share of single faults for which an attribute of ``Played`` is true."""
        return float(np.mean([bool(getattr(job.played[rule], what)) for job in self.singles]))

    def pairs_mended(self) -> float:
        """Share of pairs with both faults mended within the checks allowed."""
        return float(
            np.mean(
                [
                    job.played["planner"].mended and job.played["planner"].checks <= MOST_CHECKS_OF_A_PAIR
                    for job in self.pairs
                ]
            )
        )

    def pairs_wrong_repairs(self) -> float:
        """Mean number of wrong repairs over the pairs."""
        return float(np.mean([job.played["planner"].wrong_repairs for job in self.pairs]))

    def failures(self) -> tuple[Job, ...]:
        """The jobs in which the planner did not find the cause, was sure and wrong, or left a fault unmended."""

        def failed(job: Job) -> bool:
            played = job.played["planner"]
            return not played.found or not played.mended or played.sure_and_wrong

        return (*filter(failed, self.singles), *(job for job in self.pairs if not job.played["planner"].mended))


def single_job(bench: Bench, seed: int, rules: Sequence[str] = tuple(RULES)) -> Job:
    """One hidden fault, worked by every rule on the same machine with the same luck of the draw."""
    world, complaint = hide(bench, np.random.default_rng([SINGLES, seed]))
    played = {
        name: RULES[name](bench, world.fresh(np.random.default_rng([SINGLES, seed, 1])), complaint)
        for name in rules
    }
    return Job(seed, _names(world), played)


def pair_job(bench: Bench, seed: int) -> Job:
    """Two hidden faults at once, worked by the planner."""
    world, complaint = hide(bench, np.random.default_rng([PAIRS, seed]), count=2)
    return Job(
        seed,
        _names(world),
        {"planner": play(bench, world.fresh(np.random.default_rng([PAIRS, seed, 1])), complaint)},
    )


def _names(world: World) -> tuple[str, ...]:
    return tuple(
        f"{world.faults[one.fault].id} {one.label}{' sleeps' if one.sleeps else ''}" for one in world.hidden
    )


def run_table(bench: Bench, singles: int, pairs: int = 0, workers: int = 1) -> Table:
    """Works the first ``singles`` and ``pairs`` seeds; the numbers do not depend on ``workers``."""
    tasks = [("single", seed) for seed in range(singles)] + [("pair", seed) for seed in range(pairs)]
    if workers <= 1:
        done = [_task(bench, task) for task in tasks]
    else:
        global _bench  # noqa: PLW0603 - handed to the forked workers once instead of with every task
        _bench = bench
        with ProcessPoolExecutor(workers, mp_context=get_context("fork")) as pool:
            done = list(pool.map(_forked, tasks, chunksize=2))
        _bench = None
    return Table(bench.machine.name, tuple(done[:singles]), tuple(done[singles:]))


def _task(bench: Bench, task: tuple[str, int]) -> Job:
    kind, seed = task
    return single_job(bench, seed) if kind == "single" else pair_job(bench, seed)


def _forked(task: tuple[str, int]) -> Job:
    if _bench is None:
        raise RuntimeError("the worker was started without a bench")
    return _task(_bench, task)
