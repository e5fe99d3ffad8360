"""Bounds, trees of more than two outcomes, conflicts and their wording; refusals of orders and looks."""

from __future__ import annotations

import math
from itertools import combinations, pairwise

import numpy as np
import pytest

from halfsplit.diagnosis.access_order import Item, base_order, exact_order, expected_minutes, merge_blocks
from halfsplit.diagnosis.looks import (
    Place,
    after_factor,
    chance_of_misses,
    factor_found,
    search_minutes,
    search_order,
)
from halfsplit.diagnosis.order import best_cover, independent_cost, ratio
from halfsplit.diagnosis.sets import (
    Ranked,
    minimal_conflict,
    minimal_diagnoses,
    minimal_hitting_sets,
    posterior_sets,
    sets_by_odds,
    unless_sentence,
)
from halfsplit.diagnosis.tree import (
    capacity_bits,
    cost_bound,
    entropy_bits,
    exact_tree,
    greedy_tree,
    half_split,
    huffman_mean_length,
)
from halfsplit.errors import InternalError


def test_exact_tree_is_never_above_greedy_nor_below_its_bounds() -> None:
    rng = np.random.default_rng(3)
    for ways in (2, 3):
        for _ in range(60):
            states, tests = int(rng.integers(2, 7)), int(rng.integers(2, 6))
            rows = rng.integers(0, ways, (states, tests)).tolist()
            p = rng.dirichlet(np.ones(states)).tolist()
            costs = rng.integers(1, 6, tests).astype(float).tolist()
            best, greedy = exact_tree(p, rows, costs), greedy_tree(p, rows, costs)
            assert best.cost <= greedy.cost + 1e-9
            classes: dict[tuple[int, ...], float] = {}
            for row, chance in zip(rows, p, strict=True):
                classes[tuple(row)] = classes.get(tuple(row), 0.0) + chance
            if ways == 2:
                assert cost_bound(list(classes.values()), costs) <= best.cost + 1e-9


def test_a_test_with_three_outcomes_can_end_at_once() -> None:
    tree = exact_tree([0.2, 0.3, 0.5], [[0], [1], [2]], [4.0])
    assert tree.cost == pytest.approx(4.0)
    assert [outcome for outcome, _ in tree.branches] == [0, 1, 2]


def test_states_that_no_test_tells_apart_are_one_class() -> None:
    tree = exact_tree([0.5, 0.5], [[1, 0], [1, 0]], [1.0, 1.0])
    assert (tree.cost, tree.test, tree.states) == (0.0, None, (0, 1))


def test_half_split_with_equal_chances_starts_in_the_middle() -> None:
    tree = half_split([0.125] * 8, [1.0] * 7)
    assert tree.test == 3
    assert all(branch.cost == pytest.approx(2.0) for _, branch in tree.branches)


def test_half_split_avoids_a_dear_probe() -> None:
    assert half_split([0.25] * 4, [1.0, 50.0, 1.0]).test != 1


def test_half_split_needs_one_probe_fewer_than_places() -> None:
    with pytest.raises(InternalError, match="one probe fewer"):
        half_split([0.5, 0.5], [1.0, 1.0])


def test_capacity_of_a_one_sided_test_is_the_closed_form() -> None:
    # Z channel: log2(1 + (1 - e) e^(e / (1 - e))), standard result of information theory.
    for e in (0.1, 0.3, 0.5):
        lower, upper = capacity_bits([[1 - e, 0.0], [e, 1.0]])
        closed = math.log2(1 + (1 - e) * e ** (e / (1 - e)))
        assert lower == pytest.approx(closed, abs=1e-9)
        assert upper == pytest.approx(closed, abs=1e-9)
    assert capacity_bits([[0.5, 0.5], [0.5, 0.5]]) == (0.0, 0.0)


def test_entropy_and_huffman_hold_each_other() -> None:
    rng = np.random.default_rng(1)
    for _ in range(50):
        p = rng.dirichlet(np.ones(7)).tolist()
        assert entropy_bits(p) <= huffman_mean_length(p) + 1e-12 <= entropy_bits(p) + 1
    with pytest.raises(InternalError):
        entropy_bits([0.0, 0.0])


def test_hitting_sets_equal_those_found_by_trying_all_sets() -> None:
    rng = np.random.default_rng(11)
    names = "abcdef"
    for _ in range(80):
        conflicts = [
            {n for n in names if rng.random() < 0.4} | {names[int(rng.integers(6))]} for _ in range(4)
        ]
        every = [set(c) for k in range(7) for c in combinations(names, k)]
        hits = [s for s in every if all(s & c for c in conflicts)]
        wanted = {frozenset(s) for s in hits if not any(o < s for o in hits)}
        chance = {n: float(rng.uniform(0.001, 0.4)) for n in names}
        found = minimal_hitting_sets(conflicts, chance)
        assert {f.members for f in found} == wanted
        weights = [math.prod(chance[n] / (1 - chance[n]) for n in f.members) for f in found]
        assert [f.weight for f in found] == pytest.approx(weights)
        assert weights == sorted(weights, reverse=True)
        assert found[:1] == minimal_hitting_sets(conflicts, chance, limit=1)


def test_an_empty_conflict_has_no_way_out() -> None:
    assert minimal_hitting_sets([[], ["a"]]) == ()
    assert minimal_hitting_sets([]) == (Ranked(frozenset(), 1.0),)


def test_sets_come_by_falling_odds_and_their_mass_adds_up() -> None:
    chance = {"a": 0.3, "b": 0.05, "c": 0.2, "d": 0.0}
    found = list(sets_by_odds(chance))
    assert len(found) == 8
    assert len({f.members for f in found}) == 8
    assert sum(f.weight for f in found) == pytest.approx(1.0)
    assert all(x.weight >= y.weight for x, y in pairwise(found))
    pairs = list(sets_by_odds(chance, most_members=2))
    assert {f.members for f in pairs} == {f.members for f in found if len(f.members) < 3}


def test_posterior_says_how_much_was_not_looked_at() -> None:
    chance = dict.fromkeys("abcdefgh", 0.1)
    ranked, unseen = posterior_sets(chance, lambda wrong: float("a" in wrong), unseen=0.05)
    assert 0 < unseen <= 0.05
    assert ranked[0].members == {"a"}
    assert sum(r.weight for r in ranked) == pytest.approx(1.0)
    with pytest.raises(InternalError, match="No set"):
        posterior_sets({"a": 0.1}, lambda _: 0.0)


def test_a_conflict_is_minimal_and_asks_few_questions() -> None:
    bad = frozenset({"n13", "n40", "n41"})
    asked = []

    def possible(right: frozenset[str]) -> bool:
        asked.append(right)
        return not bad <= right

    names = [f"n{i}" for i in range(64)]
    assert minimal_conflict(names, possible) == bad
    # Junker 2004: at most about 2 k (1 + log2(n / k)) questions, here 33, and the two asked first.
    assert len(asked) <= 35
    assert minimal_conflict(names, lambda _: True) is None
    with pytest.raises(InternalError, match="every suspect in doubt"):
        minimal_conflict(names, lambda _: False)


def test_a_conflict_already_resolved_is_our_mistake() -> None:
    with pytest.raises(InternalError, match="already resolves"):
        minimal_diagnoses(lambda wrong: frozenset({"a", "b"}) if len(wrong) < 2 else None)
    with pytest.raises(InternalError, match="below 1/2"):
        minimal_hitting_sets([["a"]], {"a": 0.6})


def test_ways_out_are_said_as_a_sentence() -> None:
    ways = minimal_hitting_sets([["lamp is dark", "12 V at X2"], ["12 V at X2", "horn sounds"]])
    assert unless_sentence(ways) == (
        "These observations cannot all be right unless 12 V at X2 is wrong, "
        "or both horn sounds and lamp is dark are wrong."
    )
    assert "a, b and c are all wrong" in unless_sentence([Ranked(frozenset("abc"), 1.0)])
    assert "nothing doubtful" in unless_sentence([])


def test_orders_refuse_what_they_cannot_order() -> None:
    lid, fan = Item("lid", 0.0, 3.0), Item("fan", 0.5, 2.0, frozenset({"lid"}))
    with pytest.raises(InternalError, match="needs"):
        base_order([fan])
    with pytest.raises(InternalError, match="circle"):
        base_order([Item("lid", 0.0, 3.0, frozenset({"fan"})), fan])
    with pytest.raises(InternalError, match="one name"):
        base_order([lid, lid])
    with pytest.raises(InternalError, match="at least 0"):
        base_order([Item("fan", -0.1, 1.0)])
    with pytest.raises(InternalError, match="comes before"):
        expected_minutes([lid, fan], ["fan", "lid"])
    with pytest.raises(InternalError, match="asked for"):
        exact_order([Item(f"i{i}", 0.01, 1.0) for i in range(30)])
    with pytest.raises(InternalError, match="cannot be down"):
        independent_cost(["a"], {"a": 0.0}, {"a": 1.0})
    with pytest.raises(InternalError, match="exact cover"):
        best_cover({"f": 1.0}, {f"a{i}": ["f"] for i in range(30)}, {f"a{i}": 1.0 for i in range(30)})


def test_an_opening_that_leads_to_nothing_is_not_opened() -> None:
    items = [Item("lid", 0.0, 3.0), Item("fan", 0.0, 2.0, frozenset({"lid"})), Item("plug", 0.4, 5.0)]
    assert base_order(items).names == ("plug",)


def test_equal_ratios_keep_the_order_given_whatever_the_rounding() -> None:
    assert ratio(0.3, 1.0) == ratio(0.4, 4 / 3)
    assert merge_blocks([0.3, 0.4, 0.3], [1.0, 4 / 3, 1.0], [-1, -1, -1]) == [[0], [1], [2]]
    assert merge_blocks([0.1, 0.2], [0.0, 1.0], [-1, -1]) == [[0], [1]]


def test_long_chains_of_openings_are_ordered() -> None:
    # 3,000 steps behind each other with one check at the end: recursion or quadratic joining would show.
    items = [Item("s0", 0.0, 1.0)]
    items += [Item(f"s{i}", 0.0, 1.0, frozenset({f"s{i - 1}"})) for i in range(1, 3000)]
    items.append(Item("end", 1.0, 1.0, frozenset({"s2999"})))
    assert base_order(items).minutes == pytest.approx(3001.0)


def test_looks_saturate_at_the_hidden_share() -> None:
    assert chance_of_misses(0, 0.9, 0.8) == pytest.approx(1.0)
    assert chance_of_misses(200, 0.9, 0.8) == pytest.approx(0.2)
    assert math.isinf(factor_found(0.7, 1.0))
    assert after_factor(0.3, math.inf) == 1.0
    assert after_factor(0.0, math.inf) == 0.0


def test_a_search_counts_only_what_it_can_find_and_goes_elsewhere_sooner() -> None:
    seen = Place("A", 0.5, 0.4, 1.0)
    hidden = Place("A", 0.5, 0.4, 1.0, visible_share=0.2)
    other = Place("B", 0.3, 0.2, 1.0)
    assert search_order([seen, other], looks=1) == ("A",)
    assert search_order([hidden, other], looks=1) == ("B",)
    assert search_minutes([Place("A", 0.5, 0.5, 1.0, visible_share=0.2)]) == pytest.approx(2.0)
    with pytest.raises(InternalError, match="misses with"):
        search_order([Place("A", 0.5, 1.0, 1.0)], looks=1)
    with pytest.raises(InternalError, match="one other opening"):
        search_order([seen], [Item("lid", 0.0, 1.0, frozenset({"a", "b"}))], looks=1)


def test_nested_openings_of_a_search_are_each_opened_once_and_in_turn() -> None:
    openings = [Item("guard", 0.0, 5.0), Item("panel", 0.0, 5.0, frozenset({"guard"}))]
    places = [Place("A", 0.7, 0.3, 1.0, "panel"), Place("B", 0.3, 0.3, 1.0, "guard")]
    order = search_order(places, openings, looks=12)
    assert order[0] == "guard"
    assert order.count("guard") == order.count("panel") == 1
    assert order.index("panel") < order.index("A")
