"""Tables of states: rows that once made trouble, and what reading them promises."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, SWEEPER, machine

from halfsplit.circuit.settle import settle
from halfsplit.diagnosis.hunt import Bench
from halfsplit.faults.applying import changes
from halfsplit.faults.signatures import LOAD_TOLERANCE, StateTable, scatter, tolerances


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


def test_what_a_controller_draws_has_the_tolerance_of_what_it_draws_now() -> None:
    # Awake it is a load of some ohms, asleep one of kilohms; the two once were mixed up.
    table = bench(SWEEPER).signatures.state("sweep")
    at = table.netlist.branch_index["draw:ECU1"]
    asleep_ohm = table.netlist.branches[at].resistance_ohm
    ohm, _ = tolerances(table.machine, table.system)
    controller = table.machine.parts["ECU1"].controller
    assert controller is not None
    awake_ohm = table.machine.system_v / controller.supply.current_a
    assert awake_ohm < 0.1 * asleep_ohm
    assert ohm[at] == pytest.approx(LOAD_TOLERANCE * awake_ohm)


def test_spread_is_what_drawn_machines_of_a_kind_show() -> None:
    # Thirty machines with parts drawn within the tolerances, all solved anew; nodes behind the controllers' supply.
    table = bench(SWEEPER).signatures.state("sweep")
    share, emf = scatter(table.machine, table.netlist)
    rng = np.random.default_rng(11)
    points = [node for node in table.nodes if node.startswith(("X32.", "X31.", "F1.")) and "@" not in node][:20]
    at = [table.nodes[node] for node in points]
    shown = []
    for _ in range(30):
        branches = tuple(
            dataclasses.replace(
                one, resistance_ohm=one.resistance_ohm * (1.0 + 0.3 * share[k] * rng.standard_normal()),
                emf_v=one.emf_v + 0.3 * emf[k] * rng.standard_normal(),
            )
            for k, one in enumerate(table.netlist.branches)
        )  # fmt: skip
        drawn = dataclasses.replace(table.netlist, branches=branches)
        settled = settle(drawn, (), start=table.system.booleans, second_start=False)
        assert (settled.booleans == table.system.booleans).all()
        shown.append(settled.voltages[at])
    seen_v = np.std(shown, axis=0) / 0.3
    stated_v = np.array([table.spread_v(node, table.netlist.reference) for node in points])
    # A standard deviation of 30 draws is right within an eighth; what steps (draws, pull-ups) was not drawn.
    assert (seen_v < 1.4 * stated_v + 1e-3).all()
    assert (stated_v < 1.4 * seen_v + 0.02).all()


def test_with_the_strap_off_the_battery_scatters_far_more_than_in_a_sound_machine() -> None:
    it = bench(SWEEPER)
    table = it.signatures.state("sweep")
    number = next(k for k, fault in enumerate(it.faults) if fault.id == "W255@G1/terminal-open")
    row = int(np.flatnonzero(it.space.row_fault == number)[0])
    pair = "W255@BAT.-", "body:frame"
    rows, spread, _ = table.parted_spread(*pair)
    own = spread[list(rows).index(row)]
    assert float(np.sqrt(own @ own)) > 5.0 * table.spread_v(*pair)
    # The battery's rested voltage moves it one to one.
    cell = table.netlist.branch_index["cell:BAT"]
    volts = []
    for more_v in (0.0, 0.1):
        branches = list(table.netlist.branches)
        branches[cell] = dataclasses.replace(branches[cell], emf_v=branches[cell].emf_v + more_v)
        netlist = dataclasses.replace(table.netlist, branches=tuple(branches))
        end = settle(netlist, changes(netlist, it.signatures.effects[row]), start=table.system.booleans)
        volts.append(end.volts(pair[0]) - end.volts(pair[1]))
    _, emf = tolerances(table.machine, table.system)
    assert abs(own[cell]) == pytest.approx(abs(volts[1] - volts[0]) / 0.1 * emf[cell], rel=0.05)
