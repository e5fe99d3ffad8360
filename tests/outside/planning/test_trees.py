"""Test trees, half-split chains and information against the reference numbers tree-1 to tree-9."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from tests.outside.conftest import Near

from halfsplit.diagnosis.tree import (
    capacity_bits,
    cost_bound,
    edge_weight,
    entropy_bits,
    even_chain_probes,
    exact_tree,
    fewest_tests,
    gain_bits,
    greedy_tree,
    half_split,
    huffman_mean_length,
)

Oracle = Callable[[str], tuple[Any, Any]]



@pytest.mark.outside(
    what="cheapest tree of tests for six states and five tests",
    against="tree-1: example of Pattipati and Alexandridis (1990)",
    source="tests/data/oracles.json",
    status="published, remembered from the paper and reproduced by a dynamic programme",
    tolerance="1e-9",
)
def test_published_tree(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("tree-1")
    tree = exact_tree(given["p"], given["D"], given["test_cost"])
    near(tree.cost, wanted["optimal_cost"], 1e-9)
    assert f"t{tree.test + 1 if tree.test is not None else None}" == wanted["optimal_first_test"]


@pytest.mark.outside(
    what="greedy tree, Huffman bound and entropy on the same example",
    against="tree-2 on the table of tree-1: dynamic programme",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_greedy_tree_on_the_published_example(oracle: Oracle, near: Near) -> None:
    given, _ = oracle("tree-1")
    _, wanted = oracle("tree-2")
    tree = greedy_tree(given["p"], given["D"], given["test_cost"])
    near(tree.cost, wanted["information_gain_greedy_cost"], 1e-9)
    assert tree.test is not None
    assert f"t{tree.test + 1}" == wanted["greedy_first_test"]
    near(huffman_mean_length(given["p"]), wanted["huffman_lower_bound"], 1e-9)
    near(entropy_bits(given["p"]), wanted["entropy_bits"], 1e-9)


@pytest.mark.outside(
    what="half-split of a chain of equally likely places",
    against="tree-3-n4, -n5, -n7, -n8, -n10, -n16: formula and dynamic programme",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_half_split_of_even_chains(oracle: Oracle, near: Near) -> None:
    for entry in ("tree-3-n4", "tree-3-n5", "tree-3-n7", "tree-3-n8", "tree-3-n10", "tree-3-n16"):
        given, wanted = oracle(entry)
        tree = half_split([1 / given["n"]] * given["n"], [1.0] * (given["n"] - 1))
        near(tree.cost, wanted["optimal_expected_probes"], 1e-9)
        near(even_chain_probes(given["n"]), wanted["optimal_expected_probes"], 1e-9)


def chain_rows(places: int) -> list[list[int]]:
    """Outcome of each probe for each place: 1 when the fault lies behind the probe."""
    return [[int(place > probe) for probe in range(places - 1)] for place in range(places)]


@pytest.mark.outside(
    what="chains with unequal chances and probe costs: half-split, exact tree, greedy, bounds",
    against="tree-4, tree-5: interval programme",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_weighted_chains(oracle: Oracle, near: Near) -> None:
    for entry, greedy, bound in (
        ("tree-4", "greedy_information", "huffman"),
        ("tree-5", "greedy_information_per_cost", "huffman_cost_bound"),
    ):
        given, wanted = oracle(entry)
        p, cost, rows = given["p"], given["probe_cost"], chain_rows(len(given["p"]))
        near(half_split(p, cost).cost, wanted["optimal"], 1e-9)
        near(exact_tree(p, rows, cost).cost, wanted["optimal"], 1e-9)
        near(greedy_tree(p, rows, cost).cost, wanted[greedy], 1e-9)
        near(cost_bound(p, cost), wanted[bound], 1e-9)
        if "optimal_first_probe" in wanted:
            assert half_split(p, cost).test == wanted["optimal_first_probe"] - 1
        if "entropy_bits" in wanted:
            near(entropy_bits(p), wanted["entropy_bits"], 1e-9)


@pytest.mark.outside(
    what="a table where greedy loses 26 percent",
    against="tree-6: dynamic programme",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_greedy_loses_where_it_should(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("tree-6")
    p = [w / sum(given["weight"]) for w in given["weight"]]
    near(exact_tree(p, given["D"], given["cost"]).cost, wanted["optimal"], 1e-9)
    near(greedy_tree(p, given["D"], given["cost"]).cost, wanted["greedy"], 1e-9)
    near(cost_bound(p, given["cost"]), wanted["lower_bound"], 1e-9)


@pytest.mark.outside(
    what="information of perfect and imperfect tests",
    against="tree-7: mutual information",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-6, the digits given",
)
def test_information_of_tests(oracle: Oracle, near: Near) -> None:
    for entry in (
        "tree-7 perfect A,B | C,D",
        "tree-7 sens .95 spec .95 on A,B",
        "tree-7 perfect A | rest",
        "tree-7 look at A sens .7 spec .95",
    ):
        given, wanted = oracle(entry)
        positive = np.array(given["prob_positive"], dtype=float)
        table = np.array([positive, 1 - positive])
        near(gain_bits(given["p"], table), wanted["gain_bits"], 1e-6)
        near(float(positive @ given["p"]), wanted["prob_positive"], 1e-6)


@pytest.mark.outside(
    what="edge weight and entropy of repair classes; fewest tests with 5 percent error",
    against="tree-8, tree-9: closed forms",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_classes_and_capacity(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("tree-8")
    chance = dict(zip("ABCD", given["p"], strict=True))
    classes = [[chance[name] for name in members] for members in given["same_repair"]]
    near(edge_weight(classes), wanted["edge_weight"], 1e-9)
    merged = entropy_bits([sum(members) for members in classes])
    near(merged, wanted["class_entropy_bits"], 1e-9)
    near(entropy_bits(given["p"]), wanted["entropy_bits"], 1e-9)

    given, wanted = oracle("tree-9")
    e = given["error"]
    lower, upper = capacity_bits([[1 - e, e], [e, 1 - e]])
    near(lower, wanted["capacity_bits"], 1e-9)
    near(upper, wanted["capacity_bits"], 1e-9)
    near(fewest_tests(given["p"], upper), wanted["min_expected_tests"], 1e-9)
