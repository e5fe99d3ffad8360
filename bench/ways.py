"""Ways to work a job, each played on the same hidden machine, and what of a job is kept for the figures.

* planner: halfsplit as it is;
* planner, one fault only: the same without weighing two faults at once;
* by rate: always the check that tells most for its minutes, the access it needs counted, repaired from the same odds;
* by rate, access not seen: the same with the access and the setting of the machine left out of the minutes;
* half-split chart and most likely place first: the rules of thumb of ``halfsplit.diagnosis.chart``;
* odds over minutes: as most likely place first, in order of odds over the minutes of looking there, access included;
* knows the fault: goes there, mends it and tries the machine once. Nobody can do with less.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from halfsplit.diagnosis.belief import Belief
from halfsplit.diagnosis.chart import half_split_chart, most_likely_first
from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.hunt import Bench, Settings
from halfsplit.diagnosis.planning import (
    NO_REPAIR_ABOVE,
    REPAIR_AT,
    VERIFY_MIN,
    Decision,
    Option,
    Planner,
    Situation,
    group_steps,
    setup_minutes,
)
from halfsplit.diagnosis.practice import Clock, Played, play
from halfsplit.diagnosis.space import RepairGroup, build
from halfsplit.diagnosis.world import World
from halfsplit.observations import Complaint

PLANNER, ONE_FAULT = "planner", "planner, one fault only"
RATE, RATE_BLIND = "by rate", "by rate, access not seen"
CHART, LIKELIEST, RATIO = "half-split chart", "most likely place first", "odds over minutes"
KNOWS = "knows the fault"


@dataclass(frozen=True, slots=True)
class Went:
    """How a job went: see ``Played``. ``stated`` are the leading suspect's odds before each step, and if it was so."""

    minutes: float
    checks: int
    repairs: tuple[tuple[float, bool], ...]
    mended: bool
    found: bool
    kind: str
    stated: tuple[tuple[float, bool], ...] = ()

    @property
    def closed_wrong(self) -> bool:
        """Whether the job was ended as mended without the cause having been worked on."""
        return self.kind == "finish" and not self.found


class Heard(Planner):
    """A planner that shares what another one has worked out, and whose statements are written down."""

    def __init__(self, planner: Planner, world: World) -> None:
        vars(self).update(vars(planner))
        self.world = world
        self.stated: list[tuple[float, bool]] = []

    def decide(self, belief: Belief, evidence: Evidence, situation: Situation, *rest: Any, **named: Any) -> Decision:
        odds = belief.group_odds()
        top = int(np.argmax(odds))
        wrong = {self.world.faults[self.world.hidden[at].fault].group for at in self.world.present}
        self.stated.append((float(odds[top]), self.space.groups[top].id in wrong))
        return super().decide(belief, evidence, situation, *rest, **named)


class ByRate(Heard):
    """Does not look ahead: what tells most a minute comes next."""

    def decide(self, belief: Belief, evidence: Evidence, situation: Situation, *rest: Any, **named: Any) -> Decision:
        return super().decide(belief, evidence, situation, *rest, **{**named, "look_ahead": False})


class ByRateBlind(ByRate):
    """The same with nothing counted for access and for setting the machine."""

    def decide(self, belief: Belief, evidence: Evidence, situation: Situation, *rest: Any, **named: Any) -> Decision:
        decision = super().decide(belief, evidence, situation, *rest, **named)
        best = decision.best
        if best is None or (best.repair is not None and best.odds >= REPAIR_AT):
            return decision
        options = self.rank(belief, evidence, situation)
        if belief.other > NO_REPAIR_ABOVE:
            options = [one for one in options if one.repair is None]
        if not options:
            return decision
        best = max(options, key=bare_rate)
        return replace(decision, kind="repair" if best.repair is not None else "check", best=best)


def bare_rate(option: Option) -> float:
    """Information for a minute of the work itself."""
    return option.information / max(option.minutes - option.setup_min, 0.1)


class _Through(Bench):
    """A bench whose planners are of another class, made for one job."""

    def __init__(self, bench: Bench, kind: type[Heard], world: World) -> None:
        vars(self).update(vars(bench))
        self._bench, self._kind, self._world = bench, kind, world
        self.made: list[Heard] = []

    def planner(self, states: Any) -> Planner:
        self.made.append(self._kind(self._bench.planner(states), self._world))
        return self.made[-1]


def _planned(kind: type[Heard], settings: Settings | None = None) -> Callable[[Bench, World, Complaint], Went]:
    def work(bench: Bench, world: World, complaint: Complaint) -> Went:
        through = _Through(bench, kind, world)
        played = play(through, world, complaint, settings)
        return went(played, [one for made in through.made for one in made.stated])

    return work


def _thumb(rule: Callable[[Bench, World, Complaint], Played]) -> Callable[[Bench, World, Complaint], Went]:
    return lambda bench, world, complaint: went(rule(bench, world, complaint))


def went(played: Played, stated: list[tuple[float, bool]] | None = None) -> Went:
    """What is kept of a job."""
    repairs = tuple((one.odds, one.right) for one in played.repairs)
    return Went(
        played.minutes, played.checks, repairs, played.mended, played.found, played.kind, tuple(stated or ())
    )  # fmt: skip


def odds_over_minutes(bench: Bench, world: World, complaint: Complaint) -> Played:
    """Places in order of odds over the minutes of looking there from a closed machine."""

    def cost(group: RepairGroup, look: Check | None) -> float:
        machine = bench.machine
        if look is not None:
            return look.minutes + setup_minutes(machine, look.steps, frozenset())
        return group.minutes + VERIFY_MIN + setup_minutes(machine, group_steps(machine, group), frozenset())

    return most_likely_first(bench, world, complaint, cost)


def knows(bench: Bench, world: World, complaint: Complaint) -> Went:
    """Goes to every hidden fault, mends it, and tries the machine out once."""
    del bench  # its catalogue may lack the fault
    clock = Clock(world)
    groups = {group.id: group for group in build(world.machine, world.faults).groups}
    for group in dict.fromkeys(world.faults[one.fault].group for one in world.hidden):
        clock.repair(groups[group])
    clock.verify(complaint)
    return Went(clock.minutes, 0, (), True, True, "finish")


WAYS: dict[str, Callable[[Bench, World, Complaint], Went]] = {
    PLANNER: _planned(Heard),
    ONE_FAULT: _planned(Heard, Settings(grow=False)),
    RATE: _planned(ByRate),
    RATE_BLIND: _planned(ByRateBlind),
    CHART: _thumb(half_split_chart),
    LIKELIEST: _thumb(most_likely_first),
    RATIO: _thumb(odds_over_minutes),
    KNOWS: knows,
}
