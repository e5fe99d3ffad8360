"""What relays, fuses, controllers and bus links do: rest, chatter, latch, trip."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halfsplit.circuit.batch import CHATTERS, LATCHES, STEADY, amps_row, settle_batch, volts_row
from halfsplit.circuit.changes import Change, Force, Series, Shunt
from halfsplit.circuit.meters import unplugged
from halfsplit.circuit.netlist import Netlist, NetlistBuilder
from halfsplit.circuit.settle import settle
from halfsplit.circuit.system import System

pytestmark = pytest.mark.usefixtures("computed")


def relay_with_lamp(builder: NetlistBuilder | None = None) -> NetlistBuilder:
    """12 V, a feed wire, a 90 ohm relay coil behind it and a 2 ohm lamp behind the relay's contact."""
    b = builder or NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.branch("feed", "+", "fed", 0.02)
    b.branch("coil", "fed", "-", 90.0)
    b.threshold("K1", "fed", "-", pull_in_v=7.5, drop_out_v=3.0)
    b.switch("contact", "fed", "lit", 0.01)
    b.closes("K1", "contact")
    b.branch("lamp", "lit", "-", 2.0)
    return b


def test_a_healthy_relay_pulls_in_and_lights_its_lamp() -> None:
    outcome = settle(relay_with_lamp().build())
    assert outcome.kind == "steady"
    assert outcome.is_on("K1")
    assert outcome.amps("lamp") == pytest.approx(12.0 / 2.04, rel=2e-3)
    assert outcome.amps("contact") == pytest.approx(outcome.amps("lamp"), rel=1e-6)


def test_a_feed_that_sags_under_the_lamp_makes_the_relay_chatter() -> None:
    netlist = relay_with_lamp().build()
    bad_feed = (Series("feed", 20.0),)
    outcome = settle(netlist, bad_feed)
    assert outcome.kind == "chatters"
    assert outcome.moving == ("K1",)
    assert [bool(state[0]) for state in outcome.cycle] in ([False, True], [True, False])
    released, pulled = 12.0 * 90.0 / 110.03, 12.0 * (180 / 92) / (20.03 + 180 / 92)
    assert outcome.volts("fed") == pytest.approx((released + pulled) / 2.0, rel=1e-2)
    batch = settle_batch(System(netlist), [bad_feed], [volts_row(netlist, "fed")])
    assert batch.kind[0] == CHATTERS
    assert batch.switched[0]
    assert len(batch.cycles[0]) == 2
    assert batch.readings[0, 0] == pytest.approx(outcome.volts("fed"), rel=1e-9)


def test_a_relay_fed_through_its_own_closed_contact_chatters() -> None:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.switch("nc", "+", "fed", 0.01)
    b.branch("coil", "fed", "-", 90.0)
    b.threshold("K1", "fed", "-", pull_in_v=7.5, drop_out_v=3.0)
    b.closes("K1", "nc", when=False)
    outcome = settle(b.build())
    assert outcome.kind == "chatters"
    assert outcome.moving == ("K1",)
    assert len(outcome.cycle) == 2


def self_holding() -> Netlist:
    """A relay that holds itself through its own contact once a push has pulled it in."""
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.logic("pushed", ("false",))
    b.switch("push", "+", "fed", 0.05)
    b.closes("pushed", "push")
    b.switch("hold", "+", "fed", 0.05)
    b.closes("K1", "hold")
    b.branch("coil", "fed", "-", 90.0)
    b.threshold("K1", "fed", "-", pull_in_v=7.5, drop_out_v=3.0)
    return b.build()


def test_a_self_holding_relay_latches_and_history_decides() -> None:
    netlist = self_holding()
    outcome = settle(netlist)
    assert outcome.kind == "latches"
    assert outcome.moving == ("K1",)
    assert not outcome.is_on("K1")
    assert [bool(state[netlist.device_index["K1"]]) for state in outcome.alternatives] == [True]
    after_a_push = settle(netlist, start={"K1": True})
    assert after_a_push.is_on("K1")
    assert after_a_push.volts("fed") == pytest.approx(12.0, rel=1e-2)


def test_a_leak_that_only_holds_a_relay_is_a_latch_in_a_batch_too() -> None:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.logic("asked", ("false",))
    b.switch("drive", "+", "fed", 0.05)
    b.closes("asked", "drive")
    b.branch("coil", "fed", "-", 90.0)
    b.threshold("K1", "fed", "-", pull_in_v=7.5, drop_out_v=3.0)
    netlist = b.build()
    wet = (Shunt("+", "fed", 1.0 / 150.0),)  # 4.5 V at the coil: too little to pull in, enough to hold
    dry_enough = (Shunt("+", "fed", 1.0 / 1000.0),)
    assert settle(netlist, wet).kind == "latches"
    assert settle(netlist, dry_enough).kind == "steady"
    batch = settle_batch(System(netlist), [wet, dry_enough], [volts_row(netlist, "fed")])
    assert batch.kind.tolist() == [LATCHES, STEADY]
    assert bool(batch.alternatives[0][0][netlist.device_index["K1"]])


def test_two_relays_that_lock_each_other_out_latch_instead_of_chattering() -> None:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    for mine, other in (("K1", "K2"), ("K2", "K1")):
        b.switch(f"{mine}.feed", "+", f"{mine}.coil+", 0.01)
        b.branch(f"{mine}.coil", f"{mine}.coil+", "-", 90.0)
        b.threshold(mine, f"{mine}.coil+", "-", pull_in_v=7.5, drop_out_v=3.0)
        b.closes(other, f"{mine}.feed", when=False)
    outcome = settle(b.build())
    assert outcome.kind == "latches"
    assert set(outcome.moving) == {"K1", "K2"}
    assert outcome.is_on("K1") != outcome.is_on("K2")


def fused(limits: dict[str, float]) -> Netlist:
    """A main fuse before two branch fuses, each before a load of 3 ohm."""
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    for name, a, c in (("main", "+", "bus"), ("left", "bus", "l"), ("right", "bus", "r")):
        b.branch(name, a, f"{name}.mid", 0.01)
        b.over_current(f"{name}.blown", name, limits[name])
        b.switch(f"{name}.link", f"{name}.mid", c, 0.001)
        b.closes(f"{name}.blown", f"{name}.link", when=False)
    b.branch("load.l", "l", "-", 3.0)
    b.branch("load.r", "r", "-", 3.0)
    return b.build()


def test_a_short_blows_the_fuse_with_the_largest_overload_and_no_other() -> None:
    netlist = fused({"main": 30.0, "left": 10.0, "right": 10.0})
    short = (Shunt("l", "-", math.inf),)
    outcome = settle(netlist, short)
    assert outcome.is_on("left.blown")
    assert not outcome.is_on("main.blown")
    assert not outcome.is_on("right.blown")
    assert outcome.amps("right") == pytest.approx(4.0, rel=2e-2)
    assert outcome.amps("left") == pytest.approx(0.0, abs=1e-7)  # the leak of the node behind it
    batch = settle_batch(System(netlist), [short], [amps_row(netlist, "right"), amps_row(netlist, "left")])
    assert (batch.booleans[0] == outcome.booleans).all()
    assert np.allclose(batch.readings[0], [outcome.amps("right"), outcome.amps("left")], atol=1e-9)


def test_a_main_fuse_that_is_too_small_blows_first() -> None:
    outcome = settle(fused({"main": 5.0, "left": 100.0, "right": 100.0}), (Shunt("l", "-", math.inf),))
    assert outcome.is_on("main.blown")
    assert not outcome.is_on("left.blown")
    assert outcome.volts("r") == pytest.approx(0.0, abs=1e-6)


def test_a_blown_fuse_stays_blown_although_nothing_overloads_it_any_more() -> None:
    netlist = fused({"main": 30.0, "left": 10.0, "right": 10.0})
    assert settle(netlist, start={"left.blown": True}).is_on("left.blown")


def test_a_device_held_by_a_fault_does_not_follow_the_circuit() -> None:
    netlist = relay_with_lamp().build()
    stuck = (Force("K1", value=False),)
    outcome = settle(netlist, stuck)
    assert not outcome.is_on("K1")
    assert outcome.amps("lamp") == pytest.approx(0.0, abs=1e-6)
    batch = settle_batch(System(netlist), [stuck], [amps_row(netlist, "lamp")])
    assert batch.readings[0, 0] == pytest.approx(0.0, abs=1e-6)
    assert batch.kind[0] == STEADY


def test_hysteresis_keeps_a_relay_where_it_was() -> None:
    netlist = relay_with_lamp().build()
    weak = (Series("coil", 0.0), Series("battery", 2.0))  # 5.8 V with the lamp on, 11.7 V without
    assert settle(netlist, weak).is_on("K1")
    assert settle(netlist, (Series("feed", 0.1),), start={"K1": True}).is_on("K1")


@pytest.mark.parametrize(("volts", "held"), [(-12.0, True), (-5.0, False), (12.0, True)])
def test_a_coil_without_polarity_counts_the_size_of_its_voltage(volts: float, *, held: bool) -> None:
    b = NetlistBuilder("-")
    b.branch("source", "-", "+", 0.01, volts)
    b.branch("coil", "+", "-", 90.0)
    b.threshold("K1", "+", "-", pull_in_v=7.5, drop_out_v=3.0, absolute=True)
    assert settle(b.build()).is_on("K1") is held


def test_logic_follows_at_once_whatever_order_it_is_written_in() -> None:
    b = NetlistBuilder("-")
    b.branch("source", "-", "+", 0.01, 12.0)
    b.branch("load", "+", "-", 10.0)
    b.logic("third", ("and", ("var", "second"), ("var", "T")))
    b.logic("second", ("not", ("var", "first")))
    b.logic("first", ("or", ("false",), ("not", ("var", "T"))))
    b.threshold("T", "+", "-", pull_in_v=9.0, drop_out_v=8.0)
    outcome = settle(b.build())
    assert [outcome.is_on(name) for name in ("first", "second", "third", "T")] == [False, True, True, True]


def test_logic_that_contradicts_itself_chatters() -> None:
    b = NetlistBuilder("-")
    b.branch("source", "-", "+", 0.01, 12.0)
    b.branch("load", "+", "-", 10.0)
    b.logic("liar", ("not", ("var", "liar")))
    outcome = settle(b.build())
    assert outcome.kind == "chatters"
    assert outcome.moving == ("liar",)


def bus(average_v: float = 0.0) -> Netlist:
    """Two transceivers on a pair with a terminator at each end; 30 ohm of drive each, idle bias 15 kohm."""
    b = NetlistBuilder("-")
    for k in (0, 1):
        b.branch(f"bias.h{k}", "-", f"H{k}", 15e3, 2.5)
        b.branch(f"bias.l{k}", "-", f"L{k}", 15e3, 2.5)
        b.branch(f"drive.h{k}", f"mid{k}", f"H{k}", 3000.0)
        b.branch(f"drive.l{k}", f"mid{k}", f"L{k}", 3000.0)
        b.sender(f"M{k}", f"drive.h{k}", f"drive.l{k}", average_v=average_v)
        b.branch(f"end{k}", f"H{k}", f"L{k}", 120.0)
    b.branch("battery", "-", "mains", 0.01, 12.0)
    b.branch("wire.h", "H0", "H1", 0.2)
    b.branch("wire.l", "L0", "L1", 0.2)
    b.bus_link("0>1", "M0", "H1", "L1", "-")
    b.bus_link("1>0", "M1", "H0", "L0", "-")
    return b.build()


BUS_FAULTS: dict[str, tuple[tuple[Change, ...], bool]] = {
    "healthy": ((), True),
    "one terminator missing": ((Series("end0", math.inf),), True),
    "high wire open": ((Series("wire.h", math.inf),), False),
    "low wire open": ((Series("wire.l", math.inf),), False),
    "high to low shorted": ((Shunt("H0", "L0", math.inf),), False),
    "a third terminator": ((Shunt("H0", "L0", 1 / 120.0),), True),
    "six more terminators": ((Shunt("H0", "L0", 6 / 120.0),), False),
    "high held at 12 V": ((Shunt("H0", "mains", math.inf),), False),
}


@pytest.mark.parametrize("average_v", [0.0, 20.0])
@pytest.mark.parametrize("name", list(BUS_FAULTS))
def test_a_bus_link_holds_as_the_physical_layer_says(name: str, average_v: float) -> None:
    changes, holds = BUS_FAULTS[name]
    netlist = bus(average_v)
    outcome = settle(netlist, changes)
    assert outcome.is_on("0>1") is holds
    batch = settle_batch(System(netlist), [changes], [volts_row(netlist, "H1", "L1")])
    assert (batch.booleans[0] == outcome.booleans).all()


def test_a_busy_bus_does_not_look_like_a_held_one() -> None:
    """The average a meter sees of a busy bus is taken off before the idle offset is judged."""
    netlist = bus(average_v=150.0)
    outcome = settle(netlist)
    assert outcome.volts("H1") - outcome.volts("L1") > 0.5
    assert outcome.is_on("0>1")


def test_an_unplugged_module_is_compared_with_the_bus_as_drawn() -> None:
    netlist = bus()
    apart = unplugged(netlist, ["end0", "end1"])
    assert not settle(apart).is_on("0>1")  # 3000 ohm of drive on a bare pair: far above the upper level
    assert settle(unplugged(netlist, ["end0"])).is_on("0>1")
    assert [b.name for b in apart.branches] == [b.name for b in netlist.branches]


def test_devices_that_move_one_at_a_time_get_a_round_each(monkeypatch: pytest.MonkeyPatch) -> None:
    """All at once they go in a circle; one after the other 37 of 40 drop out before the feed holds 7 V."""
    monkeypatch.setattr("halfsplit.circuit.follow.MOST_ROUNDS", 5)
    monkeypatch.setattr("halfsplit.circuit.settle._MOST_ROUNDS", 5)
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 1e-3, 12.0)
    b.branch("feed", "+", "bus", 1e-3)
    for k in range(40):
        b.branch(f"coil{k}", "bus", "-", 1e4)
        b.threshold(f"K{k}", "bus", "-", pull_in_v=7.5, drop_out_v=7.0)
        b.switch(f"contact{k}", "bus", f"lamp{k}", 1e-3)
        b.closes(f"K{k}", f"contact{k}")
        b.branch(f"lamp{k}", f"lamp{k}", "-", 10.0)
    netlist = b.build()
    bad = (Series("feed", 2.0),)
    system = System(netlist)
    assert system.booleans.all()
    batch = settle_batch(system, [bad], [volts_row(netlist, "bus")], second_start=False)
    alone = settle(netlist, bad, start=system.booleans, second_start=False)
    assert batch.kind.tolist() == [LATCHES]
    assert alone.kind == "latches"
    assert batch.booleans[0].sum() == alone.booleans.sum() == 3
    assert batch.readings[0, 0] == pytest.approx(alone.volts("bus"))
