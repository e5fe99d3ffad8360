"""Estimates from measured figures: growth with size, ratios of means with intervals, how far stated odds come true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv

Floats = NDArray[np.float64]

#: Resamples of a bootstrap; common practice.
DRAWS = 4000
#: Stated odds are sorted between these; 85 to 95 % is the goal's own.
EDGES = (0.0, 0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 1.0)


def growth(sizes: Sequence[float], amounts: Sequence[float]) -> float:
    """The exponent e of amount = c * size^e, by least squares on logarithms; needs two sizes or more."""
    if len(sizes) < 2 or len(sizes) != len(amounts):
        raise ValueError("a growth needs two sizes or more and an amount for each")
    return float(np.polyfit(np.log(np.asarray(sizes, float)), np.log(np.asarray(amounts, float)), 1)[0])


def extrapolated(sizes: Sequence[float], amounts: Sequence[float], size: float) -> float:
    """The amount at ``size``, from the largest amount measured, growing on as the measured ones do."""
    largest = int(np.argmax(sizes))
    return float(amounts[largest] * (size / sizes[largest]) ** growth(sizes, amounts))


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio of means with its 95 % interval."""

    value: float
    low: float
    high: float

    def __str__(self) -> str:
        return f"{self.value:.3f} [{self.low:.3f}, {self.high:.3f}]"


def ratio_of_means(one: Sequence[float], other: Sequence[float], seed: int = 0, draws: int = DRAWS) -> Ratio:
    """Mean of ``one`` over mean of ``other``, figures of the same cases in the same order.

    The interval is the percentile bootstrap over cases, both sides of a case drawn together.
    """
    a, b = np.asarray(one, np.float64), np.asarray(other, np.float64)
    if a.shape != b.shape or not a.size:
        raise ValueError("a ratio of means needs the same cases on both sides")
    rng = np.random.default_rng(seed)
    picked = rng.integers(len(a), size=(draws, len(a)))
    found = a[picked].sum(axis=1) / b[picked].sum(axis=1)
    low, high = np.percentile(found, [2.5, 97.5])
    return Ratio(float(a.sum() / b.sum()), float(low), float(high))


def share_interval(hits: int, count: int, level: float = 0.95) -> tuple[float, float]:
    """Jeffreys interval of a share (Brown, Cai and DasGupta 2001); 0 and 1 are its ends where nothing was counted."""
    tail = (1.0 - level) / 2.0
    low = 0.0 if hits == 0 else float(betaincinv(hits + 0.5, count - hits + 0.5, tail))
    high = 1.0 if hits == count else float(betaincinv(hits + 0.5, count - hits + 0.5, 1.0 - tail))
    return low, high


@dataclass(frozen=True, slots=True)
class Bin:
    """What was stated with odds from ``low`` to ``high``: how often, the mean stated, and the share that was true.

    ``cases`` is how many breakdowns the statements are of. ``without_one`` is by how much what was stated lies above
    what was true with the breakdown left out that makes most of it; None where the bin has no other.
    """

    low: float
    high: float
    count: int
    stated: float
    true: float
    interval: tuple[float, float]
    cases: int
    without_one: float | None


def reliability(
    stated: Sequence[float], true: Sequence[bool], case: Sequence[object], edges: Sequence[float] = EDGES
) -> tuple[Bin, ...]:
    """The bins in which something was stated, the lowest first; an edge belongs to the bin above it, 1 to the last.

    ``case`` names the breakdown of each statement. Statements of one breakdown hang together, so the 95 % interval is
    the percentile bootstrap over breakdowns, and never narrower than if each statement stood for itself.
    """
    odds, came = np.asarray(stated, np.float64), np.asarray(true, np.bool_)
    at = np.clip(np.searchsorted(np.asarray(edges), odds, side="right") - 1, 0, len(edges) - 2)
    found = []
    for number in np.unique(at):
        mine = np.flatnonzero(at == number)
        numbers: dict[object, int] = {}
        whose = [numbers.setdefault(case[k], len(numbers)) for k in mine.tolist()]
        said, so, sums = (np.bincount(whose, weight, len(numbers)) for weight in (None, came[mine], odds[mine]))
        count, hits = len(mine), int(so.sum())
        least, most = share_interval(hits, count)
        drawn = ratio_of_means(so.tolist(), said.tolist())
        above, others = sums - so, said.sum() - said
        without = (above.sum() - above)[others > 0] / others[others > 0]
        found.append(
            Bin(
                edges[number], edges[number + 1], count, float(odds[mine].mean()), hits / count,
                (min(least, drawn.low), max(most, drawn.high)), len(numbers), min(without.tolist(), default=None),
            )
        )  # fmt: skip
    return tuple(found)


def overconfident(bins: Sequence[Bin], least: int = 1) -> Bin | None:
    """The bin of ``least`` statements or more in which what was stated lies highest above what came true, if any."""
    return max((one for one in bins if one.count >= least), key=lambda one: one.stated - one.true, default=None)
