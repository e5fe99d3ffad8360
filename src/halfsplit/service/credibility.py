"""Whether a machine as described could work: every function, fuse, wire, contact and load in every state.

Limits and where they come from:

* continuous current by wire size: common practice, no source; three times as much while a starter cranks;
* a fuse carries 80 % of its rating at most: electrical_limits.csv fuse-size (published course text);
* a contact carries what its family says;
* a load that should work gets 90 % of the system voltage at least: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from halfsplit.circuit.expansion import LOAD_PINS, expand, load_ohm, used_cavities
from halfsplit.circuit.observing import readout
from halfsplit.circuit.settle import Outcome, settle
from halfsplit.errors import Problem, ProblemsError
from halfsplit.machine.model import Machine, State
from halfsplit.machine.rules import nothing_powered

#: Continuous current in A by copper area in mm2: common practice, no source.
CURRENT_BY_SIZE: tuple[tuple[float, float], ...] = (
    (0.5, 4), (0.75, 6), (1, 10), (1.5, 14), (2.5, 20), (4, 30), (6, 40), (10, 60), (16, 90), (25, 120),
    (35, 150), (50, 200), (70, 250),
)  # fmt: skip
#: How much more a wire or contact carries for the seconds a starter cranks: common practice, no source.
SHORT_TIME = 3.0
FUSE_SHARE = 0.80
LOAD_SHARE = 0.90
#: A motor above this rated current (A) that turns makes its state a cranking one: common practice, no source.
STARTER_A = 60.0
#: A state in which nothing carries this much (A) feeds nothing: far below a pull-up, far above leaks; from memory.
POWERED_A = 1e-4


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing that could not be so on a sound machine.

    ``kind`` is "function", "fuse", "wire", "contact", "load", "code" or "rest", and "keep-out" for what can be
    measured nowhere near; ``value`` and ``limit`` are in A or V.
    """

    kind: str
    id: str
    state: str
    what: str
    value: float | None = None
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class Credibility:
    """What was gone through, and every doubt found."""

    states: int
    functions: int
    fuses: int
    wires: int
    contacts: int
    loads: int
    doubts: tuple[Doubt, ...]


def wire_limit_a(area_m2: float) -> float:
    """Continuous current in A for a copper area in m2, between the sizes of the table by a straight line."""
    sizes = [size for size, _ in CURRENT_BY_SIZE]
    amps = [limit for _, limit in CURRENT_BY_SIZE]
    size = area_m2 * 1e6
    if size <= sizes[0]:
        return amps[0] * size / sizes[0]
    if size >= sizes[-1]:
        return amps[-1] * size / sizes[-1]
    return float(np.interp(size, sizes, amps))


def credibility(machine: Machine) -> Credibility:
    """Goes through every state of the sound machine.

    A machine whose circuit cannot be solved raises UserError, one with states that feed nothing ProblemsError.
    """
    doubts: list[Doubt] = []
    dead: list[Problem] = []
    looked = 0
    loads = 0
    for state in machine.states.values():
        netlist = expand(machine, state)
        outcome = settle(netlist)
        if _switched(machine, state) and float(np.abs(outcome.currents).max()) < POWERED_A:
            dead.append(nothing_powered(machine, state.id))
        cranking = _cranks(machine, outcome)
        doubts.extend(_rest(state, outcome))
        found, count = _functions(machine, state, outcome)
        doubts.extend(found)
        looked += count
        doubts.extend(_fuses(machine, state, outcome, cranking))
        doubts.extend(_wires(machine, state, outcome, cranking))
        doubts.extend(_contacts(machine, state, outcome, cranking))
        low, count = _loads(machine, state, outcome)
        doubts.extend(low)
        loads += count
    if dead:
        raise ProblemsError(dead)
    fuses = sum(part.kind in ("fuse", "breaker") for part in machine.parts.values())
    contacts = sum(len(used_cavities(machine, one)) for one in machine.connectors.values())
    return Credibility(
        len(machine.states), looked, fuses, len(machine.wires), contacts, loads, _worst_first(doubts)
    )


def _switched(machine: Machine, state: State) -> bool:
    """Whether a state puts a switch into another position than its resting one, so that something is meant to be fed.

    A state that only says how the machine stands (door open, lever in reverse) may well feed nothing.
    """
    return any(
        machine.parts[part].kind == "switch" and value != machine.parts[part].text("positions").split()[0]
        for part, value in state.settings.items()
    )


def keep_outs(machine: Machine) -> tuple[Doubt, ...]:
    """The functions that work only while people must keep out of the place of what they watch.

    Nobody can measure there while the thing should work; a further state without the danger would let him.
    """
    found = []
    for function in machine.functions.values():
        part = machine.parts.get(function.watch)
        on = [machine.states[state] for state, level in function.expected.items() if level == "on"]
        if part is None or not on:
            continue
        marks = machine.kept_out_by((part.zone,), machine.steps_for_zone(part.zone, part.access))
        dangers = [[danger for danger in state.dangers if danger in marks] for state in on]
        if all(dangers):
            names = ", ".join(dict.fromkeys(danger for each in dangers for danger in each))
            what = (
                f"works only while people keep out of {machine.zones[part.zone].name} ({names}), so nothing is "
                f"measured at {part.id} while it should; a state without that would help"
            )
            found.append(Doubt("keep-out", function.id, on[0].id, what))
    return tuple(found)


def _worst_first(doubts: list[Doubt]) -> tuple[Doubt, ...]:
    """Each thing once, in the state in which it is worst."""
    worst: dict[tuple[str, str], Doubt] = {}
    for doubt in doubts:
        key = (doubt.kind, doubt.id if doubt.kind != "function" else f"{doubt.id}@{doubt.state}")
        known = worst.get(key)
        if known is None or _excess(doubt) > _excess(known):
            worst[key] = doubt
    return tuple(worst.values())


def _excess(doubt: Doubt) -> float:
    if doubt.value is None or not doubt.limit:
        return 1.0
    return doubt.limit / max(doubt.value, 1e-9) if doubt.kind == "load" else doubt.value / doubt.limit


def _cranks(machine: Machine, outcome: Outcome) -> bool:
    return any(
        part.kind == "motor"
        and part.number("current_a") >= STARTER_A
        and abs(outcome.amps(f"load:{part.id}")) > 0.5 * part.number("current_a")
        for part in machine.parts.values()
    )


def _rest(state: State, outcome: Outcome) -> Iterator[Doubt]:
    if outcome.kind == "chatters":
        yield Doubt("rest", ", ".join(outcome.moving), state.id, "the sound machine never comes to rest")
    elif outcome.kind == "latches":
        yield Doubt("rest", ", ".join(outcome.moving), state.id, "the sound machine can rest in two ways")


def _functions(machine: Machine, state: State, outcome: Outcome) -> tuple[list[Doubt], int]:
    read = readout(machine, outcome.netlist)
    amps = np.array([[outcome.amps(branch) for branch in read.carriers]])
    levels = read.levels(amps, outcome.booleans[None])[0]
    found, looked = [], 0
    for function, value in zip(machine.functions.values(), levels, strict=True):
        expected = function.expected.get(state.id)
        if expected is None:
            continue
        looked += 1
        at = 2 if value >= function.full else 1 if value >= function.weak else 0
        if at != (2 if expected == "on" else 0):
            wanted = function.words[2 if expected == "on" else 0]
            found.append(
                Doubt(
                    "function",
                    function.id,
                    state.id,
                    f"{function.words[at]}, expected {wanted}",
                    float(value),
                )
            )
    active = read.active(amps, outcome.booleans[None])[0]
    for (controller, code), on in zip(read.code_names, active, strict=True):
        if on:
            found.append(Doubt("code", f"{controller} {code}", state.id, "active on the sound machine"))
    return found, looked


def _fuses(machine: Machine, state: State, outcome: Outcome, cranking: bool) -> Iterator[Doubt]:
    for part in machine.parts.values():
        if part.kind not in ("fuse", "breaker"):
            continue
        amps = abs(outcome.amps(f"fuse:{part.id}"))
        limit = part.number("rating_a") * (1.0 if cranking else FUSE_SHARE)
        if amps > limit:
            what = f"carries {amps:.1f} A of its {part.number('rating_a'):g} A"
            yield Doubt("fuse", part.id, state.id, what, amps, limit)


def _wires(machine: Machine, state: State, outcome: Outcome, cranking: bool) -> Iterator[Doubt]:
    for wire in machine.wires.values():
        amps = abs(outcome.amps(f"wire:{wire.id}"))
        limit = wire_limit_a(wire.area_m2) * (SHORT_TIME if cranking else 1.0)
        if amps > limit:
            what = f"{wire.area_m2 * 1e6:g} mm2 carries {amps:.1f} A, usual is {limit:g} A"
            yield Doubt("wire", wire.id, state.id, what, amps, limit)


def _contacts(machine: Machine, state: State, outcome: Outcome, cranking: bool) -> Iterator[Doubt]:
    for connector in machine.connectors.values():
        limit = connector.family.current_a * (SHORT_TIME if cranking else 1.0)
        for cavity in used_cavities(machine, connector):
            name = f"contact:{connector.id}.{cavity}"
            if name not in outcome.netlist.branch_index:
                continue
            amps = abs(outcome.amps(name))
            if amps > limit:
                what = f"carries {amps:.1f} A, its family {connector.family.id} stands {limit:g} A"
                yield Doubt("contact", f"{connector.id}.{cavity}", state.id, what, amps, limit)


def _loads(machine: Machine, state: State, outcome: Outcome) -> tuple[list[Doubt], int]:
    found, looked = [], 0
    cranking = _cranks(machine, outcome)
    for function in machine.functions.values():
        part = machine.parts.get(function.watch)
        if function.expected.get(state.id) != "on" or part is None or part.kind not in LOAD_PINS:
            continue
        if part.kind in ("led", "relay"):
            continue  # LEDs and relays are judged by their own thresholds, as a function
        looked += 1
        volts = abs(outcome.amps(f"load:{part.id}")) * load_ohm(machine, part)
        limit = LOAD_SHARE * machine.system_v
        # While a starter cranks the battery itself sags; what the others get then says nothing of the wires.
        if volts < limit and not cranking and not _behind_resistor(machine, outcome, part.id):
            what = f"gets {volts:.1f} V, usual is {limit:.1f} V or more"
            found.append(Doubt("load", part.id, state.id, what, volts, limit))
    return found, looked


def _behind_resistor(machine: Machine, outcome: Outcome, load: str) -> bool:
    """Whether the load's current comes through a resistor part, which is there to take voltage from it."""
    amps = abs(outcome.amps(f"load:{load}"))
    return any(
        part.kind == "resistor" and amps > 0.0 and abs(outcome.amps(f"load:{part.id}")) > 0.9 * amps
        for part in machine.parts.values()
    )
