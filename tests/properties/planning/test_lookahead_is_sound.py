"""The small planner on random problems: never worse than its base, never better than the exact optimum."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfsplit.diagnosis.access_order import Item, base_order
from halfsplit.diagnosis.exact import exact
from halfsplit.diagnosis.lookahead import (
    AccessStep,
    Check,
    Choice,
    Repair,
    RepairProblem,
    Situation,
    base_value,
    by_information,
    lower_bound,
    minutes_of_policy,
    rollout,
    two_step,
)

seeds = st.integers(min_value=0, max_value=2**32 - 1)

#: Rounding of sums of a few hundred products.
ROUNDING = 1e-7


def random_problem(
    seed: int, *, most_groups: int = 4, most_checks: int = 3, needs: int = 1, sure: bool = False
) -> RepairProblem:
    """A small problem: openings, noisy checks of two or three outcomes, repairs that may fail."""
    rng = np.random.default_rng(seed)
    groups = int(rng.integers(2, most_groups + 1))
    checks = int(rng.integers(0, most_checks + 1))
    steps = int(rng.integers(0, 4))

    def some(below: int) -> frozenset[str]:
        count = min(below, int(rng.integers(0, needs + 1)))
        chosen: Iterable[int] = rng.choice(below, size=count, replace=False) if below else []
        return frozenset(f"s{j}" for j in chosen)

    access = tuple(
        AccessStep(f"s{i}", float(rng.integers(1, 12)), float(rng.integers(0, 6)), some(i))
        for i in range(steps)
    )
    made = []
    for c in range(checks):
        outcomes = int(rng.integers(2, 4))
        table = rng.dirichlet(np.full(outcomes, 0.3), size=groups).T
        names = tuple(f"o{k}" for k in range(outcomes))
        made.append(Check(f"c{c}", float(rng.integers(1, 10)), names, table, some(steps)))
    repairs = tuple(
        Repair(
            f"g{g}",
            float(rng.integers(3, 80)),
            1.0 if sure else float(rng.choice([1.0, 0.9, 0.7])),
            float(rng.integers(0, 5)),
            some(steps),
        )
        for g in range(groups)
        if sure or rng.random() < 0.9
    )
    prior = rng.dirichlet(np.full(groups, 0.7))
    opened = frozenset(s.name for s in access if not s.needs and rng.random() < 0.3)
    away = None if sure else float(rng.uniform(20, 200))
    return RepairProblem(
        tuple(f"g{g}" for g in range(groups)),
        tuple(float(p) for p in prior / prior.sum()),
        tuple(made),
        repairs,
        access,
        opened,
        away,
    )


def base_policy(problem: RepairProblem, situation: Situation) -> Choice:
    """The base order's first action, found through a base order kept apart from the planner."""
    t = problem.tables
    items = [
        Item(step.name, 0.0, step.open_minutes + step.close_minutes, step.needs) for step in problem.access
    ]
    for r, repair in enumerate(problem.repairs):
        if situation.repairs_left[r]:
            chance = float(situation.belief[t.repair_group[r]]) * repair.success
            items.append(Item(repair.group, chance, repair.minutes + repair.verify_minutes, repair.access))
    opened = [step.name for s, step in enumerate(problem.access) if situation.is_open[s]]
    order = base_order(items, open_steps=opened, hand_over_minutes=problem.hand_over_minutes)
    first = next((name for name in order.names if name in problem.groups), "")
    return next(
        c
        for c in rollout(problem, situation).choices
        if c.name == first and c.kind in ({"repair"} if first else {"hand over", "nothing"})
    )


@given(seeds)
@settings(max_examples=60)
def test_exact_is_at_most_rollout_is_at_most_base(seed: int) -> None:
    problem = random_problem(seed)
    best = exact(problem).best.expected_minutes
    ours = minutes_of_policy(problem, lambda s: rollout(problem, s).best)
    base = minutes_of_policy(problem, lambda s: base_policy(problem, s))
    assert lower_bound(problem) <= best + ROUNDING
    assert best <= ours + ROUNDING
    assert ours <= base + ROUNDING
    assert ours <= rollout(problem).best.expected_minutes + ROUNDING
    assert base_value(problem) == pytest.approx(base, abs=ROUNDING)


@given(seeds)
@settings(max_examples=40)
def test_rollout_is_at_most_base_where_access_is_not_a_tree(seed: int) -> None:
    problem = random_problem(seed, needs=2)
    best = exact(problem).best.expected_minutes
    ours = minutes_of_policy(problem, lambda s: rollout(problem, s).best)
    assert lower_bound(problem) <= best + ROUNDING
    assert best <= ours + ROUNDING
    assert ours <= base_value(problem) + ROUNDING


@given(seeds)
@settings(max_examples=40)
def test_following_the_exact_plan_takes_the_minutes_it_states(seed: int) -> None:
    problem = random_problem(seed, most_groups=3, most_checks=2, needs=2)
    followed = minutes_of_policy(problem, lambda s: exact(problem, s).best)
    assert followed == pytest.approx(exact(problem).best.expected_minutes, abs=ROUNDING)


@given(seeds)
@settings(max_examples=40)
def test_no_way_of_working_beats_the_exact_plan_or_the_bound(seed: int) -> None:
    problem = random_problem(seed, sure=True)
    best = exact(problem).best.expected_minutes
    assert lower_bound(problem) <= best + ROUNDING
    assert best <= minutes_of_policy(problem, lambda s: two_step(problem, s).best) + ROUNDING
    assert best <= minutes_of_policy(problem, lambda s: by_information(problem, s).best) + ROUNDING


@given(seeds)
@settings(max_examples=40)
def test_outcomes_of_every_action_average_to_the_belief_before(seed: int) -> None:
    problem = random_problem(seed, needs=2)
    for plan in (rollout(problem), two_step(problem), exact(problem)):
        for choice in plan.choices:
            if choice.kind == "check":
                total = sum(b.chance for b in choice.branches)
                assert total == pytest.approx(1.0, abs=1e-9)
                mixed = sum(b.chance * np.array(b.belief) for b in choice.branches)
                assert mixed == pytest.approx(np.array(problem.prior), abs=1e-9)
            stated = choice.minutes_now + sum(b.chance * b.minutes for b in choice.branches)
            assert choice.expected_minutes == pytest.approx(stated, abs=ROUNDING)


@given(seeds)
@settings(max_examples=30)
def test_a_free_useless_check_changes_nothing(seed: int) -> None:
    problem = random_problem(seed)
    blind = Check("blind", 0.0, ("a", "b"), np.full((2, len(problem.groups)), 0.5))
    more = RepairProblem(
        problem.groups,
        problem.prior,
        (*problem.checks, blind),
        problem.repairs,
        problem.access,
        problem.open_steps,
        problem.hand_over_minutes,
    )
    assert exact(more).best.expected_minutes == pytest.approx(
        exact(problem).best.expected_minutes, abs=ROUNDING
    )


@given(seeds)
@settings(max_examples=30)
def test_a_second_look_never_costs_minutes(seed: int) -> None:
    problem = random_problem(seed, most_groups=3, most_checks=2)
    again = RepairProblem(
        problem.groups,
        problem.prior,
        tuple(
            Check(c.name, c.minutes, c.outcomes, c.table, c.access, may_repeat=True) for c in problem.checks
        ),
        problem.repairs,
        problem.access,
        problem.open_steps,
        problem.hand_over_minutes,
    )
    once, twice = exact(again, looks=1), exact(again, looks=2)
    assert once.best.expected_minutes == pytest.approx(
        exact(problem).best.expected_minutes, abs=ROUNDING
    )
    assert twice.best.expected_minutes <= once.best.expected_minutes + ROUNDING
