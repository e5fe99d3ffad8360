"""The compiled pieces: which library is taken, columns to the last digits, and what cannot be eliminated."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from halfsplit.circuit import native
from halfsplit.circuit.batch import settle_batch, volts_row
from halfsplit.circuit.changes import ChangeSet, Series, Shunt, table_of
from halfsplit.circuit.netlist import Netlist, NetlistBuilder
from halfsplit.circuit.resting import switched_on
from halfsplit.circuit.system import System


def floating_chain(length: int = 6) -> Netlist:
    """A feed behind an open switch: everything after it hangs on leaks of 1 nS."""
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.switch("key", "+", "n0", 0.01)
    for k in range(length):
        b.branch(f"w{k}", f"n{k}", f"n{k + 1}", 0.02)
        b.branch(f"beside{k}", f"n{k}", f"n{k + 1}", 0.05)
    b.branch("lamp", "+", "-", 4.0)
    b.diode("D", "n0", "-")
    return b.build()


def test_the_library_is_there_and_made_of_the_sources_here() -> None:
    assert native.available()
    with native.left_aside():
        assert not native.available()
    assert native.available()


def test_columns_are_those_of_the_refined_inverse_where_only_leaks_carry_current() -> None:
    system = System(floating_chain())
    c = system.c
    every = np.arange(c.size)
    found = native.columns(c, system.laws, every)
    assert found is not None
    identity = np.eye(c.size)
    wanted = system.factor.solve_refined(identity).T
    wanted[:, c.reference] = 0.0
    wanted[c.reference] = 0.0
    # What a place answers to a force on itself decides about a fault there: it must keep its digits, however small.
    own, exact = np.diag(found), np.diag(wanted)
    assert np.abs(exact[exact != 0.0]).min() < 1e-8
    assert own == pytest.approx(exact, rel=1e-10, abs=0.0)
    assert found == pytest.approx(wanted, rel=1e-9, abs=1e-15)


def test_looks_are_differences_of_columns_and_keep_the_digits_of_an_own_answer() -> None:
    system = System(floating_chain())
    c = system.c
    columns = native.columns(c, system.laws, c.n + np.arange(c.m))
    assert columns is not None
    reference = np.full(c.m, c.reference)
    plus = np.concatenate([np.arange(c.n), c.n + np.arange(c.m), np.arange(1, c.n)])
    minus = np.concatenate([np.full(c.n, c.reference), reference, np.arange(c.n - 1)])
    found = native.looks(c, system.laws, np.arange(c.m), plus, minus)
    assert found is not None
    assert found == pytest.approx(columns[:, plus] - columns[:, minus], rel=1e-9, abs=1e-14)
    own = np.arange(c.m)
    assert found[own, c.n + own] == pytest.approx(columns[own, c.n + own], rel=1e-10, abs=0.0)
    # Fewer looks need less of the way back, and see the same.
    few = np.array([3, c.n + 2, len(plus) - 1])
    assert native.looks(c, system.laws, np.arange(c.m), plus[few], minus[few]) == pytest.approx(
        found[:, few], rel=1e-12, abs=1e-15
    )


def test_a_part_of_a_table_settles_as_it_does_within_the_whole() -> None:
    netlist = floating_chain()
    system = System(netlist)
    sets: list[ChangeSet] = [
        (Series("w1", math.inf),), (Shunt("n2", "-", 0.1), Series("lamp", 2.0)), (),
        (Series("D", 1.0),), (Shunt("n2", "-", 0.5), Series("lamp", 2.0)), (Shunt("n2", "n4", 0.5),),
    ]  # fmt: skip
    rows = [volts_row(netlist, node) for node in netlist.nodes]
    table = table_of(netlist, sets)
    whole = settle_batch(system, table, rows)
    chosen = np.array([4, 0, 5])
    part = settle_batch(system, table.part(chosen), rows)
    assert part.readings == pytest.approx(whole.readings[chosen], abs=1e-12)
    with native.left_aside():
        apart = settle_batch(system, table, rows)
    assert whole.readings == pytest.approx(apart.readings, abs=1e-9)


def test_an_element_without_resistance_is_left_to_the_factorisation() -> None:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.branch("bar", "+", "post", 0.0)
    b.branch("lamp", "post", "-", 4.0)
    netlist = b.build()
    system = switched_on(netlist)
    assert native.columns(system.c, system.laws, np.arange(3)) is None
    opened = settle_batch(system, [(Series("bar", math.inf),)], [volts_row(netlist, "post")])
    assert opened.readings[0, 0] == pytest.approx(0.0, abs=1e-6)


def test_a_circuit_comes_to_rest_as_when_every_step_is_factorised() -> None:
    netlist = floating_chain()
    quick, slow = switched_on(netlist), System(netlist)
    assert (quick.booleans == slow.booleans).all()
    assert quick.solution == pytest.approx(slow.solution, abs=1e-9)


def test_a_library_made_of_other_sources_is_not_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    native._loaded.cache_clear()
    monkeypatch.setattr(native, "digest", lambda: "0" * 64)
    assert not native.available()
    monkeypatch.undo()
    native._loaded.cache_clear()
    assert native.available()


def test_a_missing_library_leaves_everything_to_the_arrays(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    native._loaded.cache_clear()
    monkeypatch.setattr(native, "LIBRARY", tmp_path / "missing.so")
    assert not native.available()
    netlist = floating_chain()
    read = settle_batch(switched_on(netlist), [()], [volts_row(netlist, "n0")]).readings
    assert read[0, 0] == pytest.approx(0.0, abs=1e-3)
    monkeypatch.undo()
    native._loaded.cache_clear()
