"""Machine files: what is wrong with one, what it says, what it assumes, and whether it could work."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from halfsplit.circuit.expansion import used_cavities
from halfsplit.machine.assumptions import assumptions, counts, sharpening
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.service.credibility import Credibility, Doubt, credibility, keep_outs


@dataclass(frozen=True, slots=True)
class Counts:
    """How much a machine has of what."""

    zones: int
    access_steps: int
    parts: int
    connectors: int
    contacts: int
    wires: int
    states: int
    functions: int
    controllers: int
    faults: int


@dataclass(frozen=True, slots=True)
class AssumedLine:
    """How often a fact was assumed, and for whom."""

    thing: str
    attribute: str
    count: int
    ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SharpeningLine:
    """A missing fact that would sharpen most, how many possible faults it concerns, where it is missing."""

    advice: str
    faults: int
    ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class UnseenLine:
    """A fault that no reachable check shows, and the point that would show it ("" when none would)."""

    fault: str
    text: str
    would_show: str
    state: str


@dataclass(frozen=True, slots=True)
class LeadLine:
    """A test point worth having: a lead from ``point``, read against the chassis in ``states``, the best first.

    ``faults`` are those of the unseen that it shows at some severity; ``share`` is what it adds to the leads before it,
    as a share of the odds of all unseen.
    """

    point: str
    states: tuple[str, ...]
    faults: tuple[str, ...]
    share: float


@dataclass(frozen=True, slots=True)
class LeadsReport:
    """Test points for the faults that no reachable check shows.

    ``unseen_odds`` is how likely a fault is one of them before anything was measured. ``best`` are at most three
    points that together show most of these odds; ``showable`` is the share that all possible leads would show.
    """

    unseen_odds: float
    best: tuple[LeadLine, ...]
    showable: float


@dataclass(frozen=True, slots=True)
class MachineReport:
    """All that ``machine check`` says of a machine that can be used.

    ``keep_outs`` are functions that can be measured nowhere near while they work; ``unseen`` and ``leads`` are None
    when they were not looked for.
    """

    machine: str
    name: str
    maker: str
    invented: bool
    system_v: float
    counts: Counts
    credibility: Credibility
    keep_outs: tuple[Doubt, ...]
    assumed: tuple[AssumedLine, ...]
    sharpening: tuple[SharpeningLine, ...]
    unseen: tuple[UnseenLine, ...] | None
    leads: LeadsReport | None


@dataclass(frozen=True, slots=True)
class ShownThing:
    """One line of what a machine has: section, id, name and a few words."""

    section: str
    id: str
    name: str
    words: str


@dataclass(frozen=True, slots=True)
class MachineShown:
    """What a machine file says, section by section."""

    machine: str
    name: str
    maker: str
    about: str
    invented: bool
    system_v: float
    things: tuple[ShownThing, ...]


def check_machine(path: Path, *, look_for_unseen: bool = True) -> MachineReport:
    """Everything there is to say of a machine.

    Raises ProblemsError with every problem when it cannot be used.
    """
    from halfsplit.faults.catalogue import generate

    machine = load_machine(path)
    faults = generate(machine)
    assumed: dict[tuple[str, str], list[str]] = {}
    told = assumptions(machine)
    for one in told:
        assumed.setdefault((one.thing, one.attribute), []).append(one.id)
    lines = tuple(
        AssumedLine(thing, attribute, number, tuple(assumed[(thing, attribute)]))
        for (thing, attribute), number in counts(told).items()
    )
    sharper = tuple(SharpeningLine(one.advice, one.faults, one.ids) for one in sharpening(machine))
    hidden, leads = unseen_faults(machine) if look_for_unseen else (None, None)
    return MachineReport(
        machine.id, machine.name, machine.maker, machine.invented, machine.system_v,
        _counts(machine, len(faults)),
        credibility(machine), keep_outs(machine), lines, sharper, hidden, leads,
    )  # fmt: skip


def unseen_faults(
    machine: Machine, told: Callable[[int, int], None] | None = None
) -> tuple[tuple[UnseenLine, ...], LeadsReport]:
    """Faults that no reachable check shows, and the leads that would show most of them.

    Going through every state takes some seconds on a large machine.

    ``told`` hears how many steps of how many are done.
    """
    from halfsplit.diagnosis.hunt import Bench
    from halfsplit.service.unseen import unseen

    found = unseen(Bench(machine), told)
    lines = tuple(
        UnseenLine(one.fault, one.text, one.would_show[0] if one.would_show else "", one.state) for one in found.faults
    )
    best = tuple(LeadLine(one.point, one.states, one.faults, one.share) for one in found.leads)
    return lines, LeadsReport(found.odds, best, found.showable)


def _counts(machine: Machine, faults: int) -> Counts:
    return Counts(
        zones=len(machine.zones),
        access_steps=len(machine.access),
        parts=len(machine.parts),
        connectors=len(machine.connectors),
        contacts=sum(len(used_cavities(machine, one)) for one in machine.connectors.values()),
        wires=len(machine.wires),
        states=len(machine.states),
        functions=len(machine.functions),
        controllers=sum(part.kind == "controller" for part in machine.parts.values()),
        faults=faults,
    )


def show_machine(path: Path) -> MachineShown:
    """What a machine file says. Raises ProblemsError."""
    machine = load_machine(path)
    things: list[ShownThing] = []
    for state in machine.states.values():
        settings = ", ".join(f"{part} {value}" for part, value in state.settings.items())
        if state.dangers:
            settings += f"; dangers: {', '.join(state.dangers)}"
        things.append(ShownThing("state", state.id, state.name, settings))
    for function in machine.functions.values():
        expected = ", ".join(f"{state} {level}" for state, level in function.expected.items())
        things.append(
            ShownThing("function", function.id, function.name, f"{'/'.join(function.words)}; {expected}")
        )
    for zone in machine.zones.values():
        reach = ", ".join(machine.steps_for_zone(zone.id)) or "nothing to open"
        if marks := machine.kept_out_by((zone.id,), machine.steps_for_zone(zone.id)):
            reach += f"; keep out: {', '.join(marks)}"
        things.append(ShownThing("zone", zone.id, zone.name, reach))
    for step in machine.access.values():
        after = f" after {', '.join(step.after)}" if step.after else ""
        things.append(
            ShownThing(
                "access step", step.id, step.name, f"{step.open_min:g} + {step.close_min:g} min{after}"
            )
        )
    for connector in machine.connectors.values():
        words = f"{connector.family.id}, {len(connector.cavities)} cavities, {connector.zone}"
        things.append(ShownThing("connector", connector.id, connector.name, words))
    things.extend(
        ShownThing("part", part.id, part.name, f"{part.kind}, {part.zone}") for part in machine.parts.values()
    )
    return MachineShown(
        machine.id,
        machine.name,
        machine.maker,
        machine.about,
        machine.invented,
        machine.system_v,
        tuple(things),
    )
