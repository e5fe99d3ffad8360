"""Orders of checks and repairs against the reference numbers order-1 to order-12."""

from __future__ import annotations

from collections.abc import Callable
from itertools import permutations
from typing import Any

import numpy as np
import pytest
from tests.outside.conftest import Near

from halfsplit.diagnosis.access_order import Item, base_order, exact_order, expected_minutes
from halfsplit.diagnosis.exact import exact
from halfsplit.diagnosis.lookahead import (
    AccessStep,
    Check,
    Repair,
    RepairProblem,
    base_value,
    lower_bound,
    rollout,
)
from halfsplit.diagnosis.order import (
    best_cover,
    by_odds,
    by_ratio,
    expected_cost,
    greedy_cover,
    independent_cost,
    postponed_trials,
    with_hand_over,
)

Oracle = Callable[[str], tuple[Any, Any]]



def items(given: Any) -> list[Item]:
    """Items of an entry that gives each one's parent."""
    return [
        Item(name, given["p"][name], given["cost"][name], frozenset({parent} if parent else ()))
        for name, parent in given["access_parent"].items()
    ]


@pytest.mark.outside(
    what="expected cost and best order of repairs, with and without inspection cost",
    against="order-1, order-2: all 24 orders enumerated with fractions",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_order_by_chance_over_cost(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("order-1")
    chance, cost = given["p"], given["cost"]
    assert list(by_ratio(chance, cost)) == wanted["order"]
    costs = [expected_cost(order, chance, cost) for order in permutations(chance)]
    near(expected_cost(wanted["order"], chance, cost), wanted["ecr"], 1e-9)
    near(min(costs), wanted["ecr"], 1e-9)
    near(max(costs), wanted["worst_order_ecr"], 1e-9)
    by_chance = sorted(chance, key=lambda name: -chance[name])
    near(expected_cost(by_chance, chance, cost), wanted["order_by_p_only_ecr"], 1e-9)

    given, wanted = oracle("order-2")
    assert list(by_ratio(given["p"], given["inspect"])) == wanted["order"]
    total = expected_cost(wanted["order"], given["p"], given["inspect"], repair_cost=given["repair"])
    near(total, wanted["ecr"], 1e-9)
    found = total - expected_cost(wanted["order"], given["p"], given["inspect"])
    near(found, wanted["constant_part"], 1e-9)


@pytest.mark.outside(
    what="what to try before handing over",
    against="order-3-cs10, -cs25, -cs40, -cs100 and order-4: all subsets and orders enumerated",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_hand_over_after_the_best_prefix(oracle: Oracle, near: Near) -> None:
    for entry in ("order-3-cs10", "order-3-cs25", "order-3-cs40", "order-3-cs100", "order-4"):
        given, wanted = oracle(entry)
        best = with_hand_over(given["p"], given["cost"], given["hand_over_cost"])
        sequence = wanted.get("sequence", wanted.get("optimal_sequence"))
        assert list(best.names) == sequence
        minutes = wanted.get("ecr", wanted.get("optimal_ecr"))
        near(best.cost, minutes, 1e-9)
        again = base_order(
            [Item(name, given["p"][name], given["cost"][name]) for name in given["p"]],
            hand_over_minutes=given["hand_over_cost"],
        )
        assert list(again.names) == sequence
        near(again.minutes, minutes, 1e-9)
    # The rule that compares one action at a time with the hand-over stops at once in order-4 and pays 3.
    given, wanted = oracle("order-4")
    tried = [n for n in given["p"] if given["p"][n] * given["hand_over_cost"] > given["cost"][n]]
    assert not tried
    assert given["hand_over_cost"] == pytest.approx(wanted["one_step_rule_ecr"])


@pytest.mark.outside(
    what="order of checks behind nested and shared openings",
    against="order-5, order-6: all feasible orders enumerated",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_order_on_an_access_tree(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("order-5")
    found = base_order(items(given))
    assert list(found.names) == wanted["order"]
    near(found.minutes, wanted["ecr"], 1e-9)
    assert found.exact

    given, wanted = oracle("order-6")
    found = base_order(items(given))
    assert found.names[0] == wanted["optimal_first"]
    near(found.minutes, wanted["optimal_ecr"], 1e-9)
    greedy = expected_minutes(items(given), ["x", "OPEN", "y1", "y2"])
    near(greedy, wanted["single_check_greedy_ecr"], 1e-9)


@pytest.mark.outside(
    what="value of the base order and lower bound of the small planner with an opening",
    against="order-5, order-6: all feasible orders enumerated",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_small_planner_on_an_access_tree(oracle: Oracle, near: Near) -> None:
    for entry, minutes in (("order-5", "ecr"), ("order-6", "optimal_ecr")):
        given, wanted = oracle(entry)
        parents, chance, cost = given["access_parent"], given["p"], given["cost"]
        steps = [name for name in parents if chance[name] == 0]
        groups = tuple(name for name in parents if chance[name] > 0)
        problem = RepairProblem(
            groups,
            tuple(chance[g] for g in groups),
            repairs=tuple(
                Repair(g, cost[g], access=frozenset({parents[g]} if parents[g] else ())) for g in groups
            ),
            access=tuple(
                AccessStep(s, cost[s], needs=frozenset({parents[s]} if parents[s] else ())) for s in steps
            ),
        )
        near(base_value(problem), wanted[minutes], 1e-9)
        near(exact(problem).best.expected_minutes, wanted[minutes], 1e-9)
        assert lower_bound(problem) <= wanted[minutes]
        if "known_fault_lower_bound" in wanted:
            known = sum(c.minutes_now * chance[c.name] for c in rollout(problem).choices)
            near(known, wanted["known_fault_lower_bound"], 1e-9)
            assert lower_bound(problem) >= known - 1e-9


@pytest.mark.outside(
    what="order where one check needs two openings",
    against="order-7: all feasible orders enumerated",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_order_where_access_is_not_a_tree(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("order-7")
    all_items = [
        Item(name, given["p"].get(name, 0.0), minutes, frozenset(given["needs"].get(name, ())))
        for name, minutes in given["cost"].items()
    ]
    for found in (base_order(all_items), exact_order(all_items)):
        assert list(found.names) == wanted["optimal_order"]
        near(found.minutes, wanted["optimal_ecr"], 1e-9)
        assert found.exact


@pytest.mark.outside(
    what="actions that each cure several faults: greedy and best",
    against="order-8: best of all orders",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_actions_curing_several_faults(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("order-8")
    greedy = greedy_cover(given["weight"], given["cures"], given["cost"])
    best = best_cover(given["weight"], given["cures"], given["cost"])
    assert (list(greedy.names), list(best.names)) == (wanted["greedy"], wanted["optimal"])
    near(greedy.cost, wanted["greedy_cost"], 1e-9)
    near(best.cost, wanted["optimal_cost"], 1e-9)
    near(greedy.cost / best.cost, wanted["ratio"], 1e-9)


@pytest.mark.outside(
    what="order for independent faults, one repair after the other until the machine works",
    against="order-9: all orders; 500 random cases",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_independent_faults_by_odds_over_cost(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("order-9")
    order = by_odds(given["p"], given["cost"])
    assert list(order) == wanted["order"]
    near(independent_cost(order, given["p"], given["cost"]), wanted["ecr_given_down"], 1e-9)
    by_chance = by_ratio(given["p"], given["cost"])
    assert list(by_chance) == wanted["p_over_c_order"]
    near(independent_cost(by_chance, given["p"], given["cost"]), wanted["p_over_c_ecr"], 1e-9)


@pytest.mark.outside(
    what="putting off the trial of the machine",
    against="order-10-W2, order-10-W5, order-10-W10, order-10-W30: all orders and block splits enumerated",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_postponed_trials(oracle: Oracle, near: Near) -> None:
    for entry in ("order-10-W2", "order-10-W5", "order-10-W10", "order-10-W30"):
        given, wanted = oracle(entry)
        chance, cost, trial = given["p"], given["cost"], given["test_cost"]
        found = min(
            (postponed_trials(order, chance, cost, trial) for order in permutations(chance)),
            key=lambda blocks: blocks.cost,
        )
        fixed = postponed_trials(by_ratio(chance, cost), chance, cost, trial)
        near(found.cost, wanted["ecr"], 1e-9)
        near(fixed.cost, wanted["ecr"], 1e-9)
        assert [list(block) for block in fixed.blocks] == wanted["blocks"]
        each = {name: c + trial for name, c in cost.items()}
        order = by_ratio(chance, cost)
        near(expected_cost(order, chance, each), wanted["test_after_each_ecr"], 1e-9)


@pytest.mark.outside(
    what="repairs and one question, planned exactly; value of the question",
    against="order-11-1-1-3, order-11-0.95-0.95-3, order-11-0.8-0.9-3, order-11-0.95-0.95-1, order-12: "
    "full dynamic programme",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_one_question_among_repairs(oracle: Oracle, near: Near) -> None:
    worth: dict[tuple[float, float], float] = {}
    for entry in ("order-11-1-1-3", "order-11-0.95-0.95-3", "order-11-0.8-0.9-3", "order-11-0.95-0.95-1"):
        given, wanted = oracle(entry)
        groups = tuple(given["p"])
        yes = np.array(
            [given["sens"] if g in given["question_true_for"] else 1 - given["spec"] for g in groups]
        )
        problem = RepairProblem(
            groups,
            tuple(given["p"].values()),
            (Check("Q", given["question_cost"], ("yes", "no"), np.array([yes, 1 - yes])),),
            tuple(Repair(g, given["cost"]) for g in groups),
        )
        for plan in (exact(problem), rollout(problem)):
            near(plan.best.expected_minutes, wanted["optimal_ecr"], 1e-9)
            assert (plan.best.name) == wanted["first_step"]
        asked = next(c for c in exact(problem).choices if c.name == "Q")
        worth[given["sens"], given["spec"]] = base_value(problem) - (
            asked.expected_minutes - given["question_cost"]
        )
    _, wanted = oracle("order-12")
    for (sens, spec), value in worth.items():
        near(value, wanted[f"sens{sens:g}_spec{spec:g}"], 1e-9)
