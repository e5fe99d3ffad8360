"""What an operator tells of what fails: choices, slips, and that all complaints together are certain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import combinations

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, machine

from halfsplit.diagnosis.complaining import (
    functions_in,
    log_chosen,
    log_state,
    named,
    states_of,
    upset,
)
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.observations import RELIABILITY_OPERATOR, Complaint, Symptom

FAILS = {"lamp": (True, True), "horn": (True, False), "pump": (True, False), "fan": (False, False)}


def levels_of(fails: tuple[bool, ...]) -> np.ndarray:
    """Chances of off, weak and on for two faults and, last, the sound machine."""
    return np.array([[1.0, 0.0, 0.0] if bad else [0.0, 0.0, 1.0] for bad in (*fails, False)])


@dataclass(frozen=True)
class Function:
    """A function that should work while the machine runs."""

    expected: Mapping[str, str] = field(default_factory=lambda: {"run": "on"})


@dataclass(frozen=True)
class FewFunctions:
    """A machine of these functions."""

    functions: Mapping[str, Function] = field(default_factory=lambda: {name: Function() for name in FAILS})
    states: tuple[str, ...] = ("run", "stand")


def chosen(*told: str) -> np.ndarray:
    symptoms = [Symptom(name, "run", "off") for name in told]
    return np.exp(log_chosen(FewFunctions(), symptoms, lambda name, _: levels_of(FAILS[name])))  # type: ignore[arg-type] # only functions are asked for


def test_one_of_three_that_fail_is_named_in_a_third_and_the_only_one_always() -> None:
    assert chosen("lamp") == pytest.approx([1 / 3, 1.0, 1.0])
    assert chosen("lamp", "horn") == pytest.approx([1 / 3, 1.0, 1.0])
    assert chosen("lamp", "horn", "pump") == pytest.approx([1.0, 1.0, 1.0])


@pytest.mark.parametrize("count", [1, 2, 3])
def test_the_choices_of_a_fault_sum_to_one(count: int) -> None:
    own = [name for name, fails in FAILS.items() if fails[0]]
    assert sum(chosen(*some)[0] for some in combinations(own, count)) == pytest.approx(1.0)


def test_a_state_in_which_nothing_fails_is_told_of_as_one_of_all() -> None:
    few = FewFunctions(states=("run",)), FewFunctions({**FewFunctions().functions, "bell": Function({"stand": "on"})})
    symptoms = [Symptom("lamp", "run", "off")]
    nowhere = {**FAILS, "lamp": (True, False), "horn": (True, False), "bell": (False, False)}
    assert [states_of(one) for one in few] == [("run",), ("run", "stand")]  # type: ignore[arg-type] # only functions and states are asked for
    for one, by_mistake in zip(few, (1.0, 0.5), strict=True):
        share = np.exp(log_state(one, symptoms, lambda name, _: levels_of(nowhere[name])))  # type: ignore[arg-type] # as above
        assert share == pytest.approx([1.0, by_mistake, by_mistake])


def test_with_two_faults_the_operator_may_have_told_of_the_other() -> None:
    hunt = Hunt(bench(), Complaint((Symptom("starter", "start", "off"),)))
    singles = bench().space.singles
    less = hunt.log_prior[:singles] - hunt.log_member[:singles]
    assert less.max() == pytest.approx(0.0, abs=1e-9)
    assert less.min() == pytest.approx(-np.log(len(states_of(bench().machine))), rel=0.1)


def test_what_is_named_by_mistake_may_be_any_function() -> None:
    symptom = Symptom("horn", "run", "off")
    share = named(FewFunctions(), symptom, levels_of(FAILS["horn"]))  # type: ignore[arg-type] # only functions are asked for
    assert share == pytest.approx([1.0, 0.25, 0.25])


def test_a_function_that_is_near_an_edge_in_the_sound_machine_counts_only_what_the_fault_adds() -> None:
    chances = np.array([[0.9, 0.1, 0.0], [0.0, 0.1, 0.9]])
    assert upset(chances) == pytest.approx([0.99 - 0.18, 0.0])


@cache
def bench() -> Bench:
    return Bench(machine(CART))


def test_a_complaint_alone_does_not_speak_for_something_else() -> None:
    """Over all complaints of one function, each as often as it is made, its odds stay what they were, 3 %."""
    odds, weight = [], []
    for function in functions_in(bench().machine, "start"):
        for level in {"off", "weak", "on"} - {bench().machine.functions[function].expected["start"]}:
            told = Symptom(function, "start", level)  # type: ignore[arg-type] # one of the three levels
            belief = Hunt(bench(), Complaint((told,))).belief
            odds.append(belief.other)
            weight.append(float(np.exp(belief.log_evidence)))
    assert len(odds) >= 4
    # A third of its chance is for the level that nobody complains of, and slips of the tongue are rarer than it.
    assert np.average(odds, weights=weight) == pytest.approx(0.03, rel=0.5)


def test_what_is_seen_later_is_weighed_by_itself() -> None:
    told = Symptom("panel-lamp", "start", "off", RELIABILITY_OPERATOR)
    evidence = Evidence(bench().space, bench().signatures, Complaint((told,)))
    seen = replace(told, reliability=0.99)
    count = len(functions_in(bench().machine, "start"))
    assert evidence.weigh(seen).other == pytest.approx(1 / 3)
    assert evidence.weigh(told).other == pytest.approx(1 / 3 / count)
    # Where the lamp is dark for certain both say the same, apart from who says it.
    dark = int(np.argmax(evidence.levels("panel-lamp", "start")[:, 0]))
    assert evidence.weigh(told).per_row[dark] == pytest.approx(RELIABILITY_OPERATOR, rel=1e-3)
    assert evidence.weigh(told).per_row[-1] == pytest.approx(0.5 * (1.0 - RELIABILITY_OPERATOR) / count, rel=1e-3)
