"""The hypotheses worth computing with when the next step is chosen, each with its repair group."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from halfsplit.diagnosis.belief import Belief
from halfsplit.diagnosis.compiled import weighed
from halfsplit.diagnosis.evidence import NEW_LOOK

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Live hypotheses: the best ones up to this mass and number.
LIVE_MASS = 0.995
LIVE_MOST = 700
#: Weights that differ by less than this share are equal but for rounding.
ALIKE = 1e-9
#: Numbers are told apart to one part in so many: sums made in another order agree to a hundredth of that, about.
ROUNDED = 2.0**32
#: Groups told apart when information is counted; the rest share one.
GROUPS_MOST = 48


@dataclass(frozen=True, eq=False)
class Live:
    """The hypotheses worth computing with: rows with their mass awake and asleep, and a small group number.

    ``row`` ``[n]`` (the healthy line for the last one), ``awake`` and ``asleep`` ``[n]`` masses,
    ``group`` ``[n]``; ``names`` maps the small group number back (-1 rest, -2 nothing wrong now).
    """

    row: Ints
    awake: Floats
    asleep: Floats
    group: Ints
    names: tuple[int, ...]
    wait_min: float

    @cached_property
    def _grouped(self) -> tuple[Ints, Ints]:
        """The hypotheses group by group, and where each group begins."""
        order = np.argsort(self.group, kind="stable")
        return order, np.searchsorted(self.group[order], np.arange(len(self.names) + 1))

    @cached_property
    def rows_awake(self) -> tuple[Ints, Ints, Floats]:
        """Rows with their groups, each two once and in order, and their mass awake, ``[pairs]``.

        A row stands for one group unless a blown fuse makes several look alike.
        """
        groups = len(self.names)
        pair, inverse = np.unique(self.row * groups + self.group, return_inverse=True)
        row = pair // groups
        return row, pair - row * groups, np.bincount(inverse, weights=self.awake).astype(np.float64)

    @cached_property
    def asleep_by_group(self) -> Floats:
        """Mass asleep of each group, ``[groups]``."""
        return np.bincount(self.group, weights=self.asleep, minlength=len(self.names)).astype(np.float64)

    def awake_by_group(self, line: Ints, values: Floats) -> Floats:
        """Sums of ``values`` ``[lines, things]`` weighed by the masses awake, ``[groups, things]``.

        ``line`` ``[n]`` says which line each hypothesis has.
        """
        found = weighed(len(self.names), self.group, self.awake, line, values)
        if found is not None:
            return found
        order, starts = self._grouped
        weights = csr_array((self.awake[order], line[order], starts), shape=(len(self.names), len(values)))
        return np.asarray(weights @ values, dtype=np.float64)


def but_for_rounding(values: Floats) -> Floats:
    """Numbers ``[n]`` with those made equal that differ by rounding alone, so that of equal ones the first is first."""
    share, power = np.frexp(values)
    result: Floats = np.ldexp(np.rint(share * ROUNDED) / ROUNDED, power)
    return result


def live(belief: Belief, showing: str = "unknown", *waits: int) -> tuple[Live, ...]:
    """The live hypotheses of a belief; of two faults the one behind the trouble that is hunted now.

    ``showing`` says whether the fault was there a moment ago: sleeping faults come and go in spells. For each of
    ``waits`` a person waits up to that many minutes for it to show; ``wait_min`` is the wait to expect.
    """
    space = belief.space
    order, mass = _likeliest(belief.one_trouble)
    groups = space.hyp_group[order]
    by_group = np.bincount(groups, weights=mass, minlength=len(space.groups)).astype(np.float64)
    some = np.flatnonzero(by_group)
    top = some[np.argsort(-but_for_rounding(by_group[some]), kind="stable")[:GROUPS_MOST]].tolist()
    small = np.full(len(space.groups), len(top), dtype=np.int64)
    small[top] = np.arange(len(top))
    duty = space.duty[order]
    if showing != "unknown":
        duty = NEW_LOOK * duty + (1.0 - NEW_LOOK) * (showing == "yes")
    sleeps = space.hyp_sleeps[order]
    first = np.where(sleeps, 1.0 - duty, 0.0)
    stays = 1.0 - NEW_LOOK * space.duty[order]
    clear = belief.mended
    scale = 1.0 / max(mass.sum() + clear, 1e-300)
    row = np.append(space.hyp_row[order], space.rows)
    group = np.append(small[groups], len(top) + 1)
    found = []
    for most in waits:
        absent, waited = first, np.zeros(len(order))
        for _ in range(most):
            waited += absent
            absent = absent * stays
        awake = 1.0 - absent
        found.append(
            Live(
                row=row,
                awake=np.append(mass * awake, clear) * scale,
                asleep=np.append(mass * (1.0 - awake), 0.0) * scale,
                group=group,
                names=(*top, -1, -2),
                wait_min=float((waited @ mass + most * clear) * scale),
            )
        )
    return tuple(found)


def _likeliest(weight: Floats) -> tuple[Ints, Floats]:
    """The hypotheses that hold ``LIVE_MASS`` of all weight, likeliest first, and their weight."""
    total = float(weight.sum())
    if total <= 0.0:
        order = np.arange(min(LIVE_MOST, len(weight)))
        return order, weight[order]
    # All below this together hold less than what may be left out.
    some = np.flatnonzero(weight > 0.9 * (1.0 - LIVE_MASS) * total / len(weight))
    among = but_for_rounding(weight[some])
    if len(some) > LIVE_MOST:
        least = np.partition(among, -LIVE_MOST)[-LIVE_MOST]
        some, among = some[among >= least], among[among >= least]
    # Of equally likely ones the first come first.
    order = some[np.argsort(-among, kind="stable")[:LIVE_MOST]]
    end = int(np.searchsorted(np.cumsum(weight[order]), LIVE_MASS * total)) + 1
    # Which of equally likely ones comes last is a matter of rounding, so they stay all or none.
    last = weight[order[min(end, len(order)) - 1]]
    order = order[: int(np.count_nonzero(weight[order] >= (1.0 - ALIKE) * last))]
    return order, weight[order]
