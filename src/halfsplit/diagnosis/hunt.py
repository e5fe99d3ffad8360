"""One hunt for a cause: evidence, belief and plan of one job, and nothing that reads clocks or stores.

``Bench`` holds what belongs to a kind of machine and serves any number of hunts; ``Hunt`` is one of them. A
hunt is rebuilt from its observations in a moment, so undoing is leaving one out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from halfsplit.diagnosis.belief import Belief, believe
from halfsplit.diagnosis.checks import Check, all_checks
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.families import Family
from halfsplit.diagnosis.growth import families, grow, must_grow
from halfsplit.diagnosis.pairs import Pool, empty_pool
from halfsplit.diagnosis.planning import REPAIR_AT, USED_UP, Decision, Planner, Situation
from halfsplit.diagnosis.space import Floats, Space, build
from halfsplit.diagnosis.world import Drawings
from halfsplit.errors import UserError
from halfsplit.faults.catalogue import Fault, generate
from halfsplit.faults.priors import fault_weights
from halfsplit.faults.signatures import Signatures
from halfsplit.machine.model import Machine
from halfsplit.observations import Action, Complaint, Look, Observation, OutOfReach, Symptom

#: Codes raised from this module, each with one sentence; the other names are checked as evidence is.
CODES: dict[str, str] = {
    "complaint-empty": "A complaint must name at least one function that does not do what it should.",
}

#: Odds at which a mended group is still the best explanation, so that the hunt starts again; no source.
STUCK_AT = 0.5
#: What the odds of a mended group are worth then: a repair fails in about one of twenty (corrections.csv).
MENDED_SHARE = 0.05
#: States looked into besides those of the complaint: the fewest that let a person split further.
EXTRA_STATES = 1


class Bench:
    """Everything about one kind of machine that hunts share. Tables are made when first needed."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.faults: tuple[Fault, ...] = generate(machine)
        self.space: Space = build(machine, self.faults)
        effects = [
            self.faults[fault].severities[grade].effects
            for fault, grade in zip(self.space.row_fault, self.space.row_grade, strict=True)
        ]
        self.signatures = Signatures(machine, effects)
        self.drawings = Drawings(machine)
        self._planners: dict[tuple[str, ...], Planner] = {}

    def planner(self, states: Sequence[str]) -> Planner:
        """The planner whose electrical checks use the given states."""
        key = tuple(states)
        if key not in self._planners:
            self._planners[key] = Planner(self.space, self.signatures, all_checks(self.machine, key))
        return self._planners[key]


def working_states(machine: Machine, complaint: Complaint) -> tuple[str, ...]:
    """The states a hunt works in: those of the complaint, then those in which its functions should work."""
    chosen = list(dict.fromkeys(symptom.state for symptom in complaint.symptoms))
    extra = 0
    for symptom in complaint.symptoms:
        function = machine.functions[symptom.function]
        for state, level in function.expected.items():
            if level == "on" and state not in chosen and extra < EXTRA_STATES:
                chosen.append(state)
                extra += 1
    return tuple(chosen) or tuple(machine.states)[:1]


@dataclass(frozen=True, slots=True)
class Settings:
    """How a hunt decides: odds at which a repair is done, and whether sets of faults may grow."""

    repair_at: float = REPAIR_AT
    grow: bool = True


class Hunt:
    """Belief and plan for one complaint on one machine.

    Raises UserError when the complaint or an observation names what the machine does not have.
    """

    def __init__(self, bench: Bench, complaint: Complaint, settings: Settings | None = None) -> None:
        check_complaint(bench.machine, complaint)
        self.bench = bench
        self.complaint = complaint
        self.settings = settings or Settings()
        self.states = working_states(bench.machine, complaint)
        self.planner = bench.planner(self.states)
        self.evidence = Evidence(bench.space, bench.signatures, complaint)
        weights = fault_weights(bench.machine, bench.faults, complaint.conditions, complaint.worked_on)
        self.log_prior: Floats = bench.space.log_prior(weights)
        self.pool: Pool = empty_pool()
        self.families: tuple[Family, ...] = ()
        self.situation = Situation()
        self._done: Counter[str] = Counter()
        self._looked: Counter[str] = Counter()
        self._work: Counter[str] = Counter()
        self.belief: Belief = self._believe()

    def record(self, observation: Observation, check: Check | None = None) -> Belief:
        """Takes an observation (made by ``check``, if it was one of ours) and gives the new odds."""
        self.evidence.add(observation)
        if isinstance(observation, Action):
            self._done.clear()
            self._work[f"{observation.action}:{observation.place}"] += 1
        elif check is not None and not isinstance(observation, OutOfReach):
            counter = self._looked if isinstance(observation, Look) else self._done
            counter[check.id] += self._used(observation)
        state = check.state if check is not None and check.state else self.situation.state
        steps = self.situation.open_steps | (frozenset(check.steps) if check is not None else frozenset())
        if isinstance(observation, OutOfReach):
            steps, state = self.situation.open_steps, self.situation.state
        showing = self.situation.showing
        if isinstance(observation, Symptom) and self._complained(observation):
            function = self.bench.machine.functions[observation.function]
            showing = "no" if observation.level == function.expected.get(observation.state) else "yes"
        elif isinstance(observation, Action):
            showing = "unknown"
        self.situation = replace(
            self.situation,
            showing=showing,
            state=state,
            repaired=dict(self._work),
            open_steps=steps,
            done={**self._done, **self._looked},
            unreachable=frozenset(self.evidence.unreachable),
        )
        self.belief = self._believe()
        if isinstance(observation, Symptom) and self._stuck():
            self._start_again()
            self.belief = self._believe()
        return self.belief

    def _stuck(self) -> bool:
        """Whether the complaint is still there and the best explanation is what was mended already."""
        if not self.complaint_left():
            return False
        odds = self.belief.group_odds()
        best = self.bench.space.groups[int(odds.argmax())]
        return bool(odds.max() >= STUCK_AT and self.situation.repaired.get(best.id, 0))

    def _start_again(self) -> None:
        """Sets the evidence from before the last repair aside.

        Old evidence must not be forced onto what is left (engine-notes part 4): the hunt goes on with the
        symptoms that are still there and what was seen since; what was mended counts as mended.
        """
        space = self.bench.space
        kept = tuple(one for one in self.complaint.symptoms if self._bad(one))
        since = self.evidence.epochs[-1]
        self.evidence = Evidence(
            space, self.bench.signatures, replace(self.complaint, symptoms=kept), carry=since
        )
        mended = [at for at, group in enumerate(space.groups) if self.situation.repaired.get(group.id)]
        touched = np.append(np.isin(space.hyp_group, mended), [False, False])
        self.log_prior = np.where(touched, self.log_prior + np.log(MENDED_SHARE), self.log_prior)
        self.pool, self.families = empty_pool(), ()

    def _used(self, observation: Observation) -> int:
        """How much of a check an observation uses up.

        A reading taken while the fault slept may be taken again, a function of the complaint watched twice.
        """
        if isinstance(observation, Symptom):
            return USED_UP // 2 if self._complained(observation) else USED_UP
        return 1 if getattr(observation, "showing", "unknown") == "no" else USED_UP

    def _complained(self, observation: Symptom) -> bool:
        return any(
            (one.function, one.state) == (observation.function, observation.state)
            for one in self.complaint.symptoms
        )

    def open_steps(self, steps: Sequence[str]) -> None:
        """Notes access that was opened."""
        self.situation = replace(self.situation, open_steps=self.situation.open_steps | frozenset(steps))

    def close_all(self) -> None:
        """Notes that everything was closed again."""
        self.situation = replace(self.situation, open_steps=frozenset())

    def next(self) -> Decision:
        """The next step."""
        return self.planner.decide(
            self.belief, self.evidence, self.situation, self.settings.repair_at, self.complaint_left()
        )

    def complaint_left(self) -> bool:
        """Whether a function of the complaint was last seen not doing what it should."""
        return any(self._bad(symptom) for symptom in self.complaint.symptoms)

    def _bad(self, symptom: Symptom) -> bool:
        """Whether a function of the complaint was bad when last seen."""
        level = None
        for epoch in self.evidence.epochs:
            for seen in epoch.electrical:
                if isinstance(seen, Symptom) and (seen.function, seen.state) == (symptom.function, symptom.state):
                    level = seen.level
        expected = self.bench.machine.functions[symptom.function].expected
        return level is not None and level != expected.get(symptom.state, level)

    def _believe(self) -> Belief:
        belief = believe(self.evidence, self.log_prior, self.pool, self.families)
        if self.settings.grow and must_grow(self.evidence, belief):
            self.pool = grow(self.evidence, belief, self.log_prior)
            self.families = families(self.evidence, belief, self.families)
            belief = believe(self.evidence, self.log_prior, self.pool, self.families)
        return belief


def check_complaint(machine: Machine, complaint: Complaint) -> None:
    """UserError when the complaint names a function or state that the machine does not have."""
    if not complaint.symptoms:
        raise UserError(
            "complaint-empty", "a complaint needs at least one function that does not do what it should"
        )
    for symptom in complaint.symptoms:
        if symptom.function not in machine.functions:
            raise UserError("evidence-function", f"this machine has no function {symptom.function!r}")
        if symptom.state not in machine.states:
            raise UserError("evidence-state", f"this machine has no state {symptom.state!r}")
