"""Looks that miss against the reference numbers look-1 to look-7."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from itertools import accumulate
from typing import Any

import pytest
from tests.outside.conftest import Near

from halfsplit.diagnosis.access_order import Item
from halfsplit.diagnosis.looks import (
    Place,
    after_factor,
    after_misses,
    after_searching,
    factor_found,
    factor_good,
    search_minutes,
    search_order,
)

Oracle = Callable[[str], tuple[Any, Any]]



@pytest.mark.outside(
    what="where the fault is after one search found nothing",
    against="look-1: S. Ross, A First Course in Probability",
    source="tests/data/oracles.json",
    status="published",
    tolerance="1e-12",
)
def test_one_failed_search(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("look-1")
    found = after_searching([1 / 3] * 3, 0, float(Fraction(given["b"])))
    regions = [float(Fraction(wanted[f"region{i}"])) for i in (1, 2, 3)]
    near(found, regions, 1e-12)


@pytest.mark.outside(
    what="one and two looks at a connector, repeats with a hidden share, looks at a sleeping fault",
    against="look-2, look-3, look-7: Bayes by hand",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9; 1e-6 where six digits are given",
)
def test_what_looks_tell(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("look-2")
    prior, sens, spec = given["prior"], given["sens"], given["spec"]
    dry = factor_good(sens, spec)
    near(dry, wanted["LR_neg"], 1e-9)
    near(factor_found(sens, spec), wanted["LR_pos"], 1e-9)
    near(after_factor(prior, dry), wanted["after_one_dry"], 1e-9)
    twice = after_misses(prior, 2, sens, specificity=spec)
    near(twice, wanted["after_two_independent_dry"], 1e-9)
    near(after_factor(prior, factor_found(sens, spec)), wanted["after_wet"], 1e-9)

    given, wanted = oracle("look-3")
    share, sens = given["visible_share"], given["sens_if_visible"]
    hidden = [after_misses(given["prior"], k, sens, visible_share=share) for k in given["looks"]]
    near(hidden, wanted["posterior"], 1e-6)
    plain = [after_misses(given["prior"], k, sens * share) for k in given["looks"]]
    near(plain, wanted["if_wrongly_independent"], 1e-6)

    given, wanted = oracle("look-7")
    factors = [factor_good(given["sens"], active_share=d) for d in given["d"]]
    near(factors, wanted["factor"], 1e-9)
    near([after_factor(given["prior"], f) for f in factors], wanted["posterior"], 1e-9)


@pytest.mark.outside(
    what="look again or move on, and the expected minutes of it",
    against="look-4, look-5: index of Blackwell; all first seven looks enumerated",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_where_to_look_next(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("look-4")
    places = [Place(n, given["p"][n], given["miss"][n], given["cost"][n]) for n in given["p"]]
    order = search_order(places, looks=10)
    assert list(order) == wanted["first_looks"]
    near(search_minutes(places), wanted["expected_cost"], 1e-9)
    turns = search_minutes(places, order=["A", "B", "C"])
    near(turns, wanted["round_robin_cost"], 1e-9)
    looks: dict[str, int] = {}
    found = []
    for name in order[: len(wanted["found_after"])]:
        k = looks.get(name, 0)
        looks[name] = k + 1
        found.append(given["p"][name] * (1 - given["miss"][name]) * given["miss"][name] ** k)
    near(list(accumulate(found)), wanted["found_after"], 1e-9)

    given, wanted = oracle("look-5")
    places = [Place(n, p, m, 1.0) for n, p, m in zip("AB", given["p"], given["miss"], strict=True)]
    assert list(search_order(places, looks=4)) == wanted["first"]
    near(search_minutes(places), wanted["expected_looks"], 1e-9)


@pytest.mark.outside(
    what="looks behind a shared opening",
    against="look-6: enumeration",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_looks_behind_an_opening(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("look-6")
    behind = given["opening"]["for"]
    places = [
        Place(n, given["p"][n], given["miss"][n], given["cost"][n], "open" if n in behind else None)
        for n in given["p"]
    ]
    opening = [Item("open", 0.0, given["opening"]["cost"])]
    assert list(search_order(places, opening, looks=10)) == wanted["first"]
    near(search_minutes(places, opening), wanted["expected_cost"], 1e-9)
