"""How often a fault showed before the repair, and what was run since: the two things a verdict is made of.

Failures come in spells (three cuts over one bump are one event), so events are counted as spells.

Where the count begins matters. Hours counted from the first event say nothing by that event: it only started the
clock, and the events after it tell the rate. Counting it too would make every short history look like a frequent
fault, and the confidence 4 to 7 points too high after two events, 2 points after five (simulated fleets, as in
tests/outside/proving). From a day on which the machine was known to be good, the first event counts like the rest.

The prior: no preference between rare and frequent, all orders of magnitude of the rate alike (log-uniform; gamma
shape 0, beta 0 and 1). It makes the gamma form equal the exact conditional Poisson comparison, and it promises
less than a prior of half an event more. A shop's own closed jobs may put another in its place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from halfsplit.errors import Problem, ProblemsError
from halfsplit.observations import Measure
from halfsplit.proving.quiet import BetaTrials, GammaRate, NothingKnown, Quiet

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "history-events": "The fault's history has no event, or more events than tries.",
    "history-amount": "The fault's history covers no time or no tries, or a part of one try.",
    "run-amount": "A run is no time or no tries long, or a part of one try.",
}


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of such faults beforehand: ``events`` in an ``amount`` of hours or quiet tries.

    For hours Gamma(events, amount); for tries Beta(events, amount), where a log-uniform one is Beta(0, 1).
    """

    events: float
    amount: float


LOG_UNIFORM_HOURS = Prior(0.0, 0.0)
LOG_UNIFORM_TRIES = Prior(0.0, 1.0)


@dataclass(frozen=True, slots=True)
class History:
    """``events`` spells of the fault in ``amount`` hours or tries before the repair.

    ``from_good`` False: the amount counts from the first event, which is among ``events`` (and for tries among
    ``amount``). ``condition`` is what brings the fault out, in a word or few; "" means the amount counts all
    running. Raises ProblemsError with every problem.
    """

    measure: Measure
    events: int
    amount: float
    from_good: bool = False
    condition: str = ""

    def __post_init__(self) -> None:
        problems = []
        tries = self.measure != "hours"
        if self.events < 1:
            problems.append(_problem("history-events", "A fault was seen at least once.", "events"))
        elif tries and self.events > self.amount:
            said = f"It cannot have failed {self.events} times in {self.amount:g} {self.measure}."
            problems.append(_problem("history-events", said, "events"))
        if not _fits(self.measure, self.amount):
            said = f"{self.amount:g} {self.measure} cannot be what the events were counted over."
            problems.append(_problem("history-amount", said, "amount"))
        if problems:
            raise ProblemsError(problems)

    @property
    def counted(self) -> int:
        """The events that tell how often the fault comes."""
        return self.events if self.from_good else self.events - 1

    def quiet(self, prior: Prior | None = None) -> Quiet:
        """How likely a missed fault is to stay quiet, by this history and ``prior`` (log-uniform when None)."""
        if self.measure == "hours":
            known = prior or LOG_UNIFORM_HOURS
            shape = known.events + self.counted
            return GammaRate(shape, known.amount + self.amount) if shape > 0.0 else NothingKnown()
        known = prior or LOG_UNIFORM_TRIES
        tries = self.amount if self.from_good else self.amount - 1.0
        a = known.events + self.counted
        return BetaTrials(a, known.amount + tries - self.counted) if a > 0.0 else NothingKnown()


@dataclass(frozen=True, slots=True)
class Run:
    """Running after a repair: ``seen`` says that the fault showed at its end.

    ``in_condition`` says whether the condition of the history held; it means nothing where there is none.
    Raises ProblemsError.
    """

    measure: Measure
    amount: float
    seen: bool = False
    in_condition: bool = True

    def __post_init__(self) -> None:
        if not _fits(self.measure, self.amount):
            said = f"A run of {self.amount:g} {self.measure} cannot have been."
            raise ProblemsError([_problem("run-amount", said, "amount")])


@dataclass(frozen=True, slots=True)
class Tally:
    """Where the proof stands: the history with earlier returns counted in, the quiet run since the last repair.

    ``returned`` says that the fault showed since. ``left_out`` are the runs since that count for nothing: in
    another measure, or without the condition.
    """

    history: History
    done: float
    returned: bool
    left_out: tuple[Run, ...]


def tally(history: History, epochs: Sequence[Sequence[Run]]) -> Tally:
    """Counts the runs: ``epochs`` holds those after each repair, the last repair's last (empty when none).

    Runs after an earlier repair that ended in a return show a fault that was there all along: their amount and
    their returns join the history. Those after an earlier repair without a return say nothing, since that repair
    may have been the good one. The order of the runs inside an epoch does not matter.
    """
    *earlier, since = epochs or ((),)
    events, amounts = history.events, [history.amount]
    for runs in earlier:
        if any(run.seen for run in runs):
            told = [run for run in runs if counts(history, run)]
            amounts.extend(run.amount for run in told)
            events += sum(run.seen for run in told)
    quiet = [run.amount for run in since if counts(history, run) and not run.seen]
    return Tally(
        replace(history, events=events, amount=math.fsum(amounts)),
        math.fsum(quiet),
        any(run.seen for run in since),
        tuple(run for run in since if not counts(history, run)),
    )


def counts(history: History, run: Run) -> bool:
    """Whether a run tells anything by this history."""
    return run.measure == history.measure and (run.in_condition or not history.condition)


def _fits(measure: Measure, amount: float) -> bool:
    whole = measure == "hours" or float(amount).is_integer()
    return 0.0 < amount < math.inf and whole


def _problem(code: str, what: str, field: str) -> Problem:
    return Problem(code, None, None, what, None, field)
