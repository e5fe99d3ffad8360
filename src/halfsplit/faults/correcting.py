"""The correction sheet of a cause: cautions, steps, parts, values, what to inspect while it is open, what to close.

Built from the machine and the tables; pure. What is done by halves goes on as evidence of what was really done to
the place (``work_really_done``), so that the odds never count a half repair as a whole one.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from halfsplit.errors import InternalError
from halfsplit.faults.catalogue import Fault
from halfsplit.faults.corrections_tables import (
    ClosingRow,
    MaterialRow,
    ValueRow,
    closings_of,
    materials_of,
    steps_of,
    values_of,
)
from halfsplit.faults.modes import corrections
from halfsplit.machine.model import Machine
from halfsplit.observations import Action, ActionKind
from halfsplit.quantities import format_amps, format_area

Went = Literal["partly", "failed"]
Sort = Literal["connector", "run", "stud", "part"]

#: What to look for, by sort of thing; from memory.
LOOK_FOR = {
    "connector": "latch and seals, water, green or backed-out contacts",
    "run": "rubbed or pinched spots, loose clips",
    "stud": "loose nut, rust, paint under the lug, salts",
    "part": "loose, burnt or green terminals, cracks",
}
#: Exposure from this level up counts as the same exposure; from memory.
HARD = ("medium", "high")


@dataclass(frozen=True, slots=True)
class Inspect:
    """Something to look at with the cause in mind: why, and what for."""

    thing: str
    name: str
    sort: Sort
    zone: str
    why: tuple[str, ...]
    look_for: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """All that is needed to correct a cause; cautions are meant to be shown before everything else.

    ``inspect_now`` can be reached with what is open for the work, ``inspect_later`` shares exposure or family
    elsewhere on the machine. ``success`` is the share 0..1 of cases in which the work cures the cause.
    """

    group: str
    fault: str
    correction: str
    zone: str
    access: tuple[str, ...]
    minutes: float
    success: float
    cautions: tuple[str, ...]
    steps: tuple[str, ...]
    materials: tuple[MaterialRow, ...]
    values: tuple[ValueRow, ...]
    closing: tuple[ClosingRow, ...]
    inspect_now: tuple[Inspect, ...]
    inspect_later: tuple[Inspect, ...]
    source: str


def correction_sheet(
    machine: Machine, fault: Fault, cautions: Sequence[str], open_steps: Collection[str] = ()
) -> Sheet:
    """The sheet for ``fault``.

    ``cautions`` are those of the place, the machine and the work, in order, put before the sheet's own; there is
    no sheet without any (InternalError). ``open_steps`` are access steps that are open already.
    """
    if not cautions:
        raise InternalError("A correction was to be described without its cautions.")
    correction = corrections()[fault.mode.correction]
    access = machine.steps_for_zone(fault.zone, fault.access)
    fitting = _fitting(machine, fault)
    words = _words(machine, fault)
    rows = steps_of(correction.id, fitting)
    own = [_filled(row.text, words) for row in rows if row.kind == "caution"]
    now, later = _inspect(machine, fault, {*access, *open_steps})
    return Sheet(
        group=fault.group,
        fault=fault.text,
        correction=correction.text,
        zone=machine.zones[fault.zone].name or fault.zone,
        access=access,
        minutes=fault.repair_min,
        success=fault.success,
        cautions=tuple(dict.fromkeys((*cautions, *own))),
        steps=tuple(_filled(row.text, words) for row in rows if row.kind == "step"),
        materials=materials(machine, fault),
        values=values_of(correction.id, fitting, machine.system_v),
        closing=closings_of(fault.mode.id),
        inspect_now=now,
        inspect_later=later,
        source=correction.source,
    )


def materials(machine: Machine, fault: Fault) -> tuple[MaterialRow, ...]:
    """Parts, consumables and tools that correcting ``fault`` takes, in this machine's words."""
    words = _words(machine, fault)
    return tuple(
        replace(row, item=_filled(row.item, words))
        for row in materials_of(fault.mode.correction, _fitting(machine, fault))
    )


def work_really_done(group: str, owner: str, went: Went, why: str = "") -> Action:
    """A correction that was done in part or could not be done, as the work that was really done to the place.

    Renewing a contact, done in part, was a cleaning of its connector; what failed at a connector was at least an
    unplugging and refitting. Everything else that was only begun cures nothing, and is noted as work on the place.
    ``group`` is the repair group, ``owner`` the thing it belongs to. From memory; the odds then follow curing.py.
    """
    correction, _, place = group.partition(":")
    kinds: dict[tuple[str, Went], ActionKind] = {
        ("renew-contact", "partly"): "dry-clean",
        ("renew-contact", "failed"): "unplug-refit",
        ("dry-clean", "partly"): "unplug-refit",
        ("dry-clean", "failed"): "unplug-refit",
    }
    kind = kinds.get((correction, went), "other")
    text = corrections()[correction].text
    said = f"{text}, {'in part' if went == 'partly' else 'could not be done'}"
    return Action(kind, owner if kind != "other" else place, f"{said}: {why}" if why else said)


def _fitting(machine: Machine, fault: Fault) -> set[str]:
    part = machine.parts.get(fault.owner)
    return {fault.mode.id, *((part.kind,) if part is not None else ())}


def _words(machine: Machine, fault: Fault) -> dict[str, str]:
    """What the braces of the tables stand for on this machine."""
    connector, part = machine.connectors.get(fault.owner), machine.parts.get(fault.owner)
    rating = part.values.get("rating_a") if part is not None else None
    wire = _wire(machine, fault)
    name = connector.name if connector else part.name if part else ""
    return {
        "{owner}": f"{fault.owner} ({name})" if name and name != fault.owner else fault.owner,
        "{part}": f"{part.name} ({part.id})" if part is not None else fault.owner,
        "{family}": f"family {connector.family.id}" if connector is not None else "its family",
        "{rating}": format_amps(rating) if isinstance(rating, float | int) else "the same rating",
        "{wire}": format_area(wire) if wire is not None else "this size of wire",
        "{system}": f"for {machine.system_v:g} V",
    }


def _wire(machine: Machine, fault: Fault) -> float | None:
    """Copper area in m2 of the wire the fault is on."""
    name = fault.place.partition("@")[0].partition("+")[0]
    return machine.wires[name].area_m2 if name in machine.wires else None


def _filled(text: str, words: dict[str, str]) -> str:
    for brace, word in words.items():
        text = text.replace(brace, word)
    return text


@dataclass(frozen=True, slots=True)
class _Thing:
    id: str
    name: str
    sort: Sort
    zone: str
    access: tuple[str, ...]
    family: str


def _things(machine: Machine) -> list[_Thing]:
    found = [
        _Thing(one.id, one.name, "connector", one.zone, one.access, one.family.id)
        for one in machine.connectors.values()
    ]
    found += [_Thing(one.id, one.name, "run", zone, (), "") for one in machine.runs.values() for zone in one.zones]
    for part in machine.parts.values():
        sort: Sort = "stud" if part.kind == "stud" else "part"
        found.append(_Thing(part.id, part.name, sort, part.zone, part.access, part.kind))
    return found


def _inspect(
    machine: Machine, fault: Fault, open_steps: Collection[str]
) -> tuple[tuple[Inspect, ...], tuple[Inspect, ...]]:
    """Things to look at now (all of the same zone, and what is reachable and alike) and later (what is alike)."""
    things = _things(machine)
    own = next((one for one in things if one.id == fault.owner), None)
    sort: Sort = own.sort if own is not None else "run"
    here = machine.zones[fault.zone].exposure
    shared = [name for name in fault.mode.exposures if here.get(name, "low") in HARD]
    now: dict[str, tuple[int, Inspect]] = {}
    later: dict[str, tuple[int, Inspect]] = {}
    for thing in things:
        if thing.id == fault.owner:
            continue
        why = []
        if thing.zone == fault.zone:
            why.append("same zone")
        exposure = machine.zones[thing.zone].exposure
        same = [name for name in shared if exposure.get(name, "low") in HARD]
        if same and thing.sort == sort:
            why.append(f"same exposure ({', '.join(same)})")
        if own is not None and own.family and thing.sort == sort and thing.family == own.family:
            why.append("same family" if sort == "connector" else "same kind of part")
        if not why:
            continue
        said = Inspect(thing.id, thing.name, thing.sort, thing.zone, tuple(why), LOOK_FOR[thing.sort])
        reach = set(machine.steps_for_zone(thing.zone, thing.access)) <= set(open_steps)
        into = now if reach else later
        into.setdefault(thing.id, (len(why), said))
    return _ranked(now), _ranked({key: one for key, one in later.items() if key not in now})


def _ranked(found: dict[str, tuple[int, Inspect]]) -> tuple[Inspect, ...]:
    """Most reasons first, then in the order of the machine file."""
    return tuple(one for _, one in sorted(found.values(), key=lambda pair: -pair[0]))
