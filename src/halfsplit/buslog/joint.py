"""Who fell silent together, whether that can be chance, and which place in the harness explains it.

Chance: with ``n_i`` and ``n_j`` silences in ``T`` seconds, a pair within ``w`` of each other happens by itself
n_i n_j 2w/T times on average; the probability of as many as were seen is binomial, each of the n_i being covered with
1 - (1 - 2w/T)^n_j (event coincidence analysis, Donges et al. 2016). It is multiplied by the number of pairs looked at
(Bonferroni).

Place: the loss of a place (a stretch of the bus, a feed, a ground, a stub) silences the controllers behind it. Each
event is compared with every place: a controller behind it stays audible with probability ``miss``, any other falls
silent by itself with probability ``false``. Places with the same controllers behind them cannot be told apart from the
bus.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import bdtrc, pdtrc

from halfsplit.buslog.silences import Habit, Silence

#: A controller behind a lost place still heard, and another silent by itself. Common practice, no source; the same two
#: figures stand in the reference numbers.
MISS = 0.1
FALSE = 0.01
#: Starts closer than this are one moment, whatever the senders' gaps. Common practice, no source.
MOMENT_S = 0.05


@dataclass(frozen=True, slots=True)
class JointSilence:
    """Senders that fell silent together: their silences by key, and the moment ``at_s`` of the first loss."""

    at_s: float
    silences: tuple[Silence, ...]

    @property
    def keys(self) -> frozenset[int]:
        """Who."""
        return frozenset(one.key for one in self.silences)

    @property
    def until_s(self) -> float:
        """When the last of them was heard again."""
        return max(one.to_s for one in self.silences)


def joint_silences(found: Iterable[Habit]) -> tuple[JointSilence, ...]:
    """All silences put together where they began together, single ones included, in order of time.

    A silence is known to begin between the sender's last frame and when the next was due at the latest, its 99th
    percentile gap: two of them began together when those spans meet.
    """
    spans: list[tuple[float, float, Silence]] = []
    for habit in found:
        wait = max(habit.late_s or 0.0, MOMENT_S)
        spans.extend((one.from_s, one.from_s + min(wait, one.seconds), one) for one in habit.silences)
    spans.sort(key=lambda span: span[0])
    events: list[list[tuple[float, float, Silence]]] = []
    ends = -np.inf  # the earliest end of the spans of the present event: a span that begins later does not meet all
    for span in spans:
        new = span[2].key in {member[2].key for member in events[-1]} if events else True
        if new or span[0] > ends:
            events.append([span])
            ends = span[1]
        else:
            events[-1].append(span)
            ends = min(ends, span[1])
    return tuple(
        JointSilence(max(span[0] for span in event), tuple(sorted((span[2] for span in event), key=lambda s: s.key)))
        for event in events
    )


@dataclass(frozen=True, slots=True)
class Coincidence:
    """How often two senders fell silent within ``window_s`` of each other, and how often they would by chance.

    ``binomial_p`` and ``poisson_p`` are the probabilities of as many or more by chance, for this pair alone.
    """

    count: int
    expected: float
    binomial_p: float
    poisson_p: float


def coincidence(a_s: Sequence[float], b_s: Sequence[float], window_s: float, length_s: float) -> Coincidence:
    """Compares two senders' moments of falling silent in a record of ``length_s`` seconds.

    ``count`` is how many of the first have one of the second within the window.
    """
    first, second = np.asarray(a_s, np.float64), np.asarray(b_s, np.float64)
    if not len(first) or not len(second):
        return Coincidence(0, 0.0, 1.0, 1.0)
    near = np.abs(first[:, None] - second[None, :]) <= window_s
    count = int(near.any(axis=1).sum())
    share = min(2.0 * window_s / length_s, 1.0)
    expected = len(first) * len(second) * share
    covered = 1.0 - (1.0 - share) ** len(second)
    if count == 0:
        return Coincidence(0, expected, 1.0, 1.0)
    binomial = float(bdtrc(count - 1, len(first), covered))
    return Coincidence(count, expected, binomial, float(pdtrc(count - 1, expected)))


@dataclass(frozen=True, slots=True)
class Pair:
    """Two senders that fell silent together more often than chance explains, ``p`` corrected for all pairs."""

    first: int
    second: int
    coincidence: Coincidence
    p: float


def pairs(found: Sequence[Habit], length_s: float, significant: float = 0.01) -> tuple[Pair, ...]:
    """Every pair of senders whose silences began together too often for chance, the surest first."""
    silent = [habit for habit in found if habit.silences]
    count = len(silent) * (len(silent) - 1) // 2
    told = []
    for place, first in enumerate(silent):
        for second in silent[place + 1 :]:
            window = max(first.late_s or 0.0, second.late_s or 0.0, MOMENT_S)
            one = coincidence(
                [s.from_s for s in first.silences], [s.from_s for s in second.silences], window, length_s
            )
            p = min(1.0, one.binomial_p * count)
            if one.count and p <= significant:
                told.append(Pair(first.key, second.key, one, p))
    return tuple(sorted(told, key=lambda pair: (pair.p, pair.first, pair.second)))


@dataclass(frozen=True, slots=True)
class PlaceOdds:
    """Places with the same controllers behind them, which the bus cannot tell apart, and their odds together."""

    places: tuple[str, ...]
    share: float


def places(
    events: Iterable[Iterable[Hashable]],
    behind: Mapping[str, Iterable[Hashable]],
    nodes: Iterable[Hashable],
    prior: Mapping[str, float] | None = None,
    *,
    miss: float = MISS,
    false: float = FALSE,
) -> tuple[PlaceOdds, ...]:
    """The odds of each place after joint silences, the likeliest first.

    ``behind`` names the nodes each place's loss silences, ``nodes`` all there are, ``prior`` the weights of the places
    before (alike when left out).
    """
    everyone = frozenset(nodes)
    classes: dict[frozenset[Hashable], list[str]] = {}
    for place, reached in behind.items():
        classes.setdefault(frozenset(reached) & everyone, []).append(place)
    told = [frozenset(event) & everyone for event in events]
    weights = {}
    for reached, members in classes.items():
        log = np.log(sum(prior[one] if prior else 1.0 for one in members))
        for event in told:
            inside, outside = len(event & reached), len(event - reached)
            log += inside * np.log1p(-miss) + (len(reached) - inside) * np.log(miss)
            log += outside * np.log(false) + (len(everyone) - len(reached) - outside) * np.log1p(-false)
        weights[reached] = float(log)
    if not weights:
        return ()
    largest = max(weights.values())
    shares = {reached: float(np.exp(log - largest)) for reached, log in weights.items()}
    total = sum(shares.values())
    odds = [PlaceOdds(tuple(classes[reached]), share / total) for reached, share in shares.items()]
    return tuple(sorted(odds, key=lambda one: -one.share))
