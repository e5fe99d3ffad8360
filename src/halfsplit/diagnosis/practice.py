"""Playing a job against a hidden fault: the planner, or a rule of thumb, on the same simulated machine."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from halfsplit.diagnosis.checks import METERED, Check, operate
from halfsplit.diagnosis.hunt import Bench, Hunt, Settings
from halfsplit.diagnosis.planning import VERIFY_MIN, WAIT_MOST, Option, setup_minutes, state_minutes
from halfsplit.diagnosis.space import RepairGroup
from halfsplit.diagnosis.world import Hidden, World, draw
from halfsplit.faults.priors import fault_weights
from halfsplit.observations import Action, Complaint, Observation, Symptom

MOST_CHECKS = 60
Tell = Callable[[str, Observation | None, float], None]


@dataclass(frozen=True, slots=True)
class Repaired:
    """A repair that was done: its group, the odds stated for it, whether the group was a true cause."""

    group: str
    odds: float
    right: bool


@dataclass(frozen=True, slots=True)
class Played:
    """How one job went.

    ``mended`` says whether nothing hidden is left; ``found`` whether every hidden fault's own repair group was
    repaired, be it in vain (a repair may fail); ``kind`` how it ended.
    """

    causes: tuple[str, ...]
    complaint: Complaint
    minutes: float
    checks: int
    repairs: tuple[Repaired, ...]
    mended: bool
    found: bool
    kind: str

    @property
    def wrong_repairs(self) -> int:
        """Repairs of places that were sound."""
        return sum(not repair.right for repair in self.repairs)

    @property
    def sure_and_wrong(self) -> bool:
        """Whether a wrong cause was stated with more than 90 % odds."""
        return any(repair.odds > 0.9 and not repair.right for repair in self.repairs)


@dataclass
class Clock:
    """Minutes on one machine: access opened so far, the state it is set to, time by place."""

    world: World
    minutes: float = 0.0
    checks: int = 0
    state: str = ""
    open_steps: frozenset[str] = frozenset()
    by_place: dict[str, float] = field(default_factory=dict)

    def spend(self, minutes: float, steps: tuple[str, ...], state: str, place: str) -> float:
        """Charges access not yet open, a change of state and the work itself."""
        machine = self.world.machine
        total = (
            minutes
            + setup_minutes(machine, steps, self.open_steps)
            + state_minutes(machine, state, self.state)
        )
        self.open_steps |= frozenset(steps)
        self.state = state or self.state
        self.minutes += total
        self.by_place[place] = self.by_place.get(place, 0.0) + total
        return total

    def check(self, check: Check, watched: Sequence[Symptom] = ()) -> tuple[Observation, ...]:
        """Does a check and charges it; on a meter check waits for a sleeping fault to show."""
        self.spend(check.minutes, check.steps, check.state, check.place)
        self.checks += 1
        found = self.world.answer(check, watched)
        waited = 0
        while (
            check.kind in METERED
            and getattr(found[-1], "showing", "") == "no"
            and waited < WAIT_MOST
        ):
            waited += 1
            self.spend(1.0, (), "", check.place)
            found = self.world.answer(check, watched)
        return found

    def repair(self, group: RepairGroup) -> Action:
        """Does the repair of a group and charges it."""
        steps = self.world.machine.steps_for_zone(group.zone, group.access)
        self.spend(group.minutes, steps, "", group.owner)
        action = Action(group.correction, group.place)  # type: ignore[arg-type] # corrections are kinds of action
        self.world.act(action)
        return action

    def verify(self, complaint: Complaint) -> list[Symptom]:
        """Operates what was complained about; says what was seen."""
        seen: list[Symptom] = []
        self.spend(VERIFY_MIN, (), "", "verify")
        for symptom in complaint.symptoms:
            self.spend(0.0, (), symptom.state, "verify")
            check = Check("", "operate", "", "", (), 0.0, state=symptom.state, function=symptom.function)
            seen.extend(one for one in self.world.answer(check) if isinstance(one, Symptom))
        return seen


def hide(
    bench: Bench, rng: np.random.Generator, count: int = 1, fault: str | None = None
) -> tuple[World, Complaint]:
    """A machine with ``count`` hidden faults that show; drawn again until they do (at most 400 times)."""
    weights = fault_weights(bench.machine, bench.faults)
    number = None
    if fault is not None:
        number = next(at for at, one in enumerate(bench.faults) if one.id == fault)
    for _ in range(400):
        hidden: list[Hidden] = [draw(bench.faults, weights, rng, number)]
        while len(hidden) < count:
            another = draw(bench.faults, weights, rng)
            if bench.faults[another.fault].group != bench.faults[hidden[0].fault].group:
                hidden.append(another)
        world = World(bench.machine, bench.faults, hidden, rng, bench.drawings)
        complaint = world.complaint()
        if complaint is not None:
            return world, complaint
    raise ValueError("no fault that shows was drawn in 400 tries")


def play(
    bench: Bench,
    world: World,
    complaint: Complaint,
    settings: Settings | None = None,
    tell: Tell | None = None,
    begun: tuple[Hunt, Clock] | None = None,
) -> Played:
    """The planner works the job to its end; ``begun`` is a hunt that knows something already, and what that took."""
    hunt, clock = begun or (Hunt(bench, complaint, settings), Clock(world))
    repairs: list[Repaired] = []
    causes = true_groups(world)
    kind = "too long"
    while clock.checks + len(repairs) < MOST_CHECKS:
        decision = hunt.next()
        kind = decision.kind
        if decision.best is None:
            break
        if decision.best.check is not None:
            check = decision.best.check
            found = clock.check(check, hunt.watched())
            own = check.kind in ("operate", "watch", "round")
            hunt.record_all([(one, check if own or one.KIND != "symptom" else None) for one in found])
            for observed in found:
                _tell(tell, decision.best, observed, clock)
            apart = tuple(one for one in decision.best.check.unplugged if one in world.machine.connectors)
            if decision.best.check.look == "thorough":
                apart = (decision.best.check.place,)
            for place in apart:
                touched = Action("unplug-refit", place)
                world.act(touched)
                hunt.record(touched)
            continue
        group = decision.best.repair
        if group is None:
            break
        repairs.append(Repaired(group.id, decision.best.odds, group.id in causes))
        action = clock.repair(group)
        hunt.record(action)
        hunt.open_steps(world.machine.steps_for_zone(group.zone, group.access))
        _tell(tell, decision.best, action, clock)
        verified = clock.verify(complaint)
        hunt.record_all([(seen, operate(bench.machine, seen.function, seen.state)) for seen in verified])
        for seen in verified:
            if tell is not None:
                tell("verify", seen, clock.minutes)
    return finish(world, complaint, clock, tuple(repairs), causes, kind)


def _tell(tell: Tell | None, option: Option, observed: Observation, clock: Clock) -> None:
    if tell is not None:
        what = option.check.id if option.check is not None else option.repair.id if option.repair else ""
        tell(what, observed, clock.minutes)


def true_groups(world: World) -> frozenset[str]:
    """Repair groups of what is hidden."""
    return frozenset(world.faults[one.fault].group for one in world.hidden)


def finish(
    world: World,
    complaint: Complaint,
    clock: Clock,
    repairs: tuple[Repaired, ...],
    causes: frozenset[str],
    kind: str,
) -> Played:
    """The account of a job that ended."""
    done = {repair.group for repair in repairs}
    return Played(
        tuple(sorted(causes)), complaint, clock.minutes, clock.checks, repairs,
        not world.present, causes <= done, kind,
    )  # fmt: skip
