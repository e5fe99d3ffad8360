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
from halfsplit.circuit.changed import ChangedSets, outside_siemens
from halfsplit.circuit.changes import ChangeTable
from halfsplit.circuit.follow import Run
from halfsplit.circuit.netlist import Expression, variables_of
from halfsplit.circuit.stamps import Bools, Compiled, ElementValues, Floats, Ints, logic_order, targets_of
from halfsplit.circuit.system import System
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
    for kind, names in re.findall(r"(?:const )?(\w+_t|double|Pattern)\s+([^;{]+);", body):
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
    ``junction_v`` ``[sets, diodes]`` only where asked for; nothing in it for what chatters. ``switched`` ``[sets]``:
    does any device stand otherwise than in the state, or chatter?
    """

    readings: Floats
    sense: Floats
    booleans: Bools
    junction_v: Floats
    kind: NDArray[np.int32]
    cycles: dict[int, tuple[Bools, ...]]
    switched: Bools


def operations(c: Compiled) -> dict[str, NDArray[Any]]:
    """The logic of all devices as lists of operations, each written after its operands; see kernel.h.

    Worked out once and kept with ``c``.
    """
    kept: dict[str, NDArray[Any]] | None = c.__dict__.get("_operations")
    if kept is None:
        kept = c.__dict__["_operations"] = _operations(c)
    return kept


def _operations(c: Compiled) -> dict[str, NDArray[Any]]:
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


@dataclass(frozen=True, eq=False)
class Ready:
    """What following any change sets of one state needs of the state: the fields of kernel.h that stay the same.

    ``fields`` by their names there.
    """

    fields: dict[str, Any]
    reactive: Ints


def ready(system: System, plus: Ints, minus: Ints, diode_tolerance_v: float) -> Ready | None:
    """The state, looked at by its devices and by ``x[plus] - x[minus]``; kept with the system for the next time.

    None where this way of elimination cannot be gone.
    """
    key = (plus.tobytes(), minus.tobytes(), diode_tolerance_v)
    kept: dict[Any, Ready | None] = system.__dict__.setdefault("_ready", {})
    if key not in kept:
        made = _made_ready(system, plus, minus, diode_tolerance_v)
        kept.clear()
        kept[key] = made
    return kept[key]


def _made_ready(system: System, plus: Ints, minus: Ints, diode_tolerance_v: float) -> Ready | None:
    c, spans, laws = system.c, system.senses, system.laws
    reactive = c.reactive_elements()
    plain = reactive[reactive < c.first_diode]
    values = ElementValues(c, plain)
    place = system.element_places(reactive)
    sending = np.concatenate([c.sender_high, c.sender_low])
    probes = system.element_places(sending)
    look_plus = np.concatenate([spans.plus, plus, place.out_plus, probes.out_plus])
    look_minus = np.concatenate([spans.minus, minus, place.out_minus, probes.out_minus])
    acting = np.concatenate([reactive, sending])
    x = native.looks(c, laws, acting, look_plus, look_minus)
    if x is None:
        return None
    answers, senders = len(spans.plus) + len(plus), len(c.sender_high)
    rho = laws.rho[sending].reshape(2, senders)
    # A step of a sender is a volt in its upper branch and one less in its lower.
    from_sender = x[len(reactive) :, spans.link_v].reshape(2, senders, len(c.link_at))
    link = rho[1][:, None] * from_sender[1] - rho[0][:, None] * from_sender[0]
    own = np.arange(len(plain), len(reactive))
    probe_sign = np.zeros((c.m, senders))
    column = np.arange(senders)
    probe_sign[c.sender_high, column] += 1.0
    probe_sign[c.sender_low, column] -= 1.0
    slow = np.ones(c.device_count, dtype=np.uint8)
    slow[[device for device, _ in c.logic]] = 0
    fields: dict[str, Any] = {
        "reactive": len(reactive), "plain": len(plain), "diodes": c.diode_count, "devices": c.device_count,
        "senses": len(spans.plus), "readings": len(plus), "senders": senders, "links": len(c.link_at),
        "nodes": c.n, "elements": c.m,
        "thresholds": len(c.threshold_at), "overs": len(c.over_at), "switches": len(values.switch_at),
        "swaps": len(values.swap_at), "steps": len(values.step_at), "logics": len(c.logic), "reference": c.reference,
        "pattern": native.pattern(c), "rho": laws.rho, "sigma": laws.sigma, "leak_siemens": c.netlist.leak_siemens,
        "looks": len(look_plus), "answers": answers, "probes": answers + len(reactive),
        "look_plus": look_plus, "look_minus": look_minus, "x": x, "solution": system.solution,
        "sense_0": system.solution[spans.plus] - system.solution[spans.minus],
        "reading_0": system.solution[plus] - system.solution[minus],
        "probe_rho": rho, "probe_sign": probe_sign, "link_0": link,
        "booleans": system.booleans, "junction_v": system.junction_v,
        "r_element": reactive, "r_out_plus": place.out_plus, "r_out_minus": place.out_minus,
        "r_rho": laws.rho[reactive], "r_sigma": laws.sigma[reactive], "r_tau": laws.tau[reactive],
        "r_ohm": values.resistance, "r_emf": values.emf, "with_current": system.answers_with_current,
        "switch_at": values.switch_at, "switch_device": values.switch_device, "switch_when": values.switch_when,
        "swap_at": values.swap_at, "swap_device": values.swap_device, "swap_ohm": values.swap_ohm,
        "step_at": values.step_at, "step_device": values.step_device, "step_v": values.step_size_v,
        "saturation_a": c.saturation_a, "slope_v": c.slope_v,
        "outside_siemens": outside_siemens(system, reactive[own], x[own, answers + own]),
        "diode_tolerance_v": diode_tolerance_v,
        "threshold_at": c.threshold_at, "over_at": c.over_at, "link_at": c.link_at, "link_sender": c.link_sender,
        "sender_device": c.sender_device, "pull_in_v": c.pull_in_v, "drop_out_v": c.drop_out_v, "limit_a": c.limit_a,
        "link_limits": c.link_limits, "link_reference": c.link_reference, "sender_average_v": c.sender_average_v,
        "absolute": c.absolute, "slow": slow, **operations(c),
        "sense_over": spans.overs.start, "sense_diode_v": spans.diode_v.start, "sense_diode_a": spans.diode_a.start,
        "sense_link_v": spans.link_v.start, "sense_link_high": spans.link_high_v.start,
        "sense_link_low": spans.link_low_v.start, "most_rounds": rounds.MOST_ROUNDS + c.device_count,
        "most_newton_steps": junctions.MOST_NEWTON_STEPS,
    }  # fmt: skip
    return Ready({k: np.ascontiguousarray(v) if isinstance(v, np.ndarray) else v for k, v in fields.items()}, reactive)


def _by_set(sets: Ints, count: int) -> Ints:
    """Where each set's rows begin in a list sorted by set, ``[count + 1]``."""
    result = np.zeros(count + 1, dtype=np.int64)
    np.cumsum(np.bincount(sets, minlength=count), out=result[1:])
    return result


def _changes(system: System, reactive: Ints, table: ChangeTable) -> dict[str, Any]:
    """The changes of all sets of ``table``, as kernel.h has them: as :class:`ChangedSets` sorts them."""
    c = system.c
    at_reactive = np.full(c.m, -1, dtype=np.int64)
    at_reactive[reactive] = np.arange(len(reactive))
    folded = at_reactive[table.element] >= 0
    row, touched = table.element_set[folded], at_reactive[table.element[folded]]
    order = np.lexsort((touched, row))
    touched_start = _by_set(row, table.count)
    element, ohm, volts = table.element[~folded], table.element_ohm[~folded], table.element_v[~folded]
    place = system.element_places(element)
    resistance, emf = c.resistances(system.booleans)
    wanted = targets_of(resistance[element] + ohm, emf[element] + volts)
    alpha, beta, gamma = system.element_coefficients(element, wanted)
    siemens = table.shunt_siemens
    weight = np.maximum(siemens, 1.0)
    sets = np.concatenate([table.element_set[~folded], table.shunt_set])
    own = np.argsort(sets, kind="stable")
    own_start = _by_set(sets, table.count)

    def both(one: NDArray[Any], other: NDArray[Any]) -> NDArray[Any]:
        return np.concatenate([one, other])[own]

    held = (table.forced >= 0).any() if table.forced.strides[0] else (table.forced[:1] >= 0).any()
    return {
        "own_start": own_start, "most_own": int(np.diff(own_start).max(initial=0)),
        "in_plus": both(place.in_plus, table.shunt_a), "in_minus": both(place.in_minus, table.shunt_b),
        "out_plus": both(place.out_plus, table.shunt_a), "out_minus": both(place.out_minus, table.shunt_b),
        "own_element": both(element, np.full(len(siemens), -1)),
        "alpha": both(alpha, 1.0 / weight), "beta": both(beta, siemens / weight),
        "gamma": both(gamma, np.zeros(len(siemens))),
        "touched_start": touched_start, "most_touched": int(np.diff(touched_start).max(initial=0)),
        "touched": touched[order], "added_ohm": table.element_ohm[folded][order],
        "added_v": table.element_v[folded][order], "forced": table.forced if held else None,
    }  # fmt: skip


def follow(
    state: Ready, system: System, table: ChangeTable, *, with_sense: bool = False, with_diodes: bool = False
) -> Followed:
    """Settles all sets of ``table`` from the state of ``system`` and reads what ``state`` looks at of each."""
    sets, fields = table.count, state.fields
    devices, readings = fields["devices"], fields["readings"]
    result = Followed(
        np.empty((sets, readings)), np.zeros((sets if with_sense else 0, fields["senses"])),
        np.empty((sets, devices), dtype=np.bool_), np.zeros((sets if with_diodes else 0, fields["diodes"])),
        np.zeros(sets, dtype=np.int32), {}, np.zeros(sets, dtype=np.bool_),
    )  # fmt: skip
    length = np.zeros(sets, dtype=np.int32)
    given: dict[str, Any] = {
        **_changes(system, state.reactive, table), "sets": sets,
        "values": result.readings, "sense": result.sense if with_sense else None, "after": result.booleans,
        "after_v": result.junction_v if with_diodes else None, "switched": result.switched,
        "kind": result.kind, "cycle_length": length, "cycles": None, "cycle_states": 0, "cycle_room": 0,
    }  # fmt: skip
    made, held = native.filled(
        _structure(),
        {k: np.ascontiguousarray(v) if isinstance(v, np.ndarray) else v for k, v in given.items()} | fields,
    )
    done = native.library().halfsplit_follow(ctypes.byref(made))
    try:
        if done == 0:
            raise MemoryError
        if done < 0:
            raise InternalError(f"The devices did not come to rest or to a cycle in {fields['most_rounds']} rounds.")
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
    none = np.zeros(0, dtype=np.int64)
    state = ready(batch.system, none, none, batch.diode_tolerance_v) if native.available() else None
    if state is None:
        return rounds.follow_from_state(batch, np.arange(len(batch.sets)))
    found = follow(state, batch.system, batch.table.part(batch.sets), with_diodes=True)
    stuck = set(np.flatnonzero(found.kind == STUCK).tolist())
    for number in (*found.cycles, *stuck):
        found.booleans[number], found.junction_v[number] = batch.system.booleans, batch.system.junction_v
    active = np.ones(found.junction_v.shape, dtype=np.bool_)
    return Run(found.booleans, found.junction_v, active, found.sense, found.cycles, stuck=stuck)
