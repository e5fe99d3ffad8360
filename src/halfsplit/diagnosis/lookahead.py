"""The next step when few repair groups are alive: one step ahead, two steps ahead, or exactly.

``rollout`` values each possible action by its minutes plus the expected minutes of the base order after
each of its outcomes (Bertsekas, Tsitsiklis and Wu 1997). The base order's own first action is among those
tried, so following the rollout never takes longer, in expectation, than following the base order.
``two_step`` looks one action further and ends in a leaf that also believes in being told the fault for a
price. The module ``exact`` has the dynamic programme, and ``best_plan`` that falls back on two steps. The
model is described in ``repair_problem``; every minute is an expectation under that model, closing up
included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from halfsplit.diagnosis.moves import (
    LEAST_CHANCE,
    Kind,
    Moves,
    base_after,
    move_name,
    moves_of,
)
from halfsplit.diagnosis.outcome_tables import entropy_nats
from halfsplit.diagnosis.repair_problem import (
    FREE_MINUTES,
    AccessStep,
    Check,
    Repair,
    RepairProblem,
    Situation,
    base_minutes,
)
from halfsplit.diagnosis.tree import capacity_bits

if TYPE_CHECKING:
    from collections.abc import Callable

    from halfsplit.diagnosis.repair_problem import Floats

__all__ = [
    "AccessStep",
    "Branch", "Check", "Choice", "Kind", "Plan", "Repair", "RepairProblem", "Situation", "after",
    "base_value", "by_information", "lower_bound", "minutes_of_policy", "plan_of", "rollout", "two_step",
]  # fmt: skip

#: The outcomes of a repair, in the order the branches are given.
WORKS, STILL_THERE = "works", "still there"

#: How many actions the second step looks at, by information per minute. From reference measurements on small
#: synthetic cases, where 10 lost nothing against all; no source outside this project.
BEAM = 10

#: The outcomes of a repair, in the order the branches are given.
WORKS, STILL_THERE = "works", "still there"


@dataclass(frozen=True, slots=True)
class Branch:
    """What one outcome leads to: its chance, the belief then, expected minutes from there, the step after."""

    outcome: str
    chance: float
    belief: tuple[float, ...]
    minutes: float
    next_kind: Kind
    next_name: str


@dataclass(frozen=True, slots=True)
class Choice:
    """One action: the minutes it costs now, what it opens, and the expected minutes of the whole job.

    ``name`` is a check's name, a repair's group, or empty. ``information_nats`` is what the outcome tells
    about the groups. ``by_threshold`` marks a repair put first because its odds passed the problem's
    threshold.
    """

    kind: Kind
    name: str
    minutes_now: float
    opens: tuple[str, ...]
    expected_minutes: float
    information_nats: float
    branches: tuple[Branch, ...]
    by_threshold: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """All actions, best first, beside the base order's minutes and a bound nobody can beat.

    ``method`` is "rollout", "two steps", "exact" or "information per minute". For the last, the order is by
    that rate and the expected minutes are those of the rollout.
    """

    method: str
    choices: tuple[Choice, ...]
    base_minutes: float
    lower_bound_minutes: float

    @property
    def best(self) -> Choice:
        """The action to do next."""
        return self.choices[0]


def base_value(problem: RepairProblem, situation: Situation | None = None) -> float:
    """Expected minutes of the base order: repairs in blocks with their access, handed over when best."""
    s = situation or problem.situation()
    return float(base_minutes(problem, s.belief[None], s.is_open[None], s.repairs_left[None])[0][0])


def rollout(problem: RepairProblem, situation: Situation | None = None) -> Plan:
    """Each action's minutes plus the base order's after each outcome; the least is best.

    ``situation`` is where the job stands (``problem.situation(...)``), the start when None.
    """
    s = situation or problem.situation()
    moves = moves_of(problem, s)
    values, first = base_after(problem, moves)
    expected = moves.minutes + np.sum(moves.joint.sum(axis=2) * values, axis=1)
    follows = [[_first_name(problem, int(f)) for f in row] for row in first]
    return plan_of(problem, s, moves, "rollout", expected=expected, values=values, follows=follows)


def by_information(problem: RepairProblem, situation: Situation | None = None) -> Plan:
    """Actions by information per minute, access counted; a repair is first once its odds pass the threshold.

    For any number of groups. Expected minutes are those of the rollout, so that the runner-up can be
    compared.
    """
    s = situation or problem.situation()
    plan = rollout(problem, s)
    ranked = sorted(
        plan.choices,
        key=lambda c: (not c.by_threshold, -c.information_nats / max(c.minutes_now, FREE_MINUTES)),
    )
    return replace(plan, method="information per minute", choices=tuple(ranked))


def two_step(
    problem: RepairProblem,
    situation: Situation | None = None,
    *,
    beam: int = BEAM,
    kappa_minutes_per_nat: float | None = None,
) -> Plan:
    """Two actions ahead with the mixed leaf.

    Looked at that far are the ``beam`` best actions by information per minute, the likeliest repair, the
    rollout's first action and handing over. The leaf hopes, so these minutes may lie below what can be
    reached: they rank, and the rollout's minutes promise.

    The leaf is the lesser of the base order's minutes and (minutes to mend the fault once known) + kappa *
    entropy. ``kappa_minutes_per_nat`` is the price of being told; None takes the inverse of the best rate
    in sight. Actions outside the beam keep their rollout value and come after all that were looked at.
    """
    s = situation or problem.situation()
    moves = moves_of(problem, s)
    values, first = base_after(problem, moves)
    one_ahead = moves.minutes + np.sum(moves.joint.sum(axis=2) * values, axis=1)
    rates = moves.told / np.maximum(moves.minutes, FREE_MINUTES)
    kappa = kappa_minutes_per_nat
    if kappa is None:
        kappa = 1.0 / float(rates.max()) if len(rates) and rates.max() > 0 else 0.0
    chosen = _beam(problem, s, moves, rates=rates, one_ahead=one_ahead, beam=beam)
    expected, follows = one_ahead.copy(), [[_first_name(problem, int(f)) for f in row] for row in first]
    for m in chosen:
        total = float(moves.minutes[m])
        for k in np.flatnonzero(moves.joint[m].sum(axis=1) > LEAST_CHANCE):
            chance = float(moves.joint[m, k].sum())
            then = Situation(
                moves.joint[m, k] / chance, moves.is_open[m], moves.repairs_left[m], moves.checks_left[m]
            )
            value, follow = _best_with_leaf(problem, then, kappa)
            total += chance * value
            values[m, k], follows[m][k] = value, follow
        expected[m] = total
    return plan_of(
        problem,
        s,
        moves,
        "two steps",
        expected=expected,
        values=values,
        follows=follows,
        looked_at=set(chosen),
    )


def lower_bound(problem: RepairProblem, situation: Situation | None = None) -> float:
    """Minutes that no way of working can beat.

    The greater of: what the job would take if the fault were known, and, where every way to end the job
    names the group, the entropy left divided by the most information a minute can bring (channel capacity
    over minutes, access left out). Both are reached rarely; the gap to a plan is an upper limit of what
    could still be saved.
    """
    s = situation or problem.situation()
    t = problem.tables
    known = float(s.belief @ t.cure_minutes(s.is_open[None], s.repairs_left[None])[0])
    mendable = np.zeros(len(s.belief), dtype=np.bool_)
    mendable[t.repair_group[s.repairs_left & (t.success >= 1.0)]] = True
    if problem.hand_over_minutes is None and np.any(s.belief[~mendable] > 0):
        return known  # the job may end without the fault being named, so entropy bounds nothing
    rates = [
        capacity_bits(t.outcome[c][:, s.belief > 0])[1] / max(float(t.check_minutes[c]), FREE_MINUTES)
        for c in np.flatnonzero(s.checks_left)
    ]
    for r in np.flatnonzero(s.repairs_left):
        worked = t.success[r]
        bits = capacity_bits(np.array([[worked, 0.0], [1.0 - worked, 1.0]]))[1]
        rates.append(bits / max(float(t.repair_minutes[r]), FREE_MINUTES))
    if problem.hand_over_minutes is not None:  # whoever takes over is treated as naming the group
        rates.append(math.log2(max(len(s.belief), 2)) / max(problem.hand_over_minutes, FREE_MINUTES))
    best = max(rates, default=0.0)
    bits_left = entropy_nats(s.belief[None])[0] / math.log(2)
    return max(known, float(bits_left) / best) if best > 0 else known


def after(problem: RepairProblem, situation: Situation, choice: Choice, branch: Branch) -> Situation:
    """Where the job stands after ``choice`` came out as ``branch``; not defined once the job has ended."""
    t = problem.tables
    left, unused = situation.repairs_left.copy(), situation.checks_left.copy()
    if choice.kind == "repair":
        left[[repair.group for repair in problem.repairs].index(choice.name)] = False
    elif choice.kind == "check":
        number = [check.name for check in problem.checks].index(choice.name)
        unused[number] = problem.checks[number].may_repeat
    is_open = situation.is_open | t.mask(choice.opens, list(t.step_index), "access step")
    return Situation(np.asarray(branch.belief), is_open, left, unused)


def minutes_of_policy(
    problem: RepairProblem,
    policy: Callable[[Situation], Choice],
    situation: Situation | None = None,
) -> float:
    """Expected minutes of following ``policy`` to the end, by recursion over every outcome.

    Only for small problems, and only where the policy ends: checks that may repeat can go on for ever.
    """
    s = situation or problem.situation()
    choice = policy(s)
    total = choice.minutes_now
    for branch in choice.branches:
        if branch.outcome != WORKS and choice.kind in {"check", "repair"}:
            total += branch.chance * minutes_of_policy(problem, policy, after(problem, s, choice, branch))
    return total


def _best_with_leaf(problem: RepairProblem, s: Situation, kappa: float) -> tuple[float, tuple[Kind, str]]:
    """Least minutes over the second action, each ended by the mixed leaf; and which action that is."""
    t = problem.tables
    moves = moves_of(problem, s)
    values, _ = base_after(problem, moves)
    chance = moves.joint.sum(axis=2)
    m, k = np.nonzero(chance > LEAST_CHANCE)
    belief = moves.joint[m, k] / chance[m, k, None]
    cure = t.cure_minutes(moves.is_open[m], moves.repairs_left[m])
    leaf = np.sum(belief * cure, axis=1) + kappa * entropy_nats(belief)
    values[m, k] = np.minimum(values[m, k], leaf)
    expected = moves.minutes + np.sum(chance * values, axis=1)
    best = int(np.argmin(expected))
    return float(expected[best]), (moves.kind[best], move_name(problem, moves, best))


def _beam(
    problem: RepairProblem, s: Situation, moves: Moves, *, rates: Floats, one_ahead: Floats, beam: int
) -> list[int]:
    chosen = {int(m) for m in np.argsort(-rates, kind="stable")[:beam]}
    chosen.add(int(np.argmin(one_ahead)))
    mends = [m for m, kind in enumerate(moves.kind) if kind == "repair"]
    if mends:
        chosen.add(max(mends, key=lambda m: float(s.belief[problem.tables.repair_group[moves.index[m]]])))
    chosen.update(m for m, kind in enumerate(moves.kind) if kind in {"hand over", "nothing"})
    return sorted(chosen)


def plan_of(
    problem: RepairProblem,
    s: Situation,
    moves: Moves,
    method: str,
    *,
    expected: Floats,
    values: Floats,
    follows: list[list[tuple[Kind, str]]],
    looked_at: set[int] | None = None,
) -> Plan:
    """Moves as ranked choices; ``expected`` (M), ``values`` and ``follows`` (M, K) come from the method."""
    steps = [step.name for step in problem.access]
    choices: list[tuple[tuple[bool, bool, float, int], Choice]] = []
    for m, kind in enumerate(moves.kind):
        branches: list[Branch] = []
        name, chance = move_name(problem, moves, m), moves.joint[m].sum(axis=1)
        odds = 0.0
        if kind == "repair":
            odds = float(s.belief[problem.tables.repair_group[moves.index[m]]])
            branches.append(Branch(WORKS, 1.0 - float(chance[0]), (), 0.0, "nothing", ""))
        labels = problem.checks[moves.index[m]].outcomes if kind == "check" else (STILL_THERE,)
        for k in np.flatnonzero(chance > LEAST_CHANCE) if kind in {"check", "repair"} else ():
            belief = tuple(float(x) for x in moves.joint[m, k] / chance[k])
            branches.append(Branch(labels[k], float(chance[k]), belief, float(values[m, k]), *follows[m][k]))
        limit = problem.repair_threshold
        forced = kind == "repair" and limit is not None and odds >= limit
        choice = Choice(
            kind,
            name,
            float(moves.minutes[m]),
            tuple(steps[a] for a in np.flatnonzero(moves.is_open[m] & ~s.is_open)),
            float(expected[m]),
            float(moves.told[m]),
            tuple(branches),
            forced,
        )
        far = looked_at is None or m in looked_at
        choices.append(((not forced, not far, choice.expected_minutes, m), choice))
    choices.sort(key=lambda pair: pair[0])
    return Plan(method, tuple(c for _, c in choices), base_value(problem, s), lower_bound(problem, s))


def _first_name(problem: RepairProblem, first: int) -> tuple[Kind, str]:
    if first < 0:
        return "nothing", ""
    return ("hand over", "") if first == len(problem.repairs) else ("repair", problem.repairs[first].group)
