"""How full the bus was: bits on the wire against the bit rate.

A data frame has 47 bits and its data with an 11-bit identifier, 67 with a 29-bit one, the pause of 3 after it included;
bits stuffed in add at most one to four (ISO 11898-1). What is given is without stuffed bits, so the wire was fuller,
by a fifth at most. The data of CAN FD frames is counted at the plain bit rate, which overstates them.
"""

from __future__ import annotations

import numpy as np

from halfsplit.buslog.frames import EXTENDED, Block

_PLAIN_BITS = 47
_EXTENDED_BITS = 67
#: Seconds whose load is kept apart at once while a log is read; frames come in order, so older ones are done.
_OPEN = 4


class Load:
    """Counts bits by channel, in all and in the fullest second."""

    def __init__(self) -> None:
        self.bits: dict[int, int] = {}
        self.fullest: dict[int, int] = {}
        self._seconds: dict[int, dict[int, int]] = {}

    def add(self, block: Block) -> None:
        """Adds frames with straight times."""
        lengths = np.fromiter(map(len, block.data), np.int64, len(block))
        bits = np.where(block.flags & EXTENDED, _EXTENDED_BITS, _PLAIN_BITS) + 8 * lengths
        seconds = np.maximum(block.time_s, 0.0).astype(np.int64)
        for channel in np.unique(block.channel).tolist():
            mine = block.channel == channel
            self.bits[channel] = self.bits.get(channel, 0) + int(bits[mine].sum())
            numbers, places = np.unique(seconds[mine], return_inverse=True)
            sums = np.bincount(places, weights=bits[mine])
            known = self._seconds.setdefault(channel, {})
            for second, count in zip(numbers.tolist(), sums.tolist(), strict=True):
                known[second] = known.get(second, 0) + int(count)
                self.fullest[channel] = max(self.fullest.get(channel, 0), known[second])
            for old in sorted(known)[:-_OPEN]:
                del known[old]
