"""Resistances: what the meter cannot feel is left unsolved, and the reading is the same as if it were solved."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, machine

from halfsplit.circuit.batch import settle_batch, volts_row
from halfsplit.circuit.system import System
from halfsplit.diagnosis import ohms
from halfsplit.diagnosis.hunt import Bench
from halfsplit.faults.applying import changes

MINUS = "BAT.-post"


@cache
def bench() -> Bench:
    return Bench(machine(CART))


@pytest.mark.parametrize(
    ("plus", "minus", "unplugged"),
    [
        ("F1.2", MINUS, ()),
        ("F1.2", MINUS, ("F1",)),
        ("S1.1", MINUS, ("F1", "X1")),
        ("K1.1", "K1.2", ("X1",)),
        ("BAT.+", MINUS, ()),
    ],
)
def test_rows_left_unsolved_read_as_they_would_solved(
    plus: str, minus: str, unplugged: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    signatures = bench().signatures
    netlist = ohms.dead_netlist(signatures.state("off").netlist, plus, minus, unplugged)
    pulled = ohms.pulled_fuses(signatures.machine, unplugged)
    sets = [changes(netlist, (*effects, *pulled)) for effects in (*signatures.effects, ())]
    every = settle_batch(System(netlist), sets, [volts_row(netlist, plus, minus)], second_start=False)
    solved: list[int] = []

    def counted(system: System, some: Sequence[Any], *rest: Any, **more: Any) -> Any:
        solved.append(len(some))
        return settle_batch(system, some, *rest, **more)

    monkeypatch.setattr(ohms, "settle_batch", counted)
    found = ohms.OhmsTables(signatures).predicted("off", plus, minus, unplugged)
    np.testing.assert_allclose(found, ohms.ohms_from_volts(every.readings[:, 0]), rtol=1e-9)
    assert 1 < solved[0] < len(sets)


def test_only_the_rows_asked_for_are_known() -> None:
    tables, rows = ohms.OhmsTables(bench().signatures), np.array([3, 40])
    found = tables.predicted("off", "F1.2", MINUS, (), rows)
    assert np.flatnonzero(~np.isnan(found)).tolist() == [3, 40, len(found) - 1]
    again = tables.predicted("off", MINUS, "F1.2", (), np.array([41]))
    assert np.flatnonzero(~np.isnan(again)).tolist() == [3, 40, 41, len(found) - 1]
