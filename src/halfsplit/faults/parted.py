"""Which faults part a battery, or a whole body, from the rest of the machine.

What then hangs on little scatters far more than the sound machine does, so these rows have a spread of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit.changed_spread import ChangedSpread, HeldSpread
from halfsplit.circuit.system import System
from halfsplit.faults.applying import table_of_effects
from halfsplit.faults.catalogue import Effect
from halfsplit.machine.model import Machine

#: A battery that gives less than this does not tell what is in series with it; no source.
LEAST_BATTERY_A = 1e-6
#: Currents that differ by less than this share count as one and the same, inputs and leaks apart; no source.
SAME_CURRENT = 0.01
#: A body that a fault moves by more than this is no longer held by its strap; no source.
BODY_MOVES_V = 0.5


@dataclass(frozen=True, eq=False)
class Parted:
    """``rows`` ``[n]`` of the catalogue; ``spread`` holds their spreads in the same order."""

    rows: NDArray[np.int64]
    spread: ChangedSpread

    def keep(self) -> KeptParted:
        """What is worth keeping of it between runs."""
        held = {each.name: getattr(self.spread.held, each.name) for each in fields(HeldSpread)}
        return KeptParted(rows=self.rows, **held)


@dataclass(frozen=True, eq=False, kw_only=True)
class KeptParted(HeldSpread):
    """The same as it is kept between runs: the rows, and what took long to work out of their spreads."""

    rows: NDArray[np.int64]

    def taken_up(self, system: System, effects: int) -> Parted | None:
        """The rows again in a state with so many rows of ``effects``, None where this does not fit."""
        within = self.rows.ndim == 1 and bool(((self.rows >= 0) & (self.rows < effects)).all())
        if not within or not self.fits(system, len(self.rows)):
            return None
        return Parted(self.rows, ChangedSpread(system, self))


def parted_from_battery(
    machine: Machine,
    system: System,
    effects: Sequence[tuple[Effect, ...]],
    volts: NDArray[np.float32],
    sigma_resistance_ohm: NDArray[np.float64],
    sigma_emf_v: NDArray[np.float64],
) -> Parted:
    """The rows of ``effects`` that add resistance in series with a battery or that move a body, and their spreads.

    ``volts`` ``[rows + 1, nodes]`` are the predictions of the rows, the sound machine last.
    """
    netlist = system.netlist
    names = [*(one.name for one in netlist.branches), *(one.name for one in netlist.switches)]
    named = dict(enumerate(names))
    amps = np.abs(system.solution[system.c.n :][: len(named)])
    whole = np.zeros(len(amps), dtype=np.bool_)
    for at, name in named.items():
        kind, _, part = name.partition(":")
        if kind == "cell" and machine.parts[part].kind == "battery" and amps[at] > LEAST_BATTERY_A:
            whole |= np.abs(amps - amps[at]) <= SAME_CURRENT * amps[at]
    in_series = {named[at] for at in np.flatnonzero(whole).tolist()}
    cut = np.zeros(len(effects), dtype=np.bool_)
    cut[[row for row, own in enumerate(effects) for one in own if one.a in in_series and one.kind == "series"]] = True
    bodies = [at for at, name in enumerate(netlist.nodes) if name.startswith("body:")]
    moved = np.abs(volts[:-1, bodies] - volts[-1, bodies]).max(axis=1, initial=0.0) > BODY_MOVES_V
    rows = np.flatnonzero(cut | moved)
    table = table_of_effects(netlist, [effects[row] for row in rows.tolist()])
    return Parted(rows, ChangedSpread.made(system, table, sigma_resistance_ohm, sigma_emf_v))
