"""What is chosen from: the machines at hand, what can fail on each, and the jobs with what they are about."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from halfsplit.diagnosis.naming import function_name, level_word, state_name
from halfsplit.errors import NotFound, Problem, ProblemsError, UserError, nearest
from halfsplit.jobs.recording import load_job
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import RELIABILITY_OPERATOR, Complaint, Level, Symptom
from halfsplit.service.asking import Choice, level_choices
from halfsplit.service.complaints import CONDITIONS, condition_of
from halfsplit.service.desk import Desk, machine_of
from halfsplit.service.examples import examples_folder, shipped

CODES: dict[str, str] = {
    "machine-twice": "Two machine folders at hand describe machines of the same id.",
}

LEVELS: tuple[Level, ...] = get_args(Level)


@dataclass(frozen=True, slots=True)
class MachineLine:
    """A machine at hand."""

    machine: str
    name: str
    maker: str
    invented: bool


@dataclass(frozen=True, slots=True)
class MachineLines:
    """All machines at hand, by name."""

    machines: tuple[MachineLine, ...]


@dataclass(frozen=True, slots=True)
class StateLine:
    """A state a function is looked at in: what is expected there and what may be amiss."""

    state: str
    name: str
    expected: str
    amiss: tuple[Choice, ...]


@dataclass(frozen=True, slots=True)
class FunctionLine:
    """A function that may be complained of, with the states in which somebody would look."""

    function: str
    name: str
    states: tuple[StateLine, ...]


@dataclass(frozen=True, slots=True)
class NamedThing:
    """Something of a machine by id and name."""

    id: str
    name: str


@dataclass(frozen=True, slots=True)
class ComplaintForm:
    """What a complaint on a machine is chosen from; ``units`` are those that had jobs before, latest first."""

    machine: str
    name: str
    invented: bool
    functions: tuple[FunctionLine, ...]
    conditions: tuple[str, ...]
    things: tuple[NamedThing, ...]
    units: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class JobCard:
    """One job in a list, told so that a person knows it again."""

    job: str
    machine: str
    machine_name: str
    unit: str
    state: str
    opened: str
    changed: str
    complaint: tuple[str, ...]
    minutes: float


@dataclass(frozen=True, slots=True)
class JobCards:
    """Jobs, the one touched last first; ``more`` were left out."""

    jobs: tuple[JobCard, ...]
    more: int


@dataclass(frozen=True, slots=True)
class Told:
    """One function complained of, by the machine file's ids and one of LEVELS or the function's own words."""

    function: str
    state: str
    level: str


class Board:
    """The machines at hand: the shipped ones and those of the given folders.

    Raises UserError("machine-twice"), NotFound or ProblemsError for the folders given.
    """

    def __init__(self, folders: tuple[Path, ...] = (), *, with_shipped: bool = True) -> None:
        self._paths: dict[str, Path] = {}
        self._machines: dict[str, Machine] = {}
        self._kept: dict[str, Machine] = {}
        for folder in folders:
            machine = load_machine(folder)
            if machine.id in self._paths:
                raise UserError("machine-twice", f"{self._paths[machine.id]} and {folder} are both {machine.id}.")
            self._paths[machine.id] = folder
            self._machines[machine.id] = machine
        if with_shipped:
            for name in shipped():
                self._paths.setdefault(name, examples_folder() / name)

    def path(self, machine_id: str) -> Path:
        """The folder of a machine at hand. Raises NotFound."""
        if machine_id not in self._paths:
            raise NotFound("machine", machine_id, self._paths)
        return self._paths[machine_id]

    def machine(self, machine_id: str) -> Machine:
        """A machine at hand, read when first asked for. Raises NotFound."""
        path = self.path(machine_id)
        if machine_id not in self._machines:
            self._machines[machine_id] = load_machine(path)
        return self._machines[machine_id]

    def lines(self) -> MachineLines:
        """All machines at hand, by name."""
        machines = [self.machine(one) for one in self._paths]
        found = [MachineLine(one.id, one.name or one.id, one.maker, one.invented) for one in machines]
        return MachineLines(tuple(sorted(found, key=lambda one: (one.name.casefold(), one.machine))))

    def form(self, desk: Desk, machine_id: str) -> ComplaintForm:
        """What a complaint on a machine is chosen from. Raises NotFound."""
        machine = self.machine(machine_id)
        lines = sorted(desk.store.jobs(machine=machine.id), key=lambda line: line.changed, reverse=True)
        things: dict[str, str] = {one.id: one.name for one in machine.connectors.values()}
        things |= {one.id: one.name for one in machine.parts.values()}
        things |= {one.id: one.name for one in machine.runs.values()}
        return ComplaintForm(
            machine.id,
            machine.name or machine.id,
            machine.invented,
            tuple(_function_line(machine, one) for one in machine.functions),
            CONDITIONS,
            tuple(NamedThing(name, said) for name, said in things.items()),
            tuple(dict.fromkeys(line.unit for line in lines if line.unit)),
        )

    def cards(self, desk: Desk, *, everything: bool = True, most: int = 50) -> JobCards:
        """The jobs of the store, all or the open ones, at most ``most``."""
        lines = sorted(
            desk.store.jobs(state=None if everything else "open"), key=lambda line: line.changed, reverse=True
        )
        found = []
        for line in lines[:most]:
            machine = self._kept_machine(desk, line.fingerprint, line.machine)
            job = load_job(desk.store, line.id)
            complaint = tuple(
                f"{function_name(machine, one.function)}: {level_word(machine, one.function, one.level)}"
                for one in job.complaint.symptoms
            )
            found.append(
                JobCard(
                    line.id, line.machine, machine.name or line.machine, line.unit, line.state, line.opened,
                    line.changed, complaint, job.minutes,
                )
            )  # fmt: skip
        return JobCards(tuple(found), max(0, len(lines) - most))

    def _kept_machine(self, desk: Desk, fingerprint: str, machine_id: str) -> Machine:
        if fingerprint in desk.benches:
            return desk.benches[fingerprint].machine
        if fingerprint not in self._kept:
            self._kept[fingerprint] = machine_of(desk.store.get_machine(fingerprint), machine_id)
        return self._kept[fingerprint]


def complaint_told(
    machine: Machine, told: tuple[Told, ...], conditions: tuple[str, ...], worked_on: tuple[str, ...],
    *, comes_and_goes: bool, words: str,
) -> Complaint:  # fmt: skip
    """The complaint made of what was chosen. Raises ProblemsError with everything that does not fit the machine."""
    symptoms: list[Symptom] = []
    problems: list[Problem] = []
    for one in told:
        function = machine.functions.get(one.function)
        if function is None:
            said = f'This machine has no function "{one.function}".'
            near = nearest(one.function, machine.functions)
            problems.append(Problem("complaint-unknown", None, None, said, near, "function"))
            continue
        if one.state not in machine.states:
            said = f'This machine has no state "{one.state}".'
            problems.append(Problem("state-unknown", None, None, said, nearest(one.state, machine.states), "state"))
            continue
        level = _level(function.words, one.level)
        if level is None:
            said = f'"{one.level}" is no level of {one.function}.'
            near = nearest(one.level, (*function.words, *LEVELS))
            problems.append(Problem("complaint-unknown", None, None, said, near, "level"))
            continue
        symptoms.append(Symptom(one.function, one.state, level, RELIABILITY_OPERATOR, "yes"))
    chosen = []
    for word in conditions:
        try:
            chosen.append(condition_of(word))
        except UserError as error:
            problems.append(Problem(error.code, None, None, str(error), None, "conditions"))
    known = {*machine.connectors, *machine.parts, *machine.runs}
    for thing in worked_on:
        if thing not in known:
            said = f"This machine has no connector, part or run {thing}."
            problems.append(Problem("subject-unknown", None, None, said, nearest(thing, known), "worked_on"))
    if problems:
        raise ProblemsError(problems)
    sleeping = comes_and_goes or any(one.level == "comes-and-goes" for one in symptoms)
    return Complaint(tuple(symptoms), tuple(dict.fromkeys(chosen)), worked_on, sleeping, words)


def _level(words: tuple[str, str, str], said: str) -> Level | None:
    spoken: Mapping[str, Level] = {words[2]: "on", words[1]: "weak", words[0]: "off"}
    if said == "comes and goes":
        return "comes-and-goes"
    for level in LEVELS:
        if said == level:
            return level
    return spoken.get(said)


def _function_line(machine: Machine, name: str) -> FunctionLine:
    function = machine.functions[name]
    states = []
    for state in function.expected:
        levels = level_choices(function, state)
        good = next(one for one in levels if one.tone == "right")
        amiss = tuple(one for one in levels if one.tone == "amiss")
        states.append(StateLine(state, state_name(machine, state), good.label, amiss))
    # Where it should work comes first: that is where people complain of it.
    states.sort(key=lambda line: function.expected[line.state] != "on")
    return FunctionLine(name, function_name(machine, name), tuple(states))
