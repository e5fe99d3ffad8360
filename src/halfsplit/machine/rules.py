"""Second round, first half: every name must be the name of something, and no step may wait for itself."""

from __future__ import annotations

from collections.abc import Iterable

from halfsplit.errors import Problem
from halfsplit.machine.conditions import names, parse
from halfsplit.machine.fields import Reference, Report, near
from halfsplit.machine.model import ENGINE, AccessStep, Controller, Machine, Place, Zone

#: Reference kind -> problem code.
_CODE = {
    "zone": "no-such-zone", "access step": "no-such-access", "caution": "no-such-caution",
    "run": "no-such-run", "body": "no-such-body", "bus": "no-such-bus", "part": "no-such-part",
    "connector": "no-such-connector", "state": "no-such-state", "danger": "no-such-danger",
}  # fmt: skip


def check_references(machine: Machine, report: Report) -> None:
    """Note names that name nothing, loops of access steps, and names in conditions that mean nothing."""
    known: dict[str, Iterable[str]] = {
        "zone": machine.zones, "access step": machine.access, "caution": machine.cautions,
        "run": machine.runs, "body": machine.bodies, "bus": machine.buses, "part": machine.parts,
        "connector": machine.connectors, "state": machine.states, "danger": (*machine.dangers, ENGINE),
    }  # fmt: skip
    for reference in report.references:
        if reference.name not in known[reference.kind]:
            _no_such(report, reference, known[reference.kind])
    if not report.problems:
        _access_loops(machine, report)
        _conditions(machine, report)
        _addresses_once(machine, report)
        _messages_watched(machine, report)
        _dangers_somewhere(machine, report)


def _no_such(report: Report, reference: Reference, known: Iterable[str]) -> None:
    close = near(reference.name, known)
    said = f'{reference.owner} names {reference.kind} "{reference.name}", which is not there.'
    report.add(_CODE[reference.kind], reference.place, said, close)


def _access_loops(machine: Machine, report: Report) -> None:
    """Note each loop once, at the step of it that comes first in the file."""
    done: set[str] = set()
    for start in machine.access:
        chain: list[str] = []
        stack = [(start, iter(machine.access[start].after))]
        chain.append(start)
        while stack:
            step, rest = stack[-1]
            before = next(rest, None)
            if before is None:
                stack.pop()
                chain.pop()
                done.add(step)
            elif before in chain:
                loop = [*chain[chain.index(before) :], before]
                said = f"access step {loop[0]} must come after itself: {' after '.join(loop)}."
                report.add("access-loop", machine.access[loop[0]].place, said, key="after")
                done.update(loop)
            elif before not in done:
                chain.append(before)
                stack.append((before, iter(machine.access[before].after)))


def _dangers_somewhere(machine: Machine, report: Report) -> None:
    """Note a mark that keeps nobody out, because no state has the danger."""
    there = {danger for state in machine.states.values() for danger in state.dangers}
    marked: list[tuple[str, Zone | AccessStep]] = [
        *(("zone", zone) for zone in machine.zones.values()),
        *(("access step", step) for step in machine.access.values()),
    ]
    for word, thing in marked:
        for danger in thing.keep_out:
            if danger not in there:
                said = f'{word} {thing.id} keeps people out while "{danger}", but no state has that danger.'
                report.add("danger-nowhere", thing.place, said, near(danger, there), "keep_out")


def _controllers(machine: Machine) -> dict[str, Controller]:
    return {part.id: part.controller for part in machine.parts.values() if part.controller is not None}


def _conditions(machine: Machine, report: Report) -> None:
    controllers = _controllers(machine)
    for part, controller in controllers.items():
        written = [("output", pin, output.when) for pin, output in controller.outputs.items()]
        written += [("sends", name, text) for name, text in controller.sends.items()]
        written += [("codes", name, code.when) for name, code in controller.codes.items()]
        for block, name, text in written:
            place = report.places.get(("condition", part, block, name), machine.parts[part].place)
            for word in names(parse(text)):
                _condition_name(report, word, part, controllers, place)


def _addresses_once(machine: Machine, report: Report) -> None:
    """Note an address that two controllers have on one bus: nobody there could tell them apart."""
    holders: dict[tuple[str, int], str] = {}
    for part, controller in _controllers(machine).items():
        for member in controller.buses:
            if member.address is None:
                continue
            first = holders.setdefault((member.bus, member.address), part)
            if first != part:
                place = report.places.get(("address", part, member.bus), machine.parts[part].place)
                said = f"part {part}: {first} has address {member.address} on {member.bus} already."
                report.add("address-twice", place, said, key="address")


def heard_messages(controllers: dict[str, Controller], part: str) -> dict[str, str]:
    """Message -> sender, for the messages of other controllers that share a bus with ``part``."""
    buses = {member.bus for member in controllers[part].buses}
    return {
        message: other
        for other, controller in controllers.items()
        if other != part and buses & {member.bus for member in controller.buses}
        for message in controller.sends
    }


def _condition_name(
    report: Report, word: str, part: str, controllers: dict[str, Controller], place: Place | None
) -> None:
    """Note ``word`` when it is not a name that a condition of ``part`` can use."""
    own, heard = controllers[part], heard_messages(controllers, part)
    prefix, dot, rest = word.partition(".")
    buses = {member.bus for member in own.buses}
    near_others = [
        other
        for other, c in controllers.items()
        if other != part and buses & {member.bus for member in c.buses}
    ]
    watched = [pin for pin, i in own.inputs.items() if i.range_low_v is not None]
    choices = {
        "in": list(own.inputs), "msg": list(heard), "heard": near_others, "open": list(own.outputs),
        "trip": list(own.outputs), "above": watched, "below": watched,
    }  # fmt: skip
    if word == "alive" or (dot and rest in choices.get(prefix, ())):
        return
    if prefix == "msg" and dot:
        said = f'part {part}: the message "{rest}" is sent by no other controller on a bus of {part}.'
        report.add("no-such-message", place, said, _prefixed(prefix, near(rest, heard)))
    elif prefix in choices and dot:
        said = f'part {part}: "{word}" in a condition names nothing of {part}.'
        report.add("condition-name", place, said, _prefixed(prefix, near(rest, choices[prefix])))
    else:
        every = ["alive", *(f"{p}.{name}" for p, found in choices.items() for name in found)]
        close = near(word, every) or next((name for name in every if name.partition(".")[2] == word), None)
        begin = ", ".join(choices)
        said = f'part {part}: "{word}" is not a name of a condition; they begin with {begin} and a dot.'
        report.add("condition-name", place, said, close)


def _prefixed(prefix: str, name: str | None) -> str | None:
    return f"{prefix}.{name}" if name else None


def _messages_watched(machine: Machine, report: Report) -> None:
    """A function that watches message@controller needs a sender that shares a bus with that controller."""
    controllers = _controllers(machine)
    for function in machine.functions.values():
        message, at, receiver = function.watch.partition("@")
        if not at:
            continue
        place = report.places.get(("watch", function.id), function.place)
        if receiver not in controllers:
            said = f'function {function.id}: "{receiver}" after the @ is not a controller.'
            report.add("watches-nothing", place, said, near(receiver, controllers), "watch")
            continue
        heard = heard_messages(controllers, receiver)
        if message not in heard:
            close = near(message, heard)
            said = (
                f'function {function.id}: the message "{message}" does not come to {receiver} over any bus.'
            )
            report.add("no-such-message", place, said, f"{close}@{receiver}" if close else None, "watch")


def nothing_powered(machine: Machine, state: str) -> Problem:
    """The problem of a state that feeds nothing; whoever solves the circuit finds it and reports it so."""
    place = machine.states[state].place
    file, line = (place.file, place.line) if place else (None, None)
    said = f"state {state}: nothing on the machine carries current in it."
    return Problem("nothing-powered", file, line, said)
