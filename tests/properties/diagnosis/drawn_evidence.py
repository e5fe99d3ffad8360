"""Random jobs on small machines: a complaint and observations of every kind, work in between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, get_args

import numpy as np

from halfsplit.diagnosis.checks import all_checks
from halfsplit.diagnosis.hunt import Bench
from halfsplit.observations import (
    Action,
    CodeSeen,
    Complaint,
    Level,
    Look,
    Move,
    Observation,
    Reading,
    Showing,
    Symptom,
)

SHOWINGS: tuple[Showing, ...] = get_args(Showing)
LEVELS: tuple[Level, ...] = get_args(Level)


def pick(rng: np.random.Generator, items: Sequence[Any]) -> Any:
    return items[int(rng.integers(len(items)))]


def symptom(bench: Bench, rng: np.random.Generator, state: str) -> Symptom:
    return Symptom(
        pick(rng, list(bench.machine.functions)), state, pick(rng, LEVELS), pick(rng, (0.9, 0.99)), pick(rng, SHOWINGS)
    )


def volts(bench: Bench, rng: np.random.Generator, state: str) -> Reading:
    """A reading near what some row predicts, so that it tells something."""
    table = bench.signatures.state(state)
    plus, minus = pick(rng, table.netlist.nodes), pick(rng, ("", *table.netlist.nodes[:5]))
    row = int(rng.integers(bench.space.rows + 1))
    at_minus = table.nodes[minus or table.netlist.reference]
    value = float(table.lines.volts[row, table.nodes[plus]] - table.lines.volts[row, at_minus])
    return Reading(
        "volts", plus, minus, state, round(value + 0.02 * float(rng.standard_normal()), 2), showing=pick(rng, SHOWINGS)
    )


def seen(bench: Bench, rng: np.random.Generator, state: str) -> Observation:
    machine = bench.machine
    fault = pick(rng, bench.faults)
    match int(rng.integers(0, 7)):
        case 0 | 1:
            return symptom(bench, rng, state)
        case 2 | 3:
            return volts(bench, rng, state)
        case 4:
            kinds = [kind for kind in fault.mode.looks if kind != "move"]
            return Look(pick(rng, kinds), pick(rng, (fault.owner, fault.place)), bool(rng.integers(2)))
        case 5:
            return Move(fault.owner, pick(rng, list(machine.functions)), state, bool(rng.integers(2)))
        case _:
            codes = list(bench.signatures.state(state).codes)
            if codes:
                controller, code = pick(rng, codes)
                return CodeSeen(controller, code, state, bool(rng.integers(2)), pick(rng, SHOWINGS))
            ends = [branch.a for branch in bench.signatures.state(state).netlist.branches][:20]
            return Reading("ohms", pick(rng, ends), "", state, float(10 ** rng.uniform(-1, 5)))


def loaded(bench: Bench, rng: np.random.Generator, state: str) -> Observation:
    """A lamp, a clamp, or something with a connector apart."""
    lamps = [check for check in all_checks(bench.machine, (state,)) if check.kind == "lamp"]
    apart = (pick(rng, list(bench.machine.connectors)),)
    match int(rng.integers(0, 4)):
        case 0:
            lamp = pick(rng, lamps)
            return Reading("lamp", lamp.plus, lamp.minus, state, float(rng.integers(3)), showing=pick(rng, SHOWINGS))
        case 1:
            wire = pick(rng, list(bench.machine.wires))
            return Reading("amps", wire, "", state, round(float(rng.uniform(0, 8)), 2), showing=pick(rng, SHOWINGS))
        case 2:
            return replace(symptom(bench, rng, state), unplugged=apart)
        case _:
            return replace(volts(bench, rng, state), unplugged=apart)


def work(bench: Bench, rng: np.random.Generator) -> Action:
    if rng.random() < 0.3 and bench.machine.connectors:
        return Action(pick(rng, ("unplug-refit", "dry-clean")), pick(rng, list(bench.machine.connectors)))
    correction, _, place = pick(rng, bench.faults).group.partition(":")
    return Action(correction, place)


def job(
    bench: Bench, rng: np.random.Generator, states: Sequence[str], epochs: int, each: int, loads: int = 0
) -> tuple[Complaint, list[list[Observation]], list[Action]]:
    """A complaint, the observations of each epoch, and the work between one epoch and the next.

    ``loads`` more observations of each epoch are of lamps, clamps and connectors apart.
    """
    told = tuple(replace(symptom(bench, rng, pick(rng, states)), showing="yes", reliability=0.9) for _ in range(2))
    complaint = Complaint(told, comes_and_goes=bool(rng.integers(2)))
    observed = [[seen(bench, rng, pick(rng, states)) for _ in range(each)] for _ in range(epochs)]
    actions = [work(bench, rng) for _ in range(epochs - 1)]
    if len(actions) > 2:
        actions[-1] = replace(actions[0])  # the same work once more
    for seen_then in observed:
        seen_then.extend(loaded(bench, rng, pick(rng, states)) for _ in range(loads))
    return complaint, observed, actions


def played(observed: Sequence[Sequence[Observation]], actions: Sequence[Action]) -> list[Observation]:
    """The observations in order, work included."""
    found: list[Observation] = [*observed[0]]
    for action, after in zip(actions, observed[1:], strict=True):
        found.extend((action, *after))
    return found
