"""Many lines weighed by ever more readings; those that a few readings leave without a chance are let go.

After a hundred readings nearly all that could be wrong with a machine is out of the question, most of it since the
first ten. What the other readings can still add has a limit: none of them is ever likelier than a meter that shows
exactly what is predicted. A line that lies too far back even with that is not weighed any further. What it is then
taken for, "at most" so likely, is worked through to the odds, and once more with the least that any line has; where
the two do not give the same odds, every line is weighed in full (``belief.believe``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis.readings import Block

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Readings up to which every line is weighed in full.
IN_FULL = 24
#: Readings of the first stage, and how many times as many each later stage has.
FIRST, GROWS = 8, 3
#: Lines are let go that lie behind by this (natural logarithm) and by what the odds must be true to, whatever the other
#: readings show: so many thousands of them do not add up to it. Before the last piece of work by more, because after it
#: what was likely may have been mended and something else be there.
BEHIND, BEHIND_BEFORE = 13.0, 37.0
#: Less than the least by this (natural logarithm) adds nothing to it that its digits could hold.
NO_MORE = 36.0
#: Lines weighed in full early, so that there is something to lie behind of.
AHEAD = 16


class LetGo(Enum):
    """What lines that were let go are taken for."""

    AT_MOST = "at most"
    AT_LEAST = "at least"
    WORKED_OUT = "worked out"


@dataclass(frozen=True, eq=False)
class Weighed:
    """Log likelihoods of lines ``[lines]``, for those ``let_go`` ``[lines]`` at most and, all the same, ``least``."""

    at_most: Floats
    let_go: Bools
    least: float

    def taken(self, let_go: LetGo) -> Floats:
        """The log likelihoods, those let go taken as told."""
        return np.where(self.let_go, self.least, self.at_most) if let_go is LetGo.AT_LEAST else self.at_most


def by_stages(
    block: Block, prior: Floats, weigh: Callable[[Ints, Ints], Floats], ahead: float, behind: float | None
) -> Weighed:
    """Weighs lines by all readings of ``block``, those by some that have no chance or for which all must be wrong.

    ``prior`` ``[lines]`` is added when lines are compared with each other and with ``ahead``, which is what lies ahead
    for certain; lines ``behind`` by so much are let go, none where that is None. ``weigh`` gives for
    some lines and some of the readings, by number, what ``Block.one_wrong_at_most`` gives.
    """
    count, lines = len(block.value), np.arange(len(prior))
    every = np.arange(count)
    # What each line is at most with one reading wrong or none.
    found = np.empty(len(lines))
    let_go = np.zeros(len(lines), dtype=np.bool_)
    left, some = lines, FIRST
    while behind is not None and count > IN_FULL and GROWS * some <= 2 * count:
        chosen = np.linspace(0, count - 1, some).round().astype(np.int64)
        found[left] = weigh(left, chosen) + block.most_of(np.setdiff1d(every, chosen))
        score = np.logaddexp(found[left], block.least) + prior[left]
        if some == FIRST and len(lines) > 20 * AHEAD:
            front = left[np.argsort(-score, kind="stable")[:AHEAD]]
            sure = np.logaddexp(weigh(front, every), block.least) + prior[front]
            ahead = max(ahead, float(sure.max(initial=-np.inf)))
        late = score < ahead - behind
        let_go[left[late]] = True
        left = left[~late & (found[left] > block.least - NO_MORE)]
        some *= GROWS
    found[left] = weigh(left, every)
    return Weighed(np.logaddexp(found, block.least), let_go, block.least)
