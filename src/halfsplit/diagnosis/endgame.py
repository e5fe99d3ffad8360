"""Looking ahead over the few repair groups that are left: the expected minutes of the job after each next step.

Each possible first step is valued by its minutes plus what the job would still take after each of its outcomes,
were it worked from there by information per minute, or down the base order where that is less. Valuing steps by
what a rule of thumb would make of their outcomes, with every outcome followed, is the rollout of Bertsekas,
Tsitsiklis and Wu (1997); taking the better of two rules at each outcome is its parallel form (Chang, Givan and
Chong 2004). Both rules' own first steps are among those tried, so the best step never takes longer, in
expectation and under this model, than either rule. The few best first steps are then looked at once more, with the
best of some second steps after each of their outcomes, valued in the same way. Outcomes too unlikely to follow end in
the mixed leaf of ``lookahead``: the lesser of the base order's minutes and mending the fault once known plus kappa
times the entropy left.

The model is that of ``repair_problem``, with what it leaves out: one fault, and outcomes of two checks that are
independent once the group is known. All nodes of one depth are worked together as arrays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from halfsplit.diagnosis.living import but_for_rounding
from halfsplit.diagnosis.moves import (
    LEAST_CHANCE,
    Moves,
    base_after,
    move_name,
    moves_of,
    two_way_nats,
)
from halfsplit.diagnosis.outcome_tables import entropy_nats
from halfsplit.diagnosis.repair_problem import (
    FREE_MINUTES,
    SUM_TOLERANCE,
    AccessStep,
    Check,
    Repair,
    RepairProblem,
    Situation,
    base_minutes,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from halfsplit.diagnosis.repair_problem import Counts, Flags, Floats
    from halfsplit.machine.model import Machine

#: Look ahead when at most this many repair groups hold ``MASS`` of the odds: design.md part 9 says about 12.
FEW = 12
MASS = 0.97
#: First steps looked at: the best by information per minute, as engine-notes part 3 had it; besides them, for every
#: two groups, the check that tells them apart best for its minutes, so that there is something to follow with.
BY_RATE = 10
#: What a repair of a sound place costs besides its minutes, in minutes: the part that was not needed, and a place
#: disturbed so that the true cause may go back to sleep unfound; no source.
WRONG_REPAIR_MIN = 30.0
#: Two readings are the same when no group has this share of its mass in other outcomes; no source.
SAME_SHARE = 0.1
#: First steps looked at once more with a second step chosen after each outcome, the best by what the rules alone make
#: of them; and second steps tried there, by information per minute and by odds of the repair. More gain nothing on
#: small problems (measured), and keep the next check waiting.
FIRST_AGAIN = 4
SECOND_BY_RATE = 5
SECOND_REPAIRS = 2
#: Outcomes less likely than this from the first step on are not followed; keeps the next check quick, no source.
CUT_CHANCE = 0.003
#: Steps followed at most; what is left then goes down the base order. A job with few suspects is mostly over before,
#: no source.
DEPTH = 12
#: In looking ahead, a check that tells fewer nats a minute is not made and repairs begin: about what repairing down
#: the list tells where repairs take half an hour and a dozen groups are left (derived, not measured).
LEAST_RATE = 0.02
#: Information below this many nats is none: a check that tells less cannot change what is done next.
NO_INFORMATION = 1e-6


@dataclass(frozen=True, eq=False, slots=True)
class Candidate:
    """A check as the planner sees it: own minutes, state, access, and masses ``[outcomes, groups]`` as read."""

    name: str
    minutes: float
    state: str
    steps: tuple[str, ...]
    joint: Floats


@dataclass(frozen=True, slots=True)
class Mend:
    """A repair group that is left: its odds, the minutes of its repair, and those of seeing whether it worked.

    ``possible`` is False where it cannot be repaired (out of reach, or done before).
    """

    name: str
    odds: float
    minutes: float
    verify_minutes: float
    success: float
    steps: tuple[str, ...]
    possible: bool = True


@dataclass(frozen=True, slots=True)
class Ahead:
    """Expected minutes of the rest of the job for each first step, by the check's or the repair group's name.

    ``by_rate`` and ``base_minutes`` are those of working on by information per minute, and down the base order.
    """

    checks: Mapping[str, float]
    repairs: Mapping[str, float]
    by_rate: float
    base_minutes: float

    @property
    def best_minutes(self) -> float:
        """Minutes of the best first step."""
        return min([*self.checks.values(), *self.repairs.values(), self.base_minutes])


@dataclass(frozen=True, slots=True)
class Rule:
    """Working on by information per minute: a repair at once from ``repair_at``, as a check from ``least_repair``.

    What tells fewer than ``least_rate`` nats a minute is not done; with nothing else, repairs go down the base order.
    """

    repair_at: float
    least_repair: float
    least_rate: float = LEAST_RATE


def few_left(odds: Floats, most: int = FEW, mass: float = MASS) -> Counts | None:
    """The groups that hold ``mass`` of all ``odds`` ``[groups]``, likeliest first; None when they are too many."""
    total = float(odds.sum())
    if total <= 0.0:
        return None
    order = np.argsort(-odds, kind="stable")
    count = int(np.searchsorted(np.cumsum(odds[order]), mass * total - SUM_TOLERANCE)) + 1
    return order[:count].astype(np.intp) if count <= most else None


def best_between(table: Floats, minutes: Floats) -> tuple[Floats, Counts]:
    """For every two groups the most that a check tells them apart for its minutes, and which check: both ``[pairs]``.

    ``table`` ``[checks, outcomes, groups]`` is P(outcome | group), ``minutes`` ``[checks]`` hold the access. What
    is told goes with the square of the distance of the two distributions (half the sum of absolute differences), as
    information does where it is small.
    """
    one, other = np.triu_indices(table.shape[2], k=1)
    apart = 0.5 * np.abs(table[:, :, one] - table[:, :, other]).sum(axis=1)
    worth = but_for_rounding(apart**2 / minutes[:, None])
    best = np.argmax(worth, axis=0)
    return worth[best, np.arange(len(one))], best


def as_new(joint: Floats, made: Floats) -> Flags:
    """Which checks tell something else than those ``made``: masses ``[checks, outcomes, groups]``, the same outcomes.

    Something else is a share of ``SAME_SHARE`` or more of some group's mass in other outcomes.
    """
    new: Flags = np.ones(len(joint), dtype=np.bool_)
    held = np.maximum(joint.sum(axis=1), FREE_MINUTES)
    for one in made:
        moved = 0.5 * np.abs(joint - one).sum(axis=1)
        new &= (moved / held).max(axis=1) >= SAME_SHARE
    return new


def without_twins(candidates: Iterable[Candidate]) -> list[Candidate]:
    """The candidates without those that tell the same as another one that costs no more."""
    kept: dict[tuple[bytes, tuple[str, ...], str], Candidate] = {}
    for one in candidates:
        table = one.joint[one.joint.sum(axis=1) > 0.0]
        key = (np.round(table[np.lexsort(table.T[::-1])], 4).tobytes(), one.steps, one.state)
        if key not in kept or one.minutes < kept[key].minutes:
            kept[key] = one
    return list(kept.values())


def small_problem(
    machine: Machine, open_steps: frozenset[str], state: str, mends: Sequence[Mend], candidates: Sequence[Candidate]
) -> RepairProblem:
    """The planning problem over the groups of ``mends``, scaled to one, with ``candidates`` told over the same groups.

    A state of the machine counts as an access step: reaching it is charged once. Access that is shared is charged
    once too, closing up included. Every repair is charged ``WRONG_REPAIR_MIN`` more; as a job ends with one right
    repair, its minutes less that number hold the wrong repairs alone.
    """
    odds = np.array([one.odds for one in mends])
    prior = odds / odds.sum()
    states = sorted({one.state for one in candidates if one.state})
    reached = [*(one.steps for one in candidates), *(one.steps for one in mends)]
    wanted = _with_what_comes_before(machine, [name for steps in reached for name in steps])
    access = [
        AccessStep(step.id, step.open_min, step.close_min, frozenset(step.after) & machine.access.keys())
        for step in machine.access.values()
        if step.id in wanted
    ]
    access += [AccessStep(_state_step(one), machine.states[one].minutes) for one in states]
    opened = (set(open_steps) & wanted) | ({_state_step(state)} if state in states else set())
    checks = []
    for one in candidates:
        held = one.joint[one.joint.sum(axis=1) > 0.0]
        table = held / held.sum(axis=0)
        needs = frozenset(one.steps) | ({_state_step(one.state)} if one.state else set())
        checks.append(Check(one.name, one.minutes, tuple(str(k) for k in range(len(table))), table, needs))
    repairs = [
        Repair(one.name, one.minutes + WRONG_REPAIR_MIN, one.success, one.verify_minutes, frozenset(one.steps))
        for one in mends
        if one.possible
    ]
    return RepairProblem(
        tuple(one.name for one in mends),
        tuple(float(p) for p in prior),
        tuple(checks),
        tuple(repairs),
        tuple(access),
        frozenset(opened),
    )


def _with_what_comes_before(machine: Machine, steps: Sequence[str]) -> set[str]:
    """Some access steps of the machine and all that must be open before them."""
    found: set[str] = set()
    left = list(steps)
    while left:
        step = left.pop()
        if step not in found:
            found.add(step)
            left += [name for name in machine.access[step].after if name in machine.access]
    return found


def _state_step(state: str) -> str:
    return f"state {state}"


def minutes_ahead(
    problem: RepairProblem, rule: Rule, situation: Situation | None = None, *, cut: float = CUT_CHANCE
) -> Ahead:
    """The expected minutes of the job after each possible first step, and of both rules by themselves.

    Minutes are those of ``repair_problem``. Handing over, where the problem offers it, is valued as part of the
    base order only. Outcomes less likely than ``cut`` are not followed; the leaf they end in hopes, so that the
    minutes are those of something a person can do only with ``cut`` 0.
    """
    s = situation or problem.situation()
    moves = moves_of(problem, s)
    tables = _Tables(problem, rule, cut)
    kappa = tables.kappa(moves)
    base, _ = base_after(problem, moves)
    chance = moves.joint.sum(axis=2)
    m, k = np.nonzero(chance > LEAST_CHANCE)
    nodes = _Nodes(
        np.arange(len(m)),
        chance[m, k],
        moves.joint[m, k] / chance[m, k, None],
        moves.is_open[m],
        moves.repairs_left[m],
        moves.checks_left[m],
    )
    after = base.copy()
    after[m, k] = np.minimum(base[m, k], tables.follow(nodes, kappa, done=1) / chance[m, k])
    expected = moves.minutes + np.sum(chance * after, axis=1)
    # The best few steps again, their outcomes valued by the best of some further steps instead of by the rules alone.
    again = np.argsort(expected, kind="stable")[:FIRST_AGAIN]
    deep = np.flatnonzero(np.isin(m, again) & (chance[m, k] >= cut))
    if len(deep):
        further = tables.best_further(nodes.at(deep), kappa)
        after[m[deep], k[deep]] = np.minimum(after[m[deep], k[deep]], further)
        expected = moves.minutes + np.sum(chance * after, axis=1)
    now = _Nodes(
        np.zeros(1, dtype=np.intp), np.ones(1),
        s.belief[None], s.is_open[None], s.repairs_left[None], s.checks_left[None],
    )  # fmt: skip
    named: dict[str, dict[str, float]] = {"check": {}, "repair": {}}
    for at, kind in enumerate(moves.kind):
        if kind in named:
            named[kind][move_name(problem, moves, at)] = float(expected[at])
    alone, _ = base_minutes(problem, s.belief[None], s.is_open[None], s.repairs_left[None])
    return Ahead(named["check"], named["repair"], float(tables.follow(now, kappa)[0]), float(alone[0]))


@dataclass(frozen=True, eq=False, slots=True)
class _Nodes:
    """Places a job may come to: the first step's outcome they belong to, chance, and the situation; N of each."""

    root: Counts
    chance: Floats
    belief: Floats
    is_open: Flags
    repairs_left: Flags
    checks_left: Flags

    def at(self, chosen: Flags | Counts) -> _Nodes:
        """Some of the nodes."""
        return _Nodes(
            self.root[chosen], self.chance[chosen], self.belief[chosen], self.is_open[chosen],
            self.repairs_left[chosen], self.checks_left[chosen],
        )  # fmt: skip


    @staticmethod
    def joined(several: Sequence[_Nodes]) -> _Nodes:
        """Nodes one after the other."""
        return _Nodes(
            np.concatenate([one.root for one in several]), np.concatenate([one.chance for one in several]),
            np.concatenate([one.belief for one in several]), np.concatenate([one.is_open for one in several]),
            np.concatenate([one.repairs_left for one in several]), np.concatenate([one.checks_left for one in several]),
        )  # fmt: skip


class _Tables:
    """A problem's tables with the rule it is worked by."""

    def __init__(self, problem: RepairProblem, rule: Rule, cut: float) -> None:
        self.problem, self.rule, self.cut, self.tables = problem, rule, cut, problem.tables
        t = self.tables
        checks, outcomes, groups = t.outcome.shape
        self.flat: Floats = t.outcome.reshape(checks * outcomes, groups)
        #: Entropy of a check's outcome once the group is known, shape (C, G).
        self.noise = t.told.noise

    def kappa(self, moves: Moves) -> float:
        """The price of being told, minutes a nat: the inverse of the best rate in sight."""
        rates = moves.told / np.maximum(moves.minutes, FREE_MINUTES)
        best = float(rates.max(initial=0.0))
        return 1.0 / best if best > 0.0 else 0.0

    def follow(self, nodes: _Nodes, kappa: float, done: int = 0) -> Floats:
        """Minutes times chance from each node on, ``[nodes]``, by information per minute, after ``done`` steps."""
        total = np.zeros(len(nodes.root))
        # Nodes that end in the base order, and those that end in the mixed leaf; valued all together in the end.
        based: list[_Nodes] = []
        mixed: list[_Nodes] = []
        for depth in range(done, DEPTH + 1):
            nodes = nodes.at(self._mendable(nodes))
            if not len(nodes.root):
                break
            if depth == DEPTH:
                based.append(nodes)
                break
            small = nodes.chance < self.cut
            if small.any():
                mixed.append(nodes.at(small))
                nodes = nodes.at(~small)
            nodes = self._step(nodes, total, based)
        if based or mixed:
            self._end(_Nodes.joined([*based, *mixed]), sum(len(one.root) for one in based), total, kappa)
        return total

    def best_further(self, nodes: _Nodes, kappa: float) -> Floats:
        """Least minutes from each node on over some next steps, each outcome worked on by the better rule, ``[nodes]``.

        Infinite where nothing can be done.
        """
        t = self.tables
        rate, minutes, odds = self._rates(nodes, every_repair=True)
        first = np.argsort(-rate, axis=1, kind="stable")[:, :SECOND_BY_RATE]
        at, chosen = np.repeat(np.arange(len(first)), first.shape[1]), first.ravel()
        checks = len(t.check_minutes)
        if odds.shape[1]:
            likeliest = checks + np.argsort(-odds, axis=1, kind="stable")[:, :SECOND_REPAIRS]
            at = np.concatenate([at, np.repeat(np.arange(len(likeliest)), likeliest.shape[1])])
            chosen = np.concatenate([chosen, likeliest.ravel()])
        steps = np.unique(at * rate.shape[1] + chosen)
        at, chosen = np.divmod(steps, max(rate.shape[1], 1))
        told = rate[at, chosen] > 0.0
        at, chosen = at[told], chosen[told]
        best = np.full(len(nodes.root), np.inf)
        if not len(at):
            return best
        weight = nodes.chance[at]
        then = nodes.at(at)
        then = self._outcomes(replace(then, root=np.arange(len(at))), chosen)
        step = then.root
        ends = replace(then, root=np.arange(len(step)))
        by_rule = self.follow(ends, kappa, done=2) / ends.chance
        base, _ = base_minutes(self.problem, ends.belief, ends.is_open, ends.repairs_left)
        total = minutes[at, chosen] + np.bincount(
            step, weights=ends.chance * np.minimum(base, by_rule), minlength=len(at)
        ) / weight
        np.minimum.at(best, at, total)
        return best

    def _mendable(self, nodes: _Nodes) -> Flags:
        if self.problem.hand_over_minutes is not None:
            return np.ones(len(nodes.root), dtype=np.bool_)
        held = nodes.belief[:, self.tables.repair_group] > 0.0
        return np.asarray((held & nodes.repairs_left).any(axis=1), dtype=np.bool_)

    def _end(self, nodes: _Nodes, based: int, total: Floats, kappa: float) -> None:
        """Ends nodes, the first ``based`` of them in the base order and the others in the mixed leaf."""
        value, _ = base_minutes(self.problem, nodes.belief, nodes.is_open, nodes.repairs_left)
        belief = nodes.belief[based:]
        cure = self.tables.cure_minutes(nodes.is_open[based:], nodes.repairs_left[based:])
        leaf = np.sum(belief * cure, axis=1) + kappa * entropy_nats(belief)
        value[based:] = np.minimum(value[based:], leaf)
        np.add.at(total, nodes.root, nodes.chance * value)

    def _rates(self, nodes: _Nodes, *, every_repair: bool = False) -> tuple[Floats, Floats, Floats]:
        """Nats a minute and minutes of each action, ``[nodes, checks + repairs]``, and odds ``[nodes, repairs]``.

        Zero for what cannot be done or tells nothing, and unless ``every_repair`` for repairs that are too unlikely.
        """
        t = self.tables
        checks, outcomes, _ = t.outcome.shape
        count = len(nodes.root)
        rate = np.zeros((count, checks + len(t.repair_minutes)))
        minutes = np.zeros_like(rate)
        minutes[:, :checks] = t.check_minutes + t.access_minutes(nodes.is_open, t.check_needs)
        minutes[:, checks:] = t.repair_minutes + t.access_minutes(nodes.is_open, t.repair_needs)
        if checks:
            read = (nodes.belief @ self.flat.T).reshape(count, checks, outcomes)
            told = entropy_nats(read) - nodes.belief @ self.noise.T
            told[~nodes.checks_left | (told < NO_INFORMATION)] = 0.0
            rate[:, :checks] = told
        odds = nodes.belief[:, t.repair_group] * nodes.repairs_left
        least = 0.0 if every_repair else self.rule.least_repair
        rate[:, checks:] = np.where(odds >= least, two_way_nats(odds * t.success), 0.0)
        rate /= np.maximum(minutes, FREE_MINUTES)
        return rate, minutes, odds

    def _step(self, nodes: _Nodes, total: Floats, based: list[_Nodes]) -> _Nodes:
        """Charges the next step at each node and returns what its outcomes lead to; ``based`` takes those without."""
        rate, minutes, odds = self._rates(nodes)
        count, checks = len(nodes.root), len(self.tables.check_minutes)
        chosen, idle = np.zeros(count, dtype=np.intp), np.ones(count, dtype=np.bool_)
        if rate.shape[1]:
            chosen = np.argmax(rate, axis=1)
            idle = rate[np.arange(count), chosen] <= self.rule.least_rate
        if odds.shape[1]:
            likeliest = np.argmax(odds, axis=1)
            sure = odds[np.arange(count), likeliest] >= self.rule.repair_at
            chosen, idle = np.where(sure, checks + likeliest, chosen), idle & ~sure
        if idle.any():
            based.append(nodes.at(idle))
        nodes, chosen, minutes = nodes.at(~idle), chosen[~idle], minutes[~idle]
        np.add.at(total, nodes.root, nodes.chance * minutes[np.arange(len(chosen)), chosen])
        return self._outcomes(nodes, chosen)

    def _outcomes(self, nodes: _Nodes, chosen: Counts) -> _Nodes:
        t = self.tables
        checks, outcomes, groups = t.outcome.shape
        every = np.arange(len(chosen))
        factor = np.zeros((len(chosen), max(outcomes, 1), groups))
        asks = chosen < checks
        factor[asks, :outcomes] = t.outcome[chosen[asks]]
        mends, repair = every[~asks], chosen[~asks] - checks
        factor[mends, 0] = 1.0
        factor[mends, 0, t.repair_group[repair]] = 1.0 - t.success[repair]
        joint = factor * nodes.belief[:, None, :]
        chance = joint.sum(axis=2)
        checks_left, repairs_left = nodes.checks_left.copy(), nodes.repairs_left.copy()
        checks_left[every[asks], chosen[asks]] = False
        repairs_left[mends, repair] = False
        needs = np.vstack([t.check_needs, t.repair_needs])[chosen]
        n, k = np.nonzero(chance > LEAST_CHANCE)
        return _Nodes(
            nodes.root[n], nodes.chance[n] * chance[n, k], joint[n, k] / chance[n, k, None],
            (nodes.is_open | needs)[n], repairs_left[n], checks_left[n],
        )  # fmt: skip
