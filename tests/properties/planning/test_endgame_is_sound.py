"""Looking ahead on random small problems: never worse than the rules it starts from, never better than exact."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from tests.properties.planning.test_lookahead_is_sound import ROUNDING, random_problem, seeds

from halfsplit.diagnosis.endgame import Rule, minutes_ahead
from halfsplit.diagnosis.exact import exact
from halfsplit.diagnosis.lookahead import Choice, RepairProblem, Situation, base_value, minutes_of_policy, rollout

RULE = Rule(repair_at=0.9, least_repair=0.6)


def best_step(problem: RepairProblem, situation: Situation) -> Choice:
    """The first step with the least minutes, handing over where that is no more."""
    ahead = minutes_ahead(problem, RULE, situation, cut=0.0)
    valued = {("check", name): value for name, value in ahead.checks.items()}
    valued |= {("repair", name): value for name, value in ahead.repairs.items()}
    if problem.hand_over_minutes is not None:
        valued["hand over", ""] = problem.hand_over_minutes
    choices = rollout(problem, situation).choices
    return min(choices, key=lambda choice: valued.get((choice.kind, choice.name), np.inf))


@given(seeds)
@settings(max_examples=60)
def test_exact_is_at_most_looking_ahead_is_at_most_either_rule(seed: int) -> None:
    problem = random_problem(seed)
    ahead = minutes_ahead(problem, RULE, cut=0.0)
    best = exact(problem).best.expected_minutes
    assert best <= ahead.best_minutes + ROUNDING
    assert ahead.best_minutes <= base_value(problem) + ROUNDING
    assert ahead.best_minutes <= ahead.by_rate + ROUNDING
    assert ahead.base_minutes == pytest.approx(base_value(problem), abs=ROUNDING)


@given(seeds)
@settings(max_examples=40)
def test_following_it_to_the_end_takes_no_longer_than_stated_or_than_either_rule(seed: int) -> None:
    problem = random_problem(seed)
    followed = minutes_of_policy(problem, lambda s: best_step(problem, s))
    ahead = minutes_ahead(problem, RULE, cut=0.0)
    assert exact(problem).best.expected_minutes <= followed + ROUNDING
    assert followed <= ahead.best_minutes + ROUNDING
    assert followed <= ahead.by_rate + ROUNDING


@given(seeds)
@settings(max_examples=60)
def test_two_groups_and_one_check_are_valued_exactly(seed: int) -> None:
    problem = random_problem(seed, most_groups=2, most_checks=1, sure=True)
    plan, ahead = exact(problem), minutes_ahead(problem, RULE, cut=0.0)
    assert ahead.best_minutes == pytest.approx(plan.best.expected_minutes, abs=ROUNDING)
    for choice in plan.choices:
        known = ahead.checks if choice.kind == "check" else ahead.repairs
        if choice.kind in ("check", "repair"):
            assert known[choice.name] == pytest.approx(choice.expected_minutes, abs=ROUNDING)


@given(seeds)
@settings(max_examples=40)
def test_leaving_unlikely_outcomes_out_values_the_same_steps_at_no_more_than_the_base_order(seed: int) -> None:
    problem = random_problem(seed)
    whole, short = minutes_ahead(problem, RULE, cut=0.0), minutes_ahead(problem, RULE, cut=0.2)
    for full, less in ((whole.checks, short.checks), (whole.repairs, short.repairs)):
        assert full.keys() == less.keys()
    assert short.best_minutes <= base_value(problem) + ROUNDING
