"""Orders on random cases equal the best found by trying everything."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import chain, combinations, permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfsplit.diagnosis.access_order import Item, base_order, exact_order, expected_minutes
from halfsplit.diagnosis.order import (
    best_cover,
    by_odds,
    by_ratio,
    cover_cost,
    expected_cost,
    greedy_cover,
    independent_cost,
    postponed_trials,
    with_hand_over,
)

seeds = st.integers(min_value=0, max_value=2**32 - 1)


def random_costs(seed: int, count: int) -> tuple[dict[str, float], dict[str, float], np.random.Generator]:
    rng = np.random.default_rng(seed)
    chance = rng.dirichlet(np.ones(count)) * rng.choice([1.0, 0.8])
    names = [f"a{i}" for i in range(count)]
    cost = [float(x) for x in rng.integers(1, 30, count)]
    return dict(zip(names, map(float, chance), strict=True)), dict(zip(names, cost, strict=True)), rng


def random_access(seed: int, count: int, most_needs: int) -> tuple[list[Item], np.random.Generator]:
    """Items where each needs up to ``most_needs`` earlier ones; about a third are access steps."""
    rng = np.random.default_rng(seed)
    chance = rng.dirichlet(np.ones(count)) * (rng.random(count) > 1 / 3)
    items = []
    for i in range(count):
        wanted = int(rng.integers(0, most_needs + 1))
        needs: Iterable[int] = rng.choice(i, size=min(i, wanted), replace=False) if i else []
        items.append(
            Item(f"a{i}", float(chance[i]), float(rng.integers(1, 20)), frozenset(f"a{j}" for j in needs))
        )
    return items, rng


def feasible(items: list[Item], order: tuple[str, ...]) -> bool:
    needs = {item.name: item.needs for item in items}
    return all(needs[name] <= set(order[:place]) for place, name in enumerate(order))


def everything(names: list[str]) -> list[tuple[str, ...]]:
    """All orders of all subsets."""
    parts = chain.from_iterable(combinations(names, k) for k in range(len(names) + 1))
    return [order for part in parts for order in permutations(part)]


@given(seeds, st.integers(1, 6))
def test_ratio_order_is_best(seed: int, count: int) -> None:
    chance, cost, _ = random_costs(seed, count)
    best = min(expected_cost(order, chance, cost) for order in permutations(chance))
    assert expected_cost(by_ratio(chance, cost), chance, cost) == pytest.approx(best, abs=1e-9)


@given(seeds, st.integers(1, 5))
def test_hand_over_prefix_is_best_of_all_subsets_and_orders(seed: int, count: int) -> None:
    chance, cost, rng = random_costs(seed, count)
    away = float(rng.uniform(1, 60))
    best = min(expected_cost(order, chance, cost, hand_over_cost=away) for order in everything(list(chance)))
    found = with_hand_over(chance, cost, away)
    assert found.cost == pytest.approx(best, abs=1e-9)
    again = expected_cost(found.names, chance, cost, hand_over_cost=away)
    assert again == pytest.approx(found.cost, abs=1e-9)


@given(seeds, st.integers(1, 6))
def test_order_on_access_trees_is_best_of_all_feasible_orders(seed: int, count: int) -> None:
    items, _ = random_access(seed, count, most_needs=1)
    found = base_order(items)
    needed = [item for item in items if item.name in found.names]
    orders = [o for o in permutations(found.names) if feasible(needed, o)]
    best = min(expected_minutes(needed, order) for order in orders)
    assert found.minutes == pytest.approx(best, abs=1e-9)
    assert found.exact
    assert feasible(needed, found.names)


@given(seeds, st.integers(1, 5))
def test_order_on_access_trees_with_hand_over_is_best_of_all_subsets(seed: int, count: int) -> None:
    items, rng = random_access(seed, count, most_needs=1)
    away = float(rng.uniform(1, 60))
    found = base_order(items, hand_over_minutes=away)
    orders = [o for o in everything([item.name for item in items]) if feasible(items, o)]
    best = min(expected_minutes(items, order, hand_over_minutes=away) for order in orders)
    assert found.minutes == pytest.approx(best, abs=1e-9)
    again = expected_minutes(items, found.names, hand_over_minutes=away)
    assert again == pytest.approx(found.minutes, abs=1e-9)


@given(seeds, st.integers(1, 6))
def test_order_under_any_needs_is_best_when_small(seed: int, count: int) -> None:
    items, _ = random_access(seed, count, most_needs=3)
    for found in (base_order(items), exact_order(items)):
        needed = [item for item in items if item.name in found.names]
        orders = [o for o in permutations(found.names) if feasible(needed, o)]
        best = min((expected_minutes(needed, order) for order in orders), default=0.0)
        assert found.exact
        assert found.minutes == pytest.approx(best, abs=1e-9)


@given(seeds)
def test_order_under_any_needs_stays_within_twice_the_best_without_exact_blocks(seed: int) -> None:
    items, _ = random_access(seed, 14, most_needs=3)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("halfsplit.diagnosis.access_order.EXACT_INSIDE", 0)
        found = base_order(items)
    assert feasible(items, found.names)
    assert found.minutes <= 2 * exact_order(items).minutes + 1e-9


@given(seeds, st.integers(1, 7))
def test_open_steps_cost_nothing_and_are_left_out(seed: int, count: int) -> None:
    items, rng = random_access(seed, count, most_needs=1)
    by_name = {item.name: item for item in items}
    opened: set[str] = set()
    for item in items:  # an open step has what it needs open too
        if item.chance == 0 and item.needs <= opened and rng.random() < 0.5:
            opened.add(item.name)
    found = base_order(items, open_steps=opened)
    assert not opened & set(found.names)
    free = [Item(i.name, i.chance, 0.0 if i.name in opened else i.minutes, i.needs) for i in by_name.values()]
    assert found.minutes == pytest.approx(base_order(free).minutes, abs=1e-9)


@given(seeds, st.integers(1, 5))
def test_independent_faults_by_odds_are_best(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    chance = {f"a{i}": float(rng.uniform(0.01, 0.6)) for i in range(count)}
    cost = {name: float(rng.integers(1, 30)) for name in chance}
    best = min(independent_cost(order, chance, cost) for order in permutations(chance))
    assert independent_cost(by_odds(chance, cost), chance, cost) == pytest.approx(best, abs=1e-9)


@given(seeds, st.integers(1, 5))
def test_cover_is_best_of_all_orders_and_greedy_within_four_times(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    weight = {f"f{i}": float(rng.integers(1, 6)) for i in range(5)}
    cures = {f"a{i}": [f for f in weight if rng.random() < 0.5] for i in range(count)}
    cures["all"] = list(weight)
    cost = {name: float(rng.integers(1, 10)) for name in cures}
    best = min(cover_cost(order, weight, cures, cost) for order in permutations(cures))
    exact, greedy = best_cover(weight, cures, cost), greedy_cover(weight, cures, cost)
    assert exact.cost == pytest.approx(best, abs=1e-9)
    assert exact.cost - 1e-9 <= greedy.cost <= 4 * exact.cost + 1e-9


@given(seeds, st.integers(1, 5))
def test_postponed_trials_on_a_fixed_order_are_best_of_all_splits(seed: int, count: int) -> None:
    chance, cost, rng = random_costs(seed, count)
    trial = float(rng.uniform(0, 40))
    order = list(chance)
    found = postponed_trials(order, chance, cost, trial)
    assert [name for block in found.blocks for name in block] == order
    costs = []
    for cuts in range(2 ** (count - 1)):
        total, left, length, cured = 0.0, 1.0, 0.0, 0.0
        for i, name in enumerate(order):
            length, cured = length + cost[name], cured + chance[name]
            if i == count - 1 or cuts >> i & 1:
                total += (length + trial) * left
                left, length, cured = left - cured, 0.0, 0.0
        costs.append(total)
    assert found.cost == pytest.approx(min(costs), abs=1e-9)
