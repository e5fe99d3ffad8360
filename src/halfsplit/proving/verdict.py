"""How sure it is by now that the repair hit the cause, how long to run for 90, 95 and 99 %, and the ceiling.

With ``hit`` the chance that the work cured the cause, ``hidden`` the chance that a cause it missed was hidden by
what was opened, and q the chance that a missed, not hidden cause stays quiet over the run::

    confidence = hit / (hit + (1 - hit) (hidden + (1 - hidden) q))
    ceiling    = hit / (hit + (1 - hit) hidden)            (q = 0: the longest run)

Source: Bayes' theorem. However long the machine runs quietly, a cause hidden for a while stays possible, so the
confidence ends at the ceiling; only the condition that brings the fault out, or looking again, gets past it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from halfsplit.errors import InternalError
from halfsplit.proving.quiet import Quiet

#: The confidences a run is stated for; from the wish to hand back at odds a customer understands, no source.
GOALS = (0.90, 0.95, 0.99)
#: Confidence and goal are compared with this slack, so that running exactly what was asked for is enough.
SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class Goal:
    """A confidence and the run that reaches it.

    ``run`` is the whole quiet run since the repair in the history's measure, ``more`` what is left of it after
    what was run already. Both are None where no run gets there: ``above_ceiling`` says that disturbance is why,
    otherwise the history tells too little.
    """

    confidence: float
    run: float | None
    more: float | None
    above_ceiling: bool


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a repair stands after ``done`` quiet hours or trials.

    ``confidence`` and ``ceiling`` are 0..1, ``confidence`` never above ``ceiling``; ``quiet`` is the chance that a
    missed cause would have stayed quiet all the same.
    """

    hit: float
    hidden: float
    done: float
    quiet: float
    confidence: float
    ceiling: float
    goals: tuple[Goal, ...]


def confidence(hit: float, hidden: float, quiet: float) -> float:
    """Chance, 0..1, that the repair cured the cause, after a quiet run that ``quiet`` of missed causes survive.

    All three are shares 0..1; InternalError otherwise. Two shares of zero that leave nothing possible give 0.
    """
    for name, value in (("hit", hit), ("hidden", hidden), ("quiet", quiet)):
        if not 0.0 <= value <= 1.0:
            raise InternalError(f"{name} is {value}, where a share of 0 to 1 is meant.")
    missed = (1.0 - hit) * (hidden + (1.0 - hidden) * quiet)
    return hit / (hit + missed) if hit + missed > 0.0 else 0.0


def ceiling(hit: float, hidden: float) -> float:
    """The confidence that no quiet run gets beyond, 0..1."""
    return confidence(hit, hidden, 0.0)


def run_for(goal: float, quiet: Quiet, hit: float, hidden: float = 0.0) -> float | None:
    """Hours or trials without an event after which the confidence is ``goal`` (above 0, below 1).

    0 where it is reached without running, None where no run reaches it.
    """
    if not 0.0 < goal < 1.0:
        raise InternalError(f"A confidence of {goal} was asked for.")
    if hit >= 1.0 or confidence(hit, hidden, 1.0) >= goal - SLACK:
        return 0.0
    if hit <= 0.0 or hidden >= 1.0:
        return None
    survive = hit * (1.0 - goal) / (goal * (1.0 - hit))
    return quiet.amount_for((survive - hidden) / (1.0 - hidden))


def verdict(
    quiet: Quiet, hit: float, hidden: float = 0.0, done: float = 0.0, goals: Sequence[float] = GOALS
) -> Verdict:
    """How the repair stands after ``done`` quiet hours or trials, and what reaches each of ``goals``."""
    survives = quiet.chance(done)
    top = ceiling(hit, hidden)
    stated = []
    for goal in goals:
        run = run_for(goal, quiet, hit, hidden)
        more = None if run is None else max(0.0, run - done)
        stated.append(Goal(goal, run, more, run is None and top < goal))
    now = min(confidence(hit, hidden, survives), top)
    return Verdict(hit, hidden, done, survives, now, top, tuple(stated))
