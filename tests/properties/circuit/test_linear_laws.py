"""Laws every circuit of resistances and sources must obey, on random circuits."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from mpmath import mp

from halfsplit.circuit import meters
from halfsplit.circuit.batch import amps_row, settle_batch, volts_row
from halfsplit.circuit.changed_spread import ChangedSpread
from halfsplit.circuit.changes import Change, Emf, Series, Shunt, table_of
from halfsplit.circuit.netlist import Branch, Netlist
from halfsplit.circuit.settle import settle
from halfsplit.circuit.spread import pair_spread, spread
from halfsplit.circuit.system import System, solve_changes

# From a good contact to a pull-up.
RESISTANCES = st.floats(-3.0, 5.0).map(lambda power: 10.0**power)
EMFS = st.one_of(st.just(0.0), st.floats(-24.0, 24.0))


@st.composite
def linear(draw: st.DrawFn, most: int = 10) -> Netlist:
    """A connected circuit: a random tree with a few more branches."""
    count = draw(st.integers(2, most))
    names = [f"n{k}" for k in range(count)]
    branches = []
    for k in range(1, count):
        other = draw(st.integers(0, k - 1))
        branches.append(Branch(f"t{k}", names[other], names[k], draw(RESISTANCES), draw(EMFS)))
    for k in range(draw(st.integers(1, count))):
        a, b = draw(st.integers(0, count - 1)), draw(st.integers(0, count - 1))
        if a != b:
            branches.append(Branch(f"x{k}", names[a], names[b], draw(RESISTANCES), draw(EMFS)))
    return Netlist(tuple(names), "n0", tuple(branches))


@st.composite
def changed(draw: st.DrawFn) -> tuple[Netlist, tuple[Change, ...]]:
    """A circuit and one to three changes."""
    netlist = draw(linear())
    changes: list[Change] = []
    for _ in range(draw(st.integers(1, 3))):
        kind = draw(st.sampled_from(["series", "open", "shunt", "short", "emf"]))
        branch = draw(st.sampled_from(netlist.branches)).name
        a, b = draw(st.sampled_from(netlist.nodes)), draw(st.sampled_from(netlist.nodes))
        match kind:
            case "series":
                changes.append(Series(branch, draw(RESISTANCES)))
            case "open":
                changes.append(Series(branch, math.inf))
            case "shunt":
                changes.append(Shunt(a, b, 1.0 / draw(RESISTANCES)))
            case "short":
                changes.append(Shunt(a, b, math.inf))
            case _:
                changes.append(Emf(branch, draw(st.floats(-5.0, 5.0))))
    return netlist, tuple(changes)


def with_emfs(netlist: Netlist, emfs: list[float]) -> Netlist:
    branches = tuple(
        Branch(b.name, b.a, b.b, b.resistance_ohm, emf) for b, emf in zip(netlist.branches, emfs, strict=True)
    )
    return Netlist(netlist.nodes, netlist.reference, branches)


def fifty_digits(netlist: Netlist, opened: str) -> dict[str, float]:
    """Node voltages by elimination with 50 digits, one branch taken out."""
    at = {name: k for k, name in enumerate(n for n in netlist.nodes if n != netlist.reference)}
    with mp.workdps(50):
        conductances = mp.zeros(len(at))
        injected = mp.zeros(len(at), 1)
        for k in range(len(at)):
            conductances[k, k] = mp.mpf(netlist.leak_siemens)
        for branch in netlist.branches:
            if branch.name == opened:
                continue
            g, emf = 1 / mp.mpf(branch.resistance_ohm), mp.mpf(branch.emf_v)
            for here, other, sign in ((branch.a, branch.b, 1), (branch.b, branch.a, -1)):
                if here in at:
                    conductances[at[here], at[here]] += g
                    injected[at[here]] -= sign * g * emf
                    if other in at:
                        conductances[at[here], at[other]] -= g
        volts = mp.lu_solve(conductances, injected)
        return {name: float(volts[k]) for name, k in at.items()}


@given(linear())
def test_currents_into_every_node_sum_to_zero(netlist: Netlist) -> None:
    outcome = settle(netlist)
    total = np.zeros(len(netlist.nodes))
    for branch, amps in zip(netlist.branches, outcome.currents, strict=True):
        total[netlist.node_index[branch.a]] += amps
        total[netlist.node_index[branch.b]] -= amps
    total += netlist.leak_siemens * outcome.voltages
    largest = max(1.0, float(np.abs(outcome.currents).max()))
    inner = [k for k, name in enumerate(netlist.nodes) if name != netlist.reference]
    assert np.abs(total[inner]).max() <= 1e-11 * largest


@given(linear())
def test_every_branch_obeys_its_law(netlist: Netlist) -> None:
    outcome = settle(netlist)
    for branch in netlist.branches:
        driven = outcome.volts(branch.a) - outcome.volts(branch.b) + branch.emf_v
        dropped = branch.resistance_ohm * outcome.amps(branch.name)
        assert math.isclose(driven, dropped, rel_tol=1e-9, abs_tol=1e-10)


@given(linear(), st.data())
def test_sources_superpose(netlist: Netlist, data: st.DataObject) -> None:
    size = len(netlist.branches)
    one = data.draw(st.lists(EMFS, min_size=size, max_size=size))
    two = data.draw(st.lists(EMFS, min_size=size, max_size=size))
    both = settle(with_emfs(netlist, [a + b for a, b in zip(one, two, strict=True)]))
    parts = [settle(with_emfs(netlist, emfs)) for emfs in (one, two)]
    assert np.allclose(both.voltages, parts[0].voltages + parts[1].voltages, rtol=0, atol=1e-8)


@given(linear(), st.data())
def test_a_volt_here_drives_there_what_a_volt_there_drives_here(
    netlist: Netlist, data: st.DataObject
) -> None:
    size = len(netlist.branches)
    here, there = data.draw(st.integers(0, size - 1)), data.draw(st.integers(0, size - 1))
    amps = []
    for source, seen in ((here, there), (there, here)):
        emfs = [1.0 if k == source else 0.0 for k in range(size)]
        amps.append(settle(with_emfs(netlist, emfs)).currents[seen])
    assert math.isclose(amps[0], amps[1], rel_tol=1e-7, abs_tol=1e-12)


@given(changed())
def test_low_rank_changes_equal_a_new_factorisation(case: tuple[Netlist, tuple[Change, ...]]) -> None:
    netlist, changes = case
    system = System(netlist)
    exact = settle(netlist, changes)
    fast = solve_changes(system, changes)
    rows = [volts_row(netlist, name) for name in netlist.nodes]
    batch = settle_batch(system, [changes], rows).readings[0]
    # Several opens that leave a stretch with nothing but the leak of 1 nS divide by that leak: with
    # conductances up to 1 kS next to it, 12 of 16 digits are gone, which leaves 1e-3 V of a 24 V circuit.
    opens = sum(isinstance(change, Series) and math.isinf(change.added_ohm) for change in changes)
    tolerance = 1e-6 if opens < 2 else 1e-3
    scale = max(1.0, float(np.abs(exact.voltages).max()))
    assert np.abs(fast.voltages - exact.voltages).max() <= tolerance * scale
    assert np.abs(batch - exact.voltages).max() <= tolerance * scale


@given(linear(most=14), st.data())
def test_opens_with_a_floating_far_side_agree_with_fifty_digits(
    netlist: Netlist, data: st.DataObject
) -> None:
    opened = data.draw(st.sampled_from(netlist.branches)).name
    truth = fifty_digits(netlist, opened)
    change = (Series(opened, math.inf),)
    exact = settle(netlist, change)
    fast = solve_changes(System(netlist), change)
    for name, volts in truth.items():
        assert abs(exact.volts(name) - volts) <= 1e-6
        assert abs(fast.voltages[netlist.node_index[name]] - volts) <= 1e-6


@given(linear(), st.data())
def test_a_meter_reads_what_adding_its_resistance_gives(netlist: Netlist, data: st.DataObject) -> None:
    plus, minus = data.draw(st.sampled_from(netlist.nodes)), data.draw(st.sampled_from(netlist.nodes))
    assume(plus != minus)
    meter_ohm = data.draw(RESISTANCES)
    opened = (Series(data.draw(st.sampled_from(netlist.branches)).name, math.inf),)
    reading = meters.volts(settle(netlist, opened), plus, minus, meter_ohm)
    loaded = settle(netlist, (*opened, Shunt(plus, minus, 1.0 / meter_ohm)))
    assert math.isclose(reading.volts, loaded.volts(plus) - loaded.volts(minus), rel_tol=1e-6, abs_tol=1e-7)


@given(changed(), st.data())
def test_source_impedance_of_a_batch_is_that_of_the_changed_circuit(
    case: tuple[Netlist, tuple[Change, ...]], data: st.DataObject
) -> None:
    netlist, changes = case
    opens = sum(isinstance(change, Series) and math.isinf(change.added_ohm) for change in changes)
    assume(opens < 2)
    plus, minus = data.draw(st.sampled_from(netlist.nodes)), data.draw(st.sampled_from(netlist.nodes))
    rows = [volts_row(netlist, plus, minus), amps_row(netlist, netlist.branches[0].name)]
    batch = settle_batch(System(netlist), [changes], rows, source_impedance=True)
    assert batch.source_impedance_ohm is not None
    exact = meters.source_impedance_ohm(settle(netlist, changes), plus, minus)
    # A point that a short or a load pulls from Gohms to milliohms keeps the digits that the Gohms leave over.
    assert math.isclose(batch.source_impedance_ohm[0, 0], exact, rel_tol=1e-5, abs_tol=1e-4)
    assert math.isnan(batch.source_impedance_ohm[0, 1])


@given(linear(), st.data())
def test_spread_is_the_slope_of_a_small_change(netlist: Netlist, data: st.DataObject) -> None:
    system = System(netlist)
    k = data.draw(st.integers(0, len(netlist.branches) - 1))
    branch = netlist.branches[k]
    step = 1e-5 * branch.resistance_ohm
    sigma = np.zeros(len(netlist.branches))
    none = np.zeros(len(netlist.branches))
    sigma[k] = step
    moved = settle(netlist, (Series(branch.name, step),)).voltages - system.solution[: len(netlist.nodes)]
    scale = max(1.0, float(np.abs(system.solution).max()))
    assert np.allclose(spread(system, sigma, none), np.abs(moved), rtol=1e-3, atol=1e-10 * scale)
    sigma[k] = 0.01
    moved = settle(netlist, (Emf(branch.name, 0.01),)).voltages - system.solution[: len(netlist.nodes)]
    assert np.allclose(spread(system, none, sigma), np.abs(moved), rtol=1e-6, atol=1e-10 * scale)
    pair = np.array([[1, 0]])
    one = pair_spread(system, pair[:, 0], pair[:, 1], none, sigma)
    assert math.isclose(one[0], abs(moved[1] - moved[0]), rel_tol=1e-6, abs_tol=1e-10 * scale)


@settings(max_examples=40)
@given(changed(), st.data())
def test_spread_after_a_change_is_the_slope_of_the_changed_circuit(
    drawn: tuple[Netlist, tuple[Change, ...]], data: st.DataObject
) -> None:
    netlist, changes = drawn
    opens = sum(isinstance(change, Series) and math.isinf(change.added_ohm) for change in changes)
    assume(opens < 2)
    system = System(netlist)
    k = data.draw(st.integers(0, len(netlist.branches) - 1))
    branch = netlist.branches[k]
    count = len(netlist.branches)
    ohm, emf = np.zeros(count), np.zeros(count)
    ohm[k] = 1e-4 * branch.resistance_ohm
    by_ohm = ChangedSpread.made(system, table_of(netlist, [(), changes]), ohm, np.zeros(count))
    emf[k] = 0.01
    by_emf = ChangedSpread.made(system, table_of(netlist, [(), changes]), np.zeros(count), emf)
    assert by_ohm.known.all()
    plus, minus = (data.draw(st.integers(0, len(netlist.nodes) - 1)) for _ in range(2))
    for at, those in enumerate(((), changes)):
        before = settle(netlist, those)
        for slope, moved in ((by_ohm, Series(branch.name, float(ohm[k]))), (by_emf, Emf(branch.name, 0.01))):
            if Series(branch.name, math.inf) in those:
                continue  # what is open has nothing left to vary
            after = settle(netlist, (*those, moved))
            change = (after.voltages[plus] - after.voltages[minus]) - (before.voltages[plus] - before.voltages[minus])
            scale = max(1.0, float(np.abs(before.voltages).max()))
            one = float(slope.pair(plus, minus)[at, k])
            assert math.isclose(abs(one), abs(change), rel_tol=5e-3, abs_tol=1e-7 * scale)
