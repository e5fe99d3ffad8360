"""A second fault behind a mended one.

When a complaint outlives a repair, the mended fault may still have been real and another one stand beside it.
For each such repair a *family* is opened: the mended row together with every single fault. What was seen before
the repair is weighed against both together (solved exactly for the most promising partners), what was seen
after it against the partner alone. So old evidence is never forced onto single faults, nor thrown away.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis import readings
from halfsplit.diagnosis.evidence import Electrical, Epoch, Evidence
from halfsplit.faults.signatures import Lines
from halfsplit.observations import Reading

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Odds that a second fault is there, given one: water or an accident seldom harms one place, and two faults at
#: once are a known trap (trade_practice.md part 8); from memory.
SECOND_FAULT = 0.03
#: Partners solved exactly together with the mended row; the rest take the larger of the two effects.
EXACT = 400


@dataclass(eq=False)
class Family:
    """The row mended at the end of epoch ``ended``, and its partners' terms from before that."""

    row: int
    ended: int
    exact: Ints
    _lines: dict[str, Lines] = field(default_factory=dict)
    _terms: dict[int, tuple[int, Floats, Floats]] = field(default_factory=dict)

    def before(self, evidence: Evidence, number: int) -> tuple[Floats, Floats]:
        """Log likelihood of an epoch before the repair, the mended row there.

        Each partner there too, steady and sleeping, ``[rows]`` each; worked out once for an epoch that is over.
        """
        epoch = evidence.epochs[number]
        size = len(epoch.everything())
        if number not in self._terms or self._terms[number][0] != size:
            self._terms[number] = (size, *self._weigh(evidence, epoch))
        return self._terms[number][1], self._terms[number][2]

    def _weigh(self, evidence: Evidence, epoch: Epoch) -> tuple[Floats, Floats]:
        space = evidence.space
        steady, sleeping = np.zeros(space.rows), np.zeros(space.rows)
        duty = space.row_duty
        for observed in epoch.observed():
            both, alone = self._item(evidence, observed)
            steady += np.log(both)
            sleeping += np.log(duty * both + (1.0 - duty) * alone)
        chosen = epoch.volts()
        if chosen:
            both, alone = self._block(evidence, chosen)
            steady += both
            sleeping += np.logaddexp(np.log(duty) + both, np.log1p(-duty) + alone)
        return steady, sleeping

    def lines(self, evidence: Evidence, state: str) -> Lines:
        """The exact partners together with the mended row, and last the mended row alone."""
        if state not in self._lines:
            effects = evidence.signatures.effects
            own = effects[self.row]
            sets = [(*own, *effects[row]) for row in self.exact.tolist()]
            self._lines[state] = evidence.signatures.state(state).predict([*sets, own])
        return self._lines[state]

    def _item(self, evidence: Evidence, observed: Electrical) -> tuple[Floats, float]:
        single = evidence.weigh(observed).per_row
        alone = float(single[self.row])
        # Away from the exact partners: whichever of the two explains it better.
        both = np.maximum(single[:-1], alone)
        known = evidence.weigh_lines(observed, self.lines(evidence, observed.state))
        both[self.exact] = known[:-1]
        return both, alone

    def _block(self, evidence: Evidence, chosen: tuple[Reading, ...]) -> tuple[Floats, float]:
        block = evidence.block(chosen)
        value, along = readings.predicted(evidence.signatures, evidence.space, chosen)
        healthy, own = value[-1], value[self.row]
        larger = np.abs(value[:-1] - healthy) > np.abs(own - healthy)
        both = block.log_likelihood(
            np.where(larger, value[:-1], own), np.where(larger, along[:-1], along[self.row])
        )
        lines = [self.lines(evidence, reading.state) for reading in chosen]
        exact = block.log_likelihood(*readings.predicted_lines(evidence.signatures, chosen, lines))
        both[self.exact] = exact[:-1]
        return both, float(exact[-1])


def open_family(evidence: Evidence, row: int, ended: int, partner_odds: Floats) -> Family:
    """The family of a mended row; ``partner_odds [rows]`` says which partners are worth solving exactly."""
    order = np.argsort(-partner_odds)[:EXACT]
    fault = evidence.space.row_fault
    return Family(row, ended, np.sort(order[fault[order] != fault[row]]).astype(np.int64))
