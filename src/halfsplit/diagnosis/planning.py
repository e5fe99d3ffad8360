"""The next check worth its minutes: information per minute, the access it needs counted in.

Information is about repair groups, not raw suspects: telling two suspects apart that need the same repair is
worth nothing (module ``information``). A repair is a check too, and is done at once when its odds pass a
threshold.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from halfsplit.diagnosis.belief import Belief
from halfsplit.diagnosis.checks import METERED, Check
from halfsplit.diagnosis.endgame import (
    BY_RATE,
    NO_INFORMATION,
    WRONG_REPAIR_MIN,
    Candidate,
    Mend,
    Rule,
    as_new,
    best_between,
    few_left,
    minutes_ahead,
    small_problem,
    without_twins,
)
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.information import Teller
from halfsplit.diagnosis.living import Floats, Live, but_for_rounding, live
from halfsplit.diagnosis.offers import (
    TOLD_BEFORE,
    USED_UP,
    VERIFY_MIN,
    Catalogue,
    Offers,
    Option,
    Situation,
    group_steps,
    in_reach,
    mending,
    setup_minutes,
    state_minutes,
    told_before,
)
from halfsplit.diagnosis.space import RepairGroup, Space
from halfsplit.diagnosis.telling import Told, as_read, entropy
from halfsplit.faults.signatures import Signatures

__all__ = [
    "REPAIR_AT", "USED_UP", "VERIFY_MIN", "Decision", "Option", "Planner", "Situation", "group_steps", "in_reach",
    "mending", "setup_minutes", "state_minutes",
]  # fmt: skip

#: Repair at once above these odds: engine-notes part 3 measured 0.6, 0.75 and 0.9 within 4 % of each other in
#: minutes, and later repair the better the less the model is trusted.
REPAIR_AT = 0.95
#: No repair while this much says that nothing explains the evidence: engine-notes part 4.
NO_REPAIR_ABOVE = 0.30
#: Below these odds a repair is not offered as a check; keeps the list short, no source.
LEAST_REPAIR = 0.60
#: A check that tells less for a minute is not made, nats: twenty minutes for a coin's twelfth; no source.
IDLE_RATE = 0.003
#: When nothing else is left to do, repairs down to these odds are offered before handing over; after so many repairs
#: nobody goes on down a list, and only the likelier ones are. No source.
LAST_REPAIR = 0.06
LAST_REPAIRS = 4
#: Places looked at last when nothing known explains the evidence; keeps the list short, no source.
LAST_LOOKS = 6
#: With the leads on, a person waits this many minutes at most for a fault that sleeps to show; from memory.
WAIT_MOST = 6
#: Odds from which looking ahead may choose a repair; keeps a person from mending down a list, no source.
AHEAD_REPAIR = 0.20
#: Steps that lead to the end within so many minutes of the best are alike, and the one that tells most a minute is
#: first among them; the minutes looked ahead are not surer than that, no source.
ALIKE_MIN = 0.5
#: No looking ahead, which knows one fault that is there, above these odds of two, or of nothing wrong any more.
MORE_FAULTS_MOST = 0.10
MENDED_MOST = 0.10
#: Odds that nothing is wrong any more at which the hunt ends.
FINISH_AT = 0.93


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do next: "check", "repair", "finish" or "hand-over", the best option and the others by rank."""

    kind: str
    best: Option | None
    others: tuple[Option, ...]
    reason: str


@dataclass(frozen=True, eq=False, slots=True)
class _Ranked:
    """Options by rate, the repairs among them and all that could be tried, and what the checks tell of the live."""

    options: Sequence[Option]
    offered: Sequence[Option]
    repairs: list[Option]
    told: list[Told]
    now: Live


def _key(option: Option) -> tuple[str, str]:
    return ("check", option.check.id) if option.check is not None else (
        "repair", option.repair.id if option.repair is not None else ""
    )  # fmt: skip


def _candidates(ranked: _Ranked, small: Sequence[int], done: Mapping[str, int]) -> list[Candidate]:
    """The best checks by information per minute, and for every two of the ``small`` groups the best between them.

    A reading that would tell almost the same as one taken (``done``) is none: its spread is the other's too.
    """
    options = {one.check.id: one for one in ranked.options if one.check is not None}
    first = set(list(options)[:BY_RATE])
    found: list[Candidate] = []
    worth = np.zeros(len(small) * (len(small) - 1) // 2)
    between: dict[int, Candidate] = {}
    for told in ranked.told:
        at = [number for number, check in enumerate(told.checks) if check.id in options]
        made = [
            number
            for number, check in enumerate(told.checks)
            if check.kind in METERED and done.get(check.id, 0) >= USED_UP
        ]
        fresh = as_new(told.masses(at)[:, :, small], told.masses(made)[:, :, small])
        at = [number for number, new in zip(at, fresh, strict=True) if new]
        if not at:
            continue
        joint = as_read(told.masses(at), told.misread)[:, :, small]
        held = joint.sum(axis=1, keepdims=True)
        if (held <= 0.0).any():
            continue
        chosen = [options[told.checks[number].id] for number in at]
        more, best = best_between(joint / held, np.array([one.minutes for one in chosen]))
        found += [_candidate(one, joint[n]) for n, one in enumerate(chosen) if one.check and one.check.id in first]
        for pair in np.flatnonzero(more > worth):
            between[int(pair)] = _candidate(chosen[best[pair]], joint[best[pair]])
        worth = np.maximum(worth, more)
    return list({one.name: one for one in (*found, *between.values())}.values())


def _candidate(option: Option, joint: Floats) -> Candidate:
    assert option.check is not None  # only checks tell
    check = option.check
    return Candidate(check.id, option.minutes - option.setup_min, check.state, check.steps, joint)


class Planner:
    """Ranks the checks of one machine; holds only arrays derived from the machine and its signatures."""

    def __init__(self, space: Space, signatures: Signatures, checks: Sequence[Check]) -> None:
        self.space = space
        self.machine = space.machine
        self.signatures = signatures
        self.checks = tuple(checks)
        rounds = {check.state for check in self.checks if check.kind == "round"}
        self._seen_on_rounds = tuple(
            (check.id, (check.function, check.state))
            for check in self.checks
            if check.kind == "operate" and check.state in rounds
        )
        self.teller = Teller(space, signatures, self.checks)
        self.catalogue = Catalogue(self.machine, self.checks)
        self._group_steps: dict[str, tuple[str, ...]] = {}

    def decide(
        self, belief: Belief, evidence: Evidence, situation: Situation, repair_at: float = REPAIR_AT,
        complaint_left: bool = False, look_ahead: bool = True,
    ) -> Decision:  # fmt: skip
        """The next step for a belief, with the runner-ups.

        The hunt does not finish while the complaint was last seen to be there (``complaint_left``). With
        ``look_ahead`` the options are put in order of the minutes they lead to when few repair groups are left.
        """
        ranked = self._ranked(belief, evidence, situation)
        options = ranked.options
        if belief.mended >= FINISH_AT and belief.other < NO_REPAIR_ABOVE and not complaint_left:
            return Decision(
                "finish", None, tuple(options[:6]), "nothing is wrong any more, as far as can be told"
            )
        trusted = belief.other <= NO_REPAIR_ABOVE
        if trusted:
            likely = max(ranked.offered, key=lambda one: one.odds, default=None)
            if likely is not None and likely.odds >= repair_at:
                others = tuple(one for one in options[:7] if one is not likely)
                return Decision("repair", likely, others[:6], "the odds are high enough to mend it")
        else:
            options = [option for option in options if option.repair is None]
        if not options and not trusted:
            options = self._last_looks(belief, situation)
        if not options:
            return Decision("hand-over", None, (), "no check within reach tells any more")
        reason = "it tells most for its minutes"
        if look_ahead and trusted:
            options = self._ahead(belief, situation, ranked, repair_at)
            if options[0].expected_min is not None:
                reason = "looking ahead over the few suspects left, the job is over soonest with it"
        best = options[0]
        kind = "repair" if best.repair is not None else "check"
        return Decision(kind, best, tuple(options[1:7]), reason)

    def _last_looks(self, belief: Belief, situation: Situation) -> list[Option]:
        """Looks at the likeliest places, when nothing known explains the evidence and no check tells any more."""
        odds = belief.group_odds()
        found = []
        for number in np.argsort(-odds)[:LAST_LOOKS]:
            group = self.space.groups[int(number)]
            for check in self.checks:
                if odds[number] < LAST_REPAIR or check.kind != "look" or check.place != group.owner:
                    continue
                if not self._barred(check, situation):
                    before = setup_minutes(self.machine, check.steps, situation.open_steps)
                    found.append(Option(check, None, check.minutes + before, before, float(odds[number])))
        return sorted(found, key=lambda option: -option.rate)

    def rank(self, belief: Belief, evidence: Evidence, situation: Situation) -> Sequence[Option]:
        """All options by information per minute, best first."""
        return self._ranked(belief, evidence, situation).options

    def _ranked(self, belief: Belief, evidence: Evidence, situation: Situation) -> _Ranked:
        now, patient = live(belief, situation.showing, 0, WAIT_MOST)
        watched = situation.watched
        if watched is None:
            watched = frozenset(symptom.state for symptom in evidence.complaint.symptoms)
        prior = np.bincount(now.group, weights=now.awake + now.asleep, minlength=len(now.names)).astype(np.float64)
        told = self.teller.told(now, patient, evidence, prior, watched, self._on_the_way(evidence))
        prior_entropy = float(entropy(prior, 0))
        # First the information, by which is found out which checks tell anything.
        information = np.concatenate([np.zeros(0), *[one.information(prior_entropy) for one in told]])
        made_up = self.catalogue.numbers
        every = [made_up(one.checks) if one.numbers is None else one.numbers for one in told]
        numbers = np.concatenate([np.zeros(0, dtype=np.int64), *every])
        used = self.catalogue.used_up(situation)
        barred = used | self.catalogue.out_of_reach(situation)
        minutes, before = self.catalogue.minutes(numbers, situation, watched, patient.wait_min)
        offered = (information > NO_INFORMATION) & ~barred[numbers]
        stale = told_before(
            told, [len(one) for one in every], self.catalogue.metered(numbers), used[numbers], offered,
            information / minutes,
        )  # fmt: skip
        information = np.where(stale, TOLD_BEFORE * information, information)
        repairs = self._repairs(belief, situation)
        offers = Offers(
            self.catalogue, numbers[offered], minutes[offered], before[offered], information[offered],
            [one for one in repairs if one.odds >= LEAST_REPAIR], IDLE_RATE,
        )  # fmt: skip
        if len(offers):
            return _Ranked(offers, offers.offered_repairs(), repairs, told, now)
        # What tells next to nothing for its minutes is not worth making: then a likely place is mended, or it ends.
        vain = sum(situation.repaired.values()) >= LAST_REPAIRS
        any_left = bool(offered.any()) or bool(offers.repairs)
        likely = AHEAD_REPAIR if any_left or vain else LAST_REPAIR
        mends = sorted((one for one in repairs if one.odds >= likely), key=lambda option: -option.rate)
        return _Ranked(mends, mends, repairs, told, now)

    def _ahead(
        self, belief: Belief, situation: Situation, ranked: _Ranked, repair_at: float
    ) -> Sequence[Option]:
        """The options with those that were looked at first, by the minutes they lead to.

        As they are where many groups are left, or the model of one fault that is still there does not hold.
        """
        options: Sequence[Option] = ranked.options
        few = few_left(belief.group_odds())
        if few is None or len(few) < 2 or belief.both > MORE_FAULTS_MOST or belief.mended > MENDED_MOST:
            return options
        small = [ranked.now.names.index(int(group)) for group in few if int(group) in ranked.now.names]
        if len(small) < len(few):
            return options
        odds = belief.group_odds()
        mends = [self._mend(self.space.groups[group], float(odds[group]), situation) for group in few]
        candidates = without_twins(_candidates(ranked, small, situation.done))
        problem = small_problem(self.machine, situation.open_steps, situation.state, mends, candidates)
        seen = minutes_ahead(problem, Rule(repair_at, LEAST_REPAIR))
        minutes = {("check", name): value - WRONG_REPAIR_MIN for name, value in seen.checks.items()}
        minutes |= {("repair", name): value - WRONG_REPAIR_MIN for name, value in seen.repairs.items()}
        if not minutes:
            return options
        every = list(options)
        every += [one for one in ranked.repairs if one.odds >= AHEAD_REPAIR and one not in every]
        valued = [replace(one, expected_min=minutes.get(_key(one))) for one in every]
        least = min((one.expected_min for one in valued if one.expected_min is not None), default=math.inf)

        def place(one: Option) -> tuple[float, float]:
            expected = math.inf if one.expected_min is None else one.expected_min
            return (0.0 if expected <= least + ALIKE_MIN else expected, -float(but_for_rounding(np.array(one.rate))))

        return sorted(valued, key=place)

    def _mend(self, group: RepairGroup, odds: float, situation: Situation) -> Mend:
        return Mend(
            group.id, odds, group.minutes, VERIFY_MIN, group.success, group_steps(self.machine, group),
            self._can_mend(group, odds, situation),
        )  # fmt: skip

    def _on_the_way(self, evidence: Evidence) -> frozenset[str]:
        """Functions looked at on a walk round: one alone is operated only where it is complained of.

        Each alone would seem worth its minute, and together they would cost three walks.
        """
        complained = {(symptom.function, symptom.state) for symptom in evidence.complaint.symptoms}
        return frozenset(name for name, what in self._seen_on_rounds if what not in complained)

    @staticmethod
    def reachable(check: Check, situation: Situation) -> bool:
        """Whether a person can get at the check."""
        return check.id not in situation.unreachable and check.zone not in situation.zones_out_of_reach

    def _barred(self, check: Check, situation: Situation) -> bool:
        if not self.reachable(check, situation):
            return True
        return situation.done.get(check.id, 0) >= USED_UP

    def _can_mend(self, group: RepairGroup, odds: float, situation: Situation) -> bool:
        if not in_reach(group, situation):
            return False
        before = situation.repaired.get(group.id, 0)
        return not before or (before == 1 and odds >= LEAST_REPAIR)

    def _repairs(self, belief: Belief, situation: Situation) -> list[Option]:
        odds = belief.group_odds()
        found = []
        for number in np.flatnonzero(odds >= LAST_REPAIR):
            group = self.space.groups[int(number)]
            if not self._can_mend(group, float(odds[number]), situation):
                continue
            chance = min(float(odds[number]) * group.success, 1.0)
            share = np.array([chance, 1.0 - chance])
            if group.id not in self._group_steps:
                self._group_steps[group.id] = group_steps(self.machine, group)
            opening = setup_minutes(self.machine, self._group_steps[group.id], situation.open_steps)
            found.append(mending(group, opening, float(odds[number]), float(entropy(share, 0))))
        return found
