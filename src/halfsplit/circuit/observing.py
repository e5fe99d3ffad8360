"""What a person and a service tool would see of a settled circuit: function levels and active codes.

Works on one circuit or on thousands at once: arrays of node voltages and device values have shape
``[circuits, ...]``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit.controllers import device_name
from halfsplit.circuit.expansion import LOAD_PINS, load_ohm
from halfsplit.circuit.netlist import Netlist
from halfsplit.errors import InternalError
from halfsplit.machine.conditions import Expression, parse
from halfsplit.machine.model import Function, Machine

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: A driver that carries less than this share of its limit reports an open circuit; from memory.
OPEN_SHARE = 0.02


Read = Callable[[Floats, Bools], Floats]


@dataclass(frozen=True, slots=True)
class Readout:
    """Where the functions and codes of a machine are read in one netlist.

    ``carriers`` names the branches whose currents the caller must supply, in that order.
    """

    functions: tuple[Read, ...]
    codes: tuple[Callable[[Floats, Bools], Bools], ...]
    code_names: tuple[tuple[str, str], ...]
    carriers: tuple[str, ...]

    def levels(self, amps: Floats, booleans: Bools) -> Floats:
        """Function values ``[circuits, functions]``: share of the rated current, or 0 and 1.

        The current through the load itself counts, so that a lamp with a broken filament is dark although
        the full voltage stands across it.
        """
        if not self.functions:
            return np.zeros((len(booleans), 0))
        return np.stack([read(amps, booleans) for read in self.functions], axis=1)

    def active(self, amps: Floats, booleans: Bools) -> Bools:
        """Which codes are active ``[circuits, codes]``."""
        if not self.codes:
            return np.zeros((len(booleans), 0), dtype=np.bool_)
        return np.stack([read(amps, booleans) for read in self.codes], axis=1)


def readout(machine: Machine, netlist: Netlist) -> Readout:
    """The readout of ``machine`` in one of its netlists."""
    carriers: dict[str, int] = {}
    codes, names = [], []
    functions = tuple(_function(machine, netlist, function, carriers) for function in machine.functions.values())
    for part in machine.parts.values():
        controller = part.controller
        if controller is None:
            continue
        for code in controller.codes.values():
            raised = ("and", ("var", "alive"), parse(code.when))
            codes.append(_condition(machine, netlist, part.id, raised, carriers))
            names.append((part.id, code.id))
    return Readout(functions, tuple(codes), tuple(names), tuple(carriers))


def _device(netlist: Netlist, name: str) -> Read:
    at = netlist.device_index[name]
    return lambda _, booleans: booleans[:, at].astype(np.float64)


def _carrier(carriers: dict[str, int], name: str) -> int:
    return carriers.setdefault(name, len(carriers))


def _function(machine: Machine, netlist: Netlist, function: Function, carriers: dict[str, int]) -> Read:
    if function.measure == "message":
        message, _, receiver = function.watch.partition("@")
        return _device(netlist, f"msg:{receiver}.{message}")
    part = machine.parts[function.watch]
    if function.measure in ("alive", "pulled"):
        return _device(netlist, f"{function.measure}:{part.id}")
    if part.kind in LOAD_PINS:
        at, rated_a = _carrier(carriers, f"load:{part.id}"), machine.system_v / load_ohm(machine, part)
        return lambda amps, _: np.abs(amps[:, at]) / rated_a
    raise InternalError(f"function {function.id} watches {part.id}, a {part.kind}, which nobody can see work")


def _condition(
    machine: Machine, netlist: Netlist, name: str, expression: Expression, carriers: dict[str, int]
) -> Callable[[Floats, Bools], Bools]:
    if expression[0] == "var":
        word = str(expression[1])
        kind, _, pin = word.partition(".")
        if kind == "open":
            controller = machine.parts[name].controller
            limit = controller.outputs[pin].limit_a if controller is not None else 1.0
            wanted, carrier = (
                netlist.device_index[f"on:{name}.{pin}"],
                _carrier(carriers, f"out:{name}.{pin}"),
            )
            return lambda amps, booleans: booleans[:, wanted] & (np.abs(amps[:, carrier]) < OPEN_SHARE * limit)
        at = netlist.device_index[device_name(name, word)]
        return lambda _, booleans: booleans[:, at]
    parts = [
        _condition(machine, netlist, name, item, carriers)  # type: ignore[arg-type] # only "var" holds a word
        for item in expression[1:]
    ]
    if expression[0] == "not":
        return lambda amps, booleans: ~parts[0](amps, booleans)
    join = np.logical_and if expression[0] == "and" else np.logical_or
    return lambda amps, booleans: join.reduce([part(amps, booleans) for part in parts])
