# Over 500 lines: the classes, what was seen of every two of them and how pairs are followed share their shapes.
"""Two faults at once, every two of them, weighed by classes of faults that show the same.

A pair is worth a thought where each member explains something that was seen, so members are the rows that make
some observation likelier than the sound machine does. Rows that predict the same for all that was observed form
a class; what two faults show together is worked out once for two classes: of each observation the member that
strays further from the sound machine decides, half each where they stray alike. Priors, looks, moves and cures
belong to single faults and multiply, so the odds of all pairs follow from one matrix over the classes, exactly in
this model. When work may have cured one member, what is left is a single fault and is followed as one (``belief``).

A list of likely pairs, grown on surprise, held too few of them (engine-notes part 4 saw the same of static lists).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cmp_to_key

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis.compiled_weighing import beside, take_moment
from halfsplit.diagnosis.compiled_weighing import moment as moment_seen
from halfsplit.diagnosis.evidence import NEW_LOOK, Electrical, Epoch, Evidence, Said
from halfsplit.diagnosis.pair_voltages import BothWeighed, Together
from halfsplit.diagnosis.stages import LetGo
from halfsplit.observations import Reading, Symptom

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Odds that a second fault is there, given one: water or an accident seldom harms one place, and two faults at
#: once are a known trap (trade_practice.md part 8); from memory.
SECOND_FAULT = 0.10
#: A row must make an observation likelier than the sound machine by this factor (natural logarithm) to be a member.
EXPLAINS = 0.4
#: Classes kept: those that could explain most; keeps an odds update quick, no source.
CLASSES = 110
#: Rows differ in class when a prediction differs by this many deviations, or this much in log likelihood.
CLASS_STEP = 1.5
CLASS_LOG = 0.35
#: Least deviation in V that a class step is counted in: severities are not known better; no source.
CLASS_LEAST_V = 0.15
#: What is asleep and for which an observation says no more than this (log likelihood) is not in doubt by it.
ROUNDING = 1e-6
#: Least product or share of the likeliest that is still told from nothing.
LEAST = 1e-300


class Pairs:
    """All pairs for some evidence; ``step`` takes one epoch after another.

    ``member`` ``[members]`` are the rows, ``kind`` ``[members]`` their class. Log matrices over classes have shape
    ``[2, 2, classes, classes]``: first and second member steady (0) or sleeping (1).
    """

    def __init__(self, evidence: Evidence, log_prior: Floats, log_member: Floats | None = None) -> None:
        """``log_prior`` is that of single faults, ``log_member`` that of members where it differs, both as in space."""
        self.evidence = evidence
        self.space = space = evidence.space
        self.log_prior = log_prior
        self.log_member: Floats = log_prior if log_member is None else log_member
        weight = np.logaddexp(self.log_member[0 : space.singles : 2], self.log_member[1 : space.singles : 2])
        said = [
            self.said(observed)
            for epoch in evidence.epochs
            for observed in (*epoch.observed(), *epoch.volts())
        ]
        explains = np.zeros(space.rows, dtype=np.bool_)
        for one in said:
            explains |= one.log[:-1] > one.log[-1] + EXPLAINS
        member = np.flatnonzero(explains)
        self.member: Ints = member
        self.kind: Ints = np.zeros(0, dtype=np.int64)
        self.chief: Ints = np.zeros(0, dtype=np.int64)
        self._but_volts: dict[int, Floats] = {}
        self._together: dict[tuple[int, float], tuple[Floats, Floats]] = {}
        if not len(member):
            return
        kind = _alike(self._keys(member))
        lift = np.array([one.log[member] - one.log[-1] for one in said])
        kept = _worth_most(weight[member], np.clip(lift, 0.0, None), kind)
        small = np.full(int(kind.max()) + 1, -1)
        small[kept] = np.arange(len(kept))
        self.kind, self.member = small[kind], member
        inside = self.kind >= 0
        self.kind, self.member = self.kind[inside], self.member[inside]
        # The likeliest row of a class speaks for it.
        order = np.lexsort((-weight[self.member], self.kind))
        first = np.unique(self.kind[order], return_index=True)[1]
        self.chief = self.member[order][first]

    def __len__(self) -> int:
        return len(self.chief)

    def _keys(self, member: Ints) -> Ints:
        """What members must share to be of one class, ``[keys, members]``."""
        evidence, space = self.evidence, self.space
        keys = []
        for epoch in evidence.epochs:
            for observed in epoch.observed():
                said = self.said(observed)
                keys.append(np.rint(said.log[member] / CLASS_LOG))
                keys.append(np.rint(4.0 * np.minimum(said.strays[member], 10.0)))
            for reading in epoch.volts():
                value, sigma = evidence.volts(reading, member)
                keys.append(np.rint(value / (CLASS_STEP * max(sigma, CLASS_LEAST_V))))
                keys.append(np.isin(member, self._parted(reading)))
        # Members of one class must also come and go alike, and speak alike of the functions that are watched.
        keys.append(np.rint(10.0 * space.row_duty[member]))
        keys.extend(self.bound(state)[member].astype(np.float64) for state in self._watched_states())
        return np.array(keys).astype(np.int64)

    def _parted(self, reading: Reading) -> Ints:
        minus = reading.minus or self.evidence.signatures.state(reading.state).netlist.reference
        return self.evidence.signatures.state(reading.state).parted_spread(reading.plus, minus)[0]

    def said(self, observed: Electrical) -> Said:
        """Likelihood and straying of every row for one observation."""
        return self.evidence.said(observed)

    def _watched_states(self) -> list[str]:
        return list(dict.fromkeys(symptom.state for symptom in self.evidence.complaint.symptoms))

    def bound(self, state: str) -> Bools:
        """Rows that alone upset a function of the complaint that is watched in a state, ``[rows]``."""
        found = np.zeros(self.space.rows, dtype=np.bool_)
        for function in {one.function for one in self.evidence.complaint.symptoms if one.state == state}:
            found |= self.evidence.strays(function, state)[:-1] > 1.0
        return found

    def epoch(self, epoch: Epoch, let_go: LetGo = LetGo.WORKED_OUT, within: float = 0.0) -> Floats:
        """Log likelihood of what was observed electrically in an epoch, ``[2, 2, classes, classes]``.

        Of many voltage readings pairs without a chance may be ``let_go``, where odds must be true ``within`` so much.
        """
        within = 0.0 if let_go is LetGo.WORKED_OUT else within
        if id(epoch) not in self._but_volts:
            self._but_volts[id(epoch)] = self._one_by_one(epoch)
        if (id(epoch), within) not in self._together:
            self._together[id(epoch), within] = self._volts(epoch, within)
        most, least = self._together[id(epoch), within]
        return self._but_volts[id(epoch)] + (least if let_go is LetGo.AT_LEAST else most)

    def _one_by_one(self, epoch: Epoch) -> Floats:
        """The same without the voltage readings that are weighed together."""
        size = len(self.chief)
        asleep_line = self.evidence.asleep_lines(epoch)[self.chief]
        duty = self.space.row_duty[self.chief]
        seen = _Seen(size)
        for moment in epoch.moments():
            self._add(moment, asleep_line, duty, seen, steady=True)
        for reading in epoch.volts():
            if reading.showing == "unknown":
                self._add((reading,), asleep_line, duty, seen, steady=False)
        return seen.total()

    def _awake(self, observed: Electrical, duty: Floats) -> tuple[Floats, bool]:
        """Chance of each class to be awake at an observation if it sleeps, and whether that is a guess."""
        showing = observed.showing
        if showing == "unknown":
            return duty, True
        if isinstance(observed, Symptom):
            strays = self.said(observed).strays[self.chief] > 0.5
            return np.where(strays, 1.0 if showing == "yes" else 0.0, duty), False
        bound = self.bound(observed.state)[self.chief]
        return np.where(bound, 1.0 if showing == "yes" else 0.0, duty), False

    def _add(
        self, moment: tuple[Electrical, ...], asleep_line: Ints, duty: Floats, seen: _Seen, *, steady: bool
    ) -> None:
        log, strays = np.empty((2, len(moment), len(duty))), np.empty((2, len(moment), len(duty)))
        for number, observed in enumerate(moment):
            said = self.said(observed)
            for at, line in enumerate((self.chief, asleep_line)):
                log[at, number], strays[at, number] = said.log[line], said.strays[line]
        # As shares of the largest, so that many together can still be written as numbers.
        largest = log.max(axis=(0, 2))
        chance, guess = self._awake(moment[0], duty)
        likely, least = _at_once(np.exp(log - largest[:, None]), strays)
        seen.take(likely, least, float(largest.sum()), Awake(chance, guess, steady))

    def _volts(self, epoch: Epoch, within: float) -> tuple[Floats, Floats]:
        """What an epoch's voltage readings say together, at most and at least, ``[2, 2, classes, classes]``."""
        evidence, chosen, size = self.evidence, epoch.volts(), len(self.chief)
        most, least = np.zeros((2, 2, size, size)), np.zeros((2, 2, size, size))
        if not chosen:
            return most, least

        def take(places: Sequence[tuple[int, int]], found: BothWeighed) -> None:
            for number, place in enumerate(places):
                most[place] = found.at_most.T if number else found.at_most
                least[place] = found.at_least.T if number else found.at_least

        asleep_line = evidence.asleep_lines(epoch)[self.chief]
        together = Together(evidence, chosen, self.chief, asleep_line)
        yes = np.ones((size, len(chosen)), dtype=np.bool_)
        ahead, behind = self._ahead(epoch, within), evidence.behind(epoch, within) if within else None
        take([(0, 0)], together.weigh(yes, yes, self._prior(0, 0), ahead, behind))
        known = [at for at, reading in enumerate(chosen) if reading.showing != "unknown"]
        if not known:
            return most, least
        part = tuple(chosen[at] for at in known)
        if len(part) < len(chosen):
            together = Together(evidence, part, self.chief, asleep_line)
        # Where nobody can say whether a class was awake, the likelier one of its two sides is taken.
        duty = self.space.row_duty[self.chief]
        awake = np.array([self._awake(reading, duty)[0] for reading in part]).T > 0.5
        yes = yes[:, known]
        take([(1, 0), (0, 1)], together.weigh(awake, yes, self._prior(1, 0), -np.inf, behind))
        take([(1, 1)], together.weigh(awake, awake, self._prior(1, 1), -np.inf, behind))
        return most, least

    def _ahead(self, epoch: Epoch, within: float) -> float:
        """Log weight of the best single row, sound machine or something else by an epoch's voltage readings."""
        steady, _, flat = self.evidence.block_terms(epoch, LetGo.AT_LEAST if within else LetGo.WORKED_OUT, within)
        space, prior = self.space, self.log_prior
        best = float((steady[:-1] + prior[0 : space.singles : 2]).max())
        return max(best, float(steady[-1] + prior[space.nothing]), float(flat + prior[space.other]))

    def _prior(self, first: int, second: int) -> Floats:
        """Log prior of every two classes, steady (0) or sleeping (1), ``[classes, classes]``."""
        single = np.stack([self.log_member[2 * self.member], self.log_member[2 * self.member + 1]], axis=1)
        own = spread_over(single, self.kind, len(self.chief))
        result: Floats = own[first][:, None] + own[second][None, :] + np.log(SECOND_FAULT)
        return result


@dataclass(frozen=True, eq=False)
class Awake:
    """The ``chance`` ``[classes]`` of one that sleeps to be awake at a moment, and whether that is a guess.

    A moment may count for ``steady`` ones too or not.
    """

    chance: Floats
    guess: bool
    steady: bool


class _Seen:
    """What was seen one moment after another, of every two classes, first and second steady (0) or sleeping (1).

    Products are kept and turned into logarithms some at a time.
    """

    def __init__(self, size: int) -> None:
        self._log = np.zeros((2, 2, size, size))
        self._doubt, self._times = np.zeros((2, size, size)), np.zeros((2, size, size))
        self._scale = np.zeros((2, 2))
        # Both steady; then for the second one steady and sleeping what counts in full, and what counts once.
        self._steady = np.ones((size, size))
        self._full, self._once = np.ones((2, size, size)), np.ones((2, size, size))
        self._least = 1.0

    def take(self, likely: Floats, least: float, scale: float, awake: Awake) -> None:
        """One moment: likelihoods with both awake, the first and neither ``[3, size, size]``, and the least of them.

        They are ``exp(scale)`` times as large as told.
        """
        if self._least * least * least < LEAST:
            self._settle()
        self._least *= least * least
        if awake.steady:
            self._scale[0, 0] += scale
        self._scale[1] += scale
        if take_moment(
            likely, awake.chance, awake.guess, ROUNDING, self._steady if awake.steady else None, self._full,
            self._once, self._times,
        ):  # fmt: skip
            return
        both, first, neither = likely
        if awake.steady:
            self._steady *= both
        mine, other = awake.chance[:, None], awake.chance[None, :]
        rest = 1.0 - mine
        second = first.T
        for at, asleep in enumerate((second, neither)):
            if at == 0:
                value = mine * both + rest * second
            else:
                value = mine * (other * both + (1.0 - other) * first)
                value += rest * (other * second + (1.0 - other) * neither)
            if not awake.guess:
                self._full[at] *= value
                continue
            value /= asleep
            self._full[at] *= asleep
            self._full[at] *= np.maximum(value, 1.0)
            self._times[at] += value < 1.0 - ROUNDING
            self._once[at] *= np.minimum(value, 1.0, out=value)

    def _settle(self) -> None:
        self._log[0, 0] += np.log(self._steady)
        self._log[1] += np.log(self._full)
        self._doubt += np.log(self._once)
        for one in (self._steady, self._full, self._once):
            one.fill(1.0)
        self._least = 1.0

    def total(self) -> Floats:
        """The log likelihood of everything taken, ``[2, 2, classes, classes]``."""
        self._settle()
        found = self._log + self._scale[:, :, None, None]
        times = np.maximum(self._times, 1.0)
        found[1] += self._doubt * (1.0 + NEW_LOOK * (times - 1.0)) / times
        found[0, 1] = found[1, 0].T
        return found


def _worth_most(weight: Floats, lift: Floats, kind: Ints) -> Ints:
    """The classes kept, in order: of each observation those that explain it best, and then those that explain most.

    ``weight`` ``[members]`` log priors, ``lift`` ``[observations, members]`` how much likelier each makes each of them.
    Two faults explain different things, so what explains one thing alone must not give way to what explains many.
    """
    count = int(kind.max()) + 1

    order_of = np.argsort(kind, kind="stable")
    starts = np.searchsorted(kind[order_of], np.arange(count))

    def by_class(promise: Floats) -> Floats:
        best: Floats = np.logaddexp.reduceat(promise[order_of], starts)
        return best

    if count <= CLASSES:
        return np.arange(count)
    said = lift[(lift > EXPLAINS).any(axis=1)]
    said = _rising(said)
    orders = [np.argsort(-by_class(weight + one), kind="stable") for one in said]
    each = max(1, CLASSES // (2 * len(orders)))
    first = np.unique(np.concatenate([order[:each] for order in orders]))[:CLASSES]
    most = np.argsort(-by_class(weight + said.sum(axis=0)), kind="stable")
    rest = most[~np.isin(most, first)][: CLASSES - len(first)]
    return np.sort(np.concatenate([first, rest]))


def _rising(lines: Floats) -> Floats:
    """Lines ``[n, things]`` in the order of their numbers, each once; quicker than numpy for few long ones."""

    def differ(one: int, other: int) -> int:
        at = np.flatnonzero(lines[one] != lines[other])[:1]
        return 0 if not len(at) else 1 if lines[one, at[0]] > lines[other, at[0]] else -1

    order = sorted(range(len(lines)), key=cmp_to_key(differ))
    kept = [one for at, one in enumerate(order) if not at or differ(one, order[at - 1])]
    result: Floats = lines[kept]
    return result


def _at_once(likely: Floats, strays: Floats) -> tuple[Floats, float]:
    """What is seen at one moment, with both awake, the first and neither ``[3, size, size]``, and the least of it.

    ``likely`` and ``strays`` ``[2, observations, size]``: of each class awake and asleep.
    """
    found = moment_seen(likely[0], likely[1], strays[0], strays[1], LEAST)
    if found is not None:
        return found
    size = likely.shape[2]
    both, first, neither = np.ones((3, size, size))
    for on, off, far, near in zip(likely[0], likely[1], strays[0], strays[1], strict=True):
        both = both * _further(on, far, on, far)
        first = first * _further(on, far, off, near)  # the second one asleep
        neither = neither * _further(off, near, off, near)
    whole = np.maximum(np.stack([both, first, neither]), LEAST)
    return whole, float(whole.min())


def _further(one: Floats, far_one: Floats, two: Floats, far_two: Floats) -> Floats:
    """Of two classes the one that strays further speaks, half each where they stray alike, ``[classes, classes]``."""
    share = 0.5 + 0.5 * np.sign(far_one[:, None] - far_two[None, :])
    result: Floats = share * one[:, None] + (1.0 - share) * two[None, :]
    return result


def _alike(keys: Ints) -> Ints:
    """The class of each member, numbered in the order of their keys ``[keys, members]``."""
    # One text of bytes a member sorts much faster than columns of numbers do, and in the same order.
    whole = (keys - keys.min(axis=1, keepdims=True)).T.astype(">u4")
    _, kind = np.unique(np.ascontiguousarray(whole).view(f"S{4 * len(keys)}").ravel(), return_inverse=True)
    return kind


def spread_over(values: Floats, kind: Ints, count: int) -> Floats:
    """``log sum exp`` of member values ``[members, 2]`` by class, ``[2, count]``."""
    found = np.full((2, count), -np.inf)
    for sleeps in (0, 1):
        np.logaddexp.at(found[sleeps], kind, values[:, sleeps])
    return found


@dataclass(frozen=True, eq=False)
class Parted:
    """What a piece of work parted.

    ``shared`` as it was then, ``gone`` ``[members, 2]`` each member's part if it was cured, ``by_mended`` ``[2,
    classes]`` for each class the weight of all that were cured beside it.
    """

    shared: Floats
    gone: Floats
    by_mended: Floats


@dataclass(eq=False)
class Followed:
    """Pairs carried through the epochs; see :func:`begin`. Log weights, not scaled.

    ``score`` ``[members, 2]`` is each member's own part (prior, looks, moves, not cured), ``shared`` ``[2, 2,
    classes, classes]`` what two show together. Each piece of work adds a line to ``left`` ``[work, singles]`` (the
    one that stayed while the other was cured), with ``parted`` to tell who was cured beside it, and what was cured
    together to ``none`` ``[singles]`` (half on each).
    """

    pairs: Pairs
    score: Floats
    shared: Floats
    constant: float
    left: list[Floats]
    parted: list[Parted]
    none: Floats

    def observe(self, epoch: Epoch, let_go: LetGo, within: float) -> None:
        """Takes what was observed in an epoch."""
        pairs, evidence = self.pairs, self.pairs.evidence
        self.shared = self.shared + pairs.epoch(epoch, let_go, within)
        fault = evidence.space.row_fault[pairs.member]
        looks, absent, _ = evidence.look_chances(epoch)
        own = np.stack([looks[fault] - absent] * 2, axis=1)
        self.constant += absent
        for sleeps in (0, 1):
            moved, moved_absent, _ = evidence.move_chances(epoch, sleeps=bool(sleeps))
            own[:, sleeps] += moved[fault] - moved_absent
        self.constant += moved_absent
        self.score = self.score + own

    def work(self, chance: Floats) -> None:
        """Takes the work that ended an epoch: ``chance`` ``[faults]`` to be gone."""
        pairs = self.pairs
        size = len(pairs)
        with np.errstate(divide="ignore"):
            gone = np.log(chance)[pairs.evidence.space.row_fault[pairs.member]][:, None]
        stays = np.log1p(-chance)[pairs.evidence.space.row_fault[pairs.member]][:, None]
        if np.isfinite(gone).any():
            mended = spread_over(self.score + gone, pairs.kind, size)
            by_mended = self._beside(self.shared, mended)
            left = np.log(2.0) + self.constant + self.score + stays + by_mended.T[pairs.kind]
            none = self.constant + self.score + gone + by_mended.T[pairs.kind]
            self.left.append(self._wide(left))
            self.parted.append(Parted(self.shared, self.score + gone, by_mended))
            self.none = np.logaddexp(self.none, self._wide(none))
        self.score = self.score + stays

    def both(self) -> tuple[float, Floats]:
        """Log weight of all pairs that are both there, and of each hypothesis being a member, ``[singles]``."""
        size = len(self.pairs)
        own = spread_over(self.score, self.pairs.kind, size)
        beside = self._beside(self.shared, own)
        member = np.log(2.0) + self.constant + self.score + beside.T[self.pairs.kind]
        return float(self.constant + np.logaddexp.reduce((own + beside).ravel())), self._wide(member)

    def leading(self, observed: Symptom) -> Floats:
        """Log weight of each hypothesis being the one of two that accounts for a symptom, ``[singles]``.

        That is the one that strays further; where both stray alike it is either. Sums to the weight of ``both``.
        """
        pairs = self.pairs
        said = pairs.said(observed)
        far = np.where(said.log[pairs.chief] - said.log[-1] > EXPLAINS, said.strays[pairs.chief], 0.0)
        lead = 0.5 + 0.5 * np.sign(far[:, None] - far[None, :])
        with np.errstate(divide="ignore"):
            shared = self.shared + np.log(lead)
        beside = self._beside(shared, spread_over(self.score, pairs.kind, len(pairs)))
        return self._wide(np.log(2.0) + self.constant + self.score + beside.T[pairs.kind])

    def likeliest(self, most: int) -> list[tuple[int, int, float]]:
        """The likeliest pairs of classes that are both there: chief rows, log weight."""
        size = len(self.pairs)
        own = spread_over(self.score, self.pairs.kind, size)
        one, two = np.triu_indices(size, 1)
        weight = self.shared[:, :, one, two] + own[:, None, one] + own[None, :, two]
        table = np.logaddexp.reduce(weight.reshape(4, len(one)), axis=0)
        found = []
        for at in np.argsort(-table, kind="stable")[:most].tolist():
            rows = int(self.pairs.chief[one[at]]), int(self.pairs.chief[two[at]])
            found.append((*rows, float(table[at] + np.log(2.0) + self.constant)))
        return found

    def cured(self, at: int, now: Floats) -> Floats:
        """Log weight of who was cured by the work ``at``, ``[singles]``.

        ``now`` ``[singles]`` is what that work left and weighs by now. What is seen later of the one that was left
        also speaks of the other, and sums to the same.
        """
        pairs, parted = self.pairs, self.parted[at]
        left = np.stack([now[2 * pairs.member], now[2 * pairs.member + 1]], axis=1)
        share = spread_over(left, pairs.kind, len(pairs))
        np.subtract(share, parted.by_mended, out=share, where=np.isfinite(parted.by_mended))
        return self._wide(parted.gone + self._beside(parted.shared, share).T[pairs.kind])

    def _beside(self, shared: Floats, own: Floats) -> Floats:
        """For each class, the weight of all classes beside it, ``[2, classes]``."""
        found = beside(shared, own)
        if found is not None:
            return found
        weight = shared + own[None, :, None, :]
        size = len(self.pairs)
        weight[:, :, np.arange(size), np.arange(size)] = -np.inf
        rows = np.moveaxis(weight, 2, 1).reshape(2, size, 2 * size)
        most = rows.max(axis=2)
        shares = np.exp(rows - np.where(np.isfinite(most), most, 0.0)[:, :, None])
        with np.errstate(divide="ignore"):
            result: Floats = most + np.log(shares.sum(axis=2))
        return result

    def _wide(self, values: Floats) -> Floats:
        """Member values ``[members, 2]`` as hypotheses ``[singles]``."""
        wide = np.full(self.pairs.space.singles, -np.inf)
        wide[2 * self.pairs.member] = values[:, 0]
        wide[2 * self.pairs.member + 1] = values[:, 1]
        return wide


def begin(pairs: Pairs, said: Floats) -> Followed:
    """Pairs before any epoch; ``said`` ``[2, 2]`` is what the complaint's "comes and goes" says of the two."""
    size = len(pairs)
    start = np.stack([pairs.log_member[2 * pairs.member], pairs.log_member[2 * pairs.member + 1]], axis=1)
    shared = np.zeros((2, 2, size, size)) + said[:, :, None, None] + np.log(0.5 * SECOND_FAULT)
    return Followed(pairs, start, shared, 0.0, [], [], np.full(pairs.space.singles, -np.inf))
