"""The hypotheses worth computing with when the next step is chosen, each with its repair group."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis.belief import Belief
from halfsplit.diagnosis.evidence import NEW_LOOK

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Live hypotheses: the best ones up to this mass and number.
LIVE_MASS = 0.995
LIVE_MOST = 700
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


def live(belief: Belief, showing: str = "unknown", waits: int = 0) -> Live:
    """The live hypotheses of a belief; of two faults the one behind the trouble that is hunted now.

    ``showing`` says whether the fault was there a moment ago: sleeping faults come and go in spells. With
    ``waits`` a person waits up to that many minutes for it to show; ``wait_min`` is the wait to expect.
    """
    space = belief.space
    weight = belief.one_trouble()
    order = np.argsort(-weight)[:LIVE_MOST]
    total = weight.sum()
    if total > 0:
        keep = np.searchsorted(np.cumsum(weight[order]), LIVE_MASS * total) + 1
        order = order[:keep]
    mass = weight[order]
    groups = space.hyp_group[order]
    by_group = np.bincount(groups, weights=mass, minlength=len(space.groups))
    top = [int(group) for group in np.argsort(-by_group)[:GROUPS_MOST] if by_group[group] > 0]
    small = np.full(len(space.groups), len(top), dtype=np.int64)
    small[top] = np.arange(len(top))
    sleeps = space.hyp_sleeps[order]
    duty = space.duty[order]
    if showing != "unknown":
        duty = NEW_LOOK * duty + (1.0 - NEW_LOOK) * (showing == "yes")
    absent = np.where(sleeps, 1.0 - duty, 0.0)
    waited = np.zeros(len(order))
    for _ in range(waits):
        waited += absent
        absent = absent * (1.0 - NEW_LOOK * space.duty[order])
    duty = 1.0 - absent
    clear = belief.mended
    scale = 1.0 / max(mass.sum() + clear, 1e-300)
    return Live(
        row=np.append(space.hyp_row[order], space.rows),
        awake=np.append(mass * duty, clear) * scale,
        asleep=np.append(mass * (1.0 - duty), 0.0) * scale,
        group=np.append(small[groups], len(top) + 1),
        names=(*top, -1, -2),
        wait_min=float((waited @ mass + waits * clear) * scale),
    )
