"""The odds worked out path by path, with none of the program's own sums.

A path says when each fault of a hypothesis was cured: at the end of one of the epochs, or never. Its weight is the
prior times the chance of every observation along it. Only the likelihood of a single observation is taken from the
program; looks, moves, cures and what is said of sleeping are worked out here from the catalogue. Two faults at once
are walked in ``two_faults``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from tests.properties.diagnosis.two_faults import Alone, Weights, walks, weigh

from halfsplit.circuit.stamps import Floats
from halfsplit.diagnosis.evidence import (
    AGAIN,
    ELSE_FIND,
    FALSE_FIND,
    FALSE_MOVE,
    NEW_LOOK,
    SAID_SLEEPS,
    Electrical,
    Epoch,
    Evidence,
)
from halfsplit.diagnosis.likelihood import PLACES
from halfsplit.diagnosis.pairs import ROUNDING, Pairs
from halfsplit.faults.catalogue import Fault
from halfsplit.faults.curing import cure_chances


@dataclass(frozen=True)
class Odds:
    """Odds as ``Belief`` has them: by hypothesis ``[singles]``, of the two others, and that two faults are there."""

    there: Floats
    gone: Floats
    nothing: float
    other: float
    both: float
    member: Floats
    cured: Floats


def blown_share(evidence: Evidence, place: str, fault: Fault) -> float:
    """Share of a fault's severities, by weight, that blow the fuse ``place`` in a state of the complaint."""
    space = evidence.space
    part = space.machine.parts.get(place)
    if part is None or part.kind != "fuse":
        return 0.0
    number = next(at for at, one in enumerate(space.faults) if one.id == fault.id)
    tables = [evidence.signatures.state(symptom.state) for symptom in evidence.complaint.symptoms]
    blowing = 0.0
    for row in range(space.rows):
        if space.row_fault[row] != number:
            continue
        if any(table.lines.blown[row, table.fuses.index(place)] for table in tables):
            blowing += fault.severities[int(space.row_grade[row])].weight
    return blowing / sum(severity.weight for severity in fault.severities)


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
                found, missed = epoch.looks[(kind, place, True)], epoch.looks[(kind, place, False)]
                if place in places and kind in fault.mode.looks:
                    sees, hidden = fault.mode.looks[kind], fault.mode.hidden
                elif kind == "by-eye" and (share := blown_share(self.evidence, place, fault)) > 0.0:
                    # What is seen is the blown fuse: as often as one that blew of itself, where it did blow.
                    fuse = next(one.mode for one in self.space.faults if one.id == f"{place}/fuse-open")
                    sees, hidden = fuse.looks["by-eye"], (1.0 - share) + share * fuse.hidden
                else:
                    continue
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

    def single(self, epoch: Epoch, row: int, *, sleeps: bool, place: int) -> float:
        """Chance of an epoch's observations when one fault is there, with its severity at one of its places."""
        fault = self.space.faults[int(self.space.row_fault[row])]
        steady, sleeping, _ = self.evidence.block_terms(epoch)
        chance = math.exp(float(sleeping[row] if sleeps else steady[row]))
        line = int(self.evidence.asleep_lines(epoch)[row])
        doubt, times = 1.0, 0
        for walk in walks(epoch.observed()):
            awake = math.prod(self._likely(seen, row, place) for seen in walk)
            if not sleeps or walk[0].showing == "yes":
                chance *= awake
                continue
            asleep = math.prod(self._likely(seen, line, place) for seen in walk)
            chance *= asleep
            if walk[0].showing == "no":
                continue
            ratio = 1.0 + fault.mode.duty * (awake / asleep - 1.0)
            if ratio >= 1.0:
                chance *= ratio
            else:  # several looks that say it sleeps just now are less than as many new looks
                doubt *= ratio
                times += math.log(ratio) < -ROUNDING  # what rounding leaves is no doubt
        chance *= doubt ** ((1.0 + NEW_LOOK * (times - 1)) / times) if times else doubt
        return chance * self.looks(epoch, (fault,), sleeps=sleeps)

    def _likely(self, seen: Electrical, line: int, place: int) -> float:
        weighed = self.evidence.weigh(seen)
        return float(weighed.per_row[line] if weighed.places is None else weighed.places[place, line])

    def anywhere(self, epoch: Epoch, row: int, *, sleeps: bool) -> float:
        """Chance of an epoch's observations when one fault is there, wherever its severity lies in that epoch."""
        return sum(
            share * self.single(epoch, row, sleeps=sleeps, place=at) for at, share in enumerate(PLACES.tolist())
        )

    def odds(self, pairs: Pairs | None = None) -> Odds:
        """Every path of every hypothesis, added up and scaled to one."""
        space, epochs = self.space, self.evidence.epochs
        speaks = self.speaks
        sound = [self.sound(epoch) for epoch in epochs]
        there: dict[int, float] = {}
        gone: dict[int, float] = {}
        for h in range(space.singles):
            row, sleeps = int(space.hyp_row[h]), bool(space.hyp_sleeps[h])
            start = math.exp(float(self.log_prior[h])) * speaks[sleeps]
            cures = [0.0 if c is None else float(c[space.row_fault[row]]) for c in self.cures]
            there[h] = gone[h] = 0.0
            for place, share in enumerate(PLACES.tolist()):
                present = [self.single(epoch, row, sleeps=sleeps, place=place) for epoch in epochs]
                there[h] += share * start * self._path(present, sound, cures, None)
                gone[h] += sum(share * start * self._path(present, sound, cures, at) for at in range(len(epochs)))
        nothing = math.exp(float(self.log_prior[space.nothing])) * speaks[0] * math.prod(sound)
        other = math.exp(float(self.log_prior[space.other])) * 0.5
        for epoch in epochs:
            other *= self._something_else(epoch)
        two = Weights() if pairs is None else weigh(pairs, self._alone(sound))
        total = sum(there.values()) + sum(gone.values()) + nothing + other + two.total
        every = range(space.singles)
        return Odds(
            there=np.array([there[h] + two.there[h] for h in every]) / total,
            gone=np.array([gone[h] + two.gone[h] for h in every]) / total,
            nothing=nothing / total,
            other=other / total,
            both=two.both / total,
            member=np.array([two.member[h] for h in every]) / total,
            cured=np.array([two.cured[h] for h in every]) / total,
        )

    def _alone(self, sound: Sequence[float]) -> Alone:
        epochs = self.evidence.epochs
        return Alone(
            single=lambda at, row, sleeps: self.anywhere(epochs[at], row, sleeps=sleeps),
            looks=lambda at, faults, sleeps: self.looks(epochs[at], faults, sleeps=sleeps),
            sound=sound,
            cures=self.cures,
            speaks=self.speaks,
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
