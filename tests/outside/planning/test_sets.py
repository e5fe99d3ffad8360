"""Conflicts and minimal diagnoses against the reference numbers mbd-1 to mbd-10; devices simulated here."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from itertools import combinations, product
from pathlib import Path
from typing import Any

import pytest
from tests.outside.conftest import Near

from halfsplit.diagnosis.sets import (
    marginals,
    minimal_conflict,
    minimal_diagnoses,
    minimal_hitting_sets,
    posterior_sets,
)

Oracle = Callable[[str], tuple[Any, Any]]
Values = dict[str, int]



def as_sets(names: Iterable[Iterable[Any]]) -> set[frozenset[str]]:
    """Sets of names, compared without order."""
    return {frozenset(str(name) for name in members) for members in names}


#: Three multipliers and two adders: what each makes of A..E and of the others' outputs.
ARITHMETIC: dict[str, Callable[[Values], int]] = {
    "M1": lambda v: v["A"] * v["C"],
    "M2": lambda v: v["B"] * v["D"],
    "M3": lambda v: v["C"] * v["E"],
    "A1": lambda v: v["M1"] + v["M2"],
    "A2": lambda v: v["M2"] + v["M3"],
}
INPUTS = {"A": 3, "B": 2, "C": 2, "D": 3, "E": 3}


def arithmetic_possible(seen: Values, wrong: frozenset[str]) -> bool:
    """Whether some output of each part in ``wrong`` gives what was seen.

    A wrong multiplier may give any whole number; -6 to 12 covers what the sums of 10 and 12 can need. A
    wrong adder's output, and that of a wrong part whose output was read, is what was seen.
    """
    wanted = {"A1": seen["F"], "A2": seen["G"], **({"M1": seen["X"]} if "X" in seen else {})}
    free = [m for m in ("M1", "M2", "M3") if m in wrong]
    for guess in product(range(-6, 13), repeat=len(free)):
        values = dict(INPUTS) | dict(zip(free, guess, strict=True))
        for part, law in ARITHMETIC.items():
            if part not in values:
                values[part] = wanted[part] if part in wrong else law(values)
        if all(values[part] == value for part, value in wanted.items()):
            return True
    return False


def finder(
    parts: list[str], possible: Callable[[frozenset[str]], bool]
) -> Callable[[frozenset[str]], frozenset[str] | None]:
    """Conflicts among the parts outside a set, from the test of what is possible with a set wrong."""

    def conflict_without(wrong: frozenset[str]) -> frozenset[str] | None:
        others = [part for part in parts if part not in wrong]
        return minimal_conflict(others, lambda right: possible(frozenset(parts) - right))

    return conflict_without


def all_minimal_conflicts(
    parts: list[str], possible: Callable[[frozenset[str]], bool]
) -> set[frozenset[str]]:
    """Every conflict that holds no smaller one, by trying all sets."""
    found: list[frozenset[str]] = []
    for size in range(1, len(parts) + 1):
        for right in map(frozenset, combinations(parts, size)):
            if not any(c <= right for c in found) and not possible(frozenset(parts) - right):
                found.append(right)
    return set(found)


@pytest.mark.outside(
    what="conflicts and minimal diagnoses of three multipliers and two adders",
    against="mbd-1: Davis (1984), de Kleer and Williams (1987)",
    source="tests/data/oracles.json",
    status="published",
    tolerance="none, sets",
)
def test_multipliers_and_adders_published(oracle: Oracle) -> None:
    seen, wanted = oracle("mbd-1")
    parts = list(ARITHMETIC)

    def possible(wrong: frozenset[str]) -> bool:
        return arithmetic_possible(seen, wrong)

    assert all_minimal_conflicts(parts, possible) == as_sets(wanted["conflicts"])
    hitting = minimal_hitting_sets(wanted["conflicts"])
    assert {h.members for h in hitting} == as_sets(wanted["minimal_diagnoses"])
    found = minimal_diagnoses(finder(parts, possible))
    assert {d.members for d in found} == as_sets(wanted["minimal_diagnoses"])


@pytest.mark.outside(
    what="posterior of fault sets of the same device, and after one more reading",
    against="mbd-2, mbd-3, mbd-4, mbd-5: all 32 candidates",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-6, the digits given",
)
def test_multipliers_and_adders_weighed(oracle: Oracle, near: Near) -> None:
    for entry in ("mbd-2", "mbd-3", "mbd-4", "mbd-5"):
        given, wanted = oracle(entry)
        seen = {name: value for name, value in given.items() if name != "p_fault"}
        chance = dict.fromkeys(ARITHMETIC, given["p_fault"])

        def possible(wrong: frozenset[str], seen: Values = seen) -> bool:
            return arithmetic_possible(seen, wrong)

        ranked, unseen = posterior_sets(chance, possible)
        near(unseen, 0.0, 1e-12)
        if "consistent_candidates" in wanted:
            assert len(ranked) == wanted["consistent_candidates"]
        by_set = {r.members: r.weight for r in ranked}
        for names, weight in wanted.get("post", {}).items():
            near(by_set[frozenset(names.split(","))], weight, 1e-6)
        for key, weight in wanted.items():
            if key.startswith("post_"):
                near(by_set[frozenset({key.split("_")[1]})], weight, 1e-6)
        found = marginals(ranked)
        for name, weight in wanted.get("marginal", {}).items():
            near(found[name], weight, 1e-6)
        if "minimal_diagnoses" in wanted:
            minimal = minimal_diagnoses(finder(list(ARITHMETIC), possible), chance)
            assert {m.members for m in minimal} == as_sets(wanted["minimal_diagnoses"])
        if "conflicts" in wanted:
            smallest = all_minimal_conflicts(list(ARITHMETIC), possible)
            assert smallest == as_sets(wanted["conflicts"])


GATES: dict[str, Callable[[list[int]], int]] = {
    "and": lambda v: int(all(v)),
    "nand": lambda v: int(not all(v)),
    "or": lambda v: int(any(v)),
    "nor": lambda v: int(not any(v)),
    "xor": lambda v: sum(v) % 2,
    "xnor": lambda v: 1 - sum(v) % 2,
    "not": lambda v: 1 - v[0],
    "buf": lambda v: v[0],
}


class Gates:
    """A combinational circuit whose gates may be wrong, giving either output."""

    def __init__(self, inputs: list[str], outputs: list[str], gates: list[dict[str, Any]]) -> None:
        self.inputs, self.outputs = inputs, outputs
        self.names = [gate["out"] for gate in gates]
        left, known = list(gates), set(inputs)
        self.sorted: list[tuple[str, Callable[[list[int]], int], list[str]]] = []
        while left:
            ready = [gate for gate in left if known.issuperset(gate["in"])]
            assert ready, "gates feed each other in a circle"
            for gate in ready:
                self.sorted.append((gate["out"], GATES[gate["type"]], gate["in"]))
                known.add(gate["out"])
            left = [gate for gate in left if gate["out"] not in known]

    def outcome(self, given: Values, forced: Values) -> list[int]:
        """Outputs with some gates forced."""
        values = dict(given)
        for name, law, feeds in self.sorted:
            values[name] = forced[name] if name in forced else law([values[f] for f in feeds])
        return [values[o] for o in self.outputs]

    def possible(self, given: Values, seen: list[int], wrong: frozenset[str]) -> bool:
        """Whether some outputs of the wrong gates give what was seen."""
        names = sorted(wrong)
        return any(
            self.outcome(given, dict(zip(names, guess, strict=True))) == seen
            for guess in product((0, 1), repeat=len(names))
        )


def read(repository: Path, name: str) -> Gates:
    """One of the benchmark circuits."""
    data = json.loads((repository / f"tests/data/iscas85/{name}.json").read_text("utf-8"))
    return Gates(data["inputs"], data["outputs"], data["gates"])


@pytest.mark.outside(
    what="conflicts and minimal diagnoses of a full adder",
    against="mbd-6: Reiter (1987)",
    source="tests/data/oracles.json",
    status="published",
    tolerance="none, sets",
)
def test_full_adder(oracle: Oracle) -> None:
    _, wanted = oracle("mbd-6")
    adder = Gates(
        ["a", "b", "cin"],
        ["X2", "O1"],
        [
            {"out": "X1", "type": "xor", "in": ["a", "b"]},
            {"out": "X2", "type": "xor", "in": ["X1", "cin"]},
            {"out": "A1", "type": "and", "in": ["a", "b"]},
            {"out": "A2", "type": "and", "in": ["cin", "X1"]},
            {"out": "O1", "type": "or", "in": ["A1", "A2"]},
        ],
    )

    def possible(wrong: frozenset[str]) -> bool:
        return adder.possible({"a": 1, "b": 0, "cin": 1}, [1, 0], wrong)

    assert all_minimal_conflicts(adder.names, possible) == as_sets(wanted["conflicts"])
    found = minimal_diagnoses(finder(adder.names, possible))
    assert {d.members for d in found} == as_sets(wanted["minimal_diagnoses"])


@pytest.mark.outside(
    what="minimal hitting sets",
    against="mbd-7, mbd-8: examples of Reiter (1987) and Greiner, Smith and Wilkerson (1989)",
    source="tests/data/oracles.json",
    status="published, remembered and checked by trying all sets",
    tolerance="none, sets",
)
def test_hitting_sets(oracle: Oracle) -> None:
    given, wanted = oracle("mbd-7")
    found = minimal_hitting_sets([[str(x) for x in members] for members in given["sets"]])
    assert {h.members for h in found} == as_sets(wanted["minimal_hitting_sets"])

    given, wanted = oracle("mbd-8")
    in_order = [frozenset(members) for members in given["sets_in_order"]]
    assert {h.members for h in minimal_hitting_sets(in_order)} == as_sets(wanted["minimal_hitting_sets"])
    asked = minimal_diagnoses(lambda wrong: next((c for c in in_order if not c & wrong), None))
    assert {h.members for h in asked} == as_sets(wanted["minimal_hitting_sets"])


@pytest.mark.outside(
    what="minimal diagnoses of c17 for every wrong observation",
    against="mbd-9: exhaustive",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="none, sets",
)
def test_c17(oracle: Oracle, repository: Path) -> None:
    given, wanted = oracle("mbd-9")
    circuit = read(repository, "c17")
    assert circuit.inputs == given["input_order"]

    def diagnose(bits: Iterable[int], seen: list[int]) -> set[frozenset[str]]:
        values = dict(zip(circuit.inputs, bits, strict=True))
        ask = finder(circuit.names, lambda wrong: circuit.possible(values, seen, wrong))
        return {d.members for d in minimal_diagnoses(ask)}

    for case, sets in zip(given["cases"], wanted["minimal_diagnoses"], strict=True):
        assert diagnose(case["inputs"], case["observed"]) == as_sets(sets)
    total = 0
    for bits in product((0, 1), repeat=5):
        right = circuit.outcome(dict(zip(circuit.inputs, bits, strict=True)), {})
        for seen in product((0, 1), repeat=2):
            if list(seen) != right:
                total += len(diagnose(bits, list(seen)))
    assert total == wanted["total_over_all_96_wrong_observations"]


@pytest.mark.outside(
    what="number of single-gate diagnoses of c432, c499, c880 and c1908",
    against="mbd-10: forced simulation of every gate",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="none, counts",
)
def test_single_gates_of_larger_circuits(oracle: Oracle, repository: Path) -> None:
    for entry in (
        "mbd-10-c432-0-N223", "mbd-10-c432-0-N432", "mbd-10-c432-1-N223", "mbd-10-c432-1-N432",
        "mbd-10-c499-0-N724", "mbd-10-c499-1-N755", "mbd-10-c880-0-N880", "mbd-10-c880-1-N880",
        "mbd-10-c1908-0-N2753", "mbd-10-c1908-0-N2899", "mbd-10-c1908-1-N2899",
    ):  # fmt: skip
        given, wanted = oracle(entry)
        circuit = read(repository, given["circuit"])
        values = dict.fromkeys(circuit.inputs, given["all_inputs"])
        seen = circuit.outcome(values, {})
        seen[circuit.outputs.index(given["wrong_output"])] ^= 1

        none = frozenset({"no single gate"})  # something to weigh where no single gate explains the output

        def fits(
            wrong: frozenset[str], circuit: Gates = circuit, values: Values = values, seen: list[int] = seen
        ) -> bool:
            return wrong == frozenset({"no single gate"}) or circuit.possible(values, seen, wrong)

        chance = dict.fromkeys([*circuit.names, *none], 1e-4)
        ranked, _ = posterior_sets(chance, fits, most_members=1)
        single = [r for r in ranked if r.members != none]
        assert len(single) == wanted["single_gate_diagnoses"], entry
