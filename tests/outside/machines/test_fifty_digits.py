"""Opens with a floating far side and sets of several changes, against elimination with 50 digits."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from itertools import combinations

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, SWEEPER, Drawn, at, faults, machine, mode_by_mode, system
from tests.outside.machines.elimination import voltages

from halfsplit.circuit.changes import Change, Series
from halfsplit.circuit.netlist import NetlistBuilder
from halfsplit.circuit.settle import Outcome, settle
from halfsplit.circuit.system import System, solve_changes

ON_THE_SWEEPER = 200


def several(name: str, drawn: Drawn, rng: np.random.Generator, more: int) -> tuple[Change, ...]:
    """The changes of a fault and of ``more`` others at other places, on one circuit."""
    found = [*drawn.changes]
    for _ in range(more):
        other = faults(name)[int(rng.integers(len(faults(name))))]
        grade = int(rng.integers(len(other.severities)))
        found.extend(at(name, drawn.state, other, grade).changes)
    return tuple(found)


def deviations(changes: tuple[Change, ...], outcome: Outcome) -> tuple[float, float]:
    """Largest deviation in V of one settled outcome: factorised anew, and by low rank from the state without.

    The low-rank solution keeps the tangents of the state it starts from, so it is compared on those.
    """
    netlist = outcome.netlist
    exact = voltages(netlist, changes, outcome.booleans, outcome.junction_v.tolist())
    start = System(netlist, outcome.booleans)
    held = exact
    if netlist.diodes:
        held = voltages(netlist, changes, outcome.booleans, start.junction_v.tolist(), newton_steps=0)
    low_rank = solve_changes(start, changes).voltages
    return (
        float(np.abs(outcome.voltages - np.array(exact)).max()),
        float(np.abs(low_rank - np.array(held)).max()),
    )


def opens(changes: tuple[Change, ...]) -> int:
    return sum(isinstance(change, Series) and math.isinf(change.added_ohm) for change in changes)


def every_set_of_the_cart() -> Iterator[tuple[str, tuple[Change, ...]]]:
    """Every open and every fault of several changes, alone and every two opens together, in every state."""
    for state in machine(CART).states:
        singles = [
            at(CART, state, fault, grade).changes for fault in faults(CART) for grade in range(len(fault.severities))
        ]
        chosen = [changes for changes in singles if opens(changes)]
        yield from ((state, changes) for changes in singles if opens(changes) or len(changes) > 1)
        yield from ((state, (*one, *other)) for one, other in combinations(chosen, 2))


@pytest.mark.outside(
    what="every open, every fault of several changes and every two opens of the sketched cart",
    against="elimination with 50 digits (mpmath), devices held, new factorisation and low rank",
    source="tests/outside/machines/elimination.py; examples/hand-cart-generator",
    status="computed",
    tolerance="1e-6 V; 2e-6 V by low rank where two opens leave a stretch nothing but its leak",
)
def test_every_open_of_the_cart_agrees_with_fifty_digits(record_property: Callable[..., None]) -> None:
    worst, count = 0.0, 0
    for state, changes in every_set_of_the_cart():
        outcome = settle(system(CART, state).netlist, changes, second_start=False)
        assert outcome.kind == "steady"
        anew, low_rank = deviations(changes, outcome)
        assert anew <= 1e-6, (state, changes, anew)
        # A stretch cut off at both ends divides by its leak of 1 nS beside conductances of up to 1 kS: 12 of 16
        # digits are gone, and what is left of 12 V is 1e-3 V at worst and 1.2e-6 V as measured.
        assert low_rank <= (2e-6 if opens(changes) > 1 else 1e-6), (state, changes, low_rank)
        worst, count = max(worst, anew, low_rank), count + 1
    record_property("largest_deviation", f"{worst:.1e} V")
    assert count >= 500


@pytest.mark.outside(
    what="faults of the sweeper that open something or change several places, alone and up to three together",
    against="elimination with 50 digits (mpmath), devices held, 200 sets, new factorisation and low rank",
    source="tests/outside/machines/elimination.py; examples/saltmarsh-sweeper",
    status="computed",
    tolerance="1e-6 V",
)
def test_opens_and_sets_on_the_sweeper_agree_with_fifty_digits(
    record_property: Callable[..., None],
) -> None:
    rng = np.random.default_rng(2390)
    worst, count, chattering, largest = 0.0, 0, 0, 0
    for drawn in mode_by_mode(SWEEPER, rng):
        if count == ON_THE_SWEEPER:
            break
        changes = several(SWEEPER, drawn, rng, int(rng.integers(0, 3)))
        if not opens(changes) and len(changes) < 2:
            continue
        outcome = settle(drawn.netlist, changes, start=system(SWEEPER, drawn.state).booleans, second_start=False)
        if outcome.kind == "chatters":
            chattering += 1  # its voltages are a mean over a cycle, not a solution
            continue
        found = max(deviations(changes, outcome))
        assert found <= 1e-6, (str(drawn), changes, found)
        worst, count, largest = max(worst, found), count + 1, max(largest, len(changes))
    record_property("largest_deviation", f"{worst:.1e} V")
    assert count == ON_THE_SWEEPER
    assert chattering <= 10
    assert largest >= 8


def test_the_elimination_itself_gives_a_divider_worked_by_hand() -> None:
    b = NetlistBuilder("-", leak_siemens=1e-3)
    b.branch("battery", "-", "+", 1.0, 12.0)
    b.branch("one", "+", "mid", 3.0)
    netlist = b.build()
    # mid hangs on its leak of 1 kohm: 12 V over 1 ohm beside the leak of "+".
    at_mid = voltages(netlist, (), np.zeros(0, dtype=np.bool_), [])[netlist.node_index["mid"]]
    behind = 1.0 / (1e-3 + 1.0 / 1003.0)
    assert at_mid == pytest.approx(12.0 * behind / (1.0 + behind) * 1000.0 / 1003.0, rel=1e-15)
