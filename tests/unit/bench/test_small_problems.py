"""Ways to work small problems: none is quicker than the optimum, and the known ones are as they should be."""

from __future__ import annotations

import pytest
from bench_optimum import mean_interval, over_optimum
from small_problems import WAYS, drawn, likeliest, ratio

from halfsplit.diagnosis.lookahead import Repair, RepairProblem


def test_no_way_is_quicker_than_the_optimum_and_the_planner_is_near() -> None:
    for seed in range(4):
        found = over_optimum(drawn(seed, 4, 4))
        assert found.keys() == WAYS.keys()
        assert min(found.values()) >= 1.0 - 1e-9
        assert found["planner"] <= found["half-split chart"]


def test_a_seed_gives_the_same_problem() -> None:
    one, same, other = drawn(1, 5, 5), drawn(1, 5, 5), drawn(2, 5, 5)
    assert one.prior == same.prior
    assert one.prior != other.prior
    assert [check.minutes for check in one.checks] == [check.minutes for check in same.checks]


def test_repairs_by_odds_and_by_odds_over_minutes() -> None:
    problem = RepairProblem(("a", "b"), (0.6, 0.4), (), (Repair("a", 30.0), Repair("b", 5.0)))
    assert likeliest(problem, problem.situation()).name == "a"
    assert ratio(problem, problem.situation()).name == "b"


def test_the_interval_of_a_mean_of_equal_values_is_that_value() -> None:
    assert mean_interval([1.5, 1.5, 1.5]) == pytest.approx((1.5, 1.5))
