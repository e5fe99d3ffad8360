"""The odds worked out path by path, with none of the program's own sums.

A path says when each fault of a hypothesis was cured: at the end of one of the epochs, or never. Its weight is the
prior times the chance of every observation along it. Only the likelihood of a single observation is taken from the
program; looks, moves, cures and what is said of sleeping are worked out here from the catalogue.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfsplit.circuit.stamps import Floats
from halfsplit.diagnosis import readings
from halfsplit.diagnosis.belief import NEW_LOOK
from halfsplit.diagnosis.evidence import AGAIN, ELSE_FIND, FALSE_FIND, FALSE_MOVE, SAID_SLEEPS, Epoch, Evidence
from halfsplit.faults.catalogue import Fault
from halfsplit.faults.curing import cure_chances


@dataclass(frozen=True)
class Odds:
    """Odds by hypothesis (there, gone), of the two others, and of pairs as both, first, second, none left."""

    there: dict[int, float]
    gone: dict[int, float]
    nothing: float
    other: float
    pairs: dict[tuple[int, int], tuple[float, float, float, float]]


class Enumeration:
    """All paths of the hypotheses of one evidence."""

    def __init__(self, evidence: Evidence, log_prior: Floats) -> None:
        self.evidence, self.log_prior = evidence, log_prior
        self.space = evidence.space
        self.cures: list[Floats | None] = []
        done: set[tuple[str, str]] = set()
        for epoch in evidence.epochs:
            work = epoch.ended_by
            if work is None:
                self.cures.append(None)
                continue
            key = (work.action, work.place)
            share = AGAIN if key in done else 1.0
            done.add(key)
            self.cures.append(share * cure_chances(self.space.machine, self.space.faults, *key))

    @property
    def speaks(self) -> tuple[float, float]:
        """Chance of what the complaint says of coming and going, for a steady fault and for one that sleeps."""
        said = self.evidence.complaint.comes_and_goes
        steady, sleeping = (share if said else 1.0 - share for share in (SAID_SLEEPS[1], SAID_SLEEPS[0]))
        return steady, sleeping

    def partner(self, row: int, mended: int, ended: int, start: float) -> tuple[float, float]:
        """Weight of a steady fault being there now, and gone, whose partner ``mended`` was there until the end of
        epoch ``ended``; it outlived the work before that."""
        epochs = self.evidence.epochs
        fault = int(self.space.row_fault[row])
        left, cured = start, 0.0
        for number, epoch in enumerate(epochs):
            cured *= self.sound(epoch)
            left *= self.both(epoch, (mended, row)) if number <= ended else self.single(epoch, row, sleeps=False)
            cures = self.cures[number]
            chance = 0.0 if cures is None else float(cures[fault])
            if number >= ended:
                cured += left * chance
            left *= 1.0 - chance
        return left, cured

    def looks(self, epoch: Epoch, faults: Sequence[Fault], *, sleeps: bool) -> float:
        """Chance of an epoch's looks and moves with some faults there, each seen or not by itself."""
        chance = 1.0
        for (_, _, bad), count in epoch.looks.items():
            chance *= (FALSE_FIND if bad else 1.0 - FALSE_FIND) ** count
        for (_, changed), count in epoch.moves.items():
            chance *= (FALSE_MOVE if changed else 1.0 - FALSE_MOVE) ** count
        for fault in faults:
            places = {fault.owner, fault.place}
            for kind, place in {(kind, place) for kind, place, _ in epoch.looks}:
                if place not in places or kind not in fault.mode.looks:
                    continue
                found, missed = epoch.looks[(kind, place, True)], epoch.looks[(kind, place, False)]
                sees, hidden = fault.mode.looks[kind], fault.mode.hidden
                unseen = FALSE_FIND**found * (1.0 - FALSE_FIND) ** missed
                seen = sees**found * (1.0 - sees) ** missed
                chance *= ((1.0 - hidden) * seen + hidden * unseen) / unseen
            for (place, changed), count in epoch.moves.items():
                if place not in places or "move" not in fault.mode.looks:
                    continue
                reacts = fault.mode.looks["move"] * (1.0 if sleeps else 0.25)
                false = FALSE_MOVE
                ratio = reacts / false if changed else (1.0 - reacts) / (1.0 - false)
                chance *= ratio**count
        return chance

    def sound(self, epoch: Epoch) -> float:
        """Chance of an epoch's observations when nothing is there."""
        chance = math.exp(float(self.evidence.block_terms(epoch)[0][-1]))
        for seen in epoch.observed():
            chance *= float(self.evidence.weigh(seen).per_row[-1])
        return chance * self.looks(epoch, (), sleeps=False)

    def single(self, epoch: Epoch, row: int, *, sleeps: bool) -> float:
        """Chance of an epoch's observations when one fault is there."""
        fault = self.space.faults[int(self.space.row_fault[row])]
        steady, sleeping, _ = self.evidence.block_terms(epoch)
        chance = math.exp(float(sleeping[row] if sleeps else steady[row]))
        line = int(self.evidence.asleep_lines(epoch)[row])
        doubt, times = 1.0, 0
        for seen in epoch.observed():
            likely = self.evidence.weigh(seen).per_row
            if not sleeps or seen.showing == "yes":
                chance *= float(likely[row])
                continue
            chance *= float(likely[line])
            if seen.showing == "no":
                continue
            ratio = 1.0 + fault.mode.duty * (float(likely[row]) / float(likely[line]) - 1.0)
            if ratio >= 1.0:
                chance *= ratio
            else:  # several looks that say it sleeps just now are less than as many new looks
                doubt *= ratio
                times += 1
        if times:
            chance *= doubt ** ((1.0 + NEW_LOOK * (times - 1)) / times)
        return chance * self.looks(epoch, (fault,), sleeps=sleeps)

    def both(self, epoch: Epoch, rows: tuple[int, int]) -> float:
        """Chance of an epoch's observations when two faults are there, both steady."""
        evidence, space = self.evidence, self.space
        effects = evidence.signatures.effects
        together = (*effects[rows[0]], *effects[rows[1]])
        chance = 1.0
        for seen in epoch.observed():
            line = evidence.signatures.state(seen.state).predict([together])
            chance *= float(evidence.weigh_lines(seen, line)[0])
        chosen = epoch.volts()
        if chosen:
            lines = [evidence.signatures.state(reading.state).predict([together]) for reading in chosen]
            block = readings.block(evidence.signatures, chosen)
            value, along = readings.predicted_lines(evidence.signatures, chosen, lines)
            chance *= math.exp(float(block.log_likelihood(value, along)[0]))
        faults = tuple(space.faults[int(space.row_fault[row])] for row in rows)
        return chance * self.looks(epoch, faults, sleeps=False)

    def odds(self, pairs: Sequence[tuple[int, int]] = (), pair_prior: Sequence[float] = ()) -> Odds:
        """Every path of every hypothesis, added up and scaled to one."""
        space, epochs = self.space, self.evidence.epochs
        speaks = self.speaks
        sound = [self.sound(epoch) for epoch in epochs]
        there: dict[int, float] = {}
        gone: dict[int, float] = {}
        for h in range(space.singles):
            row, sleeps = int(space.hyp_row[h]), bool(space.hyp_sleeps[h])
            present = [self.single(epoch, row, sleeps=sleeps) for epoch in epochs]
            start = math.exp(float(self.log_prior[h])) * speaks[sleeps]
            cures = [0.0 if c is None else float(c[space.row_fault[row]]) for c in self.cures]
            there[h] = start * self._path(present, sound, cures, None)
            gone[h] = sum(start * self._path(present, sound, cures, at) for at in range(len(epochs)))
        nothing = math.exp(float(self.log_prior[space.nothing])) * speaks[0] * math.prod(sound)
        other = math.exp(float(self.log_prior[space.other])) * 0.5
        for epoch in epochs:
            other *= self._something_else(epoch)
        by_pair = {}
        for (a, b), prior in zip(pairs, pair_prior, strict=True):
            by_pair[(a, b)] = self._pair((a, b), math.exp(prior) * speaks[0], sound)
        total = sum(there.values()) + sum(gone.values()) + nothing + other + sum(sum(four) for four in by_pair.values())
        scaled = {
            pair: (four[0] / total, four[1] / total, four[2] / total, four[3] / total) for pair, four in by_pair.items()
        }
        return Odds(
            {h: value / total for h, value in there.items()},
            {h: value / total for h, value in gone.items()},
            nothing / total,
            other / total,
            scaled,
        )

    @staticmethod
    def _path(present: Sequence[float], sound: Sequence[float], cures: Sequence[float], cured: int | None) -> float:
        """Chance of one path: there up to and with epoch ``cured``, and gone from then on (never: None)."""
        chance = 1.0
        for at in range(len(present)):
            if cured is None or at <= cured:
                chance *= present[at] * (cures[at] if at == cured else 1.0 - cures[at])
            else:
                chance *= sound[at]
        return chance

    def _something_else(self, epoch: Epoch) -> float:
        chance = math.exp(self.evidence.block_terms(epoch)[2])
        for seen in epoch.observed():
            chance *= self.evidence.weigh(seen).other
        for (_, _, found), count in epoch.looks.items():
            chance *= (ELSE_FIND if found else 1.0 - ELSE_FIND) ** count
        for (_, changed), count in epoch.moves.items():
            chance *= (ELSE_FIND if changed else 1.0 - ELSE_FIND) ** count
        return chance

    def _pair(self, rows: tuple[int, int], start: float, sound: Sequence[float]) -> tuple[float, float, float, float]:
        epochs = self.evidence.epochs
        fault = [int(self.space.row_fault[row]) for row in rows]
        alone = [[self.single(epoch, row, sleeps=False) for epoch in epochs] for row in rows]
        together = [self.both(epoch, rows) for epoch in epochs]
        never = len(epochs)
        weight = [0.0, 0.0, 0.0, 0.0]
        for first in range(never + 1):
            for second in range(never + 1):
                chance = start
                for at in range(len(epochs)):
                    here = (at <= first, at <= second)
                    seen = {
                        (True, True): together[at],
                        (True, False): alone[0][at],
                        (False, True): alone[1][at],
                        (False, False): sound[at],
                    }[here]
                    chance *= seen
                    cures = self.cures[at]
                    for member, cured in enumerate((first, second)):
                        if here[member]:
                            cure = 0.0 if cures is None else float(cures[fault[member]])
                            chance *= cure if at == cured else 1.0 - cure
                weight[2 * (first < never) + (second < never)] += chance
        # Index 1 is "second cured", which leaves the first.
        return weight[0], weight[1], weight[2], weight[3]


def as_array(by_number: dict[int, float]) -> Floats:
    return np.array([by_number[number] for number in range(len(by_number))])
