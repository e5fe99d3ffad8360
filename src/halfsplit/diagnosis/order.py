"""Orders of checks and repairs without access: what they cost, and which is best.

Chances are those of the faults an action cures, times how surely it cures them; costs are minutes or any
one unit. One fault is present unless a function says otherwise, and the machine is tried after each action,
the trial included in the cost. Sources: Smith 1956, Simon and Kadane 1975, Kadane and Simon 1977,
Heckerman, Breese and Rommelse 1995 (the order by chance over cost), Lin 2014 (handing over), Srinivas 1995
(independent faults), Feige, Lovasz and Tetali 2004 (actions that cure several faults), Albers and Brucker
1993, Ottosen and Jensen 2010 (putting off the trial).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from halfsplit.errors import InternalError

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

#: Largest number of actions ``best_cover`` orders exactly; 2^18 subsets take seconds.
EXACT_ACTIONS = 18

#: Bits of a ratio that are compared; equal ratios keep the order given.
RATIO_BITS = 40

#: Relative difference below which costs count as equal; the first then wins.
TIE = 1e-12


class Costed(NamedTuple):
    """A sequence of actions and its expected cost."""

    names: tuple[str, ...]
    cost: float


class Blocks(NamedTuple):
    """Actions in blocks, the machine being tried after each block, and the expected cost."""

    blocks: tuple[tuple[str, ...], ...]
    cost: float


def expected_cost(
    order: Sequence[str],
    chance: Mapping[str, float],
    cost: Mapping[str, float],
    *,
    repair_cost: Mapping[str, float] | None = None,
    hand_over_cost: float = 0.0,
) -> float:
    """Cost of an order: each action's cost times the chance that the fault is still there.

    ``repair_cost`` is paid only where the fault is found (``cost`` is then the inspection alone). What is
    left after the last action pays ``hand_over_cost``.
    """
    total, left = 0.0, 1.0
    for name in order:
        total += cost[name] * left
        if repair_cost is not None:
            total += repair_cost[name] * chance[name]
        left -= chance[name]
    return total + max(left, 0.0) * hand_over_cost


def by_ratio(chance: Mapping[str, float], cost: Mapping[str, float]) -> tuple[str, ...]:
    """Return the actions by falling chance over cost, which is the best order; ties stay in the order given.

    With inspections, pass the inspection cost: what repairs cost when found is the same in every order.
    """
    return tuple(sorted(chance, key=lambda name: -ratio(chance[name], cost[name])))


def with_hand_over(chance: Mapping[str, float], cost: Mapping[str, float], hand_over_cost: float) -> Costed:
    """Return the actions to try before handing over, which costs ``hand_over_cost`` and always cures.

    The best set is a prefix of the order by ratio. Comparing each action alone with the hand-over stops too
    early.
    """
    order = by_ratio(chance, cost)
    best = Costed((), hand_over_cost)
    for length in range(1, len(order) + 1):
        total = expected_cost(order[:length], chance, cost, hand_over_cost=hand_over_cost)
        if total < best.cost * (1 - TIE):
            best = Costed(order[:length], total)
    return best


def independent_cost(order: Sequence[str], chance: Mapping[str, float], cost: Mapping[str, float]) -> float:
    """Cost, given that the machine is down, of repairing one by one until it works; faults are independent.

    ``chance`` is each item's own chance of being bad; several may be.
    """
    good_after = [1.0]
    for name in reversed(order):
        good_after.append(good_after[-1] * (1.0 - chance[name]))
    good_after.reverse()
    down = 1.0 - good_after[0]
    if down <= 0:
        raise InternalError("A machine whose items are all good cannot be down.")
    return sum(cost[name] * (1.0 - good_after[i]) for i, name in enumerate(order)) / down


def by_odds(chance: Mapping[str, float], cost: Mapping[str, float]) -> tuple[str, ...]:
    """Return independent items by falling odds over cost, the best order for ``independent_cost``."""
    odds = {name: p / (1.0 - p) if p < 1 else math.inf for name, p in chance.items()}
    return by_ratio(odds, cost)


def cover_cost(
    order: Sequence[str],
    weight: Mapping[str, float],
    cures: Mapping[str, Collection[str]],
    cost: Mapping[str, float],
) -> float:
    """Expected cost of actions that each cure several faults; ``weight`` of the faults in any scale."""
    whole, left, total = sum(weight.values()), dict(weight), 0.0
    for name in order:
        total += cost[name] * sum(left.values())
        for fault in cures[name]:
            left.pop(fault, None)
    return total / whole


def greedy_cover(
    weight: Mapping[str, float], cures: Mapping[str, Collection[str]], cost: Mapping[str, float]
) -> Costed:
    """Return actions, each time the one curing most of what is left per cost; within four times the best.

    Ends when nothing curable is left. Ties go to the first in the order of ``cures``.
    """
    left = dict(weight)
    order: list[str] = []
    while True:
        best, best_rate = "", 0.0
        for name, faults in cures.items():
            rate = ratio(sum(left.get(fault, 0.0) for fault in set(faults)), cost[name])
            if rate > best_rate:
                best, best_rate = name, rate
        if not best:
            return Costed(tuple(order), cover_cost(order, weight, cures, cost))
        order.append(best)
        for fault in cures[best]:
            left.pop(fault, None)


def best_cover(
    weight: Mapping[str, float], cures: Mapping[str, Collection[str]], cost: Mapping[str, float]
) -> Costed:
    """Return the cheapest sequence that cures all that can be cured, by a programme over what is cured.

    At most EXACT_ACTIONS actions; raises InternalError beyond.
    """
    names = list(cures)
    if len(names) > EXACT_ACTIONS:
        raise InternalError(
            f"An exact cover of {len(names)} actions was asked for; {EXACT_ACTIONS} is the limit."
        )
    faults = list(weight)
    cured_by = [sum(1 << i for i, fault in enumerate(faults) if fault in cures[name]) for name in names]
    everything = 0
    for bits in cured_by:
        everything |= bits
    best: dict[int, tuple[float, tuple[str, ...]]] = {0: (0.0, ())}
    layer = [0]  # sets of cured faults, grown one action at a time; the cost depends on what is cured only
    while layer:
        grown: set[int] = set()
        for have in layer:
            total, done = best[have]
            left = sum(w for i, w in enumerate(weight.values()) if not have >> i & 1)
            for name, bits in zip(names, cured_by, strict=True):
                then = have | bits
                if then != have and total + cost[name] * left < best.get(then, (math.inf, ()))[0] - TIE:
                    best[then] = (total + cost[name] * left, (*done, name))
                    grown.add(then)
        layer = sorted(grown)
    return Costed(best[everything][1], best[everything][0] / sum(weight.values()))


def postponed_trials(
    order: Sequence[str], chance: Mapping[str, float], cost: Mapping[str, float], trial_cost: float
) -> Blocks:
    """Return the best split of a fixed order into blocks with one trial of the machine after each.

    A block is done whole once begun. O(n^2) programme from the back.
    """
    count = len(order)
    left = [1.0]
    for name in order:
        left.append(left[-1] - chance[name])
    best, cut = [0.0] * (count + 1), [count] * (count + 1)
    for i in range(count - 1, -1, -1):
        best[i] = math.inf
        length = trial_cost
        for j in range(i, count):
            length += cost[order[j]]
            total = length * left[i] + best[j + 1]
            if total < best[i] * (1 - TIE):
                best[i], cut[i] = total, j + 1
    blocks, at = [], 0
    while at < count:
        blocks.append(tuple(order[at : cut[at]]))
        at = cut[at]
    return Blocks(tuple(blocks), best[0])


def ratio(chance: float, cost: float) -> float:
    """Chance over cost with rounding taken off, so that ratios equal but for rounding compare as equal.

    Infinite for something that costs nothing, 0 where there is no chance.
    """
    if chance <= 0:
        return 0.0
    if cost <= 0:
        return math.inf
    mantissa, exponent = math.frexp(chance / cost)
    return math.ldexp(round(mantissa * 2**RATIO_BITS), exponent - RATIO_BITS)
