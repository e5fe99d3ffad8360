"""The best possible way of working for a small repair problem, by dynamic programming.

States are the outcomes seen, the repairs done and the steps open; beliefs are carried without scaling, so
that a state's value is its expected minutes times its chance. An action is followed only while its minutes
plus what each outcome would take with the fault known stay below the best found. Six groups and six
checks take about a second, eight and eight most of a minute.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from halfsplit.diagnosis.lookahead import plan_of, two_step
from halfsplit.diagnosis.moves import LEAST_CHANCE, Kind, base_after, moves_of
from halfsplit.errors import HalfsplitError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from halfsplit.diagnosis.lookahead import Plan
    from halfsplit.diagnosis.repair_problem import Flags, Floats, RepairProblem, Situation

    Seen = NDArray[np.int8]

#: An action must save more than this many minutes to replace one found before, so that rounding decides
#: nothing.
TIE_MINUTES = 1e-12

#: States the exact search may remember in ``best_plan``: about a quarter of a second of work (measured on one
#: core), which covers about 5 groups and 5 checks.
MOST_STATES = 5_000

_Key = tuple[bytes, bytes, bytes]


class TooLargeError(HalfsplitError):
    """The exact search met more states than it was allowed."""


def best_plan(
    problem: RepairProblem, situation: Situation | None = None, *, most_states: int = MOST_STATES
) -> Plan:
    """Plan exactly where that takes at most ``most_states`` states, otherwise two steps ahead.

    The plan's ``method`` says which it was. The limit counts states, not time, so the same problem always
    gets the same answer.
    """
    try:
        return exact(problem, situation, most_states=most_states)
    except TooLargeError:
        return two_step(problem, situation)


def exact(
    problem: RepairProblem,
    situation: Situation | None = None,
    *,
    looks: int = 1,
    most_states: int | None = None,
) -> Plan:
    """All first actions with the least expected minutes reachable after each.

    A check that may repeat is made at most ``looks`` times from here, any other once. Raises TooLargeError
    when the search remembers more than ``most_states`` states; None lets it run.
    """
    s = situation or problem.situation()
    search = _Search(problem, s, looks, most_states)
    moves = moves_of(problem, s)
    values, _ = base_after(problem, moves)
    expected = moves.minutes.copy()
    follows: list[list[tuple[Kind, str]]] = [[("nothing", "")] * values.shape[1] for _ in moves.kind]
    for m, kind in enumerate(moves.kind):
        for k in np.flatnonzero(moves.joint[m].sum(axis=1) > LEAST_CHANCE):
            mass = float(moves.joint[m, k].sum())
            seen = search.nothing_seen.copy()
            if kind == "check":
                seen[moves.index[m], k] += 1
            value, action = search.solve(moves.joint[m, k], seen, moves.repairs_left[m], moves.is_open[m])
            expected[m] += value
            values[m, k], follows[m][k] = value / mass, search.named(action)
    return plan_of(problem, s, moves, "exact", expected=expected, values=values, follows=follows)


class _Search:
    """The memory of one search. Actions are numbered: checks, then repairs, then handing over; -1 is none."""

    def __init__(self, problem: RepairProblem, start: Situation, looks: int, most_states: int | None) -> None:
        t = problem.tables
        self.problem, self.tables = problem, t
        self.most_states = most_states
        checks, most, groups = t.outcome.shape
        repairs = len(t.repair_minutes)
        self.checks, self.over = checks, checks + repairs
        self.nothing_seen = np.zeros((checks, max(most, 1)), dtype=np.int8)
        repeat = np.array([check.may_repeat for check in problem.checks], dtype=np.bool_)
        self.allowed = np.where(repeat, looks, 1) * start.checks_left
        #: What each action's outcomes multiply the belief by, shape (actions, K, G); 0 where the job has
        #: ended.
        self.factor = np.zeros((self.over + (t.hand_over_minutes is not None), max(most, 1), groups))
        self.factor[:checks, :most] = t.outcome
        self.factor[checks : self.over, 0] = 1.0
        self.factor[checks + np.arange(repairs), 0, t.repair_group] = 1.0 - t.success
        self.needs: Flags = np.vstack([t.check_needs, t.repair_needs])
        self.memory: dict[_Key, tuple[float, int]] = {}
        self.places: dict[tuple[bytes, bytes], tuple[Floats, Floats]] = {}

    def named(self, action: int) -> tuple[Kind, str]:
        """The kind and name of an action number."""
        if action < 0:
            return "nothing", ""
        if action < self.checks:
            return "check", self.problem.checks[action].name
        if action < self.over:
            return "repair", self.problem.repairs[action - self.checks].group
        return "hand over", ""

    def place(self, is_open: Flags, left: Flags) -> tuple[Floats, Floats]:
        """Minutes of each action (M), and minutes with the fault known after each (M, G), for one place."""
        key = (is_open.tobytes(), left.tobytes())
        if key not in self.places:
            t = self.tables
            minutes = np.concatenate([t.check_minutes, t.repair_minutes])
            minutes = minutes + t.access_minutes(is_open[None], self.needs)[0]
            lefts = np.broadcast_to(left, (self.over, len(left))).copy()
            lefts[self.checks + np.arange(len(left)), np.arange(len(left))] = False
            known = t.cure_minutes(is_open | self.needs, lefts)
            if t.hand_over_minutes is not None:
                minutes = np.append(minutes, t.hand_over_minutes)
                known = np.vstack([known, np.zeros(known.shape[1])])
            self.places[key] = minutes, known
        return self.places[key]

    def solve(self, belief: Floats, seen: Seen, left: Flags, is_open: Flags) -> tuple[float, int]:
        """Least minutes times chance from a state, and the action that reaches it."""
        key = (seen.tobytes(), left.tobytes(), is_open.tobytes())
        if key in self.memory:
            return self.memory[key]
        if self.most_states is not None and len(self.memory) >= self.most_states:
            raise TooLargeError
        t = self.tables
        useful = left & (belief[t.repair_group] > 0)
        best, action = 0.0, -1
        if t.hand_over_minutes is not None or useful.any():
            mass = float(belief.sum())
            minutes, known = self.place(is_open, left)
            joint = self.factor * belief
            ahead = np.einsum("mkg,mg->mk", joint, known)
            least = minutes * mass + ahead.sum(axis=1)
            least[: self.checks][seen.sum(axis=1) >= self.allowed] = np.inf
            least[self.checks : self.over][~useful] = np.inf
            best = np.inf
            for m in np.argsort(least, kind="stable"):
                if least[m] >= best - TIE_MINUTES * mass:
                    break
                state, bound = (seen, left, is_open), float(least[m])
                total = self._follow(int(m), state, total=bound, joint=joint[m], ahead=ahead[m], best=best)
                if total < best - TIE_MINUTES * mass:
                    best, action = total, int(m)
        self.memory[key] = (float(best), action)
        return self.memory[key]

    def _follow(
        self,
        m: int,
        state: tuple[Seen, Flags, Flags],
        *,
        total: float,
        joint: Floats,
        ahead: Floats,
        best: float,
    ) -> float:
        """Minutes times chance of action ``m``, or a bound once that is not below ``best``.

        ``joint`` (K, G) is the belief after each outcome and ``ahead`` (K) the bound that each outcome put
        in.
        """
        if m == self.over:
            return total
        seen, left, is_open = state
        is_open = is_open | self.needs[m]
        if m >= self.checks:
            left = left.copy()
            left[m - self.checks] = False
        chance = joint.sum(axis=1)
        for k in np.flatnonzero(chance > 0):
            then = seen
            if m < self.checks:
                then = seen.copy()
                then[m, k] += 1
            total += self.solve(joint[k], then, left, is_open)[0] - float(ahead[k])
            if total >= best:
                break
        return total
