"""Checks that are typed by two points or by a code's name: the ordinary checks of a bus, asked for or not.

"X30.19 to X30.20", "ohms X30.19 to chassis", "code no-basket of ECU1".
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from halfsplit.circuit.expansion import point_of
from halfsplit.diagnosis.checks import CHASSIS, MINUTES, Check, Point, chassis_node, points
from halfsplit.errors import UserError, nearest
from halfsplit.machine.model import Machine

_PAIR = re.compile(r"(?:ohms )?(\S+) to (\S+)", re.IGNORECASE)
_CODE = re.compile(r"codes? (\S+) of (\S+)", re.IGNORECASE)


def between(machine: Machine, name: str, state: str) -> Check | None:
    """The resistance between two bus lines or from one to the chassis, or the code, that ``name`` is about.

    None when it is about neither. Raises UserError("subject-unknown") for points that are no lines of a bus, and for
    controllers and codes there are not.
    """
    chosen = state or next(iter(machine.states))
    pair, code = _PAIR.fullmatch(name), _CODE.fullmatch(name)
    if pair is not None:
        return _ohms(machine, pair[1], pair[2], chosen)
    return None if code is None else _code(machine, code[1], code[2], chosen)


def bus_points(machine: Machine) -> dict[str, Point]:
    """The cavities of the bus lines in the controllers' plugs, by name."""
    at = points(machine)
    found: dict[str, Point] = {}
    for part in machine.parts.values():
        for member in part.controller.buses if part.controller is not None else ():
            for pin in (member.high, member.low):
                if pin in part.plugs:
                    connector, cavity = part.plugs[pin]
                    node = point_of(machine.connectors[connector], cavity)
                    if node in at:
                        found[node] = at[node]
    return found


def _ohms(machine: Machine, first: str, second: str, state: str) -> Check:
    lines = bus_points(machine)
    by_folded = {name.casefold(): name for name in lines}
    ground = chassis_node(machine)
    ends = []
    for text in (first, second):
        if text.casefold() in (CHASSIS, "frame", ground.casefold()) and ground not in ends:
            ends.append(ground)
        elif text.casefold() in by_folded and by_folded[text.casefold()] not in ends:
            ends.append(by_folded[text.casefold()])
        else:
            near = nearest(text, lines)
            raise UserError(
                "subject-unknown",
                f'"{text}" is no line of a bus in a controller\'s plug, between which and which ohms are weighed.',
                f'Did you mean "{near}"?' if near else f"There are: {', '.join(lines)}." if lines else "",
            )
    plus, minus = ends if ends[0] != ground else reversed(ends)
    point, to = lines[plus], CHASSIS if minus not in lines else minus
    steps = dict.fromkeys((*point.steps, *(lines[minus].steps if minus in lines else ())))
    return Check(
        f"ohms {plus} to {to}", "ohms", point.owner, point.zone, tuple(steps), MINUTES["ohms"], state=state,
        plus=plus, minus=minus,
    )  # fmt: skip


def _code(machine: Machine, name: str, controller: str, state: str) -> Check:
    controllers = {part.id.casefold(): part for part in machine.parts.values() if part.controller is not None}
    part = controllers.get(controller.casefold())
    codes = {} if part is None or part.controller is None else {one.casefold(): one for one in part.controller.codes}
    if part is None or name.casefold() not in codes:
        known = [one.id for one in controllers.values()] if part is None else list(codes.values())
        near = nearest(controller if part is None else name, known)
        raise UserError(
            "subject-unknown",
            f'This machine has no controller "{controller}".' if part is None else f'{part.id} has no code "{name}".',
            f'Did you mean "{near}"?' if near else f"There are: {', '.join(known)}." if known else "",
        )
    code = codes[name.casefold()]
    return Check(
        f"code {part.id} {code} in {state}", "code", part.id, "", (), MINUTES["code"], state=state,
        controller=part.id, code=code,
    )  # fmt: skip


def ohms_apart(machine: Machine, check: Check, unplugged: Sequence[str]) -> Check:
    """A resistance with connectors apart or fuses pulled."""
    steps = dict.fromkeys(check.steps)
    for name in unplugged:
        place = machine.connectors.get(name) or machine.parts[name]
        steps |= dict.fromkeys(machine.steps_for_zone(place.zone, place.access))
    return replace(
        check, id=f"{check.id}, {' and '.join(unplugged)} out", steps=tuple(steps),
        minutes=check.minutes + MINUTES["unplug"] * len(unplugged), unplugged=tuple(unplugged),
    )  # fmt: skip
