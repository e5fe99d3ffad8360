"""What the devices do next, given what they see; the same rules for one circuit and for thousands at once."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit.stamps import Bools, Compiled, Floats, Ints

Forced = NDArray[np.int8]
"""Shape ``[circuits, devices]``: -1 free, 0 held false, 1 held true."""


@dataclass(frozen=True)
class Senses:
    """Which pairs of unknowns the devices look at: value = x[plus] - x[minus]; the reference row is always 0.

    Order: thresholds, over-currents, diode voltages, diode currents, link differences, link high to ground,
    link low to ground.
    """

    plus: Ints
    minus: Ints
    thresholds: slice
    overs: slice
    diode_v: slice
    diode_a: slice
    link_v: slice
    link_high_v: slice
    link_low_v: slice


def senses_of(c: Compiled) -> Senses:
    """The rows the devices of a netlist look at."""
    here = np.full
    parts = [
        (c.threshold_plus, c.threshold_minus),
        (c.n + c.over_element, here(len(c.over_element), c.reference)),
        (c.a[c.first_diode :], c.b[c.first_diode :]),
        (c.n + np.arange(c.first_diode, c.m), here(c.diode_count, c.reference)),
        (c.link_high, c.link_low),
        (c.link_high, c.link_ground),
        (c.link_low, c.link_ground),
    ]
    ends = np.cumsum([0, *(len(part[0]) for part in parts)])
    spans = [slice(int(start), int(stop)) for start, stop in pairwise(ends)]
    plus = np.concatenate([part[0] for part in parts]).astype(np.int64)
    minus = np.concatenate([part[1] for part in parts]).astype(np.int64)
    return Senses(plus, minus, *spans)


def apply_logic(c: Compiled, booleans: Bools, forced: Forced) -> None:
    """Works out every logic device in place, shape ``[circuits, devices]``; held devices keep their value."""
    for index, function in c.logic:
        value = function(booleans)
        held = forced[:, index]
        booleans[:, index] = np.where(held >= 0, held == 1, value)


def start_values(c: Compiled, circuits: int, forced: Forced, *, everything_on: bool) -> Bools:
    """Device values to start from: all off, or thresholds and links on; fuses whole, logic worked out."""
    booleans = np.zeros((circuits, c.device_count), dtype=np.bool_)
    if everything_on:
        booleans[:, c.threshold_at] = True
        booleans[:, c.link_at] = True
    booleans = np.where(forced >= 0, forced == 1, booleans)
    apply_logic(c, booleans, forced)
    return booleans


def links_hold(c: Compiled, sense: Floats, senses: Senses, response: Floats, booleans: Bools) -> Bools:
    """Which bus links hold, shape ``[circuits, links]``.

    ``response`` has shape ``[circuits, senders, links]``: V at the link's pair for a unit step of the sender.
    """
    links = np.arange(len(c.link_at))
    active = np.where(c.sender_device >= 0, booleans[:, c.sender_device], True)
    average = np.where(active, c.sender_average_v, 0.0)
    idle = sense[:, senses.link_v] - np.einsum("fs,fsl->fl", average, response)
    common = 0.5 * (sense[:, senses.link_high_v] + sense[:, senses.link_low_v])
    reference = c.link_reference
    wired = np.abs(reference) > 1e-9  # a link whose drawn bus does not reach the receiver never holds
    level = response[:, c.link_sender, links] / np.where(wired, reference, 1.0)
    low, high, idle_limit, common_low, common_high = c.link_limits.T
    hold: Bools = (
        wired
        & (level >= low)
        & (level <= high)
        & (np.abs(idle) < idle_limit)
        & (common >= common_low)
        & (common <= common_high)
    )
    return hold


def next_values(
    c: Compiled, senses: Senses, sense: Floats, response: Floats, booleans: Bools, *, forced: Forced
) -> Bools:
    """Device values after one round, over-currents left as they are. Shapes ``[circuits, ...]``."""
    new = booleans.copy()
    volts = sense[:, senses.thresholds]
    volts = np.where(c.absolute, np.abs(volts), volts)
    was = booleans[:, c.threshold_at]
    new[:, c.threshold_at] = np.where(was, volts > c.drop_out_v, volts >= c.pull_in_v)
    if len(c.link_at):
        new[:, c.link_at] = links_hold(c, sense, senses, response, booleans)
    new = np.where(forced >= 0, forced == 1, new)
    apply_logic(c, new, forced)
    return new


def one_at_a_time(c: Compiled, old: Bools, new: Bools, forced: Forced) -> Bools:
    """Lets only the first device (in the netlist's order) of those about to switch do so; logic follows."""
    slow = np.ones(c.device_count, dtype=np.bool_)
    slow[[index for index, _ in c.logic]] = False
    moving = (old != new) & slow
    first = np.argmax(moving, axis=1)
    rows = np.flatnonzero(moving.any(axis=1))
    stepped = old.copy()
    stepped[rows, first[rows]] = new[rows, first[rows]]
    apply_logic(c, stepped, forced)
    return stepped


def trip(c: Compiled, senses: Senses, sense: Floats, booleans: Bools, forced: Forced) -> Bools:
    """Trips, in each circuit, the one whole over-current device with the largest overload, if any."""
    new = booleans.copy()
    if not len(c.over_at):
        return new
    ratio = np.abs(sense[:, senses.overs]) / c.limit_a
    ratio[booleans[:, c.over_at] | (forced[:, c.over_at] >= 0)] = 0.0
    worst = np.argmax(ratio, axis=1)
    rows = np.flatnonzero(ratio[np.arange(len(ratio)), worst] > 1.0)
    new[rows, c.over_at[worst[rows]]] = True
    apply_logic(c, new, forced)
    return new
