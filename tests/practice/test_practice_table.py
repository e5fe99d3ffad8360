"""Practice jobs on the shipped machines: the planner against two rules of thumb on the same hidden faults.

This is a sample that fits a test run. The whole measurement, 200 hidden faults on the sweeper, 100 on the
platform and 50 pairs, is one command (see docs/practice-table.md, which holds its figures and what failed):

    halfsplit practice examples/saltmarsh-sweeper --table --count 200 --pairs 50
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.table import Table, run_table
from halfsplit.machine.reading import load_machine

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
SAMPLE = {"saltmarsh-sweeper": 16, "orchard-platform": 10}


@cache
def table(name: str) -> Table:
    return run_table(Bench(load_machine(EXAMPLES / name)), SAMPLE[name])


@pytest.mark.parametrize("name", SAMPLE)
def test_the_planner_finds_the_cause(name: str) -> None:
    """The goal is 95 % over the whole measurement; one or two misses more lie within the luck of a sample."""
    found = table(name).share("planner", "found")

    assert found >= 0.85, [job.hidden for job in table(name).failures()]


@pytest.mark.parametrize("name", SAMPLE)
def test_a_wrong_cause_is_seldom_stated_with_more_than_ninety_percent(name: str) -> None:
    """The goal is 2 % over the whole measurement; the sample allows one job more."""
    sure = [job for job in table(name).singles if job.played["planner"].sure_and_wrong]

    assert len(sure) <= 1 + 0.02 * SAMPLE[name], [(job.seed, job.hidden) for job in sure]


@pytest.mark.parametrize("name", SAMPLE)
def test_the_planner_takes_fewer_minutes_than_the_rules_of_thumb(name: str) -> None:
    own = table(name).minutes("planner")

    assert own <= 0.6 * table(name).minutes("half-split chart")
    assert own <= 0.45 * table(name).minutes("most likely place first")


def test_the_same_seeds_give_the_same_table_with_any_number_of_workers() -> None:
    bench = Bench(load_machine(EXAMPLES / "hand-cart-generator"))

    assert run_table(bench, 6, workers=2) == run_table(bench, 6)
