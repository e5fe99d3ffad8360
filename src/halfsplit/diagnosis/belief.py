"""The odds over all hypotheses, kept by epoch.

A single-fault hypothesis is either still there or gone (cured or hidden by work on its place); the chance of
each path is carried forward through the epochs. Pairs of faults are followed in ``pairs``. Everything is exact
in this model and runs in log space; observations within an epoch commute.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis.evidence import NEW_LOOK, SAID_SLEEPS, Epoch, Evidence
from halfsplit.diagnosis.likelihood import PLACES
from halfsplit.diagnosis.pairs import ROUNDING, Followed, Pairs, begin
from halfsplit.diagnosis.space import Space
from halfsplit.diagnosis.stages import LetGo
from halfsplit.observations import Symptom

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NO_CHANCE = 1e-12
#: Odds that differ by no more than this are the same.
SAME = 1e-10
#: Pairs named at most, and the odds below which none is.
TWOS = 12
LEAST_TWO = 0.01
#: Symptoms at most for which it is worked out which of two faults accounts for them; keeps an update quick, no source.
LEADS = 5


@dataclass(frozen=True, slots=True)
class Two:
    """Two rows that stand for all pairs that show the same, and the odds that both are there now."""

    one: int
    other: int
    odds: float


@dataclass(frozen=True, eq=False)
class Belief:
    """Odds after the evidence so far.

    ``there`` ``[singles]`` is the chance that this fault, and no other, is there now, alone from the start or left
    of two; ``gone`` ``[singles]`` that it was there and nothing is any more. ``nothing`` and ``other`` are the two
    others, ``both`` the chance that two faults are there; all these sum to one.

    ``member`` ``[singles]`` says who the two are (it sums to twice ``both``), ``cured`` ``[singles]`` who was cured
    of two beside what ``there`` and ``gone`` hold of the other one. ``twos`` names the likeliest pairs.
    ``leads`` says for some symptoms that are still there which of two accounts for it, ``[singles]`` each, summing
    to ``both``. ``log_evidence`` is the log probability of everything observed.
    """

    space: Space
    there: Floats
    gone: Floats
    nothing: float
    other: float
    both: float
    member: Floats
    cured: Floats
    twos: tuple[Two, ...]
    leads: tuple[Floats, ...]
    log_evidence: float
    log_prior: Floats

    @property
    def surprise(self) -> float:
        """Chance that no hypothesis explains the evidence."""
        return self.other

    @property
    def mended(self) -> float:
        """Chance that nothing is wrong any more (or ever was)."""
        return float(self.gone.sum() + self.nothing)

    def row_odds(self) -> Floats:
        """Chance for each row to be there now, alone or one of two, ``[rows]``; a pair counts for both members."""
        weights = self.there + self.member
        return np.bincount(self.space.hyp_row, weights=weights, minlength=self.space.rows).astype(np.float64)

    def group_odds(self) -> Floats:
        """Chance for each repair group that it is needed now, ``[groups]``; a pair counts for both its groups."""
        return self._group_odds

    @cached_property
    def _group_odds(self) -> Floats:
        space = self.space
        weights = self.there + self.member
        odds = np.bincount(space.hyp_group, weights=weights, minlength=len(space.groups)).astype(np.float64)
        result: Floats = np.minimum(odds, 1.0)
        result.flags.writeable = False
        return result

    @cached_property
    def one_trouble(self) -> Floats:
        """Chance of each hypothesis to be behind one trouble, ``[singles]``: alone, or of two the one that leads there.

        With two faults a person hunts one trouble at a time, the one whose place is best known with what is alone
        counted in: a fault alone and the same one beside a second are one place, and what tells the second from the
        first is left until one of them is mended. Without a symptom to tell them apart each of two counts half.
        """
        space = self.space
        if not self.leads:
            return self.there + 0.5 * self.member
        spread = []
        for lead in self.leads:
            groups = np.bincount(space.hyp_group, weights=self.there + lead, minlength=len(space.groups))
            share = groups[groups > 0.0] / max(float(groups.sum()), 1e-300)
            spread.append(float(-(share * np.log(share)).sum()))
        return self.there + self.leads[int(np.argmin(spread))]

    def cause_odds(self) -> Floats:
        """Chance for each repair group that it was or is a cause, mended or not, ``[groups]``."""
        space = self.space
        weights = self.gone + self.cured
        was = np.bincount(space.hyp_group, weights=weights, minlength=len(space.groups))
        result: Floats = np.minimum(self.group_odds() + was, 1.0)
        return result

    def likeliest(self, group: int) -> int:
        """The hypothesis that most likely is or was a repair group's cause, mended or not: of its likeliest fault.

        Where nothing of the group is left, the one that was likeliest beforehand.
        """
        weights = self.there + self.gone + self.member + self.cured
        if weights[self.space.hyp_group == group].max() <= 0.0:
            weights = np.exp(self.log_prior[: self.space.singles])
        return self.space.foremost(group, weights)


def _epoch_terms(evidence: Evidence, epoch: Epoch, let_go: LetGo, within: float) -> tuple[Floats, float, float]:
    """Log likelihood of one epoch: per hypothesis that is there ``[places, singles]``; nothing there; something else.

    The first for each place where the severity may lie (``likelihood.PLACES``), or once where all are alike.
    """
    space = evidence.space
    together, sleeping, flat_volts = evidence.block_terms(epoch, let_go, within)
    steady, sleeping = together[None, :-1], sleeping[None]
    gone = float(together[-1])
    other = flat_volts
    doubt = times = np.zeros((1, 1))
    for moment in epoch.moments():
        at = evidence.at_moment(moment, epoch)
        steady = steady + at.log[:, :-1]
        gone += float(at.log[0, -1])
        other += at.other
        if at.showing == "yes":
            sleeping = sleeping + at.log[:, :-1]
            continue
        sleeping = sleeping + at.asleep
        if at.showing == "no":
            continue
        # What speaks for the fault sleeping just now is counted once and a little more, since it sleeps in
        # spells; all else counts in full.
        sleeping = sleeping + np.maximum(at.awake, 0.0)
        doubt = doubt + np.minimum(at.awake, 0.0)
        times = times + (at.awake < -ROUNDING)
    sleeping = sleeping + doubt * (1.0 + NEW_LOOK * np.maximum(times - 1.0, 0.0)) / np.maximum(times, 1.0)
    looks, looks_absent, looks_flat = evidence.look_chances(epoch)
    moved, moved_absent, moved_flat = evidence.move_chances(epoch, sleeps=True)
    still, _, _ = evidence.move_chances(epoch, sleeps=False)
    # Hypotheses stand in pairs, a row steady and then the same row sleeping.
    fault = space.row_fault
    there = np.empty((max(len(steady), len(sleeping)), space.singles))
    there[:, 0::2] = steady + (still + looks)[fault]
    there[:, 1::2] = sleeping + (moved + looks)[fault]
    return there, gone + looks_absent + moved_absent, other + looks_flat + moved_flat


def _complaint_terms(evidence: Evidence) -> tuple[Floats, float, float]:
    sleeps = evidence.space.hyp_sleeps
    said = evidence.complaint.comes_and_goes
    chance = np.where(sleeps, SAID_SLEEPS[0], SAID_SLEEPS[1])
    chance = chance if said else 1.0 - chance
    steady = SAID_SLEEPS[1] if said else 1.0 - SAID_SLEEPS[1]
    return np.log(chance), float(np.log(steady)), float(np.log(0.5))


def believe(evidence: Evidence, log_prior: Floats, pairs: Pairs | None = None, within: float = SAME) -> Belief:
    """The odds given a log prior over ``[singles + 2]``, and with ``pairs`` those of two faults at once.

    ``pairs`` are those of this evidence as it is; odds are true ``within`` so much.
    """
    if not evidence.lets_go:
        return _believe(evidence, log_prior, pairs, LetGo.WORKED_OUT, within)
    most, least = (_believe(evidence, log_prior, pairs, taken, within) for taken in (LetGo.AT_MOST, LetGo.AT_LEAST))
    if _same(most, least, within):
        return most
    return _believe(evidence, log_prior, pairs, LetGo.WORKED_OUT, within)


def _same(one: Belief, other: Belief, within: float) -> bool:
    """Whether two beliefs give the same odds within so much."""
    mine, theirs = (
        np.concatenate([
            belief.there, belief.gone, belief.member, belief.cured, *belief.leads,
            [belief.nothing, belief.other, belief.both, belief.log_evidence],
        ])
        for belief in (one, other)
    )  # fmt: skip
    return len(mine) == len(theirs) and bool(np.abs(mine - theirs).max() < within)


def _believe(evidence: Evidence, log_prior: Floats, pairs: Pairs | None, let_go: LetGo, within: float) -> Belief:
    space = evidence.space
    said, said_steady, said_other = _complaint_terms(evidence)
    none = np.full(space.singles, -np.inf)
    # One fault, at each place where its severity may lie; then what is left of two after each piece of work.
    alone = (log_prior[: space.singles] + said)[None]
    present, healed = list[Floats](), [none]
    nothing = float(log_prior[space.nothing]) + said_steady
    other = float(log_prior[space.other]) + said_other
    fault = space.row_fault[space.hyp_row]
    two = begin(pairs, _said_of_two(evidence)) if pairs is not None and len(pairs) else None
    for number, epoch in enumerate(evidence.epochs):
        there, clean, flat = _epoch_terms(evidence, epoch, let_go, within)
        alone = alone + there
        if present:
            mixed = _mixed(there)
            present = [one + mixed for one in present]
        healed = [one + clean for one in healed]
        nothing += clean
        other += flat
        if two is not None:
            two.none = two.none + clean
            two.observe(epoch, let_go, within)
        if epoch.ended_by is not None:
            chance = np.clip(evidence.cures(number), 0.0, 1.0 - NO_CHANCE)
            with np.errstate(divide="ignore"):
                gone = np.log(chance[fault])
            lines = [_mixed(alone), *present]
            healed = [np.logaddexp(old, one + gone) for old, one in zip(healed, lines, strict=True)]
            stays = np.log1p(-chance[fault])
            alone, present = alone + stays, [one + stays for one in present]
            if two is not None:
                two.work(chance)
                present += two.left[len(present) :]
                healed += [none] * (1 + len(present) - len(healed))
    present = [_mixed(alone), *present]
    both, member = (-np.inf, none) if two is None else two.both()
    if two is not None:
        healed.append(two.none)
    total = _log_total([*present, *healed, np.array([nothing, other, both])])
    odds = [np.exp(one - total) for one in present]
    mended = [np.zeros(space.singles) if one is none else np.exp(one - total) for one in healed]
    cured = np.zeros(space.singles)
    if two is not None:
        # Of two that the same work cured each has half in ``gone`` and the other half here.
        cured += mended[-1]
        for at in range(len(two.left)):
            cured += np.exp(two.cured(at, np.logaddexp(present[at + 1], healed[at + 1])) - total)
    return Belief(
        space=space,
        there=np.sum(odds, axis=0),
        gone=np.sum(mended, axis=0),
        nothing=float(np.exp(nothing - total)),
        other=float(np.exp(other - total)),
        both=float(np.exp(both - total)),
        member=np.exp(member - total),
        cured=cured,
        twos=() if two is None else _twos(two, total, float(np.exp(both - total))),
        leads=() if two is None else _leads(evidence, two, total),
        log_evidence=total,
        log_prior=log_prior,
    )


def _mixed(places: Floats) -> Floats:
    """Log weight of a severity anywhere, ``[singles]``, from that at each of its places, or once for all of them."""
    result: Floats = places[0].copy()
    if len(places) > 1:
        apart = np.flatnonzero((places != result).any(axis=0))
        weighted = places[:, apart] + np.log(PLACES)[:, None]
        result[apart] = np.logaddexp(np.logaddexp(weighted[0], weighted[1]), weighted[2])
    return result


def _log_total(parts: Sequence[Floats]) -> float:
    """``log sum exp`` over everything in ``parts``."""
    most = [float(part.max()) for part in parts]
    largest = max(most)
    # A part without any chance adds nothing, and is most of them.
    left = [part for part, one in zip(parts, most, strict=True) if one > -np.inf]
    return largest + float(np.log(np.sum([np.exp(part - largest).sum() for part in left])))


def _twos(two: Followed, total: float, both: float) -> tuple[Two, ...]:
    if both < LEAST_TWO:
        return ()
    found = ((one, other, float(np.exp(weight - total))) for one, other, weight in two.likeliest(TWOS))
    return tuple(Two(one, other, odds) for one, other, odds in found if odds >= LEAST_TWO)


def _leads(evidence: Evidence, two: Followed, total: float) -> tuple[Floats, ...]:
    leads = [np.exp(two.leading(one) - total) for one in open_symptoms(evidence)[:LEADS]]
    return tuple(lead for lead in leads if lead.sum() > 0.0)


def open_symptoms(evidence: Evidence) -> tuple[Symptom, ...]:
    """Functions that are not as they should be: those seen so since the last work, and complaints not looked at since.

    Complaints first, then by name.
    """
    seen = [one for one in evidence.epochs[-1].electrical if isinstance(one, Symptom)]
    looked_at = {(one.function, one.state) for one in seen}
    told = evidence.complaint.symptoms
    complained = {(one.function, one.state) for one in told}
    left = [*seen, *(one for one in told if (one.function, one.state) not in looked_at)]
    functions = evidence.space.machine.functions
    bad = {
        (one.function, one.state): one
        for one in sorted(left, key=lambda one: (one.function, one.state, one.level))
        if one.level != functions[one.function].expected.get(one.state, one.level)
    }
    return tuple(sorted(bad.values(), key=lambda one: ((one.function, one.state) not in complained, one.function)))


def _said_of_two(evidence: Evidence) -> Floats:
    """What the complaint's "comes and goes" says of two faults, steady (0) or sleeping (1), ``[2, 2]``."""
    chance = np.full((2, 2), SAID_SLEEPS[0])
    chance[0, 0] = SAID_SLEEPS[1]
    result: Floats = np.log(chance if evidence.complaint.comes_and_goes else 1.0 - chance)
    return result
