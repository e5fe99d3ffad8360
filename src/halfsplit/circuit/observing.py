"""What a person and a service tool would see of a settled circuit: function levels and active codes.

Works on one circuit or on thousands at once: arrays of node voltages and device values have shape
``[circuits, ...]``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
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

    ``silences`` are read like codes: whether a controller cannot be heard on the bus beside another one, named by the
    controller and ``silence_code`` of the other, and whether somebody sends there and is not understood, named by the
    one beside which that is and ``BUS_ERRORS``. Nobody reads them out; a log of the bus tells them.

    ``carriers`` names the branches whose currents the caller must supply, in that order.
    """

    functions: tuple[Read, ...]
    codes: tuple[Callable[[Floats, Bools], Bools], ...]
    code_names: tuple[tuple[str, str], ...]
    silences: tuple[Callable[[Floats, Bools], Bools], ...]
    silence_names: tuple[tuple[str, str], ...]
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


    def silent(self, amps: Floats, booleans: Bools) -> Bools:
        """Which controllers cannot be heard ``[circuits, silences]``."""
        if not self.silences:
            return np.zeros((len(booleans), 0), dtype=np.bool_)
        return np.stack([read(amps, booleans) for read in self.silences], axis=1)


#: How the id of a silence begins that stands among codes; no code of a machine file can have it.
SILENT_BESIDE = "silent@"


def silence_code(beside: str) -> str:
    """The id among a controller's codes for its not being heard on the bus beside another controller."""
    return f"{SILENT_BESIDE}{beside}"


#: The id among a controller's codes for error frames on the bus beside it: somebody sends and is not understood.
BUS_ERRORS = "errors@bus"


def told_by_log(code: str) -> bool:
    """Whether what stands among codes under this id is no code but told by a log of the bus."""
    return code == BUS_ERRORS or code.startswith(SILENT_BESIDE)


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
    silences, silent = [], []
    for name, beside in _neighbours(machine):
        silences.append(_silence(machine, netlist, name, beside))
        silent.append((name, silence_code(beside)))
    for beside, others in _others(machine).items():
        silences.append(_errors(netlist, [_links(machine, netlist, name, beside) for name in others], others))
        silent.append((beside, BUS_ERRORS))
    return Readout(functions, tuple(codes), tuple(names), tuple(silences), tuple(silent), tuple(carriers))


def _neighbours(machine: Machine) -> list[tuple[str, str]]:
    """Every two controllers on one bus, both ways, and each such controller beside itself."""
    buses = {
        part.id: {member.bus for member in part.controller.buses}
        for part in machine.parts.values()
        if part.controller is not None
    }
    pairs = [(one, other) for one in buses for other in buses if one != other and buses[one] & buses[other]]
    return [*pairs, *((one, one) for one in dict.fromkeys(one for one, _ in pairs))]


def _others(machine: Machine) -> dict[str, list[str]]:
    """For every controller on a bus with others those others."""
    found: dict[str, list[str]] = {}
    for name, beside in _neighbours(machine):
        if name != beside:
            found.setdefault(beside, []).append(name)
    return found


def _links(machine: Machine, netlist: Netlist, name: str, beside: str) -> list[int]:
    # Controllers on two shared buses have a link over the first alone.
    wanted = [f"link:{beside}<{name}.{bus}" for bus in machine.buses]
    return [netlist.device_index[link] for link in wanted if link in netlist.device_index]


def _errors(
    netlist: Netlist, links: Sequence[Sequence[int]], others: Sequence[str]
) -> Callable[[Floats, Bools], Bools]:
    alive = [netlist.device_index[f"alive:{name}"] for name in others]

    def garbled(_: Floats, booleans: Bools) -> Bools:
        pairs = zip(alive, links, strict=True)
        result: Bools = np.logical_or.reduce([booleans[:, at] & ~booleans[:, via].any(axis=1) for at, via in pairs])
        return result

    return garbled


def _silence(machine: Machine, netlist: Netlist, name: str, beside: str) -> Callable[[Floats, Bools], Bools]:
    alive = netlist.device_index[f"alive:{name}"]
    links = _links(machine, netlist, name, beside)
    return lambda _, booleans: ~(booleans[:, alive] & booleans[:, links].any(axis=1))


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
