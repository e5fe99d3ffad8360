"""Faults that no check within reach shows, and the test points that would show most of them."""

from __future__ import annotations

from functools import cache
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray

from halfsplit.circuit.expansion import expand
from halfsplit.circuit.settle import settle
from halfsplit.diagnosis.checks import all_checks, chassis_node
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.likelihood import meter_v
from halfsplit.faults.applying import changes
from halfsplit.faults.priors import fault_weights
from halfsplit.faults.signatures import StateTable
from halfsplit.machine.reading import machine_of_text
from halfsplit.service.unseen import LEADS, SHOWN_AT, Hidden, cover, unseen

#: Resistors of 1 kohm each behind a plug: they take too little for a clamp, and behind the plug nobody can measure.
TEXT = """
format: halfsplit-machine/1
machine: {name: Bench loads, maker: nobody (invented), invented: yes, system: 12 V}
connectors: {X1: {}, X2: {}, X3: {}, X4: {}}
parts:
  BAT: {kind: battery}
  F1: {kind: fuse, rating: 10 A}
  S1: {kind: switch}
  H1: {kind: lamp, power: 30 W}
  R1: {kind: resistor, plugs: {X1: {1: "1", 2: "2"}}}
  R2: {kind: resistor, plugs: {X2: {1: "1", 2: "2"}}}
  R3: {kind: resistor, plugs: {X3: {1: "1", 2: "2"}}}
  R4: {kind: resistor, plugs: {X4: {1: "1", 2: "2"}}}
  SP1: {kind: splice}
wires:
  - {id: W1, from: BAT.+, to: F1.1}
  - {id: W2, from: F1.2, to: S1.1}
  - {id: W3, from: S1.2, to: SP1}
  - {id: W4, from: SP1, to: H1.+}
  - {id: W5, from: H1.-, to: BAT.-}
  - {id: W11, from: F1.2, to: X1.1}
  - {id: W12, from: X1.2, to: BAT.-}
  - {id: W21, from: SP1, to: X2.1}
  - {id: W22, from: X2.2, to: BAT.-}
  - {id: W31, from: SP1, to: X3.1}
  - {id: W32, from: X3.2, to: BAT.-}
  - {id: W41, from: F1.2, to: X4.1}
  - {id: W42, from: X4.2, to: BAT.-}
states: {off: {}, on: {set: {S1: on}}}
functions: {lamp: {watch: H1, expected: {off: off, on: on}}}
"""


@cache
def bench() -> Bench:
    machine, problems = machine_of_text(TEXT)
    assert machine is not None, problems
    return Bench(machine)


@cache
def found() -> Hidden:
    return unseen(bench())


def by_trying(within_reach: bool) -> tuple[dict[str, NDArray[np.bool_]], NDArray[np.float64]]:
    """What a reading against the chassis at each point shows of the listed faults, each settled alone; and weights.

    Rows are the grades of the listed faults, one after the other.
    """
    it, machine = bench(), bench().machine
    odds = dict(zip([fault.id for fault in it.faults], fault_weights(machine, it.faults).tolist(), strict=True))
    listed = {one.fault for one in found().faults}
    grades = [(fault, severity) for fault in it.faults if fault.id in listed for severity in fault.severities]
    weight = np.array([odds[fault.id] * severity.weight for fault, severity in grades])
    shown: dict[str, NDArray[np.bool_]] = {}
    for state in machine.states:
        netlist, table = expand(machine, machine.states[state]), StateTable(machine, state, ())
        reach = {point for check in all_checks(machine, (state,)) for point in (check.plus, check.minus)}
        ground = chassis_node(machine)
        sound = settle(netlist)
        for row, (_, severity) in enumerate(grades):
            outcome = settle(netlist, changes(netlist, severity.effects))
            for node in netlist.nodes:
                if (node in reach) != within_reach or node.endswith("#"):
                    continue
                was = sound.volts(node) - sound.volts(ground)
                spread = table.spreads_v(np.array([table.nodes[node]]), np.array([table.nodes[ground]]))[0]
                if abs(outcome.volts(node) - outcome.volts(ground) - was) > SHOWN_AT * np.hypot(meter_v(was), spread):
                    shown.setdefault(node, np.zeros(len(grades), dtype=np.bool_))[row] = True
    return shown, weight


def test_an_open_before_a_small_load_behind_a_plug_is_listed_with_the_point_that_shows_it() -> None:
    lines = {one.fault: one for one in found().faults}
    assert lines["X1.1/contact-open"].would_show == ("R1.1",)
    assert lines["X2.1/contact-open"].state == "on"
    assert not by_trying(within_reach=True)[0]  # nothing listed shows where a probe reaches


def test_the_leads_show_as_much_as_any_three_found_by_trying_all() -> None:
    shown, weight = by_trying(within_reach=False)
    assert len(shown) >= 2 * LEADS

    def covered(points: tuple[str, ...]) -> float:
        return float(weight[np.logical_or.reduce([shown[point] for point in points])].sum() / weight.sum())

    best = max(map(covered, combinations(shown, LEADS)))
    leads = found().leads
    assert len(leads) == LEADS
    assert sum(lead.share for lead in leads) == pytest.approx(best, rel=1e-9)
    assert covered(tuple(lead.point for lead in leads)) == pytest.approx(best, rel=1e-9)
    assert found().showable == pytest.approx(covered(tuple(shown)), rel=1e-9)
    assert best < found().showable < 1.0
    assert found().odds == pytest.approx(weight.sum(), rel=1e-9)


def test_a_lead_names_the_faults_it_shows_and_states_that_are_enough() -> None:
    by_point = {lead.point: lead for lead in found().leads}
    assert len(by_point) == LEADS
    for lead in found().leads:
        alone = {one.fault for one in found().faults if lead.point in one.would_show}
        assert alone <= set(lead.faults)
        assert lead.states in (("on",), ("off",), ("on", "off"), ("off", "on"))
        if lead.point.startswith(("R2.", "R3.")):
            assert lead.states == ("on",)  # there is no feed behind the switch with it off


@pytest.mark.parametrize("seed", range(30))
def test_a_cover_takes_what_adds_most_and_is_never_far_from_the_best(seed: int) -> None:
    rng = np.random.default_rng(seed)
    weight = rng.dirichlet(np.ones(12))
    shown = {f"p{k}": rng.random(12) < rng.uniform(0.05, 0.5) for k in range(8)}
    chosen = cover(shown, weight, 3)
    left = weight.copy()
    for place, gain in chosen:
        assert gain == pytest.approx(max(float(left[rows].sum()) for rows in shown.values()))
        left[shown[place]] = 0.0
    got = sum(gain for _, gain in chosen)
    assert got == pytest.approx(1.0 - left.sum())
    best = max(
        float(weight[np.logical_or.reduce(several)].sum()) for several in combinations(shown.values(), 3)
    )
    assert (1.0 - (2.0 / 3.0) ** 3) * best <= got <= best + 1e-12


def test_a_cover_stops_where_nothing_is_added() -> None:
    twice = np.array([True, False])
    assert cover({"a": twice, "b": twice, "c": ~np.ones(2, dtype=np.bool_)}, np.array([0.4, 0.6]), 3) == (("a", 0.4),)
    assert cover({}, np.array([1.0]), 3) == ()
