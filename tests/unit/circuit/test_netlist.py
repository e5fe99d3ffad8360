"""A netlist that contradicts itself is refused with everything that is wrong."""

from __future__ import annotations

import math

import pytest

from halfsplit.circuit.changes import Force, Series, Shunt, table_of
from halfsplit.circuit.netlist import Branch, Logic, Netlist, NetlistBuilder, NetlistError, OverCurrent


def test_all_mistakes_are_named_at_once() -> None:
    b = NetlistBuilder("-")
    b.branch("R", "-", "a", 1.0)
    b.branch("R", "-", "a", 1.0)
    b.threshold("T", "a", "-", pull_in_v=3.0, drop_out_v=5.0)
    b.logic("L", ("and", ("var", "nobody")))
    b.logic("M", ("maybe",))
    b.over_current("F", "nowhere", -1.0)
    b.closes("nobody", "S")
    b.resistance_step("T", "R", 0.0)
    with pytest.raises(NetlistError) as caught:
        b.build()
    text = str(caught.value)
    for part in (
        "branch R is there twice",
        "drops out at 5.0 V, above its pull-in",
        "names device nobody",
        "('maybe',) is not an expression",
        "names carrier nowhere",
        "limit of -1.0 A",
        "names switch S",
        "is 0.0 ohm",
    ):
        assert part in text


def test_a_reference_that_is_not_a_node_is_refused() -> None:
    with pytest.raises(NetlistError, match="reference"):
        Netlist(("a",), "-", (Branch("R", "a", "a", 1.0),))


@pytest.mark.parametrize(
    "expression",
    [("not",), ("not", ("true",), ("true",)), ("var", "a", "b"), ("and", "x"), ("true", ("true",)), ()],
)
def test_a_malformed_expression_is_refused(expression: tuple[object, ...]) -> None:
    with pytest.raises(NetlistError, match="logic L"):
        Netlist(("-",), "-", devices=(Logic("L", expression),))


def test_an_over_current_may_watch_a_switch() -> None:
    b = NetlistBuilder("-")
    b.switch("S", "a", "-", 0.1)
    b.over_current("F", "S", 1.0)
    assert isinstance(b.build().devices[0], OverCurrent)


def test_positions_run_over_branches_switches_and_diodes() -> None:
    b = NetlistBuilder("-")
    b.switch("S", "a", "-", 0.1)
    b.diode("D", "a", "-")
    netlist = b.build()
    assert list(netlist.branch_index) == ["D.bulk", "S", "D"]
    assert netlist.current_count == 3


def test_changes_in_one_place_add_up() -> None:
    b = NetlistBuilder("-")
    b.branch("R", "-", "a", 1.0)
    table = table_of(
        b.build(), [(Series("R", 1.0), Series("R", 2.0), Shunt("a", "-", 1.0), Shunt("-", "a", 2.0))]
    )
    assert table.element_ohm.tolist() == [3.0]
    assert table.shunt_siemens.tolist() == [3.0]


@pytest.mark.parametrize(
    "change", [Series("R", -1.0), Shunt("a", "-", -1.0), Series("R", math.nan), Shunt("a", "-", math.nan)]
)
def test_a_change_that_takes_away_is_refused(change: Series | Shunt) -> None:
    b = NetlistBuilder("-")
    b.branch("R", "-", "a", 1.0)
    with pytest.raises(NetlistError, match="changes only add"):
        table_of(b.build(), [(change,)])


@pytest.mark.parametrize("change", [Series("X", 1.0), Shunt("a", "b", 1.0), Force("K", value=True)])
def test_a_change_of_something_unknown_is_refused(change: Series | Shunt | Force) -> None:
    b = NetlistBuilder("-")
    b.branch("R", "-", "a", 1.0)
    with pytest.raises(NetlistError, match="does not have"):
        table_of(b.build(), [(change,)])
