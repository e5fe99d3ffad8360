"""What every fault does in every state: node voltages, function levels and codes, computed when first asked.

A table has one line per row (fault at a severity) and a last line for the healthy machine. Voltages are those
before the meter is connected: every leak of the catalogue is far below a meter's 10 Mohm, so its loading stays
under one percent; points that float even on the healthy machine are flagged by their source impedance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit.batch import CHATTERS, amps_row, settle_batch, volts_row
from halfsplit.circuit.expansion import expand
from halfsplit.circuit.netlist import Netlist, OverCurrent
from halfsplit.circuit.observing import Readout, readout
from halfsplit.circuit.spread import spread_rows
from halfsplit.circuit.system import System
from halfsplit.faults.applying import changes
from halfsplit.faults.catalogue import Effect
from halfsplit.machine.model import Machine

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

#: Relative standard deviation of part values between two machines of a kind; from memory.
TOLERANCE = {
    "wire:": 0.10, "contact:": 0.5, "terminal:": 0.5, "joint:": 0.5, "stud:": 0.5, "post:": 0.5,
    "pull:": 0.02, "top:": 0.02, "bottom:": 0.02, "ref:": 0.02,
}  # fmt: skip
LOAD_TOLERANCE = 0.08
SWITCH_TOLERANCE = 0.3
#: Standard deviation of a battery's rested voltage between good batteries, for a 12 V system; from
#: electrical_limits.csv ocv12-50 to ocv12-100 (published): 12.24 to 12.65 V, taken as four deviations.
EMF_SPREAD_12V = 0.12


@dataclass(frozen=True, eq=False)
class Lines:
    """Predictions for some sets of effects in one state, one line each.

    ``volts`` ``[lines, nodes]`` in V, ``levels`` ``[lines, functions]``, ``codes`` ``[lines, codes]``,
    ``chatters`` ``[lines]``, ``blown`` ``[lines, fuses]`` (fuses, breakers and tripped outputs).
    """

    volts: Singles
    levels: Singles
    codes: NDArray[np.bool_]
    chatters: NDArray[np.bool_]
    blown: NDArray[np.bool_]


def tolerances(machine: Machine, netlist: Netlist) -> tuple[Floats, Floats]:
    """Standard deviations of every element between good machines: ohm and V, ``[elements]`` each."""
    resistance = np.zeros(netlist.current_count)
    emf = np.zeros(netlist.current_count)
    for at, branch in enumerate(netlist.branches):
        share = next(
            (value for kind, value in TOLERANCE.items() if branch.name.startswith(kind)), LOAD_TOLERANCE
        )
        resistance[at] = share * branch.resistance_ohm
        if branch.name.startswith("cell:"):
            emf[at] = EMF_SPREAD_12V * machine.system_v / 12.0
    for at, switch in enumerate(netlist.switches, start=len(netlist.branches)):
        resistance[at] = SWITCH_TOLERANCE * switch.on_resistance_ohm
    return resistance, emf


class StateTable:
    """All predictions of one state. ``lines`` holds every row of the catalogue, the healthy machine last."""

    def __init__(self, machine: Machine, state: str, effects: Sequence[tuple[Effect, ...]]) -> None:
        self.machine = machine
        self.state = state
        self.netlist: Netlist = expand(machine, machine.states[state])
        self.system = System(self.netlist)
        self.readout: Readout = readout(machine, self.netlist)
        self.nodes = self.netlist.node_index
        self.functions = {name: at for at, name in enumerate(machine.functions)}
        self.codes = {name: at for at, name in enumerate(self.readout.code_names)}
        fuses = [
            (at, device.name.partition(":")[2])
            for at, device in enumerate(self.netlist.devices)
            if isinstance(device, OverCurrent)
        ]
        self._fuse_at = np.array([at for at, _ in fuses], dtype=np.int64)
        self.fuses = tuple(name for _, name in fuses)
        self._rows = np.array(
            [volts_row(self.netlist, node) for node in self.netlist.nodes]
            + [amps_row(self.netlist, name) for name in self.readout.carriers],
            dtype=np.int64,
        )
        self.lines = self.predict([*effects, ()])

    def predict(self, effects: Sequence[tuple[Effect, ...]]) -> Lines:
        """Predictions for each set of effects, in order; exact for several faults at once."""
        sets = [changes(self.netlist, one) for one in effects]
        outcome = settle_batch(self.system, sets, self._rows, second_start=False)
        count = len(self.netlist.nodes)
        amps = outcome.readings[:, count:]
        return Lines(
            volts=outcome.readings[:, :count].astype(np.float32),
            levels=self.readout.levels(amps, outcome.booleans).astype(np.float32),
            codes=self.readout.active(amps, outcome.booleans),
            chatters=outcome.kind == CHATTERS,
            blown=outcome.booleans[:, self._fuse_at],
        )

    @cached_property
    def _spread(self) -> Floats:
        return spread_rows(self.system, *tolerances(self.machine, self.netlist))

    def spread_row(self, plus: str, minus: str) -> Floats:
        """What one deviation of each element does to the healthy voltage between two nodes, ``[elements]``."""
        row: Floats = self._spread[self.nodes[plus]] - self._spread[self.nodes[minus]]
        return row

    def spread_v(self, plus: str, minus: str) -> float:
        """Standard deviation in V of the healthy voltage between two nodes over machines of this kind."""
        column = self._spread[self.nodes[plus]] - self._spread[self.nodes[minus]]
        return float(np.sqrt(column @ column))

    def spreads_v(self, plus: NDArray[np.int64], minus: NDArray[np.int64]) -> Floats:
        """The same for many pairs at once, by node index."""
        column = self._spread[plus] - self._spread[minus]
        result: Floats = np.sqrt(np.einsum("ij,ij->i", column, column))
        return result


class Signatures:
    """The state tables of one machine, made on demand and kept; safe to share between threads."""

    def __init__(self, machine: Machine, effects: Sequence[tuple[Effect, ...]]) -> None:
        self.machine = machine
        self.effects = tuple(effects)
        self._tables: dict[str, StateTable] = {}
        self._lock = Lock()

    def state(self, name: str) -> StateTable:
        """The table of a state."""
        with self._lock:
            if name not in self._tables:
                self._tables[name] = StateTable(self.machine, name, self.effects)
            return self._tables[name]
