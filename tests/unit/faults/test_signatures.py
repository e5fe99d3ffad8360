"""Tables of states: rows that once made trouble, and what reading them promises."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, SWEEPER, machine

from halfsplit.diagnosis.hunt import Bench
from halfsplit.faults.signatures import StateTable


@cache
def bench(name: str) -> Bench:
    return Bench(machine(name))


@pytest.mark.parametrize("state", ["tip", "untip"])
def test_a_bad_contact_in_the_tipping_valve_plug_is_solved_in_both_directions(state: str) -> None:
    # The diodes of this plug once found no working point from the healthy state.
    it = bench(SWEEPER)
    number = next(k for k, fault in enumerate(it.faults) if fault.id == "X60.4/contact-resistance")
    rows = np.flatnonzero(it.space.row_fault == number)
    assert len(rows) == len(it.faults[number].severities)
    lines = it.signatures.state(state).predict([it.signatures.effects[row] for row in rows])
    assert np.isfinite(lines.volts).all()
    assert np.isfinite(lines.levels).all()


def test_a_set_of_two_faults_is_predicted_together_not_as_the_sum_of_two() -> None:
    it = bench(CART)
    table = it.signatures.state("work")
    ids = {fault.id: k for k, fault in enumerate(it.faults)}
    one, other = (
        next(row for row in range(it.space.rows) if it.space.row_fault[row] == ids[name])
        for name in ("W3/wire-open", "W5/wire-open")
    )
    effects = it.signatures.effects
    both = table.predict([(*effects[one], *effects[other])]).volts[0].astype(np.float64)
    plus = table.nodes["X1.1"]
    alone = [float(table.lines.volts[row, plus]) for row in (one, other)]
    healthy = float(table.lines.volts[-1, plus])
    assert abs(alone[0] - healthy) > 5.0  # the feed is broken: nothing arrives
    assert abs(alone[1] - healthy) < 0.5  # the return is broken: the full voltage stands there
    assert abs(both[plus] - alone[0]) < 0.5


def test_tables_are_made_once_and_the_same_for_everybody() -> None:
    it = bench(CART)
    assert it.signatures.state("work") is it.signatures.state("work")
    again = Bench(machine(CART))
    assert np.array_equal(again.signatures.state("work").lines.volts, it.signatures.state("work").lines.volts)


def test_a_table_made_of_what_was_kept_rests_where_the_first_one_does() -> None:
    it = machine(SWEEPER)
    made = StateTable(it, "tip", ())
    again = StateTable(it, "tip", (), made.keep())
    assert made.made_anew
    assert not again.made_anew
    assert len(made.netlist.diodes)
    assert made.system.booleans.any()
    for one, other in (
        (made.system.booleans, again.system.booleans),
        (made.system.junction_v, again.system.junction_v),
        (made.system.solution, again.system.solution),
    ):
        assert np.array_equal(one, other)
