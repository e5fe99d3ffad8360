"""The measured comparison: many hidden faults, each worked by the planner and by two rules of thumb."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.table import RULES, Table, run_table
from halfsplit.machine.reading import load_machine


@dataclass(frozen=True, slots=True)
class RuleLine:
    """One rule over all single faults: mean minutes, and shares (0..1) of jobs that ended that way."""

    rule: str
    mean_minutes: float
    share_of_planner: float
    found: float
    mended: float
    sure_and_wrong: float


@dataclass(frozen=True, slots=True)
class FailedJob:
    """A job the planner did not finish rightly: its seed and what was hidden."""

    seed: int
    hidden: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Measured:
    """The comparison on one machine; the pairs' figures are None when no pairs were played."""

    machine: str
    singles: int
    pairs: int
    rules: tuple[RuleLine, ...]
    pairs_mended: float | None
    pairs_wrong_repairs: float | None
    failures: tuple[FailedJob, ...]


def measured(machine_path: Path, singles: int, pairs: int = 0, workers: int = 1) -> Measured:
    """Plays the first ``singles`` hidden faults and ``pairs`` pairs; the same numbers give the same table."""
    table = run_table(Bench(load_machine(machine_path)), singles, pairs, workers)
    return Measured(
        machine=table.machine,
        singles=len(table.singles),
        pairs=len(table.pairs),
        rules=tuple(_rules(table, tuple(RULES))) if table.singles else (),
        pairs_mended=table.pairs_mended() if table.pairs else None,
        pairs_wrong_repairs=table.pairs_wrong_repairs() if table.pairs else None,
        failures=tuple(FailedJob(job.seed, job.hidden) for job in table.failures()),
    )


def _rules(table: Table, names: Sequence[str]) -> list[RuleLine]:
    own = table.minutes("planner")
    return [
        RuleLine(
            name,
            table.minutes(name),
            own / max(table.minutes(name), 1e-9),
            table.share(name, "found"),
            table.share(name, "mended"),
            table.share(name, "sure_and_wrong"),
        )
        for name in names
    ]
