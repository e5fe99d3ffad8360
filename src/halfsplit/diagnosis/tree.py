"""Sequences of tests that split what is possible: information, exact trees, half-split chains, and bounds.

States are single faults or repair groups with probabilities; a deterministic test gives each state one
outcome. Two states that no test tells apart are one class and need no splitting; nor do states that share a
repair, so group them first. Costs are minutes or any one unit. Sources: Pattipati and Alexandridis 1990
(bounds and search), Golovin, Krause and Ray 2010 (edge cutting), Hyafil and Rivest 1976 (why exact trees
stay small).
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from halfsplit.errors import InternalError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Gains within this of each other count as equal, so that rounding does not decide between equal tests.
TIE = 1e-12

#: Rounds of the capacity iteration. The bounds returned hold after any number; 200 close them to about 1e-9
#: bit for tables without nearly equal columns.
CAPACITY_ROUNDS = 200


@dataclass(frozen=True, slots=True)
class TestTree:
    """``cost`` is the expected cost from here; ``test`` is None when nothing is left to split.

    ``branches`` holds (outcome, tree) in order of outcome; ``states`` the indices still possible here.
    """

    cost: float
    states: tuple[int, ...]
    test: int | None
    branches: tuple[tuple[int, TestTree], ...]


def entropy_bits(chances: Sequence[float] | Floats) -> float:
    """Entropy in bits of non-negative numbers, scaled to add up to 1."""
    p = np.asarray(chances, dtype=np.float64)
    total = float(p.sum())
    if np.any(p < 0) or total <= 0:
        raise InternalError("Entropy needs non-negative numbers with some mass.")
    p = p[p > 0] / total
    return float(-(p * np.log2(p)).sum())


def gain_bits(prior: Sequence[float], table: Sequence[Sequence[float]] | Floats) -> float:
    """Bits that a test with P(outcome | state) = ``table`` (outcomes, states) tells about the state."""
    q, p = np.asarray(table, dtype=np.float64), np.asarray(prior, dtype=np.float64)
    p = p / p.sum()
    noise = sum(float(p[s]) * entropy_bits(q[:, s]) for s in range(len(p)) if p[s] > 0)
    return max(entropy_bits(q @ p) - noise, 0.0)


def capacity_bits(table: Sequence[Sequence[float]] | Floats) -> tuple[float, float]:
    """Lower and upper bound in bits on what one use of the test can tell under any prior: its capacity.

    Blahut-Arimoto iteration; the upper bound max over states of D(P(.|state) || mixture) holds at every step.
    """
    q = np.asarray(table, dtype=np.float64)
    if q.size == 0:
        return 0.0, 0.0
    p = np.full(q.shape[1], 1.0 / q.shape[1])
    lower = upper = 0.0
    for _ in range(CAPACITY_ROUNDS):
        mixed = q @ p
        share = np.where(q > 0, q / np.where(mixed > 0, mixed, 1.0)[:, None], 1.0)
        apart = np.sum(q * np.log2(share), axis=0)
        lower, upper = max(float(p @ apart), 0.0), max(float(apart.max()), 0.0)
        if upper - lower < TIE:
            break
        p = p * np.exp2(apart)
        p /= p.sum()
    return lower, upper


def fewest_tests(prior: Sequence[float], capacity_bits_per_test: float) -> float:
    """Lower bound on the mean number of tests when each tells at most ``capacity_bits_per_test``."""
    return entropy_bits(prior) / capacity_bits_per_test


def edge_weight(classes: Iterable[Sequence[float]]) -> float:
    """Weight of pairs of states that need different repairs: (1 - sum of squared class chances) / 2.

    ``classes`` holds the chances of the states of each repair class, all together adding up to 1.
    """
    return (1.0 - sum(sum(members) ** 2 for members in classes)) / 2.0


def huffman_mean_length(chances: Iterable[float]) -> float:
    """Mean code length of the best binary code: no tree of two-way tests asks fewer, times the mass given."""
    heap = [p for p in chances if p > 0]
    heapq.heapify(heap)
    total = 0.0
    while len(heap) > 1:
        joined = heapq.heappop(heap) + heapq.heappop(heap)
        total += joined
        heapq.heappush(heap, joined)
    return total


def cost_bound(chances: Sequence[float], costs: Iterable[float]) -> float:
    """Lower bound on a tree of two-way tests with unequal costs, times the mass of ``chances``.

    The sum of the l cheapest costs is convex in l, so at the Huffman length it bounds the mean cost from
    below. Where there are too few tests for that length, the cost runs on at the dearest.
    """
    mass = sum(chances)
    cheap = sorted(costs)
    if mass <= 0 or not cheap:
        return 0.0
    length = huffman_mean_length(chances) / mass
    whole = min(int(length), len(cheap))
    rest = cheap[min(whole, len(cheap) - 1)] * (length - whole)
    return mass * (sum(cheap[:whole]) + rest)


def exact_tree(prior: Sequence[float], outcomes: Sequence[Sequence[int]], costs: Sequence[float]) -> TestTree:
    """The cheapest tree of tests that finds the class of the state, by search with memory and a bound.

    ``outcomes[state][test]`` is the outcome of a test; more than two outcomes are allowed. Good for about
    12 states and 15 tests. Tests are tried in order of their bound, and left when the bound passes the best
    found.
    """
    tests = range(len(costs))
    ways = max((len({row[t] for row in outcomes}) for t in tests), default=0)

    @cache
    def bound(states: tuple[int, ...]) -> float:
        # The Huffman code has two ways at each node, so it bounds two-way tests only; and classes count,
        # not states.
        useful = [costs[t] for t in tests if len({outcomes[s][t] for s in states}) > 1]
        if ways > 2 or not useful:
            return min(useful, default=0.0) * sum(prior[s] for s in states)
        classes: dict[tuple[int, ...], float] = {}
        for s in states:
            row = tuple(outcomes[s])
            classes[row] = classes.get(row, 0.0) + prior[s]
        return cost_bound(list(classes.values()), useful)

    @cache
    def solve(states: tuple[int, ...]) -> TestTree:
        mass = sum(prior[s] for s in states)
        options: list[tuple[float, int, list[tuple[int, tuple[int, ...]]]]] = []
        for t in tests:
            parts = _split(states, outcomes, t)
            if len(parts) > 1:
                options.append((costs[t] * mass + sum(bound(part) for _, part in parts), t, parts))
        best = TestTree(math.inf if options else 0.0, states, None, ())
        for least, t, parts in sorted(options):
            if least >= best.cost - TIE:
                break
            branches, cost = [], costs[t] * mass
            for outcome, part in parts:
                branch = solve(part)
                cost += branch.cost
                branches.append((outcome, branch))
            if cost < best.cost - TIE:
                best = TestTree(cost, states, t, tuple(branches))
        return best

    return _scaled(solve(tuple(s for s in range(len(prior)) if prior[s] > 0)), prior)


def greedy_tree(
    prior: Sequence[float], outcomes: Sequence[Sequence[int]], costs: Sequence[float]
) -> TestTree:
    """The tree that always takes the test with the most information per cost; ties go to the first test."""

    def grow(states: tuple[int, ...]) -> TestTree:
        mass = sum(prior[s] for s in states)
        best, best_rate, best_parts = None, TIE, []
        for t in range(len(costs)):
            parts = _split(states, outcomes, t)
            if len(parts) > 1:
                told = entropy_bits([sum(prior[s] for s in part) for _, part in parts])
                rate = told / max(costs[t], TIE)
                if rate > best_rate + TIE:
                    best, best_rate, best_parts = t, rate, parts
        if best is None:
            return TestTree(0.0, states, None, ())
        branches = tuple((outcome, grow(part)) for outcome, part in best_parts)
        return TestTree(costs[best] * mass + sum(b.cost for _, b in branches), states, best, branches)

    return _scaled(grow(tuple(s for s in range(len(prior)) if prior[s] > 0)), prior)


def half_split(prior: Sequence[float], probe_costs: Sequence[float]) -> TestTree:
    """The cheapest way to find one bad place in a chain by probing between neighbours.

    Probe i (0-based, between place i and i + 1) gives outcome 0 when the fault lies at or before place i
    and 1 when it lies after. Interval programme, O(n^3); ``probe_costs`` carry each point's access. Ties go
    to the first probe.
    """
    places = len(prior)
    if len(probe_costs) != places - 1:
        raise InternalError("A chain has one probe fewer than places.")
    before = np.concatenate([[0.0], np.cumsum(np.asarray(prior, dtype=np.float64))])
    cost, pick = np.zeros((places, places)), np.zeros((places, places), dtype=np.intp)
    for width in range(1, places):
        for low in range(places - width):
            high = low + width
            mass = before[high + 1] - before[low]
            probes = np.arange(low, high)
            options = mass * np.asarray(probe_costs)[probes] + cost[low, probes] + cost[probes + 1, high]
            least = int(np.flatnonzero(options <= options.min() + TIE)[0])
            cost[low, high], pick[low, high] = options[least], low + least

    def tree(low: int, high: int) -> TestTree:
        states = tuple(range(low, high + 1))
        if low == high:
            return TestTree(0.0, states, None, ())
        probe = int(pick[low, high])
        return TestTree(
            float(cost[low, high]), states, probe, ((0, tree(low, probe)), (1, tree(probe + 1, high)))
        )

    return _scaled(tree(0, places - 1), prior)


def even_chain_probes(places: int) -> float:
    """Mean probes in a chain of n equally likely places: (n k + 2 (n - 2^k)) / n, k = floor(log2 n)."""
    k = places.bit_length() - 1
    return k + 2 * (1 - (1 << k) / places)


def _split(
    states: tuple[int, ...], outcomes: Sequence[Sequence[int]], test: int
) -> list[tuple[int, tuple[int, ...]]]:
    parts: dict[int, list[int]] = {}
    for s in states:
        parts.setdefault(outcomes[s][test], []).append(s)
    return [(outcome, tuple(parts[outcome])) for outcome in sorted(parts)]


def _scaled(tree: TestTree, prior: Sequence[float]) -> TestTree:
    """Costs were summed with mass; make each the expected cost given that one stands there."""
    here = sum(prior[s] for s in tree.states)
    return TestTree(
        tree.cost / here if here > 0 else 0.0,
        tree.states,
        tree.test,
        tuple((outcome, _scaled(branch, prior)) for outcome, branch in tree.branches),
    )
