"""What a log of the bus cannot tell apart: suspects that show the same there, and the meter check that would.

Two suspects are alike when all that was taken from the log (who was silent, errors, codes) is the same with either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis.belief import Belief
from halfsplit.diagnosis.checks import METERED
from halfsplit.diagnosis.hunt import Hunt
from halfsplit.diagnosis.naming import check_title, group_short
from halfsplit.observations import CodeSeen, Reading
from halfsplit.service.results import Alike, AlikeLine

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

#: Suspects alike that are named; the rest is counted.
MOST_NAMED = 6


def kinds_on_the_bus(hunt: Hunt, seen: Sequence[CodeSeen | Reading]) -> Ints:
    """A number for every row ``[rows]``, the same for rows that look alike in what was taken from a log."""
    columns = []
    for one in dict.fromkeys(
        (one.controller, one.code, one.state) for one in seen if isinstance(one, CodeSeen)
    ):
        table = hunt.bench.signatures.state(one[2])
        columns.append(table.lines.codes[hunt.evidence.carried(one[2]), table.codes[one[0], one[1]]][:-1])
    if not columns:
        return np.zeros(hunt.bench.space.rows, dtype=np.int64)
    result: Ints = np.unique(np.stack(columns, axis=1), axis=0, return_inverse=True)[1].reshape(-1)
    return result


def told_alike(hunt: Hunt, seen: Sequence[CodeSeen | Reading]) -> Alike | None:
    """The likeliest suspects that the log cannot tell apart, with the meter check that parts them best for its minutes.

    None where the likeliest stands alone.
    """
    space, belief = hunt.bench.space, hunt.belief
    kind = kinds_on_the_bus(hunt, seen)
    rows = belief.row_odds()
    best = int(np.argmax(np.bincount(kind, weights=rows)))
    inside = kind == best
    odds = np.bincount(space.row_group[inside], weights=rows[inside], minlength=len(space.groups))
    order = np.argsort(-odds, kind="stable")
    whole = float(odds.sum())
    named = [int(at) for at in order[:MOST_NAMED] if odds[at] >= 0.01 * whole]
    alike = np.unique(space.row_group[inside & (rows > 0.001 * whole)])
    if len(alike) < 2 or len(named) < 2:
        return None
    return Alike(
        min(whole, 1.0),
        len(alike),
        tuple(AlikeLine(space.groups[at].id, group_short(space.groups[at]), float(odds[at])) for at in named),
        *_parting(hunt, inside),
    )


def _parting(hunt: Hunt, inside: Bools) -> tuple[str, str]:
    """The meter check that tells most for its minutes if one of some rows is it: its id and its words; "" for none."""
    only = _within(hunt.belief, inside)
    for option in hunt.planner.rank(only, hunt.evidence, hunt.situation):
        if option.check is not None and option.check.kind in (*METERED, "ohms"):
            return option.check.id, check_title(hunt.bench.machine, option.check)
    return "", ""


def _within(belief: Belief, inside: Bools) -> Belief:
    """The odds if just one of the rows ``inside`` is the fault."""
    there = np.where(inside[belief.space.hyp_row], belief.there + belief.member, 0.0)
    nothing = np.zeros_like(there)
    return replace(
        belief, there=there / max(float(there.sum()), 1e-300), gone=nothing, nothing=0.0, other=0.0, both=0.0,
        member=nothing, cured=nothing, twos=(), leads=(),
    )  # fmt: skip
