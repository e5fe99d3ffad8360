"""Small repair problems drawn at random, and ways to work them that can be valued exactly.

A problem has as many repair groups as checks and three access steps, the third behind the second. Half of the checks
look at one group (seen with 60 to 95 %, falsely with 2 %); the others split the groups in two and are right with 95 to
98 %, one in four of them with 70 %. Repairs take 3 to 120 minutes, evenly on a logarithmic scale, and 3 to see whether
they worked; they always work. All figures are those of the measurements behind the goals, invented there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from halfsplit.diagnosis.endgame import Rule, minutes_ahead
from halfsplit.diagnosis.exact import best_plan
from halfsplit.diagnosis.lookahead import (
    AccessStep,
    Check,
    Choice,
    Repair,
    RepairProblem,
    Situation,
    by_information,
    rollout,
    two_step,
)
from halfsplit.diagnosis.planning import LEAST_REPAIR, REPAIR_AT, VERIFY_MIN

Way = Callable[[RepairProblem, Situation], Choice]

CONCENTRATION = 0.8
SPLITS = 0.01


def drawn(seed: int, groups: int, checks: int) -> RepairProblem:
    """The problem of a seed."""
    rng = np.random.default_rng([30_101, seed])
    access = []
    for number in range(3):
        opening = float(rng.uniform(2.0, 12.0))
        access.append(AccessStep(f"s{number}", opening, opening / 2.0, frozenset({"s1"} if number == 2 else ())))

    def behind() -> frozenset[str]:
        at = int(rng.integers(-1, len(access)))
        return frozenset() if at < 0 else frozenset({f"s{at}"})

    names = tuple(f"g{number}" for number in range(groups))
    where = [behind() for _ in names]
    made = []
    for number in range(checks):
        if number % 2 == 0:
            own = int(rng.integers(groups))
            yes = np.full(groups, 0.02)
            yes[own] = rng.uniform(0.6, 0.95)
            needs, minutes = where[own], float(rng.uniform(1.0, 8.0))
        else:
            right = 0.7 if rng.random() < 0.25 else float(rng.uniform(0.95, 0.98))
            side = rng.permutation(groups) < groups // 2
            yes = np.where(side, right, 1.0 - right)
            needs, minutes = behind(), float(rng.uniform(2.0, 8.0))
        made.append(Check(f"c{number}", minutes, ("yes", "no"), np.stack([yes, 1.0 - yes]), needs))
    repairs = tuple(
        Repair(name, float(np.exp(rng.uniform(np.log(3.0), np.log(120.0)))), 1.0, VERIFY_MIN, needs)
        for name, needs in zip(names, where, strict=True)
    )
    prior = rng.dirichlet(np.full(groups, CONCENTRATION))
    return RepairProblem(names, tuple(float(p) for p in prior / prior.sum()), tuple(made), repairs, tuple(access))


def planner(problem: RepairProblem, s: Situation) -> Choice:
    """As the planner works when few groups are left: the step with which the job is over soonest, looking ahead."""
    choices = rollout(problem, s).choices
    sure = _sure(problem, s, choices)
    if sure is not None:
        return sure
    ahead = minutes_ahead(problem, Rule(REPAIR_AT, LEAST_REPAIR), s)
    value = {("check", name): minutes for name, minutes in ahead.checks.items()}
    value |= {("repair", name): minutes for name, minutes in ahead.repairs.items()}
    return min(choices, key=lambda choice: value.get((choice.kind, choice.name), np.inf))


def _sure(problem: RepairProblem, s: Situation, choices: tuple[Choice, ...]) -> Choice | None:
    """The repair of a group that is likely enough, if there is one."""
    likely = {problem.groups[at] for at in np.flatnonzero(s.belief >= REPAIR_AT)}
    return next((one for one in choices if one.kind == "repair" and one.name in likely), None)


def by_rate(problem: RepairProblem, s: Situation) -> Choice:
    """Information per minute, access counted, repaired once likely enough."""
    return by_information(replace(problem, repair_threshold=REPAIR_AT), s).best


def by_rate_blind(problem: RepairProblem, s: Situation) -> Choice:
    """The same, access not counted."""
    choices = rollout(problem, s).choices
    bare = {("check", check.name): check.minutes for check in problem.checks}
    bare |= {("repair", repair.group): repair.minutes + repair.verify_minutes for repair in problem.repairs}
    sure = _sure(problem, s, choices)
    return sure or max(choices, key=lambda one: one.information_nats / max(bare.get((one.kind, one.name), 1.0), 0.1))


def chart(problem: RepairProblem, s: Situation) -> Choice:
    """The check whose first outcome is nearest to even odds, minutes not looked at; then repairs, likeliest first."""
    choices = rollout(problem, s).choices
    splits = [
        (abs(one.branches[0].chance - 0.5), at)
        for at, one in enumerate(choices)
        if one.kind == "check" and len(one.branches) > 1 and SPLITS < one.branches[0].chance < 1.0 - SPLITS
    ]
    return _sure(problem, s, choices) or (choices[min(splits)[1]] if splits else likeliest(problem, s))


def likeliest(problem: RepairProblem, s: Situation) -> Choice:
    """Repairs, likeliest first, without any check."""
    odds = dict(zip(problem.groups, s.belief.tolist(), strict=True))
    return max(_repairs(problem, s), key=lambda one: odds.get(one.name, 0.0))


def ratio(problem: RepairProblem, s: Situation) -> Choice:
    """Repairs in order of odds over minutes, access included, without any check."""
    odds = dict(zip(problem.groups, s.belief.tolist(), strict=True))
    return max(_repairs(problem, s), key=lambda one: odds.get(one.name, 0.0) / max(one.minutes_now, 0.1))


def _repairs(problem: RepairProblem, s: Situation) -> list[Choice]:
    choices = rollout(problem, s).choices
    return [one for one in choices if one.kind == "repair"] or list(choices)


WAYS: dict[str, Way] = {
    "planner": planner,
    "exact where small, else two steps ahead": lambda problem, s: best_plan(problem, s).best,
    "two steps ahead": lambda problem, s: two_step(problem, s).best,
    "one step ahead": lambda problem, s: rollout(problem, s).best,
    "by rate": by_rate,
    "by rate, access not seen": by_rate_blind,
    "half-split chart": chart,
    "odds over minutes, no checks": ratio,
    "likeliest first, no checks": likeliest,
}
