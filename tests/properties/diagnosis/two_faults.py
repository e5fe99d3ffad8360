"""Two faults at once, worked out path by path with plain loops.

A path says when each of the two was cured: at the end of one of the epochs, or never. While both are there the rules
of ``diagnosis.pairs`` say what they show together; once one is cured the other is a single fault. Taken from the
program are what single rows say of single observations, which rows form a class, and the joint error of voltages.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations, product

import numpy as np

from halfsplit.circuit.stamps import Floats
from halfsplit.diagnosis import readings
from halfsplit.diagnosis.evidence import NEW_LOOK, Electrical, Epoch
from halfsplit.diagnosis.likelihood import METER_SHARE, METER_V
from halfsplit.diagnosis.pairs import ROUNDING, SECOND_FAULT, Pairs
from halfsplit.diagnosis.scatter import Precisions
from halfsplit.faults.catalogue import Fault
from halfsplit.observations import Reading, Symptom

#: A hypothesis of a single fault: its row and whether it sleeps.
Member = tuple[int, bool]


@dataclass
class Weights:
    """Weights of all paths of all pairs, by hypothesis; ``both`` of all pairs of which none was cured."""

    both: float = 0.0
    member: dict[int, float] = field(default_factory=lambda: defaultdict(float))
    there: dict[int, float] = field(default_factory=lambda: defaultdict(float))
    gone: dict[int, float] = field(default_factory=lambda: defaultdict(float))
    cured: dict[int, float] = field(default_factory=lambda: defaultdict(float))

    @property
    def total(self) -> float:
        """All of it: both there, one left, or none."""
        return self.both + sum(self.there.values()) + sum(self.gone.values())


def walks(seen: Sequence[Electrical]) -> list[list[Electrical]]:
    """What was seen at one moment: all functions of a state on one walk, each on as many walks as it was seen."""
    found: dict[tuple[str, int], list[Electrical]] = {}
    alone: list[list[Electrical]] = []
    for number, one in enumerate(seen):
        if not isinstance(one, Symptom) or one.unplugged or one.showing != "unknown":
            alone.append([one])
            continue
        before = [
            other for other in seen[:number]
            if isinstance(other, Symptom) and (other.function, other.state, other.showing, other.unplugged)
            == (one.function, one.state, one.showing, one.unplugged)
        ]  # fmt: skip
        found.setdefault((one.state, len(before)), []).append(one)
    return [*found.values(), *alone]


class TwoFaults:
    """What two classes show together, one pair at a time."""

    def __init__(self, pairs: Pairs) -> None:
        self.pairs, self.evidence, self.space = pairs, pairs.evidence, pairs.space
        self.chief = {int(row): int(pairs.chief[kind]) for row, kind in zip(pairs.member, pairs.kind, strict=True)}
        self._shown: dict[tuple[int, Member, Member], float] = {}
        self._bound: dict[str, list[bool]] = {}

    def members(self) -> list[int]:
        """Hypotheses that may be one of two, steady and sleeping; those of no prior weight are left out."""
        numbers = [2 * int(row) + sleeps for row in self.pairs.member for sleeps in (0, 1)]
        return [h for h in numbers if self.pairs.log_prior[h] > -math.inf]

    def show(self, at: int, one: Member, other: Member) -> float:
        """Chance of what was observed electrically in epoch ``at`` while both are there."""
        key = (at, (self.chief[one[0]], one[1]), (self.chief[other[0]], other[1]))
        if key not in self._shown:
            self._shown[key] = self._show(self.evidence.epochs[at], key[1], key[2])
        return self._shown[key]

    def _show(self, epoch: Epoch, one: Member, other: Member) -> float:
        two = (one, other)
        chance, doubt, times = 1.0, 1.0, 0
        volts = epoch.volts()
        together = list(range(len(volts)))
        each: list[list[Electrical]] = walks(epoch.observed())
        if one[1] or other[1]:
            # A voltage of which nobody knows whether the fault showed stands alone where one of the two sleeps.
            each += [[reading] for reading in volts if reading.showing == "unknown"]
            together = [number for number, reading in enumerate(volts) if reading.showing != "unknown"]
        for walk in each:
            awake = [self._awake(walk[0], member) for member in two]
            likely = 0.0
            for now in product((True, False), repeat=2):
                share = math.prod(p if up else 1.0 - p for p, up in zip(awake, now, strict=True))
                likely += share * self._told(walk, epoch, two, now) if share > 0.0 else 0.0
            if walk[0].showing != "unknown" or not (one[1] or other[1]):
                chance *= likely
                continue
            asleep = self._told(walk, epoch, two, (not one[1], not other[1]))
            chance *= asleep
            if likely >= asleep:
                chance *= likely / asleep
            else:  # several looks that say they sleep just now are less than as many new looks
                doubt *= likely / asleep
                times += math.log(likely / asleep) < -ROUNDING
        chance *= doubt ** ((1.0 + NEW_LOOK * (times - 1)) / times) if times else doubt
        return chance * self._volts(epoch, two, together) if together else chance

    def _awake(self, seen: Electrical, member: Member) -> float:
        """Chance that a member is awake at an observation."""
        row, sleeps = member
        if not sleeps:
            return 1.0
        duty = self.space.faults[int(self.space.row_fault[row])].mode.duty
        if seen.showing == "unknown":
            return duty
        symptom = isinstance(seen, Symptom)
        upsets = self.pairs.said(seen).strays[row] > 0.5 if symptom else self._upsets(seen.state)[row]
        return (1.0 if seen.showing == "yes" else 0.0) if upsets else duty

    def _upsets(self, state: str) -> list[bool]:
        """For each row whether it alone upsets a function of the complaint that is watched in this state."""
        if state not in self._bound:
            watched = {one.function for one in self.evidence.complaint.symptoms if one.state == state}
            tables = [self.evidence.levels(function, state) for function in watched]
            self._bound[state] = [
                any(sum(abs(a - b) for a, b in zip(table[row], table[-1], strict=True)) > 1.0 for table in tables)
                for row in range(self.space.rows)
            ]
        return self._bound[state]

    def _line(self, epoch: Epoch, row: int, *, up: bool) -> int:
        return row if up else int(self.evidence.asleep_lines(epoch)[row])

    def _told(self, walk: Sequence[Electrical], epoch: Epoch, two: Sequence[Member], now: Sequence[bool]) -> float:
        """Likelihood of what was seen on one walk."""
        return math.prod(self._said(seen, epoch, two, now) for seen in walk)

    def _said(self, seen: Electrical, epoch: Epoch, two: Sequence[Member], now: Sequence[bool]) -> float:
        """Likelihood of one observation: the member that strays further speaks, half each where they stray alike."""
        said = self.pairs.said(seen)
        first, second = (self._line(epoch, row, up=up) for (row, _), up in zip(two, now, strict=True))
        one, other = math.exp(said.log[first]), math.exp(said.log[second])
        if said.strays[first] == said.strays[second]:
            return 0.5 * (one + other)
        return one if said.strays[first] > said.strays[second] else other

    def _volts(self, epoch: Epoch, two: Sequence[Member], together: Sequence[int]) -> float:
        """Likelihood of voltages together; a sleeper that may be awake or not is what it mostly is."""
        chosen = tuple(epoch.volts()[number] for number in together)
        voltages = self.evidence.voltages(chosen)
        predicted, along = voltages.of(np.arange(self.evidence.space.rows + 1), range(len(chosen)))
        value, way, errors = [], [], []
        for number, reading in enumerate(chosen):
            awake = [self._awake(reading, member) > 0.5 for member in two]
            lines = [self._line(epoch, row, up=up) for (row, _), up in zip(two, awake, strict=True)]
            far = [abs(predicted[line, number] - predicted[-1, number]) for line in lines]
            leads = [line for line, stray in zip(lines, far, strict=True) if stray == max(far)]
            value.append(sum(predicted[line, number] for line in leads) / len(leads))
            way.append(sum(along[line, number] for line in leads) / len(leads))
            errors.append(self._scatter(epoch, reading, two, awake, far))
        block = readings.block(self.evidence.signatures, chosen)
        meter = np.array([METER_V + METER_SHARE * abs(reading.value) for reading in chosen])
        covariance = np.array(errors) @ np.array(errors).T + np.diag(meter**2)
        none = np.zeros(1, dtype=np.int64)
        inverse = np.linalg.inv(covariance)[None].astype(np.float64)
        own = Precisions(none, none, inverse, np.array([np.linalg.slogdet(covariance)[1]]))
        return math.exp(float(block.log_likelihood(np.array([value]), np.array([way]), [own])[0]))

    def _scatter(
        self, epoch: Epoch, reading: Reading, two: Sequence[Member], awake: Sequence[bool], far: Sequence[float]
    ) -> Floats:
        """What one deviation of each element does to a reading: as the member that leads has it, if it is awake.

        Where both stray alike the one of the later class has it.
        """
        table = self.evidence.signatures.state(reading.state)
        pair = reading.plus, reading.minus or table.netlist.reference
        rows, spread, _ = table.parted_spread(*pair)
        anywhere = {
            int(row)
            for seen in epoch.volts()
            for row in self.evidence.signatures.state(seen.state).parted_spread(
                seen.plus, seen.minus or self.evidence.signatures.state(seen.state).netlist.reference
            )[0]
        }
        order = [int(row) for row in self.pairs.chief]
        leads = [
            order.index(row)
            for (row, _), up, stray in zip(two, awake, far, strict=True)
            if stray == max(far) and up and row in anywhere
        ]
        found = np.flatnonzero(rows == order[max(leads)]) if leads else np.zeros(0, dtype=np.int64)
        return spread[int(found[0])] if len(found) else table.spread_row(*pair)


@dataclass(frozen=True)
class Alone:
    """What the paths of two need from those of one fault, for each epoch."""

    single: Callable[[int, int, bool], float]
    looks: Callable[[int, Sequence[Fault], bool], float]
    sound: Sequence[float]
    cures: Sequence[Floats | None]
    speaks: tuple[float, float]


def paths(epochs: int) -> Iterator[tuple[int, int]]:
    """When each of two was cured: at the end of which epoch; ``epochs`` is never."""
    return product(range(epochs + 1), range(epochs + 1))


def weigh(pairs: Pairs, alone: Alone) -> Weights:
    """Adds up all paths of all pairs of two different classes.

    A pair stands in both orders with half the prior each, which together is ``SECOND_FAULT`` times both priors.
    """
    two, found, space = TwoFaults(pairs), Weights(), pairs.space
    epochs = len(pairs.evidence.epochs)
    members = two.members()
    row = {h: int(space.hyp_row[h]) for h in members}
    sleeps = {h: bool(space.hyp_sleeps[h]) for h in members}
    present, seen, cure = {}, {}, {}
    for h in members:
        fault = int(space.row_fault[row[h]])
        present[h] = [alone.single(at, row[h], sleeps[h]) for at in range(epochs)]
        clean = [alone.looks(at, (), False) for at in range(epochs)]
        seen[h] = [alone.looks(at, (space.faults[fault],), sleeps[h]) / clean[at] for at in range(epochs)]
        cure[h] = [0.0 if cures is None else float(cures[fault]) for cures in alone.cures]
    for a, b in combinations(members, 2):
        if two.chief[row[a]] == two.chief[row[b]]:
            continue
        start = SECOND_FAULT * math.exp(pairs.log_prior[a] + pairs.log_prior[b])
        start *= alone.speaks[sleeps[a] or sleeps[b]]
        shown = [two.show(at, (row[a], sleeps[a]), (row[b], sleeps[b])) for at in range(epochs)]
        shown = [chance * seen[a][at] * seen[b][at] * clean[at] for at, chance in enumerate(shown)]
        for first, second in paths(epochs):
            weight = start
            for at in range(epochs):
                here = (at <= first, at <= second)
                weight *= {
                    (True, True): shown[at],
                    (True, False): present[a][at],
                    (False, True): present[b][at],
                    (False, False): alone.sound[at],
                }[here]
                for h, is_here, ends in ((a, here[0], first), (b, here[1], second)):
                    if is_here:
                        weight *= cure[h][at] if at == ends else 1.0 - cure[h][at]
            _book(found, (a, b), (first, second), epochs, weight)
    return found


def _book(found: Weights, two: tuple[int, int], ends: tuple[int, int], never: int, weight: float) -> None:
    """Adds the weight of one path where it belongs."""
    if ends == (never, never):
        found.both += weight
        for h in two:
            found.member[h] += weight
    elif ends[0] == ends[1]:
        # Cured by the same work: each stands for half of what is gone, and was cured beside the other's half.
        for h in two:
            found.gone[h] += 0.5 * weight
            found.cured[h] += 0.5 * weight
    else:
        earlier, later = two if ends[0] < ends[1] else two[::-1]
        found.cured[earlier] += weight
        (found.there if max(ends) == never else found.gone)[later] += weight
