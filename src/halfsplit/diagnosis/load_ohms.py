"""Ohms through one load: tells a burnt filament or winding from a bad contact of its plug or a bad terminal on it.

Volts cannot tell the two apart where the load's own pins are out of reach behind the plug, or where nobody may be
near them while the machine works. A load at rest is not what it is at work: a filament is cold, a motor shows its
winding and brushes alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from halfsplit.circuit.expansion import LOAD_PINS, load_ohm
from halfsplit.diagnosis.checks import MINUTES, Check
from halfsplit.machine.model import Machine, Part

#: Resistance at rest as a share of voltage over current at work, and how far that scatters in decades (one
#: deviation). A cold tungsten filament has about a tenth, a motor at rest a third of it or less; from memory.
AT_REST: dict[str, tuple[float, float]] = {
    "lamp": (0.1, 0.2),
    "motor": (0.2, 0.35),
    "solenoid": (1.0, 0.06),
    "heater": (1.0, 0.1),
}

#: Share of a load's own ohms that may be lost to what lies beside it; no source.
BESIDE = 0.1

#: How the id of such a check begins.
THROUGH = "ohms through "


def can_be_read(machine: Machine, name: str) -> bool:
    """Whether a name is that of a load whose ohms say something."""
    part = machine.parts.get(name)
    return part is not None and part.kind in AT_REST


def load_between(machine: Machine, a: str, b: str) -> Part | None:
    """The load whose two pins ``a`` and ``b`` are, None for any other two points."""
    part = machine.parts.get(a.partition(".")[0])
    if part is None or part.kind not in AT_REST:
        return None
    return part if {a, b} == {f"{part.id}.{pin}" for pin in LOAD_PINS[part.kind]} else None


def at_rest(machine: Machine, a: str, b: str) -> tuple[float, float]:
    """What ohms between two points come to at rest, as a share, and the scatter of that in decades (0: none)."""
    part = load_between(machine, a, b)
    return (1.0, 0.0) if part is None else AT_REST[part.kind]


def load_check(machine: Machine, part: Part, state: str) -> Check | None:
    """Ohms through a load with the plug that holds both its pins apart, or on its two bare terminals; None elsewhere.

    ``state`` is the one whose wiring is looked at; the machine is dead for it all the same. On bare terminals it tells
    something only where nothing else lies beside the load (:func:`alone`).
    """
    if part.kind not in AT_REST:
        return None
    pins = LOAD_PINS[part.kind]
    plugs = {part.plugs[pin][0] for pin in pins if pin in part.plugs}
    plus, minus = (f"{part.id}.{pin}" for pin in pins)
    if not plugs:
        return Check(
            f"{THROUGH}{part.id}", "ohms", part.id, part.zone, machine.steps_for_zone(part.zone, part.access),
            MINUTES["ohms"], state=state, plus=plus, minus=minus,
        )  # fmt: skip
    if len(plugs) != 1 or any(pin not in part.plugs for pin in pins):
        return None
    connector = machine.connectors[plugs.pop()]
    return Check(
        f"{THROUGH}{part.id}, {connector.id} out", "ohms", connector.id, connector.zone,
        machine.steps_for_zone(connector.zone, connector.access), MINUTES["ohms"], state=state, plus=plus, minus=minus,
        unplugged=(connector.id,),
    )  # fmt: skip


def alone(machine: Machine, part: Part, sound_ohm: float) -> bool:
    """Whether ``sound_ohm``, what a sound machine shows between the pins of a load, is the load's own and no more."""
    own = load_ohm(machine, part) * AT_REST[part.kind][0]
    return abs(sound_ohm - own) <= BESIDE * own


def load_of(check_id: str) -> str:
    """The load that a check of that id goes through, "" for any other check."""
    return check_id.removeprefix(THROUGH).partition(",")[0] if check_id.startswith(THROUGH) else ""


def suspected(machine: Machine, owners: Iterable[tuple[str, float]], least: float, most: int) -> tuple[Part, ...]:
    """The loads that hold at least the share ``least`` of the odds, likeliest first, ``most`` at most.

    ``owners`` are the things that suspects belong to, with the odds of each.
    """
    share: dict[str, float] = {}
    for owner, odds in owners:
        part = machine.parts.get(owner)
        if part is not None and part.kind in AT_REST:
            share[owner] = share.get(owner, 0.0) + odds
    best = sorted((name for name, odds in share.items() if odds >= least), key=lambda name: (-share[name], name))
    return tuple(machine.parts[name] for name in best[:most])


def decades(machine: Machine, a: str, b: str, meter_decades: float) -> float:
    """Standard deviation of an ohms reading in decades, the meter's own being ``meter_decades``."""
    return math.hypot(meter_decades, at_rest(machine, a, b)[1])
