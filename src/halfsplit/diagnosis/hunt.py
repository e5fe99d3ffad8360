"""One hunt for a cause: evidence, belief and plan of one job, and nothing that reads clocks or stores.

``Bench`` holds what belongs to a kind of machine and serves any number of hunts; ``Hunt`` is one of them. A
hunt is rebuilt from its observations in a moment, so undoing is leaving one out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from halfsplit.diagnosis.belief import Belief, believe, open_symptoms
from halfsplit.diagnosis.checks import Check, all_checks, further_states, operate
from halfsplit.diagnosis.complaining import log_chosen, log_state
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.pairs import Pairs
from halfsplit.diagnosis.planning import (
    REPAIR_AT,
    USED_UP,
    Decision,
    Option,
    Planner,
    Situation,
    group_steps,
    in_reach,
    mending,
    setup_minutes,
    state_minutes,
)
from halfsplit.diagnosis.repeats import agreeing
from halfsplit.diagnosis.rereading import SURE, hangs_on
from halfsplit.diagnosis.space import Bools, Floats, RepairGroup, Space, build
from halfsplit.diagnosis.world import Drawings
from halfsplit.errors import UserError
from halfsplit.faults.catalogue import Fault, generate
from halfsplit.faults.priors import fault_weights
from halfsplit.faults.signatures import Begin, Signatures, TableStore
from halfsplit.machine.model import Machine
from halfsplit.observations import Action, Complaint, Look, Observation, OutOfReach, Reading, Symptom

#: Codes raised from this module, each with one sentence; the other names are checked as evidence is.
CODES: dict[str, str] = {
    "complaint-empty": "A complaint must name at least one function that does not do what it should.",
}

#: States looked into besides those of the complaint: the fewest that let a person split further.
EXTRA_STATES = 1
#: A function of the complaint that no cause mended so far upsets, at these odds, is tried so often before the end: a
#: fault that sleeps half the time is then missed in one of eight; from memory.
ACCOUNTED = 0.5
STRAYS = 0.5
#: Share of what may be left that must upset a function for it to show whether the fault is there; no source.
STILL_UPSET = 0.3
#: Minutes that reading a point once more may take before a repair that hangs on it; no source.
AGAIN_MOST_MIN = 6.0
#: Odds that a place came right by being handled, unmended, at which it is mended before the end; no source.
HANDLED = 0.5
TRIES = 3
#: A reading with something out is taken so often at most between two repairs; no source.
APART_MOST = 2


class Bench:
    """Everything about one kind of machine that hunts share. Tables are made when first needed, kept in ``store``."""

    def __init__(self, machine: Machine, store: TableStore | None = None) -> None:
        self.machine = machine
        self.faults: tuple[Fault, ...] = generate(machine)
        self.space: Space = build(machine, self.faults)
        effects = [
            self.faults[fault].severities[grade].effects
            for fault, grade in zip(self.space.row_fault, self.space.row_grade, strict=True)
        ]
        self.signatures = Signatures(machine, effects, store)
        self.drawings = Drawings(machine)
        self._planners: dict[tuple[str, ...], Planner] = {}

    def prepare(self, complaint: Complaint, begin: Begin | None = None) -> None:
        """Makes what the first check of a hunt needs, some of it elsewhere with ``begin``. Raises as a hunt does."""
        check_complaint(self.machine, complaint)
        self.signatures.prepare(working_states(self.machine, complaint), begin)

    def weights(self, conditions: Sequence[str], worked_on: Sequence[str]) -> Floats:
        """Prior probability of each fault in some conditions, ``[faults]``; those asked for last are kept."""
        key = (tuple(conditions), tuple(worked_on))
        return self.space.held_weights.get(key, lambda: fault_weights(self.machine, self.faults, *key))

    def planner(self, states: Sequence[str]) -> Planner:
        """The planner whose electrical checks use the given states."""
        key = tuple(states)
        if key not in self._planners:
            self._planners[key] = Planner(self.space, self.signatures, all_checks(self.machine, key))
        return self._planners[key]


def working_states(machine: Machine, complaint: Complaint) -> tuple[str, ...]:
    """The states a hunt works in: those of the complaint, then those in which its functions should work."""
    chosen = list(dict.fromkeys(symptom.state for symptom in complaint.symptoms))
    chosen += further_states(machine, chosen, [one.function for one in complaint.symptoms])[:EXTRA_STATES]
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
        weights = bench.weights(complaint.conditions, complaint.worked_on)
        self.log_prior: Floats = bench.space.log_prior(weights)
        said = (bench.machine, complaint.symptoms, self.evidence.levels)
        singles, row = slice(0, bench.space.singles), bench.space.hyp_row
        chosen = log_chosen(*said)[row]
        #: The prior of members of pairs: of two faults the other may be the one in whose state something fails.
        self.log_member = self.log_prior.copy()
        self.log_member[singles] += chosen
        #: Log chance ``[singles]`` that the operator told just this of all that fails; in ``log_prior`` too.
        self.log_chosen = chosen + log_state(*said)[row]
        self.log_prior[singles] += self.log_chosen
        self.situation = Situation()
        self._done: Counter[str] = Counter()
        self._looked: Counter[str] = Counter()
        self._work: Counter[str] = Counter()
        self._made: dict[Reading, Check] = {}
        #: Checks made with plugs or fuses out since something was mended: which ones, each time.
        self._apart: dict[str, list[tuple[str, ...]]] = {}
        self._belief: Belief | None = None

    def record(self, observation: Observation, check: Check | None = None) -> Belief:
        """Takes an observation (made by ``check``, if it was one of ours) and gives the new odds."""
        return self.record_all([(observation, check)])

    def record_all(self, found: Sequence[tuple[Observation, Check | None]]) -> Belief:
        """Takes several observations, each with the check it was made by, and gives the odds after the last."""
        for observation, check in found:
            self.take(observation, check)
        return self.belief

    @property
    def belief(self) -> Belief:
        """The odds after all that was taken; worked out when first asked for."""
        if self._belief is None:
            self._belief = self._believe()
        return self._belief

    def belief_within(self, within: float) -> Belief:
        """The same, with odds that are true ``within`` so much, which is quicker after many readings."""
        return self._belief or believe(self.evidence, self.log_prior, self.pairs_of(self.evidence), within)

    def take(self, observation: Observation, check: Check | None = None) -> None:
        """Takes an observation without working out the odds."""
        self.evidence.add(observation)
        self._belief = None
        if isinstance(observation, Action):
            if observation.action != "unplug-refit":
                self._apart.clear()
            self._done = Counter({name: used for name, used in self._done.items() if self._lasts(name, observation)})
            self._work[f"{observation.action}:{observation.place}"] += 1
        elif check is not None and not isinstance(observation, OutOfReach):
            counter = self._looked if isinstance(observation, Look) else self._done
            whole_walk = check.kind == "round" and not _told(observation)
            if isinstance(observation, Reading | Symptom) and observation.unplugged:
                self._apart.setdefault(check.id, []).append(observation.unplugged)
            counter[check.id] += USED_UP if whole_walk else self._used(observation)
            if check.kind == "round" and isinstance(observation, Symptom):
                # What was seen on the way need not be looked at one by one.
                alone = operate(self.bench.machine, observation.function, observation.state)
                counter[alone.id] += self._used(observation)
            if isinstance(observation, Reading):
                key = replace(observation, value=0.0)
                self._made[key] = check
                if not agreeing(key, self.evidence.epochs[-1].repeats[key]):
                    counter[check.id] = 0  # it must be settled by a further one
        state = check.state if check is not None and check.state else self.situation.state
        steps = self.situation.open_steps | (frozenset(check.steps) if check is not None else frozenset())
        if isinstance(observation, OutOfReach) or _told(observation):
            steps, state = self.situation.open_steps, self.situation.state
        showing = self.situation.showing
        if isinstance(observation, Symptom) and self._complained(observation) and not observation.reported:
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

    def _used(self, observation: Observation) -> int:
        """How much of a check an observation uses up.

        A reading taken while the fault slept may be taken again, a function of the complaint watched twice, and what
        was only told may be seen for oneself.
        """
        if _told(observation):
            return 0
        if isinstance(observation, Symptom):
            return USED_UP // 2 if self._complained(observation) else USED_UP
        return USED_UP // 3 if getattr(observation, "showing", "unknown") == "no" else USED_UP

    def _lasts(self, name: str, action: Action) -> bool:
        """Whether a check stays made after an action.

        A refitted plug may work again, but what was read with it out would be read again just so; and nobody is sent to
        read with something out a third time for nothing but another plug that was refitted.
        """
        made = self._apart.get(name, [])
        return len(made) >= APART_MOST or any(action.place in out for out in made)

    def _complained(self, observation: Symptom) -> bool:
        return not observation.unplugged and any(
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
        situation = replace(self.situation, watched=frozenset(one.state for one in self.watched()))
        decision = self.planner.decide(
            self.belief, self.evidence, situation, self.settings.repair_at, self.complaint_left()
        )
        if decision.kind == "hand-over" and not self.complaint_left():
            return self._handled_only(decision) or decision
        if decision.kind == "repair":
            return self._read_again(decision) or decision
        if decision.kind != "finish":
            return decision
        again = self._not_accounted_for()
        if again is None:
            return self._handled_only(decision) or decision
        minutes = again.minutes + state_minutes(self.bench.machine, again.state, self.situation.state)
        best = Option(again, None, minutes, 0.0, 0.0)
        return Decision("check", best, decision.others, "what was mended does not account for this complaint")

    def _read_again(self, decision: Decision) -> Decision | None:
        """The reading that the odds of a repair hang on alone, once more, where that is quick."""
        best = decision.best
        if best is None or best.repair is None or best.odds < SURE or self.situation.showing == "no":
            return None
        group = next(at for at, one in enumerate(self.bench.space.groups) if one.id == best.repair.id)
        machine, situation = self.bench.machine, self.situation
        openings: dict[Reading, float] = {}
        for key, check in self._made.items():
            opening = setup_minutes(machine, check.steps, situation.open_steps)
            opening += state_minutes(machine, check.state, situation.state)
            if check.minutes + opening <= AGAIN_MOST_MIN and self.planner.reachable(check, situation):
                openings[key] = opening
        for key in hangs_on(self.evidence, self.log_prior, group, openings):
            check, opening = self._made[key], openings[key]
            again = Option(check, None, check.minutes + opening, opening, 0.0)
            others = (best, *decision.others)[:6]
            return Decision("check", again, others, "the repair hangs on this one reading: put the leads on once more")
        return None

    def watched(self) -> tuple[Symptom, ...]:
        """The functions that show whether a fault is there now, those to watch first in front.

        At first those of the complaint. After a repair what is still wrong comes first; a function of the complaint
        that works again says nothing of what is left, unless something left would upset it.
        """
        if len(self.evidence.epochs) == 1:
            return self.complaint.symptoms
        left = self.belief.row_odds()
        wrong = open_symptoms(self.evidence)
        named = {(one.function, one.state) for one in wrong}
        unsure = (
            one for one in self.complaint.symptoms
            if (one.function, one.state) not in named
            and float(left @ self._upsets(one)) >= STILL_UPSET * min(1.0, float(left.sum()))
        )  # fmt: skip
        return (*wrong, *unsure)

    def _upsets(self, symptom: Symptom) -> Bools:
        """Rows that upset a function in a state, ``[rows]``."""
        result: Bools = self.evidence.strays(symptom.function, symptom.state)[:-1] > STRAYS
        return result

    def _not_accounted_for(self) -> Check | None:
        """A function of the complaint that nothing mended so far explains, while it was not tried enough."""
        belief, space = self.belief, self.bench.space
        ever = np.bincount(space.hyp_row, weights=belief.there + belief.gone + belief.cured, minlength=space.rows)
        seen = Counter(
            (one.function, one.state)
            for one in self.evidence.epochs[-1].electrical
            if isinstance(one, Symptom)
        )
        for told in self.complaint.symptoms:
            if float(ever @ self._upsets(told)) < ACCOUNTED and seen[told.function, told.state] < TRIES:
                return operate(self.bench.machine, told.function, told.state)
        return None

    def came_right(self) -> tuple[RepairGroup, float] | None:
        """What most likely came right by being handled (unplugged, moved, looked into) and was not mended.

        With its odds; None where all of its plug or part together lie below ``HANDLED``, or where it is out of reach.
        """
        belief, space, situation = self.belief, self.bench.space, self.situation
        was = np.bincount(space.hyp_group, weights=belief.gone + belief.cured, minlength=len(space.groups))
        together: dict[str, float] = {}
        for number, group in enumerate(space.groups):
            if group.id in situation.repaired:
                was[number] = 0.0
            together[group.owner] = together.get(group.owner, 0.0) + float(was[number])
        # Handling a plug handles all its contacts: which of them it was need not be known to go back to it.
        owner, odds = max(together.items(), key=lambda one: one[1])
        number = max((at for at, one in enumerate(space.groups) if one.owner == owner), key=lambda at: float(was[at]))
        group = space.groups[number]
        if odds < HANDLED or not in_reach(group, situation):
            return None
        return group, float(was[number])

    def _handled_only(self, decision: Decision) -> Decision | None:
        """The repair of what came right by being handled."""
        found = self.came_right()
        if found is None:
            return None
        group, odds = found
        opening = setup_minutes(self.bench.machine, group_steps(self.bench.machine, group), self.situation.open_steps)
        best = mending(group, opening, odds, 0.0)
        reason = "it came right when it was handled, and comes back unless it is mended"
        return Decision("repair", best, decision.others, reason)

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

    def pairs_of(self, evidence: Evidence) -> Pairs | None:
        """The pairs of faults to weigh for some evidence, None where only single faults are asked for."""
        return Pairs(evidence, self.log_prior, self.log_member) if self.settings.grow else None

    def _believe(self) -> Belief:
        return believe(self.evidence, self.log_prior, self.pairs_of(self.evidence))


def _told(observation: Observation) -> bool:
    """Whether the technician was told it by somebody else, maybe on the phone: nothing is set or opened by that."""
    return isinstance(observation, Symptom) and observation.reported


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
