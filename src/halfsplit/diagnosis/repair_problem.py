"""A few repair groups, the checks that tell them apart, and what must be opened: the small planning problem.

The model behind every function of this module and of ``lookahead``:

- exactly one group holds the fault; a group is a set of suspects that one repair cures;
- a check costs its minutes plus the access it needs that is not open yet; its table is P(outcome | group);
- a repair is a check too: it costs its minutes, access and verification, works with its success probability
  when the fault is in its group, and is done at most once; a verified repair ends the job;
- an access step once opened stays open until the job ends, so opening it is charged together with closing it
  and what is open already costs nothing more;
- handing over, where it is offered, costs a fixed number of minutes and always ends the job. Without it the
  also ends, at no further cost, when every repair that could work has been tried; that rest is the same for
  every order, so it does not bias the choice.

Minutes may be money instead, as long as all of them are.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from halfsplit.diagnosis.compiled_order import base_order
from halfsplit.diagnosis.outcome_tables import OutcomeTables
from halfsplit.errors import InternalError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Counts = NDArray[np.intp]

#: Probabilities of one column of an outcome table, and of the prior, must add up to 1 within this. Rounding
#: of sums of at most a few hundred doubles stays below it by five orders.
SUM_TOLERANCE = 1e-9

#: Minutes below which an action counts as free when ratios are formed; only keeps the division defined.
FREE_MINUTES = 1e-9


@dataclass(frozen=True, slots=True)
class AccessStep:
    """Something to open before a zone can be reached; ``needs`` names the steps to be open before it."""

    name: str
    open_minutes: float
    close_minutes: float = 0.0
    needs: frozenset[str] = frozenset()


@dataclass(frozen=True, eq=False)
class Check:
    """One thing to look at or measure.

    ``table`` is P(outcome | group), shape (outcomes, groups), columns adding up to 1; it is copied and
    locked. ``access`` names the steps that must be open (what those need in turn is added by the problem).
    """

    name: str
    minutes: float
    outcomes: tuple[str, ...]
    table: Floats
    access: frozenset[str] = frozenset()
    may_repeat: bool = False

    def __post_init__(self) -> None:
        table = np.array(self.table, dtype=np.float64)
        table.flags.writeable = False
        object.__setattr__(self, "table", table)


@dataclass(frozen=True, slots=True)
class Repair:
    """The correction that cures ``group`` with probability ``success`` when the fault is there."""

    group: str
    minutes: float
    success: float = 1.0
    verify_minutes: float = 0.0
    access: frozenset[str] = frozenset()


@dataclass(frozen=True)
class RepairProblem:
    """Everything the small planner needs, checked when made.

    ``prior`` is P(group), one per group, adding up to 1. A group may be without repair ("something else"):
    only handing over ends a job whose fault is there. ``open_steps`` are open now; what they needed counts
    as open too. ``repair_threshold``, where given: once a group with an available repair is this likely,
    its repair is put first. Raises InternalError when names, shapes or numbers do not fit together.
    """

    groups: tuple[str, ...]
    prior: tuple[float, ...]
    checks: tuple[Check, ...] = ()
    repairs: tuple[Repair, ...] = ()
    access: tuple[AccessStep, ...] = ()
    open_steps: frozenset[str] = frozenset()
    hand_over_minutes: float | None = None
    repair_threshold: float | None = None
    tables: Tables = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        faults = list(_faults_of(self))
        if faults:
            raise InternalError("The planning problem does not fit together: " + "; ".join(faults) + ".")
        object.__setattr__(self, "tables", Tables(self))

    def situation(
        self,
        belief: Sequence[float] | Floats | None = None,
        open_steps: Iterable[str] | None = None,
        *,
        tried: Iterable[str] = (),
        used: Iterable[str] = (),
    ) -> Situation:
        """Where the job stands: odds per group (prior if None; scaled to 1), open steps, what was done.

        ``tried`` names groups whose repair was done, ``used`` names checks made. Raises InternalError for
        unknown names, a wrong length, or a belief without mass.
        """
        t = self.tables
        p = np.asarray(self.prior if belief is None else belief, dtype=np.float64)
        if p.shape != (len(self.groups),) or not np.all(np.isfinite(p)) or np.any(p < 0) or p.sum() <= 0:
            raise InternalError("A belief needs one number of at least 0 per group, and some mass.")
        is_open = t.closed_up(self.open_steps if open_steps is None else open_steps)
        left = ~t.mask(tried, [repair.group for repair in self.repairs], "repair")
        unused = ~t.mask(used, [check.name for check in self.checks], "check")
        unused |= np.array([check.may_repeat for check in self.checks], dtype=np.bool_)
        return Situation(p / p.sum(), is_open, left, unused)


@dataclass(frozen=True, eq=False, slots=True)
class Situation:
    """Belief (groups), open steps, repairs still possible and checks still possible, as arrays."""

    belief: Floats
    is_open: Flags
    repairs_left: Flags
    checks_left: Flags


class Tables:
    """The problem as arrays, made once. G groups, C checks, K outcomes at most, R repairs, A access steps."""

    def __init__(self, problem: RepairProblem) -> None:
        names = [step.name for step in problem.access]
        self.step_index = {name: i for i, name in enumerate(names)}
        group_index = {name: i for i, name in enumerate(problem.groups)}
        self.hand_over_minutes = problem.hand_over_minutes
        self.step_minutes: Floats = np.array(
            [step.open_minutes + step.close_minutes for step in problem.access], dtype=np.float64
        )
        steps = len(names)
        #: Row s: step s itself and everything that must be open before it, shape (A, A).
        self.step_needs: Flags = np.eye(steps, dtype=np.bool_)
        self.step_needs |= self._named([step.needs for step in problem.access])
        for _ in range(steps.bit_length()):  # each round doubles the length of the paths covered
            self.step_needs |= self.step_needs @ self.step_needs
        self.check_minutes: Floats = np.array([check.minutes for check in problem.checks], dtype=np.float64)
        self.check_needs = self._closures([check.access for check in problem.checks])
        self.repair_group: Counts = np.array([group_index[r.group] for r in problem.repairs], dtype=np.intp)
        self.repair_minutes: Floats = np.array(
            [repair.minutes + repair.verify_minutes for repair in problem.repairs], dtype=np.float64
        )
        self.success: Floats = np.array([repair.success for repair in problem.repairs], dtype=np.float64)
        self.repair_needs = self._closures([repair.access for repair in problem.repairs])
        most = max((len(check.outcomes) for check in problem.checks), default=0)
        #: P(outcome | group), shape (C, K, G); rows beyond a check's outcomes are 0.
        self.outcome: Floats = np.zeros((len(problem.checks), most, len(problem.groups)))
        for i, check in enumerate(problem.checks):
            self.outcome[i, : len(check.outcomes)] = check.table

    @cached_property
    def told(self) -> OutcomeTables:
        """What the checks tell of the groups."""
        return OutcomeTables(self.outcome)

    def _named(self, needs: list[frozenset[str]]) -> Flags:
        """Rows of the directly needed steps, shape (len(needs), A)."""
        flags: Flags = np.zeros((len(needs), len(self.step_index)), dtype=np.bool_)
        for row, wanted in enumerate(needs):
            flags[row, [self.step_index[name] for name in wanted]] = True
        return flags

    def _closures(self, needs: list[frozenset[str]]) -> Flags:
        """Rows of all needed steps, with what those need in turn, shape (len(needs), A)."""
        return np.asarray(self._named(needs) @ self.step_needs, dtype=np.bool_)

    def mask(self, names: Iterable[str], known: list[str], kind: str) -> Flags:
        """Flags over ``known`` for the given names. Raises InternalError for a name that is not known."""
        wanted = set(names)
        if not wanted <= set(known):
            raise InternalError(f"The planning problem has no {kind} called {sorted(wanted - set(known))}.")
        return np.array([name in wanted for name in known], dtype=np.bool_)

    def closed_up(self, open_steps: Iterable[str]) -> Flags:
        """Flags (A) of the open steps with everything they needed."""
        flags = self.mask(open_steps, list(self.step_index), "access step")
        return np.asarray(flags @ self.step_needs, dtype=np.bool_)

    def access_minutes(self, is_open: Flags, needs: Flags) -> Floats:
        """Minutes to open what is needed and not open: is_open (B, A), needs (N, A) -> (B, N)."""
        return np.asarray((~is_open * self.step_minutes) @ needs.T.astype(np.float64))

    def cure_minutes(self, is_open: Flags, repairs_left: Flags) -> Floats:
        """Minutes to mend each group if it were known to hold the fault, shape (B, G).

        The repair with its access, or handing over where that is less; 0 where neither is to be had.
        """
        rows, groups = len(is_open), self.outcome.shape[2]
        away = np.inf if self.hand_over_minutes is None else self.hand_over_minutes
        minutes: Floats = np.full((rows, groups), away)
        mend = self.repair_minutes + self.access_minutes(is_open, self.repair_needs)
        minutes[:, self.repair_group] = np.minimum(away, np.where(repairs_left, mend, np.inf))
        return np.where(np.isfinite(minutes), minutes, 0.0)

    @cached_property
    def tree(self) -> tuple[Counts, Flags]:
        """Steps, then repairs, as an access tree: parent of each item (-1 for none) and its extra openings.

        Where an item needs two openings that do not contain each other, the dearer one becomes its parent
        and the other is charged to the item itself until it is open. That never charges less than the true
        minutes, so the base order's value stays the value of something a person can do.
        """
        steps = len(self.step_index)
        needs = np.vstack([self.step_needs & ~np.eye(steps, dtype=np.bool_), self.repair_needs])
        parent: Counts = np.full(len(needs), -1, dtype=np.intp)
        extra: Flags = np.zeros_like(needs)
        covered: Flags = np.zeros_like(needs)  # what is open once the item itself is reached in the tree
        by_depth = sorted(range(len(needs)), key=lambda i: (int(needs[i].sum()), i))
        dear = self.step_needs @ self.step_minutes
        for item in by_depth:
            wanted = np.flatnonzero(needs[item])
            if len(wanted):
                tops = [s for s in wanted if not any(self.step_needs[o, s] for o in wanted if o != s)]
                parent[item] = max(tops, key=lambda s: (dear[s], -s))
                above = covered[parent[item]].copy()
                above[parent[item]] = True
                extra[item] = needs[item] & ~above
                covered[item] = above | needs[item]
        return parent, extra


def _faults_of(problem: RepairProblem) -> Iterable[str]:
    groups, steps = len(problem.groups), [step.name for step in problem.access]
    for kind, names in (
        ("groups", list(problem.groups)),
        ("access steps", steps),
        ("checks", [check.name for check in problem.checks]),
        ("repairs", [repair.group for repair in problem.repairs]),
    ):
        if len(set(names)) != len(names):
            yield f"two {kind} of one name"
    if len(problem.prior) != groups or min(problem.prior, default=0.0) < 0:
        yield "the prior needs one number of at least 0 per group"
    elif abs(sum(problem.prior) - 1.0) > SUM_TOLERANCE:
        yield "the prior does not add up to 1"
    for repair in problem.repairs:
        if repair.group not in problem.groups:
            yield f"the repair of {repair.group} has no group"
        if not 0 < repair.success <= 1:
            yield f"the repair of {repair.group} succeeds with {repair.success}"
    for check in problem.checks:
        if check.table.shape != (len(check.outcomes), groups):
            yield f"the table of {check.name} has shape {check.table.shape}"
        elif np.any(check.table < 0) or np.any(np.abs(check.table.sum(axis=0) - 1.0) > SUM_TOLERANCE):
            yield f"a column of the table of {check.name} is not a distribution"
    wanted = {name for step in problem.access for name in step.needs}
    wanted |= {name for check in problem.checks for name in check.access}
    wanted |= {name for repair in problem.repairs for name in repair.access}
    unknown = sorted((wanted | problem.open_steps) - set(steps))
    if unknown:
        yield f"unknown access steps {unknown}"
    elif _has_cycle({step.name: step.needs for step in problem.access}):
        yield "access steps need each other in a circle"
    minutes = [m for step in problem.access for m in (step.open_minutes, step.close_minutes)]
    minutes += [check.minutes for check in problem.checks]
    minutes += [m for repair in problem.repairs for m in (repair.minutes, repair.verify_minutes)]
    minutes.append(problem.hand_over_minutes or 0.0)
    if not all(0 <= m < np.inf for m in minutes):
        yield "minutes must be finite and at least 0"


def _has_cycle(needs: dict[str, frozenset[str]]) -> bool:
    left = dict(needs)
    while left:
        ready = [name for name, wanted in left.items() if not any(w in left for w in wanted)]
        if not ready:
            return True
        for name in ready:
            del left[name]
    return False


def base_minutes(
    problem: RepairProblem, belief: Floats, is_open: Flags, repairs_left: Flags
) -> tuple[Floats, Counts]:
    """Expected minutes of repairing down the block-merged order with the best hand-over, for many beliefs.

    ``belief`` (B, G) rows add up to 1, ``is_open`` (B, A), ``repairs_left`` (B, R). Returns the minutes (B)
    and the first thing done (B): a repair's index, R for handing over, -1 when nothing is left to do.

    Block merging after Horn (1972), run on all rows together: the block with the largest chance per minute
    is placed if what it needs is open, and otherwise joined behind it. A block is kept as its chance P, its
    length c and E = sum of chance times finishing time, so that joining B behind A gives E_A + E_B + c_A
    P_B.
    """
    t = problem.tables
    parent, extra = t.tree
    rows, steps, repairs = len(belief), len(t.step_minutes), len(t.repair_minutes)
    items, every = steps + repairs, np.arange(rows)
    own = np.concatenate([t.step_minutes, t.repair_minutes])
    length = own + (~is_open * t.step_minutes) @ extra.T.astype(np.float64)
    chance: Floats = np.zeros((rows, items))
    chance[:, steps:] = belief[:, t.repair_group] * t.success * repairs_left
    away = t.hand_over_minutes
    found = base_order(parent, length, chance, is_open, repairs_left, away, FREE_MINUTES)
    if found is not None:
        return found
    weighted = chance * length
    placed = np.concatenate([is_open, ~repairs_left], axis=1)
    ratio = np.where(placed, -1.0, chance / np.maximum(length, FREE_MINUTES))
    block = np.broadcast_to(np.arange(items), (rows, items)).copy()
    lead = np.broadcast_to(np.concatenate([np.full(steps, -1), np.arange(repairs)]), (rows, items)).copy()
    total, clock, cured = np.zeros(rows), np.zeros(rows), np.zeros(rows)
    best = np.full(rows, np.inf if away is None else away)
    first: Counts = np.full(rows, -1 if away is None else repairs, dtype=np.intp)
    lead_first: Counts = np.full(rows, -1, dtype=np.intp)
    for _ in range(items):
        k = np.argmax(ratio, axis=1) if items else np.zeros(rows, dtype=np.intp)
        live = ratio[every, k] > 0
        if not live.any():
            break
        above = parent[k]
        reached = (above < 0) | placed[every, above]
        at = np.flatnonzero(live & reached)
        if len(at):
            j = k[at]
            total[at] += weighted[at, j] + clock[at] * chance[at, j]
            clock[at] += length[at, j]
            cured[at] += chance[at, j]
            placed[at] |= block[at] == j[:, None]
            ratio[at, j] = -1.0
            lead_first[at] = np.where(lead_first[at] < 0, lead[at, j], lead_first[at])
            if away is not None:
                here = total[at] + np.maximum(1.0 - cured[at], 0.0) * (clock[at] + away)
                less = here < best[at] - FREE_MINUTES
                first[at] = np.where(less, lead_first[at], first[at])
                best[at] = np.minimum(best[at], here)
        at = np.flatnonzero(live & ~reached)
        if len(at):
            j = k[at]
            q = block[at, above[at]]
            weighted[at, q] += weighted[at, j] + length[at, q] * chance[at, j]
            chance[at, q] += chance[at, j]
            length[at, q] += length[at, j]
            ratio[at, q] = chance[at, q] / np.maximum(length[at, q], FREE_MINUTES)
            ratio[at, j] = -1.0
            lead[at, q] = np.where(lead[at, q] < 0, lead[at, j], lead[at, q])
            block[at] = np.where(block[at] == j[:, None], q[:, None], block[at])
    if away is None:
        return total + np.maximum(1.0 - cured, 0.0) * clock, lead_first
    return best, first
