# Over 500 lines: each kind of check and repair has its words here, so that cautions come before steps in all of them.
"""A check or a repair in plain words: cautions first, then steps, minutes, and what each result would mean.

Nothing here tells anyone to pierce insulation, to defeat a guard or to work under an unsupported load. The
general cautions follow trade_practice.md part 11; those of the machine come from its file.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from halfsplit.diagnosis.checks import Check, chassis_node, check_zones, round_functions
from halfsplit.diagnosis.hunt import Hunt
from halfsplit.diagnosis.load_ohms import load_of
from halfsplit.diagnosis.naming import (
    check_title,
    function_name,
    group_words,
    level_word,
    named,
    place_words,
    point_words,
    state_name,
)
from halfsplit.diagnosis.offers import Situation
from halfsplit.diagnosis.outcomes import Outcome, outcomes
from halfsplit.diagnosis.planning import VERIFY_MIN, group_steps, state_minutes
from halfsplit.diagnosis.space import RepairGroup
from halfsplit.faults.modes import corrections
from halfsplit.machine.model import Machine, State

MANUAL = "Follow the maker's manual, local rules and licensed practice; they come before anything said here."
POWER_OFF = (
    "Key out and main switch off, battery off where the manual asks for it, before anything is unplugged."
)
NO_PIERCING = (
    "Never pierce insulation. Slide a thin probe along the wire at the back of the plug, or use a breakout "
    "lead; "
    "do not spread a contact."
)
HOT = "Parts here get hot. Let them cool; keep hands and leads off exhaust and coolant parts."
RAISED = (
    "Anything raised rests on its prop, strut or stands before anyone reaches under it; hydraulics are not a "
    "support."
)
RUNNING = (
    "The engine runs: park brake on, drive in neutral, clear of belts, fan and moving parts; never take the "
    "battery off."
)
OHMS = "Ohms only with the battery disconnected: ground side off first and on last."
MAY_MOVE = "The machine may move or start when this is operated: everybody clear, wheels chocked."
BATTERY_ORDER = "Battery: eye protection, no rings, no flame; ground side off first and on last."
SAME_RATING = "Fit a fuse of the same rating only, never a bigger one or a link, and find out why it blew."

LAMP_PLACES = (
    "A test lamp goes on battery, fuse, switch and load terminals only: never on module pins, sensor lines, a bus, or "
    "anything of inflators or belt tensioners."
)
CLAMP_CLEAR = "Keep hands, sleeves and leads clear of moving parts; let the clamp hang where it holds by itself."

STILL = "Engine stopped, key out, main switch off."

#: The caution each entry of corrections.csv names.
OF_CORRECTION = {"power-off": POWER_OFF, "battery-order": BATTERY_ORDER, "same-rating": SAME_RATING}
#: Access that lifts something, by the words a machine file uses.
_LIFTS = re.compile(r"rais|tip|tilt|lift|jack|prop|lower the|drop", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Opening:
    """An access step that is still closed: minutes to open it and to close it again later."""

    step: str
    name: str
    open_min: float
    close_min: float


@dataclass(frozen=True, slots=True)
class Minutes:
    """Minutes of a step: its work, opening and closing up, setting the machine, seeing whether it helped."""

    own: float
    opening: float
    closing: float
    setting: float
    verifying: float = 0.0

    @property
    def total(self) -> float:
        """All of them."""
        return self.own + self.opening + self.closing + self.setting + self.verifying


@dataclass(frozen=True, slots=True)
class CheckWords:
    """A check explained; ``outcomes`` are most likely first."""

    check: Check
    title: str
    cautions: tuple[str, ...]
    steps: tuple[str, ...]
    openings: tuple[Opening, ...]
    minutes: Minutes
    outcomes: tuple[Outcome, ...]


@dataclass(frozen=True, slots=True)
class RepairWords:
    """A repair explained.

    ``odds`` is the chance that it is needed, ``success`` that the work cures it then; ``look_for``
    says what is probably wrong there, likeliest first.
    """

    group: RepairGroup
    title: str
    work: str
    where: str
    cautions: tuple[str, ...]
    steps: tuple[str, ...]
    openings: tuple[Opening, ...]
    minutes: Minutes
    material: str
    odds: float
    success: float
    look_for: tuple[str, ...]


def explain_check(hunt: Hunt, check: Check) -> CheckWords:
    """What to do for a check from where the machine stands now, and what its results would mean."""
    return replace(check_words(hunt, check, hunt.situation), outcomes=outcomes(hunt, check))


def check_words(hunt: Hunt, check: Check, now: Situation) -> CheckWords:
    """What to do for a check from where the machine stands ``now``, without what its results would mean."""
    machine = hunt.bench.machine
    openings = _openings(machine, check.steps, now.open_steps)
    setting = state_minutes(machine, check.state, now.state)
    minutes = Minutes(
        check.minutes, sum(one.open_min for one in openings), sum(one.close_min for one in openings), setting
    )
    return CheckWords(
        check=check,
        title=check_title(machine, check),
        cautions=_check_cautions(machine, check, openings),
        steps=tuple(_check_steps(machine, check, openings, now.state, _complained_states(hunt))),
        openings=openings,
        minutes=minutes,
        outcomes=(),
    )


def explain_repair(hunt: Hunt, group: RepairGroup, now: Situation | None = None) -> RepairWords:
    """What to do to mend a repair group, and what to look for while at it; from where the machine stands ``now``."""
    machine, space = hunt.bench.machine, hunt.bench.space
    now = now or hunt.situation
    steps = group_steps(machine, group)
    openings = _openings(machine, steps, now.open_steps)
    number = next(at for at, one in enumerate(space.groups) if one.id == group.id)
    correction = corrections()[group.correction]
    states = _complained_states(hunt)
    setting = sum(machine.states[state].minutes for state in states)
    cautions = [
        *_keep_out_words(machine, (group.zone,), steps),
        *_place_cautions(machine, group.zone, openings),
        OF_CORRECTION.get(correction.caution, POWER_OFF),
        *(text for state in states for text in _state_cautions(machine, machine.states[state])),
        MANUAL,
    ]
    looks = _look_for(hunt, number)
    words = [
        *_ending_dangers(machine, (group.zone,), steps, now.state),
        STILL,
        *_opening_words(openings),
        f"Go to {place_words(machine, group.place)}, {_zone_words(machine, group.zone)}.",
        *((f"Look for: {looks[0]}.",) if looks else ()),
        f"{correction.text[0].upper()}{correction.text[1:]}.",
        "Put it back, everybody out and clear.",
        f"Operate {_complained(hunt)} as when it failed. Say mended or not mended.",
    ]
    minutes = Minutes(
        group.minutes,
        sum(one.open_min for one in openings),
        sum(one.close_min for one in openings),
        setting,
        VERIFY_MIN,
    )
    return RepairWords(
        group=group,
        title=f"{group_words(machine, group)}",
        work=correction.text,
        where=f"{place_words(machine, group.place)}, {_zone_words(machine, group.zone)}",
        cautions=_once(cautions),
        steps=tuple(words),
        openings=openings,
        minutes=minutes,
        material=correction.material,
        odds=float(hunt.belief.group_odds()[number]),
        success=group.success,
        look_for=looks,
    )


def _complained_states(hunt: Hunt) -> list[str]:
    return list(dict.fromkeys(symptom.state for symptom in hunt.complaint.symptoms))


def _keep_out_words(machine: Machine, zones: Sequence[str], steps: Sequence[str]) -> list[str]:
    """The first caution where the machine file keeps people out of a place."""
    marks = machine.kept_out_by(zones, steps)
    if not marks:
        return []
    names = ", ".join(_zone_words(machine, zone) for zone in zones if zone)
    return [f"Keep out of {names} while any of this is so: {', '.join(marks).replace('-', ' ')}."]


def _round_keep_out(machine: Machine, state: str) -> list[str]:
    """Where nobody goes on a walk round in a state: every zone that its dangers bar."""
    dangers = [
        one for one in machine.states[state].dangers if any(one in zone.keep_out for zone in machine.zones.values())
    ]
    barred = [
        _zone_words(machine, zone.id) for zone in machine.zones.values() if any(one in zone.keep_out for one in dangers)
    ]
    if not barred:
        return []
    return [f"Look from where you stand clear, and keep out of {'; '.join(barred)} ({', '.join(dangers)})."]


def _ending_dangers(
    machine: Machine, zones: Sequence[str], steps: Sequence[str], current: str
) -> list[str]:
    """The first steps: what ends each danger in which the machine stands now; each there is when nobody knows."""
    there = machine.states[current].dangers if current in machine.states else None
    marks = machine.kept_out_by(zones, steps)
    return list(dict.fromkeys(machine.ends(one) for one in marks if there is None or one in there))


def _complained(hunt: Hunt) -> str:
    machine = hunt.bench.machine
    names = [
        f"{function_name(machine, one.function)} [{state_name(machine, one.state)}]"
        for one in hunt.complaint.symptoms
    ]
    return " and ".join(dict.fromkeys(names))


def _look_for(hunt: Hunt, group: int) -> tuple[str, ...]:
    """The faults of a group in words, likeliest first, each once."""
    space, belief = hunt.bench.space, hunt.belief
    weight = np.zeros(len(space.faults))
    inside = space.hyp_group == group
    np.add.at(weight, space.row_fault[space.hyp_row[inside]], belief.there[inside] + 1e-12)
    order = [int(at) for at in np.argsort(-weight) if weight[at] > 0.0][:4]
    return tuple(dict.fromkeys(space.faults[at].text for at in order))


def _openings(machine: Machine, steps: Sequence[str], open_steps: frozenset[str]) -> tuple[Opening, ...]:
    found = []
    for step in steps:
        if step not in open_steps:
            one = machine.access[step]
            found.append(Opening(step, one.name, one.open_min, one.close_min))
    return tuple(found)


def _once(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(text.strip() for text in texts if text.strip()))


def _place_cautions(machine: Machine, zone: str, openings: Sequence[Opening]) -> list[str]:
    """Cautions of everything opened on the way, of the zone, and the general ones they call for."""
    ids = [caution for one in openings for caution in machine.access[one.step].cautions]
    found: list[str] = []
    if zone:
        ids.extend(machine.zones[zone].cautions)
    found.extend(machine.cautions[one].text for one in ids)
    # The general words stand in where the machine file has none of its own.
    if any(
        _LIFTS.search(f"{one.step} {one.name}") and not machine.access[one.step].cautions for one in openings
    ):
        found.append(RAISED)
    if zone and machine.zones[zone].exposure.get("heat") == "high" and not machine.zones[zone].cautions:
        found.append(HOT)
    return found


def _state_cautions(machine: Machine, state: State) -> list[str]:
    found = [machine.cautions[one].text for one in state.cautions]
    turning = any(
        machine.parts[part].kind == "alternator" and value == "running"
        for part, value in state.settings.items()
    )
    if turning and not state.cautions:
        found.append(RUNNING)
    return found


def _check_cautions(machine: Machine, check: Check, openings: Sequence[Opening]) -> tuple[str, ...]:
    found: list[str] = _keep_out_words(machine, check_zones(machine, check), check.steps)
    if check.kind == "round":
        found.extend(_round_keep_out(machine, check.state))
    if check.kind != "ohms" and check.state:
        found.extend(_state_cautions(machine, machine.states[check.state]))
    found.extend(_place_cautions(machine, check.zone, openings))
    if check.kind in ("volts", "drop", "lamp", "ohms") and check.place in machine.connectors:
        found.append(NO_PIERCING)
    if check.kind == "lamp":
        found.append(LAMP_PLACES)
    if check.kind == "amps":
        found.append(CLAMP_CLEAR)
    if check.kind == "ohms":
        found.append(OHMS)
    if check.look == "thorough" or check.unplugged:
        found.append(POWER_OFF)
    operated = round_functions(machine, check.state) if check.kind == "round" else (check.function,)
    if check.kind in ("operate", "watch", "round") and not found and any(_moves(machine, one) for one in operated):
        found.append(MAY_MOVE)
    found.append(MANUAL)
    return _once(found)


def _moves(machine: Machine, function: str) -> bool:
    part = machine.parts.get(machine.functions[function].watch)
    return part is not None and part.kind in ("motor", "solenoid")


def _zone_words(machine: Machine, zone: str) -> str:
    return machine.zones[zone].name or zone


def _opening_words(openings: Sequence[Opening]) -> list[str]:
    return [opening_line(one) for one in openings]


def opening_line(one: Opening) -> str:
    """The step that says to open something."""
    return f"{one.name} ({one.open_min:g} min)."


def _set_words(machine: Machine, state: str, current: str) -> str:
    found = machine.states[state]
    if state == current:
        return f"Leave the machine as it is: {state_name(machine, state)}."
    before = machine.states[current].settings if current in machine.states else {}
    changed = {part: value for part, value in found.settings.items() if before.get(part) != value}
    back = [part for part in before if part not in found.settings]
    words = [_setting_words(machine, part, value) for part, value in changed.items()]
    words += [f"{named(machine, part)} back at rest" for part in back]
    said = [word for word in words if word]
    tail = f": {'; '.join(said)}" if said else ""
    return f"Set the machine: {state_name(machine, state)}{tail}."


def _setting_words(machine: Machine, part: str, value: float | str | bool) -> str:
    """What a person sets; what the machine sets itself (level, temperature) is left to the state's name."""
    kind = machine.parts[part].kind
    if kind == "switch":
        return f"{named(machine, part)} to {value}"
    if kind == "alternator":
        return "engine running" if value == "running" else "engine stopped"
    return ""


def _probe(machine: Machine, node: str) -> str:
    """How a probe gets onto a point."""
    words = point_words(machine, node)
    owner = node.partition(":")[0].partition(".")[0]
    return f"back-probe {words}" if owner in machine.connectors else f"touch {words}"


def _check_steps(
    machine: Machine, check: Check, openings: Sequence[Opening], current: str, complained: Sequence[str] = ()
) -> list[str]:
    """Steps in the safe order: still machine, way in, leads on, then power, then the reading.

    ``complained`` are the states of the complaint, in which something moved by hand is watched.
    """
    steps: list[str] = _ending_dangers(machine, check_zones(machine, check), check.steps, current)
    if check.kind == "ohms":
        steps.append("Key out, main switch off, battery disconnected, ground side first.")
    elif check.look == "thorough":
        steps.append(STILL)
    elif openings:
        steps.append("Engine stopped and key out while anything is opened.")
    steps.extend(_opening_words(openings))
    if check.zone:
        steps.append(f"Go to {named(machine, check.place)}, {_zone_words(machine, check.zone)}.")
    steps.extend(_preparing(machine, check))
    if check.kind not in ("ohms", "look") and check.state:
        steps.append(_set_words(machine, check.state, current))
    if check.kind == "move" and all(_barred(machine, check, state) for state in complained or [""]):
        steps.extend([
            f"Move {named(machine, check.place)} by hand, then its wires, one at a time, the machine at rest.",
            "Come out and stand clear, then operate what was complained about: say whether it changed.",
        ])  # fmt: skip
        return steps
    steps.extend(_doing(machine, check))
    return steps


def _barred(machine: Machine, check: Check, state: str) -> bool:
    """Whether nobody may be at the place of ``check`` in ``state``."""
    marks = machine.kept_out_by(check_zones(machine, check), check.steps)
    return state in machine.states and any(one in marks for one in machine.states[state].dangers)


def _preparing(machine: Machine, check: Check) -> list[str]:
    """What is put in place before the machine is set."""
    match check.kind:
        case "volts":
            ground = point_words(machine, check.minus)
            where = "bright bare metal of the frame" if check.minus == chassis_node(machine) else ground
            return [
                f"Meter on DC volts. Red lead: {_probe(machine, check.plus)}.",
                f"Black lead: {where}, away from the point under test. Lead both clear of moving parts.",
            ]
        case "drop":
            return [
                f"Meter on DC volts. Red lead: {_probe(machine, check.plus)}.",
                f"Black lead: {_probe(machine, check.minus)}. Lead both clear of moving parts.",
            ]
        case "lamp":
            return [
                f"Test lamp for {machine.system_v:g} V, tried on the battery first.",
                f"Clip: {_clip(machine, check.minus)}, away from the point under test.",
                f"Tip: {_probe(machine, check.plus)}. Lead both clear of moving parts.",
            ]
        case "amps":
            return [
                "Clamp meter on DC amps, set to zero beside the wire before it goes around.",
                f"Clamp: {_clamp(machine, check)}, that one wire alone. Lead it clear of moving parts.",
            ]
        case "watch":
            return [STILL, *(_taken_out(machine, one) for one in check.unplugged)]
        case "ohms":
            return [
                *(_taken_out(machine, one) for one in check.unplugged),
                "Meter on ohms; touch the leads together first and note what they show.",
                _on_the_load(machine, check)
                if load_of(check.id)
                else f"One lead: {_probe(machine, check.plus)}. Other lead: {_probe(machine, check.minus)}.",
            ]
        case _:
            return []


def _on_the_load(machine: Machine, check: Check) -> str:
    load = named(machine, load_of(check.id))
    if not check.unplugged:
        return (
            f"Leads on the two terminals of {load} itself, on the part's metal and not on the lugs of the wires. At "
            "rest it shows less than at work."
        )
    return (
        f"Leads on the two pins of the half of {check.place} that stays with {load}; do not spread them. At rest it "
        "shows less than at work."
    )


def _clip(machine: Machine, node: str) -> str:
    return "bright bare metal of the frame" if node == chassis_node(machine) else point_words(machine, node)


def _clamp(machine: Machine, check: Check) -> str:
    """How a clamp gets around a thing: a fuse has it around the wire behind it."""
    words = place_words(machine, check.plus)
    if check.plus in machine.wires:
        return f"around {words} at {named(machine, check.place)}"
    if machine.parts[check.plus].kind in ("fuse", "breaker"):
        return f"around the wire that leaves {words}, the fuse in its place"
    return f"around one lead of {words}"


def _taken_out(machine: Machine, thing: str) -> str:
    if thing in machine.connectors:
        return f"Unplug {named(machine, thing)} and keep its halves apart."
    return f"Take {named(machine, thing)} out."


def _doing(machine: Machine, check: Check) -> list[str]:
    match check.kind:
        case "operate":
            words = machine.functions[check.function].words
            name = function_name(machine, check.function)
            return [f"Watch: {name}. Say {words[0]}, {words[1]} or {words[2]}."]
        case "round":
            return _walking(machine, check.state)
        case "code":
            return [
                f"Read the active codes of {named(machine, check.controller)}: is {check.code} among them?"
            ]
        case "volts":
            return ["Read with the plug mated and the load on; say whether the fault is showing meanwhile."]
        case "drop":
            return ["Read the loss with the load on; say whether the fault is showing meanwhile."]
        case "lamp":
            return ["Say lit, dim or dark; say whether the fault is showing meanwhile."]
        case "amps":
            return [
                "Read with the load on, whichever way the clamp points; say whether the fault is showing meanwhile."
            ]
        case "watch":
            words = machine.functions[check.function].words
            name = function_name(machine, check.function)
            return [
                f"Watch: {name}. Say {words[0]}, {words[1]} or {words[2]}.",
                f"{STILL} Plug {' and '.join(check.unplugged)} together again, latch home.",
            ]
        case "ohms":
            return ["Read, and note the value or OL."]
        case "move":
            return [
                "Let somebody watch what was complained about.",
                f"Move {named(machine, check.place)} by hand, then its wires, one at a time.",
                "Say whether anything flickers, cuts out or comes back.",
            ]
        case _:
            return _looking(machine, check)


def _walking(machine: Machine, state: str) -> list[str]:
    """The functions to look at, together by what is expected of them, those that should work first."""
    by_word: dict[tuple[bool, str], list[str]] = {}
    for one in round_functions(machine, state):
        function = machine.functions[one]
        level = function.expected[state]
        name = f"{function.name} ({one})" if function.name and function.name != one else one
        by_word.setdefault((level != "on", level_word(machine, one, level)), []).append(name)
    return [
        "Walk round once; look or listen at each of these, and note what is not so.",
        *(f"{word[:1].upper()}{word[1:]}: {', '.join(names)}." for (_, word), names in sorted(by_word.items())),
        'Say what is not so, like "FUNCTION off", or all right; what is not named counts as seen and right.',
    ]


def _looking(machine: Machine, check: Check) -> list[str]:
    thing = named(machine, check.place)
    match check.look:
        case "closed":
            return [
                f"Look at {thing} without opening it: latch home, seals, wires straight, traces of water."
            ]
        case "thorough":
            return [
                f"Unplug {thing}. Look into both halves with a light, down to the bottom of each socket.",
                "Feel the grip of each contact, tug each wire lightly at the back.",
                "Put it together again, latch home.",
            ]
        case "along":
            return [
                f"Follow {thing} from end to end: rubbed spots, sharp edges, loose clips, swollen places."
            ]
        case _:
            return [f"Look at {thing}: loose, burnt, cracked, green or white."]
