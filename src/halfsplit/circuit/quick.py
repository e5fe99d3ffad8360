"""Thousands of change sets of one state by the compiled code: what :mod:`halfsplit.circuit.batch` does in arrays."""

from __future__ import annotations

import ctypes
import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit import follow as rounds
from halfsplit.circuit import junctions, native
from halfsplit.circuit.changed import ChangedSets
from halfsplit.circuit.follow import Run
from halfsplit.circuit.netlist import Expression, variables_of
from halfsplit.circuit.stamps import Bools, Compiled, Floats, Ints, logic_order
from halfsplit.errors import InternalError

STUCK = 3  # kernel.h
_END, _VAR, _TRUE, _FALSE, _NOT, _AND, _OR = range(7)  # kernel.h
_DEEPEST = 200  # operands waiting in one condition; the compiled code has room for 256


def _fields() -> list[tuple[str, Any]]:
    """The fields of the structure in kernel.h, in their order: read from there, so that they cannot differ."""
    text = (native.FOLDER / "kernel.h").read_text()
    body = re.sub(r"/\*.*?\*/", "", text[text.index("typedef struct {") : text.index("} Follow;")], flags=re.DOTALL)
    kinds = {"int64_t": ctypes.c_int64, "double": ctypes.c_double}
    found: list[tuple[str, Any]] = []
    for kind, names in re.findall(r"(?:const )?(\w+_t|double)\s+([^;{]+);", body):
        found += [
            (name.strip(" *\n"), ctypes.c_void_p if "*" in name else kinds[kind]) for name in names.split(",")
        ]
    return found


@lru_cache(maxsize=1)
def _structure() -> type[ctypes.Structure]:
    return type("Follow", (ctypes.Structure,), {"_fields_": _fields()})


@dataclass(frozen=True, eq=False)
class Followed:
    """Where change sets ended. Shapes as in :class:`halfsplit.circuit.batch.BatchOutcome`.

    ``kind`` is 0 steady, 1 chatters, 2 latches, 3 stuck: the diodes found no working point, and the set's other
    results are not there. ``sense`` ``[sets, senses]`` only where asked for; nothing in it for what chatters.
    ``junction_v`` ``[sets, diodes]``; nothing in it for what chatters.
    """

    readings: Floats
    sense: Floats
    booleans: Bools
    junction_v: Floats
    kind: NDArray[np.int32]
    cycles: dict[int, tuple[Bools, ...]]


def operations(c: Compiled) -> dict[str, NDArray[Any]]:
    """The logic of all devices as lists of operations, each written after its operands; see kernel.h."""
    at = c.netlist.device_index
    result: list[int] = []
    ordered = logic_order(c.netlist)
    place = {logic.name: number for number, logic in enumerate(ordered)}
    asks: list[list[int]] = [[] for _ in at]
    start, always = [], []

    def write(expression: Expression, waiting: int) -> None:
        kind, parts = expression[0], expression[1:]
        if waiting > _DEEPEST:
            raise InternalError("a condition is nested too deep for the compiled code")
        if kind == "var":
            result.extend((_VAR, at[str(parts[0])]))
        elif kind in ("true", "false"):
            result.append(_TRUE if kind == "true" else _FALSE)
        else:
            for number, part in enumerate(parts):
                write(part, waiting + number + 1)
            result.extend((_NOT,) if kind == "not" else (_AND if kind == "and" else _OR, len(parts)))

    for number, logic in enumerate(ordered):
        start.append(len(result))
        write(logic.expression, 0)
        result.append(_END)
        asked = set(variables_of(logic.expression))
        always.append(any(place.get(name, -1) >= number for name in asked))
        for name in asked:
            asks[at[name]].append(number)

    def ints(values: list[int]) -> NDArray[np.int32]:
        return np.array(values, dtype=np.int32)

    return {
        "logic": ints(result), "logic_start": ints(start), "logic_device": ints([at[one.name] for one in ordered]),
        "logic_always": np.array(always, dtype=np.uint8),
        "asks_start": ints([0, *accumulate(len(one) for one in asks)]), "asks": ints([k for one in asks for k in one]),
    }  # fmt: skip


def follow(batch: ChangedSets, plus: Ints, minus: Ints, *, with_sense: bool) -> Followed:
    """Settles the sets of ``batch`` from its state and reads ``x[plus] - x[minus]`` ``[rows]`` of each."""
    system, c, spans = batch.system, batch.c, batch.system.senses
    values = batch.reactive_values
    own, place, laws = batch.own, batch.reactive_places, system.laws
    rows, kept, x = _columns(batch, plus, minus)
    at = np.full(c.size, -1, dtype=np.int64)
    at[kept] = np.arange(len(kept))
    row = np.full(c.size, -1, dtype=np.int64)
    row[rows] = np.arange(len(rows))
    row[c.reference] = len(rows)  # the last row is the reference's: zeros
    sets, devices = len(batch.sets), c.device_count
    most = rounds.MOST_ROUNDS + devices
    logic = operations(c)
    slow = np.ones(devices, dtype=np.uint8)
    slow[[device for device, _ in c.logic]] = 0
    split = len(batch.plain_reactive)
    touches = batch.touched.sum(axis=1)
    result = Followed(
        np.empty((sets, len(plus))), np.zeros((sets if with_sense else 0, len(spans.plus))),
        np.empty((sets, devices), dtype=np.bool_), np.zeros((sets, c.diode_count)), np.zeros(sets, dtype=np.int32), {},
    )  # fmt: skip
    length = np.zeros(sets, dtype=np.int32)
    link = np.ascontiguousarray((batch.probe_0[c.link_high] - batch.probe_0[c.link_low]).T)
    given: dict[str, Any] = {
        "sets": sets, "own_width": own.used.shape[1], "reactive": len(batch.reactive), "plain": split,
        "diodes": c.diode_count, "devices": devices, "senses": len(spans.plus), "readings": len(plus),
        "senders": len(c.sender_high), "links": len(c.link_at), "thresholds": len(c.threshold_at),
        "overs": len(c.over_at), "switches": len(values.switch_at), "swaps": len(values.swap_at),
        "steps": len(values.step_at), "logics": len(c.logic), "reference": c.reference,
        "x": x, "sense_x": _between(x, at[spans.plus], at[spans.minus], at[c.reference]),
        "reading_x": _between(x, at[plus], at[minus], at[c.reference]), "row": row, "kept": at, "x_stride": len(kept),
        "solution": system.solution, "sense_0": batch.sense_0,
        "reading_0": system.solution[plus] - system.solution[minus], "probe_0": batch.probe_0,
        "probe_sign": batch.probe_sign, "link_0": link, "booleans": system.booleans, "junction_v": system.junction_v,
        "in_plus": own.place.in_plus, "in_minus": own.place.in_minus, "out_plus": own.place.out_plus,
        "out_minus": own.place.out_minus, "own_element": own.element, "alpha": own.alpha, "beta": own.beta,
        "gamma": own.gamma, "used": own.used, "added_ohm": batch.added_ohm, "added_v": batch.added_v,
        "touched_start": np.concatenate([[0], np.cumsum(touches)]), "touched": np.nonzero(batch.touched)[1],
        "most_touched": int(touches.max(initial=0)), "forced": batch.forced,
        "r_element": batch.reactive, "r_in_plus": place.in_plus, "r_in_minus": place.in_minus,
        "r_out_plus": place.out_plus, "r_out_minus": place.out_minus, "r_rho": laws.rho[batch.reactive],
        "r_sigma": laws.sigma[batch.reactive], "r_tau": laws.tau[batch.reactive], "r_ohm": values.resistance,
        "r_emf": values.emf, "with_current": system.answers_with_current,
        "switch_at": values.switch_at, "switch_device": values.switch_device, "switch_when": values.switch_when,
        "swap_at": values.swap_at, "swap_device": values.swap_device, "swap_ohm": values.swap_ohm,
        "step_at": values.step_at, "step_device": values.step_device, "step_v": values.step_size_v,
        "saturation_a": c.saturation_a, "slope_v": c.slope_v, "outside_siemens": batch.outside_siemens,
        "diode_tolerance_v": batch.diode_tolerance_v,
        "threshold_at": c.threshold_at, "over_at": c.over_at, "link_at": c.link_at, "link_sender": c.link_sender,
        "sender_device": c.sender_device, "pull_in_v": c.pull_in_v, "drop_out_v": c.drop_out_v, "limit_a": c.limit_a,
        "link_limits": c.link_limits, "link_reference": c.link_reference, "sender_average_v": c.sender_average_v,
        "absolute": c.absolute, "slow": slow, **logic,
        "sense_over": spans.overs.start, "sense_diode_v": spans.diode_v.start, "sense_diode_a": spans.diode_a.start,
        "sense_link_v": spans.link_v.start, "sense_link_high": spans.link_high_v.start,
        "sense_link_low": spans.link_low_v.start, "most_rounds": most,
        "most_newton_steps": junctions.MOST_NEWTON_STEPS,
        "values": result.readings, "sense": result.sense if with_sense else None, "after": result.booleans,
        "after_v": result.junction_v,
        "kind": result.kind, "cycle_length": length, "cycles": None, "cycle_states": 0, "cycle_room": 0,
    }  # fmt: skip
    made, held = native.filled(
        _structure(), {k: np.ascontiguousarray(v) if isinstance(v, np.ndarray) else v for k, v in given.items()}
    )
    done = native.library().halfsplit_follow(ctypes.byref(made))
    try:
        if done == 0:
            raise MemoryError
        if done < 0:
            raise InternalError(f"The devices did not come to rest or to a cycle in {most} rounds.")
        count = int(getattr(made, "cycle_states"))  # noqa: B009 # a field of the structure, unknown to the types
        if count:
            found = ctypes.string_at(getattr(made, "cycles"), count * devices)  # noqa: B009 # the same
            states = np.frombuffer(found, dtype=np.bool_).reshape(count, devices)
            start = 0
            for number in np.flatnonzero(length).tolist():
                result.cycles[number] = tuple(states[start : start + length[number]].copy())
                start += int(length[number])
    finally:
        native.library().halfsplit_free(getattr(made, "cycles"))  # noqa: B009 # the same
    del held
    return result


def follow_from_state(batch: ChangedSets) -> Run:
    """As :func:`halfsplit.circuit.follow.follow_from_state` for all sets of ``batch``, by the compiled code if there.

    Every diode counts as active then, one that never left the tangent of the state still being on it. ``sense`` is
    empty, and for what chatters or is stuck the state stands.
    """
    if not native.available():
        return rounds.follow_from_state(batch, np.arange(len(batch.sets)))
    none = np.zeros(0, dtype=np.int64)
    found = follow(batch, none, none, with_sense=False)
    stuck = set(np.flatnonzero(found.kind == STUCK).tolist())
    for number in (*found.cycles, *stuck):
        found.booleans[number], found.junction_v[number] = batch.system.booleans, batch.system.junction_v
    active = np.ones(found.junction_v.shape, dtype=np.bool_)
    return Run(found.booleans, found.junction_v, active, found.sense, found.cycles, stuck=stuck)


def _columns(batch: ChangedSets, plus: Ints, minus: Ints) -> tuple[Ints, Ints, Floats]:
    """Columns that the changes and devices need, and of them the unknowns that are looked at.

    Which columns, which unknowns, and the columns as rows with one of zeros after them, the reference's.
    """
    system, c, own, place = batch.system, batch.c, batch.own.place, batch.reactive_places
    senses = system.senses
    rows = batch.needed[batch.needed != c.reference]
    looked_at = [own.out_plus.ravel(), own.out_minus.ravel(), place.out_plus, place.out_minus, senses.plus,
                 senses.minus, plus, minus, np.array([c.reference])]  # fmt: skip
    kept = np.unique(np.concatenate(looked_at))
    x = np.empty((len(rows) + 1, len(kept)))
    x[-1] = 0.0
    if not native.columns_into(c, system.laws, rows, kept, x):
        x[:-1] = system.columns(rows)[rows].take(kept, axis=1)
    return rows, kept, x


def _between(x: Floats, plus: Ints, minus: Ints, reference: int) -> Floats:
    """``x[:, plus] - x[:, minus]``."""
    result = x.take(plus, axis=1)
    against = np.flatnonzero(minus != reference)
    result[:, against] -= x.take(minus[against], axis=1)
    return result
