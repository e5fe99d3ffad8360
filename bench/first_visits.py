"""Whole jobs for the load list: what the list stated before leaving, and whether the visit finished the job.

Each seed hides a fault, and a complaint is made of it, each word of it wrong as often as the odds take an operator's
word to be. The list is made from the complaint alone, and the planner works the job until the cause's own repair is
done for the first time, or to its end without. Whether that repair cured at once is known there and then, so nothing
later is played. Played jobs are kept line by line, so that a run can be broken off and gone on with.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from kept_jobs import ENGINE

from halfsplit.diagnosis.complaining import functions_in, states_of
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.load_list import (
    Case,
    Line,
    cases_of,
    finishing,
    load_list,
    needs_of,
    restated,
    something_else,
)
from halfsplit.diagnosis.practice import hide, play
from halfsplit.diagnosis.world import World
from halfsplit.machine.model import Machine
from halfsplit.observations import Complaint, Observation, Symptom

#: What a job's outcome hangs on beside the machine's files; nothing of the program's other parts does.
SOURCES = (*ENGINE, "bench/first_visits.py")
FIRST_LINES = 24


@dataclass(frozen=True, slots=True)
class Load:
    """One load: the chance stated, the same for one cause that the machine file knows, and whether it finished."""

    stated: float
    known: float
    finished: bool


@dataclass(frozen=True, slots=True)
class Visit:
    """One job: the hidden fault's repair group, what each load came to, the belief's odds of "something else" then.

    ``found`` says whether the cause's own repair was done, ``cured`` whether it cured at its first go.
    """

    seed: int
    group: str
    loads: dict[str, Load]
    other: float
    found: bool
    cured: bool


class _Repaired(Exception):
    """The cause's own repair was done; what follows is not played."""


def visit(bench: Bench, seed: int) -> Visit:
    """The job of one seed. What it needs is drawn before it is played, each material by the luck of its share."""
    rng = np.random.default_rng([seed, 11])
    world, complaint = hide(bench, rng)
    complaint = retold(bench.machine, complaint, np.random.default_rng([seed, 13]))
    fault = world.faults[world.hidden[0].fault]
    needs = needs_of(bench.machine, fault, sorted(world.first_blown))
    needed = {need.item for need in needs if rng.random() < need.share}
    belief = Hunt(bench, complaint).belief
    share = something_else(belief.other, belief.other)
    cases, mended = restated(cases_of(belief, bench.signatures, complaint), belief.mended, belief.other, share)
    lines = load_list(cases, mended).lines
    found = _repaired(bench, world, complaint, fault.group)
    cured = found and not world.present
    known = one_known(cases)
    loads = {
        name: Load(finishing(cases, items, mended), finishing(known, items, 0.0), cured and needed <= items)
        for name, items in _items(lines).items()
    }
    return Visit(seed, fault.group, loads, belief.other, found, cured)


def retold(machine: Machine, complaint: Complaint, rng: np.random.Generator) -> Complaint:
    """The complaint with mistakes: where a word is wrong some function is named that need not fail.

    Each is wrong as often as it is not relied upon. One that is told alone may then be of any state, another is of the
    state that the rest is of; what it is said to do is anything but what it should.
    """
    told: dict[tuple[str, str], Symptom] = {}
    for symptom in complaint.symptoms:
        one = symptom
        if rng.random() >= symptom.reliability:
            alone = len(complaint.symptoms) == 1
            state = str(rng.choice(states_of(machine))) if alone else symptom.state
            name = str(rng.choice(functions_in(machine, state)))
            should = machine.functions[name].expected[state]
            level = str(rng.choice([level for level in ("off", "weak", "on") if level != should]))
            one = replace(symptom, function=name, state=state, level=level)  # type: ignore[arg-type] # one of the levels
        told.setdefault((one.function, one.state), one)
    return replace(complaint, symptoms=tuple(told.values()))


def _repaired(bench: Bench, world: World, complaint: Complaint, group: str) -> bool:
    """Whether the planner comes to the cause's own repair; the world is then as that repair left it."""

    def tell(what: str, _: Observation | None, __: float) -> None:
        if what == group:
            raise _Repaired

    try:
        play(bench, world, complaint, tell=tell)
    except _Repaired:
        return True
    return False


def _items(lines: Sequence[Line]) -> dict[str, frozenset[str]]:
    return {
        "all": frozenset(line.item for line in lines),
        "first": frozenset(line.item for line in lines[:FIRST_LINES]),
        "no parts": frozenset(line.item for line in lines if line.sort != "part"),
    }


def one_known(cases: Sequence[Case]) -> list[Case]:
    """The same cases as odds given one fault that the machine file knows."""
    whole = sum(case.alone for case in cases)
    return [replace(case, alone=case.alone / whole, member=0.0) for case in cases]


def visits(bench: Bench, seeds: Sequence[int], file: Path) -> Iterator[Visit]:
    """The jobs of some seeds in their order; those in ``file`` are read, the others played and written down at once."""
    kept = read_visits(file)
    file.parent.mkdir(parents=True, exist_ok=True)
    if file.exists() and not file.read_bytes().endswith(b"\n"):
        with file.open("a", encoding="utf-8") as out:
            out.write("\n")  # a line that was cut short stays alone
    for seed in seeds:
        if seed not in kept:
            kept[seed] = visit(bench, seed)
            with file.open("a", encoding="utf-8") as out:
                out.write(json.dumps(asdict(kept[seed]), separators=(",", ":")) + "\n")
        yield kept[seed]


def read_visits(file: Path) -> dict[int, Visit]:
    """The jobs of a file by seed; a line cut short is as good as none."""
    found = {}
    for line in file.read_text("utf-8").splitlines() if file.exists() else ():
        try:
            plain = json.loads(line)
            loads = {name: Load(**one) for name, one in plain["loads"].items()}
            one = Visit(**{**plain, "loads": loads})
        except (ValueError, KeyError, TypeError, AttributeError):
            continue
        found[one.seed] = one
    return found
