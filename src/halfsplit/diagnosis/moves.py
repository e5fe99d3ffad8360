"""Every action possible where a job stands, as arrays, with what each outcome leaves and tells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from halfsplit.diagnosis.outcome_tables import entropy_nats
from halfsplit.diagnosis.repair_problem import base_minutes

if TYPE_CHECKING:
    from halfsplit.diagnosis.repair_problem import Counts, Flags, Floats, RepairProblem, Situation

Kind = Literal["check", "repair", "hand over", "nothing"]

#: Outcomes less likely than this are left out. They would change an expectation by less than their chance
#: times the minutes of a job, which rounding hides.
LEAST_CHANCE = 1e-12


@dataclass(frozen=True, eq=False, slots=True)
class Moves:
    """Every possible action of one situation as arrays: M actions, K outcomes, G groups.

    ``joint`` (M, K, G) is P(outcome and group) with the mass of a finished job left out; ``told`` (M) is the
    information in nats, ``ends`` (M) marks handing over.
    """

    kind: tuple[Kind, ...]
    index: Counts
    minutes: Floats
    is_open: Flags
    repairs_left: Flags
    checks_left: Flags
    joint: Floats
    told: Floats


def moves_of(problem: RepairProblem, s: Situation) -> Moves:
    """Every action possible in ``s``. With nothing left to do there is one action, "nothing", at no cost."""
    t = problem.tables
    checks, groups = np.flatnonzero(s.checks_left), len(s.belief)
    useful = s.repairs_left & (s.belief[t.repair_group] > 0)
    repairs = np.flatnonzero(useful)
    away = problem.hand_over_minutes
    over = away is not None
    if not over and not len(repairs):
        checks = checks[:0]  # nothing can still be mended, so there is nothing worth knowing
    last: tuple[Kind, ...] = ("hand over",) if over else () if len(repairs) else ("nothing",)
    check: Kind = "check"
    repair: Kind = "repair"
    kinds: tuple[Kind, ...] = (*[check] * len(checks), *[repair] * len(repairs), *last)
    count, c, r = len(kinds), len(checks), len(repairs)
    outcomes = max(t.outcome.shape[1], 1)
    joint = np.zeros((count, outcomes, groups))
    joint[:c, : t.outcome.shape[1]] = t.outcome[checks] * s.belief
    joint[c : c + r, 0] = s.belief
    joint[c + np.arange(r), 0, t.repair_group[repairs]] *= 1.0 - t.success[repairs]
    needs = np.zeros((count, len(s.is_open)), dtype=np.bool_)
    needs[:c], needs[c : c + r] = t.check_needs[checks], t.repair_needs[repairs]
    minutes = t.access_minutes(s.is_open[None], needs)[0]
    minutes[:c] += t.check_minutes[checks]
    minutes[c : c + r] += t.repair_minutes[repairs]
    minutes[c + r :] = away or 0.0
    left = np.broadcast_to(s.repairs_left, (count, len(s.repairs_left))).copy()
    left[c + np.arange(r), repairs] = False
    unused = np.broadcast_to(s.checks_left, (count, len(s.checks_left))).copy()
    once = np.array([not problem.checks[i].may_repeat for i in checks], dtype=np.bool_)
    unused[np.arange(c)[once], checks[once]] = False
    told = np.zeros(count)
    told[:c] = t.told.information(s.belief)[checks]
    works = s.belief[t.repair_group[repairs]] * t.success[repairs]
    told[c : c + r] = two_way_nats(works) - s.belief[t.repair_group[repairs]] * two_way_nats(
        t.success[repairs]
    )
    index = np.concatenate([checks, repairs, np.zeros(len(last), dtype=np.intp)])
    return Moves(kinds, index, minutes, s.is_open | needs, left, unused, joint, np.maximum(told, 0.0))


def base_after(problem: RepairProblem, moves: Moves) -> tuple[Floats, Counts]:
    """Base order's minutes and first action after every outcome of every move, both (M, K)."""
    chance = moves.joint.sum(axis=2)
    m, k = np.nonzero(chance > LEAST_CHANCE)
    value, first = np.zeros(chance.shape), np.full(chance.shape, -1, dtype=np.intp)
    value[m, k], first[m, k] = base_minutes(
        problem, moves.joint[m, k] / chance[m, k, None], moves.is_open[m], moves.repairs_left[m]
    )
    return value, first


def move_name(problem: RepairProblem, moves: Moves, m: int) -> str:
    """Return the check's name or the repair's group; empty for the other kinds."""
    if moves.kind[m] == "check":
        return problem.checks[int(moves.index[m])].name
    return problem.repairs[int(moves.index[m])].group if moves.kind[m] == "repair" else ""


def two_way_nats(chance: Floats) -> Floats:
    """Entropy in nats of something that happens with each ``chance``."""
    return entropy_nats(np.stack([chance, 1.0 - chance], axis=-1))
