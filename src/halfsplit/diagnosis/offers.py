"""What can be done next, as it is offered: each check and repair with its minutes and what it would tell.

A machine has a thousand checks, of which a person is shown a handful. So they are ranked as arrays
(:class:`Offers`), and made into options only where somebody looks.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import overload

import numpy as np

from halfsplit.diagnosis.checks import METERED, Check
from halfsplit.diagnosis.compiled import least_apart
from halfsplit.diagnosis.living import ALIKE, Floats, Ints, but_for_rounding
from halfsplit.diagnosis.space import Bools, RepairGroup
from halfsplit.diagnosis.telling import Told
from halfsplit.machine.model import Machine

#: Readings looked at for whether they tell something new, the best by rate; keeps the next check quick, no source.
BEST_SIFTED = 40
#: What a reading is worth that would tell almost the same as one taken: wrong pins and bad contacts; no source.
TOLD_BEFORE = 0.2
#: Less mass than this in other outcomes is almost the same; no source.
NEW_MASS = 0.03
#: Minutes to see whether a repair worked, besides reaching the state: engine-notes part 3.
VERIFY_MIN = 3.0
#: A check is used up at this count, see Situation.done.
USED_UP = 6


@dataclass(frozen=True, slots=True)
class Situation:
    """What is open and set on the machine now, and what was done already.

    ``done`` counts for each check how much it was used up: 6 for one made while the fault showed (or it is not
    known), 2 while it slept, 3 for watching a function; looks count for ever, all else since the last piece of work.
    ``repaired`` counts the repairs of each group. ``watched`` are the states in which a person sees whether the fault
    shows: those of the complaint where None.
    """

    open_steps: frozenset[str] = frozenset()
    state: str = ""
    done: Mapping[str, int] = field(default_factory=dict)
    unreachable: frozenset[str] = frozenset()
    zones_out_of_reach: frozenset[str] = frozenset()
    showing: str = "unknown"
    repaired: Mapping[str, int] = field(default_factory=dict)
    watched: frozenset[str] | None = None


@dataclass(frozen=True, slots=True)
class Option:
    """A ranked next step: a check or the repair of a group, with minutes in all and information in nats.

    ``expected_min`` are the minutes the rest of the job is expected to take if it is done next, each wrong repair
    charged for more than its minutes (module ``endgame``), where that was looked at.
    """

    check: Check | None
    repair: RepairGroup | None
    minutes: float
    setup_min: float
    information: float
    odds: float = 0.0
    expected_min: float | None = None

    @property
    def rate(self) -> float:
        """Information per minute."""
        return self.information / self.minutes


def in_reach(group: RepairGroup, situation: Situation) -> bool:
    """Whether a person can get at what is to be mended."""
    return group.zone not in situation.zones_out_of_reach and group.id not in situation.unreachable


def mending(group: RepairGroup, opening_min: float, odds: float, information: float) -> Option:
    """Mending a group and trying it out, as a step; ``opening_min`` goes into getting there, closing it included."""
    return Option(None, group, group.minutes + VERIFY_MIN + opening_min, opening_min, information, odds)


def setup_minutes(machine: Machine, steps: Sequence[str], open_steps: frozenset[str]) -> float:
    """Minutes to open what is not open yet, closing it later included."""
    return sum(
        machine.access[step].open_min + machine.access[step].close_min
        for step in steps
        if step not in open_steps
    )


def state_minutes(machine: Machine, state: str, current: str) -> float:
    """Minutes to set the machine to another state."""
    return 0.0 if not state or state == current else machine.states[state].minutes


def group_steps(machine: Machine, group: RepairGroup) -> tuple[str, ...]:
    """Access steps a repair needs."""
    return machine.steps_for_zone(group.zone, group.access)


class Catalogue:
    """The checks of one machine as arrays; checks that are made up on the way are added when first met."""

    def __init__(self, machine: Machine, checks: Sequence[Check]) -> None:
        self._machine = machine
        self.checks: list[Check] = []
        self._number: dict[str, int] = {}
        self._steps: dict[tuple[str, ...], int] = {}
        self._states: dict[str, int] = {}
        self._access = {name: at for at, name in enumerate(machine.access)}
        self._step_min = np.array([step.open_min + step.close_min for step in machine.access.values()])
        self._add(checks)

    def _add(self, checks: Sequence[Check]) -> None:
        for check in checks:
            self._number[check.id] = len(self.checks)
            self.checks.append(check)
            self._steps.setdefault(check.steps, len(self._steps))
            self._states.setdefault(check.state, len(self._states))
        self._minutes = np.array([check.minutes for check in self.checks])
        self._metered = np.array([check.kind in METERED for check in self.checks], dtype=np.bool_)
        self._of_steps = np.array([self._steps[check.steps] for check in self.checks], dtype=np.int64)
        self._of_state = np.array([self._states[check.state] for check in self.checks], dtype=np.int64)
        self._needs = np.zeros((len(self._steps), len(self._access)))
        for steps, at in self._steps.items():
            self._needs[at, [self._access[step] for step in steps]] = 1.0

    def numbers(self, checks: Sequence[Check]) -> Ints:
        """The numbers of some checks."""
        known = self._number
        try:
            return np.array([known[check.id] for check in checks], dtype=np.int64)
        except KeyError:
            self._add([check for check in checks if check.id not in known])
            return self.numbers(checks)

    def minutes(
        self, numbers: Ints, situation: Situation, watched: frozenset[str], wait_min: float
    ) -> tuple[Floats, Floats]:
        """Minutes of some checks in all, and those of getting there, ``[numbers]`` each.

        In the states ``watched`` a person with the leads on waits ``wait_min`` for the fault to show.
        """
        closed = np.array([step not in situation.open_steps for step in self._access], dtype=np.bool_)
        opening = self._needs @ np.where(closed, self._step_min, 0.0)
        setting = np.array([state_minutes(self._machine, state, situation.state) for state in self._states])
        waits = np.array([wait_min if state in watched else 0.0 for state in self._states])
        state = self._of_state[numbers]
        before = opening[self._of_steps[numbers]] + setting[state]
        wait = np.where(self._metered[numbers], waits[state], 0.0)
        return self._minutes[numbers] + before + wait, before

    def used_up(self, situation: Situation) -> Bools:
        """Which checks were made as often as is useful, ``[checks]``."""
        return self._marked(name for name, count in situation.done.items() if count >= USED_UP)

    def out_of_reach(self, situation: Situation) -> Bools:
        """Which checks a person cannot get at, ``[checks]``."""
        marked = self._marked(situation.unreachable)
        if situation.zones_out_of_reach:
            marked |= np.array([check.zone in situation.zones_out_of_reach for check in self.checks], dtype=np.bool_)
        return marked

    def metered(self, numbers: Ints) -> Bools:
        """Which of some checks are made with an instrument on the live machine, ``[numbers]``."""
        result: Bools = self._metered[numbers]
        return result

    def _marked(self, names: Iterable[str]) -> Bools:
        marked = np.zeros(len(self.checks), dtype=np.bool_)
        marked[[self._number[name] for name in names if name in self._number]] = True
        return marked


class Offers(Sequence[Option]):
    """Options by information per minute, best first; each is made when it is looked at.

    ``numbers``, ``minutes``, ``before`` and ``information`` ``[n]`` belong to checks of the ``catalogue``; ``repairs``
    stand behind them where rates are equal. What tells less than ``least`` a minute is left out.
    """

    def __init__(
        self, catalogue: Catalogue, numbers: Ints, minutes: Floats, before: Floats, information: Floats,
        repairs: Sequence[Option], least: float,
    ) -> None:  # fmt: skip
        self._catalogue = catalogue
        self._numbers, self._minutes, self._before, self._information = numbers, minutes, before, information
        self.repairs = tuple(repairs)
        rate = np.concatenate([information / minutes, [one.rate for one in repairs]])
        order = np.argsort(-but_for_rounding(rate), kind="stable")
        self._order: list[int] = order[: int((rate >= least).sum())].tolist()
        self._made: dict[int, Option] = {}

    def __len__(self) -> int:
        return len(self._order)

    @overload
    def __getitem__(self, at: int) -> Option: ...

    @overload
    def __getitem__(self, at: slice) -> list[Option]: ...

    def __getitem__(self, at: int | slice) -> Option | list[Option]:
        if isinstance(at, slice):
            return [self._option(one) for one in self._order[at]]
        return self._option(self._order[at])

    def __iter__(self) -> Iterator[Option]:
        return (self._option(one) for one in self._order)

    def offered_repairs(self) -> list[Option]:
        """The repairs among the options, best first."""
        checks = len(self._numbers)
        return [self.repairs[one - checks] for one in self._order if one >= checks] if self.repairs else []

    def _option(self, one: int) -> Option:
        checks = len(self._numbers)
        if one >= checks:
            return self.repairs[one - checks]
        if one not in self._made:
            self._made[one] = Option(
                self._catalogue.checks[int(self._numbers[one])], None, float(self._minutes[one]),
                float(self._before[one]), float(self._information[one]),
            )  # fmt: skip
        return self._made[one]


def told_before(
    told: Sequence[Told], lengths: Sequence[int], metered: Bools, used: Bools, offered: Bools, rate: Floats
) -> Bools:
    """Which readings, of the best by ``rate``, would tell almost the same as one taken.

    All ``[checks]``, over the checks of ``told`` one after the other, ``lengths`` of each: whether each is a reading,
    was ``used`` up, and is ``offered``.
    """
    stale = np.zeros(len(rate), dtype=np.bool_)
    best = np.flatnonzero(offered)
    if len(best) > BEST_SIFTED:
        # Which of equally good ones comes last is a matter of rounding, so they are looked at all or none.
        last = np.partition(rate[best], -BEST_SIFTED)[-BEST_SIFTED]
        best = best[rate[best] >= (1.0 - ALIKE) * last]
    fresh = np.zeros(len(rate), dtype=np.bool_)
    fresh[best] = metered[best]
    start = 0
    for one, length in zip(told, lengths, strict=True):
        end = start + length
        at, made = np.flatnonzero(fresh[start:end]), np.flatnonzero(used[start:end])
        if len(at) and len(made):
            joint, taken = one.masses(at.tolist()), one.masses(made.tolist())
            stale[start + at[_least_apart(joint, taken) < NEW_MASS]] = True
        start = end
    return stale


def _least_apart(joint: Floats, taken: Floats) -> Floats:
    """The least share of mass ``[checks]`` that lies elsewhere in one of ``taken``; masses by outcome and group."""
    found = least_apart(joint, taken)
    if found is not None:
        return found
    least = np.full(len(joint), np.inf)
    for one in taken:
        np.minimum(least, 0.5 * np.abs(joint - one).sum(axis=(1, 2)), out=least)
    return least
