"""What chatters and what latches, against trying every set of device values with 50 digits."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from itertools import product

import numpy as np
import pytest
from tests.outside.machines.elimination import voltages

from halfsplit.circuit.changes import Change, Series, Shunt
from halfsplit.circuit.netlist import Netlist, NetlistBuilder, Threshold
from halfsplit.circuit.settle import settle
from halfsplit.circuit.stamps import Bools

CIRCUITS = 120
RELAYS = 3


def relays(rng: np.random.Generator) -> Netlist:
    """Relays whose coils hang on feeds that sag, some behind a make or break contact of a relay; loads on contacts."""
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", float(rng.uniform(0.01, 2.0)), 12.0)
    for k in range(RELAYS):
        b.branch(f"feed{k}", "+", f"at{k}", float(rng.uniform(0.02, 3.0)))
        b.branch(f"coil{k}", f"coil{k}+", "-", 90.0)
        b.threshold(f"K{k}", f"coil{k}+", "-", pull_in_v=float(rng.uniform(6.5, 8.0)), drop_out_v=3.0)
        b.switch(f"drives{k}", f"at{k}", f"coil{k}+", 0.01)
        by, make = int(rng.integers(RELAYS)), bool(rng.integers(2))
        if rng.random() < 0.7:
            b.closes(f"K{by}", f"drives{k}", when=make)
        else:
            b.branch(f"straight{k}", f"at{k}", f"coil{k}+", 0.05)
        if rng.random() < 0.3:
            b.branch(f"wet{k}", "+", f"coil{k}+", float(rng.uniform(50.0, 400.0)))
        b.switch(f"contact{k}", f"at{k}", f"out{k}", 0.01)
        b.closes(f"K{k}", f"contact{k}")
        b.branch(f"load{k}", f"out{k}", "-", float(10 ** rng.uniform(0.0, 1.5)))
    return b.build()


def fault(rng: np.random.Generator) -> tuple[Change, ...]:
    k = int(rng.integers(RELAYS))
    return (
        (),
        (Series(f"feed{k}", float(10 ** rng.uniform(0.0, 2.0))),),
        (Series(f"feed{k}", math.inf),),
        (Shunt("+", f"coil{k}+", float(10 ** rng.uniform(-2.5, -0.5))),),
    )[int(rng.integers(4))]


def wanted(netlist: Netlist, changes: tuple[Change, ...], values: tuple[bool, ...]) -> tuple[bool, ...]:
    """What each relay would do next at the exact voltages of a set of device values."""
    volts = voltages(netlist, changes, np.array(values), [])
    index, found = netlist.node_index, []
    for device, on in zip(netlist.devices, values, strict=True):
        assert isinstance(device, Threshold)
        over = volts[index[device.plus_node]] - volts[index[device.minus_node]]
        limit = device.drop_out_v if on else device.pull_in_v
        assert abs(over - limit) > 1e-6  # otherwise rounding would decide, and there would be nothing to compare
        found.append(over > limit)
    return tuple(found)


def plain(values: Bools) -> tuple[bool, ...]:
    return tuple(bool(one) for one in values)


@pytest.mark.outside(
    what="whether relays rest, chatter or latch, and the voltages they rest at",
    against="every set of device values tried with 50 digits (mpmath), 120 random circuits of three relays",
    source="tests/outside/circuit/test_named_switching.py; tests/outside/machines/elimination.py",
    status="computed",
    tolerance="1e-6 V; names exact, but for those that chatter or latch beside a state at rest: 1 in 10 at most",
)
def test_chattering_and_latching_are_named(record_property: Callable[..., None]) -> None:
    rng = np.random.default_rng(5)
    worst, seen, beside = 0.0, Counter[str](), 0
    for _ in range(CIRCUITS):
        netlist = relays(rng)
        changes = fault(rng)
        outcome = settle(netlist, changes)
        nexts = {
            values: wanted(netlist, changes, values) for values in product((False, True), repeat=len(netlist.devices))
        }
        at_rest = {values for values, after in nexts.items() if values == after}
        seen[outcome.kind] += 1
        if outcome.kind == "chatters":
            # Each step of the cycle is one that the exact voltages ask for.
            cycle = [plain(one) for one in outcome.cycle]
            assert len(cycle) > 1
            for now, after in zip(cycle, [*cycle[1:], cycle[0]], strict=True):
                switched = [k for k in range(len(now)) if now[k] != after[k]]
                assert switched
                assert all(nexts[now][k] == after[k] for k in switched)
            beside += bool(at_rest)  # it may rest elsewhere, and switched on it does not get there
            continue
        assert plain(outcome.booleans) in at_rest  # so that what rests nowhere is named as chattering
        exact = voltages(netlist, changes, outcome.booleans, [])
        worst = max(worst, float(np.abs(outcome.voltages - np.array(exact)).max()))
        if outcome.kind == "latches":
            others = {plain(one) for one in outcome.alternatives} & at_rest
            beside += not others  # the other start chatters, or the order of switching alone decides
        elif len(at_rest) == 1:
            seen["rests in the one way it can"] += 1
    record_property("largest_deviation", f"{worst:.1e} V")
    record_property("largest_deviation", f"{beside} of {CIRCUITS} beside a state at rest")
    assert worst <= 1e-6
    assert beside <= CIRCUITS // 10
    assert min(seen["chatters"], seen["latches"], seen["rests in the one way it can"]) >= 20, seen
