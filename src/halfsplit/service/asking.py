"""How a step is answered with a finger instead of words, and where its leads go.

Every answer offered here is a text that ``typed`` or ``walking`` reads, so that a tap and a typed line are the same
entry. Drawn connector faces show a connector's cavities as the machine file numbers them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from halfsplit.diagnosis.checks import Check, round_functions
from halfsplit.diagnosis.naming import (
    HALVES,
    function_name,
    named,
    place_words,
    point_words,
    state_name,
    wire_words,
    wires_at,
)
from halfsplit.errors import InternalError
from halfsplit.machine.model import Function, Machine
from halfsplit.service.desk import Standing
from halfsplit.service.results import NextStep

Tone = Literal["right", "amiss", "plain"]
Mark = Literal["red", "black", "place", "apart"]
AnswerKind = Literal["words", "reading", "round", "repair"]


@dataclass(frozen=True, slots=True)
class Choice:
    """An answer of one tap: ``text`` is what is written down, ``tone`` whether a sound machine shows it."""

    text: str
    label: str
    tone: Tone


@dataclass(frozen=True, slots=True)
class ReadingUnit:
    """A unit a reading is written down in; ``factor`` turns a number in it into SI."""

    text: str
    factor: float


@dataclass(frozen=True, slots=True)
class RoundLine:
    """One function of a walk round the machine, and what may be amiss with it."""

    function: str
    name: str
    expected: str
    amiss: tuple[Choice, ...]


@dataclass(frozen=True, slots=True)
class FaceCavity:
    """A cavity of a drawn face; ``mark`` "" is none. Rows and columns count from 0."""

    name: str
    row: int
    column: int
    mark: Mark | Literal[""]


@dataclass(frozen=True, slots=True)
class Face:
    """A connector to be drawn, with the cavities in question marked. ``half`` is "" where both halves are alike."""

    connector: str
    name: str
    half: str
    zone: str
    faces: str
    rows: int
    columns: int
    cavities: tuple[FaceCavity, ...]


@dataclass(frozen=True, slots=True)
class Lead:
    """Where a probe goes, or what is to be held apart, in words. ``wires`` names the wires there."""

    mark: Mark
    words: str
    wires: str


@dataclass(frozen=True, slots=True)
class Asked:
    """How the step asked is answered and where it is done.

    ``showing`` tells that it should be said whether the fault was there just then. ``state`` is the name of the
    state the machine is to be in, "" where the step needs none.
    """

    kind: AnswerKind
    choices: tuple[Choice, ...]
    units: tuple[ReadingUnit, ...]
    lines: tuple[RoundLine, ...]
    showing: bool
    state: str
    leads: tuple[Lead, ...]
    faces: tuple[Face, ...]


UNITS: dict[str, tuple[ReadingUnit, ...]] = {
    "volts": (ReadingUnit("V", 1.0), ReadingUnit("mV", 1e-3)),
    "drop": (ReadingUnit("V", 1.0), ReadingUnit("mV", 1e-3)),
    "amps": (ReadingUnit("A", 1.0), ReadingUnit("mA", 1e-3)),
    "ohms": (ReadingUnit("ohm", 1.0), ReadingUnit("kohm", 1e3), ReadingUnit("Mohm", 1e6)),
}
OVER_RANGE = Choice("OL", "OL", "plain")
LOOKED: dict[str, tuple[Choice, ...]] = {
    "along": (Choice("ok", "ok", "right"), Choice("rubbed", "rubbed", "amiss"), Choice("broken", "broken", "amiss")),
    "by-eye": (
        Choice("ok", "ok", "right"), Choice("loose", "loose", "amiss"), Choice("green", "green", "amiss"),
        Choice("burnt", "burnt", "amiss"), Choice("blown", "blown", "amiss"), Choice("broken", "broken", "amiss"),
    ),
    "": (
        Choice("dry", "dry, clean", "right"), Choice("wet", "wet", "amiss"), Choice("green", "green", "amiss"),
        Choice("loose", "loose", "amiss"), Choice("burnt", "burnt", "amiss"), Choice("broken", "broken", "amiss"),
    ),
}  # fmt: skip
REPAIRED = (
    Choice("mended", "mended", "right"),
    Choice("not mended", "not mended", "amiss"),
    Choice("done", "done, not tried yet", "plain"),
)
LAMP = (Choice("lit", "lit", "plain"), Choice("dim", "dim", "plain"), Choice("dark", "dark", "plain"))
SOMETIMES = Choice("comes and goes", "comes and goes", "amiss")


def asked(standing: Standing, found: NextStep) -> Asked | None:
    """How the step of ``found`` is answered; None when nothing is asked."""
    if found.step is None:
        return None
    if found.step.kind == "repair":
        place = next(one.place for one in standing.hunt.bench.space.groups if one.id == found.step.id)
        return asked_of_repair(standing.machine, place)
    check = standing.check(found.step.id)
    if check is None:
        raise InternalError(f"The step {found.step.id} is no check of its own job.")
    return asked_of_check(standing.machine, check, comes_and_goes=standing.hunt.complaint.comes_and_goes)


def asked_of_repair(machine: Machine, place: str) -> Asked:
    """How it is said how a repair went, and where it is done."""
    marks: list[tuple[Mark, str]] = [("place", place)]
    return Asked("repair", REPAIRED, (), (), False, "", _leads(machine, marks), _faces(machine, marks))


def asked_of_check(machine: Machine, check: Check, *, comes_and_goes: bool) -> Asked:
    """How a check is answered and where its leads go; ``comes_and_goes`` is what the complaint says of the fault."""
    marks = _marks(machine, check)
    units = UNITS.get(check.kind, ())
    return Asked(
        kind="round" if check.kind == "round" else "reading" if units else "words",
        choices=_choices(machine, check),
        units=units,
        lines=_round_lines(machine, check) if check.kind == "round" else (),
        showing=comes_and_goes and check.kind not in ("operate", "watch", "round"),
        state=state_name(machine, check.state) if check.state else "",
        leads=_leads(machine, marks),
        faces=_faces(machine, marks),
    )


def level_choices(function: Function, state: str) -> tuple[Choice, ...]:
    """The levels of a function in its own words, the working one first, each once."""
    expected = function.expected.get(state)
    tones: tuple[Tone, Tone, Tone] = (
        ("plain", "plain", "plain") if expected is None
        else ("right", "amiss", "amiss") if expected == "on" else ("amiss", "amiss", "right")
    )  # fmt: skip
    words = function.words[::-1]
    made = {word: Choice(word, word, tone) for word, tone in zip(words, tones, strict=True)}
    return tuple(made.values())


def _choices(machine: Machine, check: Check) -> tuple[Choice, ...]:
    match check.kind:
        case "operate":
            return (*level_choices(machine.functions[check.function], check.state), SOMETIMES)
        case "watch":
            words = machine.functions[check.function].words[::-1]
            return tuple(Choice(word, word, "plain") for word in dict.fromkeys(words))
        case "round":
            return (Choice("all right", "all right", "right"),)
        case "lamp":
            return LAMP
        case "ohms":
            return (OVER_RANGE,)
        case "volts" | "drop" | "amps":
            return ()
        case "code":
            return (Choice("no code", "no code", "right"), Choice("code", "code is active", "amiss"))
        case "move":
            return (Choice("nothing", "nothing changes", "right"), Choice("reacts", "it reacts", "amiss"))
        case _:
            return LOOKED.get(check.look, LOOKED[""])


def _round_lines(machine: Machine, check: Check) -> tuple[RoundLine, ...]:
    found = []
    for name in round_functions(machine, check.state):
        function = machine.functions[name]
        levels = (*level_choices(function, check.state), SOMETIMES)
        good = next(one for one in levels if one.tone == "right")
        amiss = tuple(one for one in levels if one.tone != "right")
        found.append(RoundLine(name, function_name(machine, name), good.label, amiss))
    return tuple(found)


def _marks(machine: Machine, check: Check) -> list[tuple[Mark, str]]:
    """Every place of a check with what goes there, in the order in which a person reads them."""
    found: list[tuple[Mark, str]] = []
    if check.plus:
        found.append(("place" if check.kind == "amps" else "red", check.plus))
    if check.minus:
        found.append(("black", check.minus))
    if not found and check.place and check.kind in ("look", "move"):
        found.append(("place", check.place))
    found += [("apart", one) for one in check.unplugged]
    del machine
    return found


def _leads(machine: Machine, marks: Sequence[tuple[Mark, str]]) -> tuple[Lead, ...]:
    found = []
    for mark, node in marks:
        point = node.partition(":")[0]
        owner = point.partition(".")[0]
        if node.startswith("body:"):
            words = point_words(machine, node)
        elif owner in machine.connectors and "." in point:
            half = HALVES.get(node.partition(":")[2], "")
            words = f"cavity {point.partition('.')[2]} of {named(machine, owner)}{', ' + half if half else ''}"
        else:
            words = place_words(machine, node)
        wires = ", ".join(wire_words(wire) for wire in wires_at(machine, node)) if owner in machine.connectors else ""
        found.append(Lead(mark, words, wires))
    return tuple(found)


def _faces(machine: Machine, marks: Sequence[tuple[Mark, str]]) -> tuple[Face, ...]:
    """A face for each connector among the marks, the halves of an inline one apart."""
    wanted: dict[tuple[str, str], dict[str, Mark]] = {}
    for mark, node in marks:
        point, _, half = node.partition(":")
        owner, _, cavity = point.partition(".")
        connector = machine.connectors.get(owner)
        if connector is None or "@" in node:
            continue
        half = half if connector.inline and half in HALVES else ""
        marked = wanted.setdefault((owner, half), {})
        if cavity in connector.cavities:
            marked[cavity] = mark
    found = []
    for (owner, half), marked in wanted.items():
        connector = machine.connectors[owner]
        if not connector.cavities:
            continue
        found.append(
            Face(
                owner, connector.name, HALVES.get(half, ""), machine.zones[connector.zone].name or connector.zone,
                connector.faces,
                1 + max(row for row, _ in connector.cavities.values()),
                1 + max(column for _, column in connector.cavities.values()),
                tuple(
                    FaceCavity(name, row, column, marked.get(name, ""))
                    for name, (row, column) in connector.cavities.items()
                ),
            )
        )  # fmt: skip
    return tuple(found)
