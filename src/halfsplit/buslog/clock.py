"""A log's clock made straight: it begins at 0 and never runs back, and every jump of the recorded clock is noted.

A recorder sets its clock from a satellite or a phone in the middle of a recording, or was switched off overnight and
goes on in the same file. Across a jump no time between two frames means anything, so whoever measures gaps begins
again there.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from halfsplit.buslog.frames import Block

#: A clock that falls by more than this was set back; less is frames of two channels written out of turn. Both limits
#: are common practice, no source.
BACK_S = 1.0
#: Nobody at all was heard for longer than this: the clock was set forward, or the recorder was off.
FORWARD_S = 600.0
#: Jumps that are listed; all are counted.
MOST_JUMPS = 50


@dataclass(frozen=True, slots=True)
class Jump:
    """The recorded clock went from ``before_s`` to ``after_s`` at the frame of number ``frame``."""

    frame: int
    at_s: float
    before_s: float
    after_s: float


class Clock:
    """Straightens block after block. A jump takes no time in the straight clock."""

    def __init__(self) -> None:
        self.jumps: list[Jump] = []
        self.jump_count = 0
        self.out_of_turn = 0
        self.start_s: float | None = None
        self._last = 0.0
        self._shift = 0.0

    def straighten(self, block: Block) -> list[Block]:
        """The block with straight times, cut where the clock jumped; what comes first goes on from the block before.

        After the first piece each begins anew: no gap reaches across. So does the first one when ``broken`` says so.
        """
        if not len(block):
            return []
        recorded = block.time_s
        if self.start_s is None:
            self.start_s = self._last = float(recorded[0])
            self._shift = -self.start_s
        steps = np.diff(recorded, prepend=self._last)
        self.out_of_turn += int(np.count_nonzero((steps < 0) & (steps >= -BACK_S)))
        places = np.flatnonzero((steps < -BACK_S) | (steps > FORWARD_S))
        pieces: list[Block] = []
        self.broken = bool(len(places)) and int(places[0]) == 0
        shifts = self._shift - np.cumsum(steps[places])
        edges = [0, *(int(place) for place in places if place > 0), len(block)]
        starts = [self._shift, *shifts.tolist()] if not self.broken else shifts.tolist()
        for (begin, end), shift in zip(itertools.pairwise(edges), starts, strict=True):
            piece = block.cut(begin, end)
            pieces.append(
                Block(piece.time_s + shift, piece.identifier, piece.flags, piece.channel, piece.data, piece.first)
            )
        for place, shift in zip(places.tolist(), shifts.tolist(), strict=True):
            self.jump_count += 1
            if len(self.jumps) < MOST_JUMPS:
                before = self._last if place == 0 else float(recorded[place - 1])
                after = float(recorded[place])
                self.jumps.append(Jump(block.first + place, after + shift, before, after))
        if len(shifts):
            self._shift = float(shifts[-1])
        self._last = float(recorded[-1])
        return pieces

    broken = False
