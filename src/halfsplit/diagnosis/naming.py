"""Places, points, checks and observations in the words of the trade, for steps, lists and reports.

Ids of the drawing always stand in the words, so that a person finds them on the drawing and can type them.
"""

from __future__ import annotations

from collections.abc import Sequence

from halfsplit.circuit.observing import BUS_ERRORS, SILENT_BESIDE
from halfsplit.diagnosis.checks import Check, round_functions
from halfsplit.diagnosis.load_ohms import load_of
from halfsplit.diagnosis.space import RepairGroup
from halfsplit.machine.model import Endpoint, Machine, Wire
from halfsplit.observations import (
    Action,
    CodeSeen,
    Look,
    Move,
    Observation,
    OutOfReach,
    Reading,
    Symptom,
)
from halfsplit.quantities import format_amps, format_ohm, format_volts

#: The reason of a check that nobody wants to do.
SKIPPED = "skipped"
#: What a test lamp does, by the value of its reading.
LAMP_WORDS = ("lamp dark", "lamp dim", "lamp lit")
HALVES = {"p": "pin half", "s": "socket half"}
POLES = {"+": "positive", "-": "negative"}
LOOKS = {
    "closed": "look over the closed connector",
    "thorough": "open and look closely at",
    "by-eye": "look at",
    "along": "look along",
}
WORK = {
    "unplug-refit": "unplugged and refitted",
    "dry-clean": "opened, dried and cleaned",
    "renew-contact": "renewed contact",
    "renew-terminal": "renewed or tightened terminal",
    "renew-splice": "renewed splice",
    "repair-wire": "mended wire",
    "tighten-stud": "cleaned and tightened stud",
    "clean-post": "cleaned post and clamp",
    "replace-fuse": "replaced fuse",
    "replace-part": "replaced",
    "charge-or-replace-battery": "charged or replaced battery",
    "other": "worked on",
}
TO_DO = {
    "unplug-refit": "unplug and refit",
    "dry-clean": "open, dry and clean",
    "renew-contact": "renew contact",
    "renew-terminal": "renew or tighten terminal",
    "renew-splice": "renew splice",
    "repair-wire": "mend wire",
    "tighten-stud": "clean and tighten stud",
    "clean-post": "clean post and clamp",
    "replace-fuse": "replace fuse",
    "replace-part": "replace",
    "charge-or-replace-battery": "charge or replace battery",
    "other": "work on",
}


def named(machine: Machine, thing: str) -> str:
    """A part, connector or run with its name in brackets: "X12 (Left frame to rear harness)"."""
    name = ""
    if thing in machine.connectors:
        name = machine.connectors[thing].name
    elif thing in machine.parts:
        name = machine.parts[thing].name
    elif thing in machine.runs:
        name = machine.runs[thing].name
    return f"{thing} ({name})" if name and name != thing else thing


def wires_at(machine: Machine, end: str) -> tuple[Wire, ...]:
    """The wires that end at a point, in the order of the file."""
    return tuple(wire for wire in machine.wires.values() if end in (str(wire.a), str(wire.b)))


def wire_words(wire: Wire) -> str:
    """A wire with its colour: "violet/red wire W203"."""
    return f"{wire.colour} wire {wire.id}" if wire.colour else f"wire {wire.id}"


def point_words(machine: Machine, node: str) -> str:
    """Where a probe goes, as a noun: "cavity 3 of X12 (Rear beam), pin half"."""
    if node.startswith("body:"):
        return f"bare metal of the {node.partition(':')[2]}"
    if "@" in node:
        wire, _, rest = node.partition("@")
        return f"the terminal of wire {wire} on {_pin_words(machine, rest)}"
    point, _, half = node.partition(":")
    owner, _, pin = point.partition(".")
    if owner in machine.connectors:
        wires = ", ".join(wire_words(wire) for wire in wires_at(machine, node))
        side = f", {HALVES[half]}" if half in HALVES else ""
        colour = f", {wires}" if wires else ""
        return f"cavity {pin} of {named(machine, owner)}{side}{colour}"
    return _pin_words(machine, point)


def _pin_words(machine: Machine, point: str) -> str:
    owner, _, pin = point.partition(".")
    if owner in machine.connectors:
        return f"cavity {pin} of {named(machine, owner)}" if pin else named(machine, owner)
    part = machine.parts.get(owner)
    if part is not None and part.kind == "battery" and pin:
        what = "post" if pin.endswith("post") else "clamp"
        return f"the {POLES.get(pin[:1], pin)} {what} of {named(machine, owner)}"
    kind = "stud " if part is not None and part.kind == "stud" else ""
    return f"pin {pin} of {named(machine, owner)}" if pin else f"{kind}{named(machine, owner)}"


def place_words(machine: Machine, place: str) -> str:
    """A place of a fault or repair: a cavity, a terminal, a wire, a part, a connector."""
    if "@" in place or place.partition(":")[2] in HALVES:
        return point_words(machine, place)
    if place in machine.wires:
        wire = machine.wires[place]
        ends = " to ".join(_short(end) for end in (wire.a, wire.b))
        return f"{wire_words(wire)} ({ends})"
    owner, _, pin = place.partition(".")
    if pin and owner in machine.connectors:
        return f"cavity {pin} of {named(machine, owner)}"
    return _pin_words(machine, place)


def _short(end: Endpoint) -> str:
    return str(end)


def group_words(machine: Machine, group: RepairGroup) -> str:
    """What a repair group asks for: "renew contact: cavity 3 of X12 (Rear beam)"."""
    return f"{TO_DO.get(group.correction, group.correction)}: {place_words(machine, group.place)}"


def group_short(group: RepairGroup) -> str:
    """The same in as few letters as a list allows: "renew contact X12.3"."""
    return f"{TO_DO.get(group.correction, group.correction)} {group.place}"


def state_name(machine: Machine, state: str) -> str:
    """The name of a state, its id when it has none."""
    found = machine.states.get(state)
    return found.name if found is not None and found.name else state


def function_name(machine: Machine, function: str) -> str:
    """The name of a function, its id when it has none."""
    found = machine.functions.get(function)
    return found.name if found is not None and found.name else function


def level_word(machine: Machine, function: str, level: str) -> str:
    """A level in the function's own words: "dim", "runs"."""
    at = {"off": 0, "weak": 1, "on": 2}.get(level)
    if at is None or function not in machine.functions:
        return "comes and goes" if level == "comes-and-goes" else level
    return machine.functions[function].words[at]


def check_title(machine: Machine, check: Check) -> str:
    """A check in one line, without what must be opened."""
    state = state_name(machine, check.state)
    match check.kind:
        case "operate":
            return f"Operate: {function_name(machine, check.function)} [{state}]"
        case "round":
            return f"Set to {state} and walk round the machine"
        case "code":
            text = _code_text(machine, check.controller, check.code)
            return f"Read codes of {named(machine, check.controller)}: {check.code}{text} [{state}]"
        case "volts":
            return f"Volts at {point_words(machine, check.plus)}{_apart(check.unplugged)} [{state}]"
        case "lamp":
            return f"Test lamp at {point_words(machine, check.plus)} [{state}]"
        case "amps":
            return f"Clamp around {place_words(machine, check.plus)} [{state}]"
        case "watch":
            name = function_name(machine, check.function)
            return f"Unplug {' and '.join(named(machine, one) for one in check.unplugged)} and watch: {name} [{state}]"
        case "drop":
            return (
                f"Voltage drop from {point_words(machine, check.plus)} "
                f"to {point_words(machine, check.minus)} [{state}]"
            )
        case "ohms" if load_of(check.id):
            return f"Ohms through {named(machine, load_of(check.id))}{_apart(check.unplugged)}"
        case "ohms":
            return (
                f"Ohms between {point_words(machine, check.plus)} and {point_words(machine, check.minus)}"
                + _apart(check.unplugged)
            )
        case "move":
            return f"Move {named(machine, check.place)} and watch"
        case _:
            words = LOOKS.get(check.look, "look at")
            return f"{words[0].upper()}{words[1:]} {named(machine, check.place)}"


def check_short(check: Check) -> str:
    """A check in as few words as a list allows, ids only."""
    match check.kind:
        case "operate":
            return f"operate {check.function} in {check.state}"
        case "round":
            return f"walk round in {check.state}"
        case "code":
            return f"code {check.code} of {check.controller} in {check.state}"
        case "volts":
            return f"volts at {check.plus} in {check.state}{_apart(check.unplugged)}"
        case "lamp":
            return f"lamp at {check.plus} in {check.state}"
        case "amps":
            return f"amps in {check.plus} in {check.state}"
        case "watch":
            return f"watch {check.function} in {check.state}{_apart(check.unplugged)}"
        case "drop":
            return f"drop {check.plus} to {check.minus} in {check.state}"
        case "ohms" if load_of(check.id):
            return check.id
        case "ohms":
            return f"ohms {check.plus} to {_ground_short(check.minus)}{_apart(check.unplugged)}"
        case "move":
            return f"move {check.place}"
        case _:
            return f"look {check.look} at {check.place}"


def _apart(connectors: tuple[str, ...]) -> str:
    return f", {' and '.join(connectors)} out" if connectors else ""


def _ground_short(node: str) -> str:
    return node.partition(":")[2] if node.startswith("body:") else node


def _code_text(machine: Machine, controller: str, code: str) -> str:
    part = machine.parts.get(controller)
    if part is None or part.controller is None or code not in part.controller.codes:
        return ""
    found = part.controller.codes[code]
    text = f", {found.text}" if found.text else ""
    return f" (SPN {found.spn} FMI {found.fmi}{text})"


def not_as_expected(machine: Machine, seen: Sequence[Symptom]) -> tuple[Symptom, ...]:
    """Those of ``seen`` at another level than the machine file expects in their state."""
    return tuple(one for one in seen if one.level != machine.functions[one.function].expected.get(one.state))


def round_subject(machine: Machine, state: str) -> str:
    """What a walk round is about, without what was found."""
    return f"walk round [{state_name(machine, state)}]"


def round_found(machine: Machine, state: str, seen: Sequence[Symptom]) -> str:
    """What was found on a walk round, what is not as it should be first: "Horn silent; the other 12 right"."""
    wrong = not_as_expected(machine, seen)
    right = len({one.function for one in seen} - {one.function for one in wrong})
    functions = {one.function for one in seen}
    left = [function_name(machine, one) for one in round_functions(machine, state) if one not in functions]
    said = []
    if wrong:
        said.append(", ".join(
            f"{function_name(machine, one.function)} {level_word(machine, one.function, one.level)}" for one in wrong
        ))  # fmt: skip
        if right:
            said.append("the other one right" if right == 1 else f"the other {right} right")
    elif right == 1:
        said.append("the one looked at right")
    else:
        said.append(f"{'the' if left else 'all'} {right} {'looked at ' if left else ''}right")
    if left:
        said.append(f"not looked at: {', '.join(left)}")
    return "; ".join(said)


def round_words(machine: Machine, state: str, seen: Sequence[Symptom]) -> str:
    """A walk round in one line, the fault's showing included where it was said."""
    away = {"yes": ", fault showing", "no": ", fault away"}
    showing = away.get(seen[0].showing, "") + reported_words(seen[0]) if seen else ""
    return f"{round_subject(machine, state)}: {round_found(machine, state, seen)}{showing}"


def subject_words(machine: Machine, observation: Observation) -> str:
    """What an observation is about, without what was found."""
    match observation:
        case Symptom():
            state = state_name(machine, observation.state)
            apart = _apart(observation.unplugged)
            return f"{function_name(machine, observation.function)}{apart} [{state}]"
        case Reading():
            minus = observation.minus
            usual = not minus or (minus.startswith("body:") and observation.quantity != "ohms")
            state = "" if observation.quantity == "ohms" else f" [{state_name(machine, observation.state)}]"
            apart = _apart(observation.unplugged)
            if observation.quantity == "amps":
                return f"amps in {observation.plus}{apart}{state}"
            if usual:
                return f"{observation.quantity} at {observation.plus}{apart}{state}"
            return f"{observation.quantity} from {observation.plus} to {_ground_short(minus)}{apart}{state}"
        case Look():
            return f"{LOOKS[observation.look]} {observation.place}"
        case Move():
            return f"move {observation.place}"
        case CodeSeen() if observation.code.startswith(SILENT_BESIDE):
            beside = observation.code.removeprefix(SILENT_BESIDE)
            return f"{observation.controller} on the bus beside {beside} [{state_name(machine, observation.state)}]"
        case CodeSeen() if observation.code == BUS_ERRORS:
            return f"error frames on the bus beside {observation.controller} [{state_name(machine, observation.state)}]"
        case CodeSeen():
            return f"code {observation.code} of {observation.controller}"
        case Action():
            return f"{WORK[observation.action]} {observation.place}"
        case OutOfReach():
            asked, _, state = observation.check.rpartition(" in ")
            words = f"{asked} [{state_name(machine, state)}]" if state in machine.states else observation.check
            return f"{words}: {'left out' if observation.reason == SKIPPED else 'out of reach'}"


def found_words(machine: Machine, observation: Observation) -> str:
    """What was found, in words; empty for work done."""
    match observation:
        case Symptom():
            return level_word(machine, observation.function, observation.level)
        case Reading():
            value = observation.value
            if observation.quantity == "ohms":
                return format_ohm(value)
            if observation.quantity == "lamp":
                return LAMP_WORDS[min(2, max(0, round(value)))]
            return volts_words(value) if observation.quantity == "volts" else amps_words(value)
        case Look():
            return observation.what or ("bad spot seen" if observation.found else "nothing bad seen")
        case Move():
            return "it reacted" if observation.changed else "nothing changed"
        case CodeSeen():
            return code_words(observation.code, active=observation.active)
        case Action():
            return observation.note
        case OutOfReach():
            return "" if observation.reason == SKIPPED else observation.reason


def code_words(code: str, *, active: bool) -> str:
    """Whether a code was active, or a controller silent on the bus, in words."""
    if code.startswith(SILENT_BESIDE):
        return "silent" if active else "heard"
    if code == BUS_ERRORS:
        return "seen" if active else "none"
    return "active" if active else "not active"


def volts_words(value: float) -> str:
    """A voltage as a hand meter would be read out: "12.3 V", "850 mV", "0 V"."""
    return "0 V" if abs(value) < 0.005 else format_volts(round(value, 2))


def amps_words(value: float) -> str:
    """A current as a clamp would be read out: "3.2 A", "40 mA", "0 A"."""
    return "0 A" if abs(value) < 0.005 else format_amps(round(value, 2))


def reported_words(observation: Observation) -> str:
    """", as reported" behind what somebody else saw and told; "" behind what the technician found himself."""
    return ", as reported" if isinstance(observation, Symptom) and observation.reported else ""


def observation_words(machine: Machine, observation: Observation) -> str:
    """Subject and finding in one line."""
    found = found_words(machine, observation)
    words = subject_words(machine, observation)
    showing = getattr(observation, "showing", "unknown")
    if not isinstance(observation, Symptom) and showing != "unknown":
        found = f"{found}, fault {'showing' if showing == 'yes' else 'away'}"
    found += reported_words(observation)
    return f"{words}: {found}" if found else words
