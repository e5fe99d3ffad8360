"""A bus log as evidence of a job: who fell silent beside whom, errors, low supplies, and the machine's trouble codes.

Which source address belongs to which controller stands in the machine file, or is said by whoever plugged the recorder
in; beside which controller that was he says always. Then each joint silence is one moment at which the fault showed:
those that fell silent are taken as silent, all others as heard, and the circuit tells which places of the harness,
feeds and grounds fit. The same set of controllers falling silent again says nothing new of where it is and is written
down once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from halfsplit.buslog import j1939
from halfsplit.buslog.joint import JointSilence
from halfsplit.buslog.reading import open_log
from halfsplit.buslog.speakers import speaker
from halfsplit.buslog.survey import Survey, survey
from halfsplit.circuit.observing import BUS_ERRORS, silence_code
from halfsplit.errors import NotFound, UserError
from halfsplit.jobs.events import Happening, ObservationRecorded
from halfsplit.machine.model import Controller, Machine
from halfsplit.observations import CodeSeen, Reading, Showing
from halfsplit.service.bus_alike import told_alike
from halfsplit.service.desk import Desk
from halfsplit.service.found import keep
from halfsplit.service.healthy import sound_volts
from halfsplit.service.results import LogTaken

CODES: dict[str, str] = {
    "log-address": "What says which address a controller has is not of the form CONTROLLER=ADDRESS.",
    "log-beside": "The recorder's place is no controller on a bus with others.",
    "log-tells-nothing": "A log holds nothing that can be tied to the controllers that were named.",
}

#: Sets of controllers falling silent together that are written down, the longest silent first. Invented.
MOST_SETS = 3
#: Error frames in one burst from which on they are no chance ones; common practice, no source.
LEAST_ERRORS = 10
#: A controller reports that another one is missing only when it was for so long; from memory.
CODE_AFTER_S = 3.0
#: Supplies that controllers report of themselves are true within some per cent, so that only those further below a
#: sound machine's tell something; from memory.
LOW_SHARE = 0.05
#: A log must be so many periods long before a controller that was never heard in it counts as silent; as many as make
#: a silence (see ``buslog.silences``), common practice, no source.
NEVER_PERIODS = 5.0


#: Volts between two points of a sound machine.
Sound = Callable[[str, str], float]


@dataclass(frozen=True, slots=True)
class Heard:
    """What a log tells of a machine's controllers: observations with how they came about."""

    seen: tuple[tuple[CodeSeen | Reading, str], ...]


def addresses(machine: Machine, texts: tuple[str, ...]) -> dict[int, str]:
    """Controllers by source address from texts like "ECU1=3". Raises UserError("log-address") or NotFound."""
    found = addresses_alone(texts)
    for name in found.values():
        _controller(machine, name)
    return found


def addresses_alone(texts: tuple[str, ...]) -> dict[int, str]:
    """The same names by source address, whatever machine it is. Raises UserError("log-address")."""
    found: dict[int, str] = {}
    for text in texts:
        name, _, number = (piece.strip() for piece in text.partition("="))
        address = int(number) if number.isascii() and number.isdigit() else -1
        if not name or not 0 <= address < j1939.NO_ADDRESS or address in found or name in found.values():
            raise UserError(
                "log-address",
                f'"{text}" does not say which address a controller has, or says one twice.',
                "Write it like ECU1=3, with an address of 0 to 253, once for each controller.",
            )
        found[address] = name
    return found


def known_addresses(machine: Machine, beside: str, texts: tuple[str, ...]) -> dict[int, str]:
    """Controllers by source address as the machine file has them on the buses of ``beside``; ``texts`` go before it.

    Raises UserError("log-address"), also where neither names any, or NotFound.
    """
    said = addresses(machine, texts)
    own = {member.bus for member in _controller(machine, beside).buses}
    found = {
        member.address: part.id
        for part in machine.parts.values()
        if part.controller is not None and part.id not in said.values()
        for member in part.controller.buses
        if member.bus in own and member.address is not None
    }
    if not said and not found:
        raise UserError(
            "log-address",
            "Neither the machine file nor anybody says which address a controller has.",
            "Say who is who with --address ECU1=3, or write address: under bus: of each controller.",
        )
    return {**found, **said}


def _controller(machine: Machine, name: str) -> Controller:
    part = machine.parts.get(name)
    if part is None or part.controller is None:
        known = [one.id for one in machine.parts.values() if one.controller is not None]
        raise NotFound("controller", name, known)
    return part.controller


def heard(machine: Machine, found: Survey, named: Mapping[int, str], beside: str, state: str, sound: Sound) -> Heard:
    """What the survey of a log tells of the controllers in ``named``, recorded ``beside`` one of them in ``state``.

    Of the one beside which it was recorded a silence is told only where nobody at all was heard and the recorder
    worked: elsewhere that could be the recorder's place. ``sound`` gives the volts between two points of a sound
    machine. Raises UserError("log-beside").
    """
    others = _others(machine, named, beside)
    silent = _silent(machine, found, named, others, beside)
    return Heard(
        (
            *_silences(silent, beside, state),
            *_errors(found, silent, beside, state),
            *_codes(machine, found, named, silent, state),
            *_supplies(machine, found, named, silent, state, sound),
        )
    )


def nobody_heard(machine: Machine, named: Mapping[int, str], beside: str, state: str) -> Heard:
    """What a log without any frame tells, recorded by a recorder that works: all others are silent there.

    Raises UserError("log-beside").
    """
    never = frozenset({*_others(machine, named, beside), beside})
    silent = _Silent((), {}, never, frozenset(), {}, frozenset(), {}, frozenset())
    return Heard((*_silences(silent, beside, state), (CodeSeen(beside, BUS_ERRORS, state, False, "yes"), "none")))


def _others(machine: Machine, named: Mapping[int, str], beside: str) -> set[str]:
    own = {member.bus for member in _controller(machine, beside).buses}
    others = {
        name
        for name in named.values()
        if name != beside and own & {member.bus for member in _controller(machine, name).buses}
    }
    if not own or not others:
        raise UserError(
            "log-beside",
            f"None of the controllers that were named is on a bus with {beside}.",
            "Say where the recorder was plugged in with --beside, and who is who with --address.",
        )
    return others


@dataclass(frozen=True, slots=True)
class _Silent:
    """Who was silent: sets of controllers together, the longest first, with the seconds of it all in ``lasted``.

    ``heard`` has for each set who of the others was heard meanwhile for sure: those who are missed sooner than the set
    was silent. ``never`` were not heard at all, ``judged`` were heard often enough; ``longest`` has the seconds of the
    longest silence of everybody who fell silent, and ``again`` who of them was heard again. In the sets ``whole``
    nobody was heard until somebody was again, so that the recorder worked.
    """

    sets: tuple[frozenset[str], ...]
    lasted: Mapping[frozenset[str], float]
    never: frozenset[str]
    judged: frozenset[str]
    longest: Mapping[str, float]
    again: frozenset[str]
    heard: Mapping[frozenset[str], frozenset[str]]
    whole: frozenset[frozenset[str]]

    @property
    def showed(self) -> bool:
        """Whether somebody fell silent or was never heard: the fault showed."""
        return bool(self.sets or self.never)


def _silent(machine: Machine, found: Survey, named: Mapping[int, str], others: set[str], beside: str) -> _Silent:
    def named_of(key: int) -> str:
        source = speaker(key).source
        return "" if source is None else named.get(source, "")

    habit = {name: one for one in found.speakers for name in [named_of(one.key)] if name in {*others, beside}}
    never = {
        name
        for name in others - habit.keys()
        if found.length_s >= NEVER_PERIODS * (_period_s(machine, name, beside) or 0.0)
    }
    limits = {name: one.limit_s for name, one in habit.items() if one.limit_s is not None}
    judged = frozenset(limits)
    if beside not in habit and others <= never and found.error_frames:
        never.add(beside)
    everybody = _everybody(found)
    whole: set[frozenset[str]] = set()
    together: dict[frozenset[str], float] = {}
    longest: dict[str, float] = {}
    again: set[str] = set()
    heard_beside: dict[frozenset[str], frozenset[str]] = {}
    for event in found.joint:
        if _switched_off(event, found):
            continue
        who = frozenset(name for one in event.silences for name in [named_of(one.key)] if name in judged)
        lasted = max(one.seconds for one in event.silences)
        again |= {named_of(one.key) for one in event.silences if not one.to_end} & who
        for name in who:
            longest[name] = max(longest.get(name, 0.0), lasted)
        if who - {beside}:
            together[who] = together.get(who, 0.0) + lasted
            if event.keys == everybody:
                whole.add(who)
            shortest = min(one.seconds for one in event.silences)
            sooner = {name for name, limit in limits.items() if name not in who and limit <= shortest}
            heard_beside[who] = heard_beside.get(who, frozenset()) | sooner
    chosen = sorted(together, key=lambda who: (-together[who], sorted(who)))[:MOST_SETS]
    return _Silent(
        tuple(chosen), together, frozenset(never), judged, longest, frozenset(again), heard_beside, frozenset(whole)
    )


def _period_s(machine: Machine, name: str, beside: str) -> float | None:
    own = {member.bus for member in _controller(machine, beside).buses}
    return next((one.period_s for one in _controller(machine, name).buses if one.bus in own), None)


def _silences(silent: _Silent, beside: str, state: str) -> list[tuple[CodeSeen, str]]:
    told: list[tuple[CodeSeen, str]] = []
    showing: Showing = "yes" if silent.showed else "unknown"
    for who in silent.sets or ([frozenset[str]()] if silent.judged or silent.never else []):
        known = who | silent.heard[who] if who else silent.judged
        for name in sorted(known | silent.never):
            if name == beside and name in who and who not in silent.whole:
                continue
            active = name in who or name in silent.never
            lasted = f"{silent.lasted[who]:.1f} s in the log" if name in who else ""
            note = "never in the log" if name in silent.never else lasted
            told.append((CodeSeen(name, silence_code(beside), state, active=active, showing=showing), note))
    # Who was heard again shows that the fault comes and goes.
    back = sorted(silent.again & (silent.sets[0] if silent.sets else frozenset[str]()) - {beside})
    told += [
        (CodeSeen(name, silence_code(beside), state, active=False, showing="no"), "heard again") for name in back
    ]
    return told


def _switched_off(event: JointSilence, found: Survey) -> bool:
    """Whether everybody fell silent and stayed so: the machine or the recorder was switched off."""
    return all(one.to_end for one in event.silences) and event.keys == _everybody(found)


def _everybody(found: Survey) -> frozenset[int]:
    """Who was heard often enough to be missed."""
    return frozenset(one.key for one in found.speakers if one.limit_s is not None)


def _errors(found: Survey, silent: _Silent, beside: str, state: str) -> list[tuple[CodeSeen, str]]:
    """Errors on the bus, or that there were none while somebody was silent: his lines, or his feed and ground."""
    most = max((one.count for one in found.bursts), default=0)
    active = most >= LEAST_ERRORS or bool(found.bus_off)
    if not active and not silent.showed:
        return []
    note = f"{most} in the longest burst of the log" if most else "none in the log"
    return [(CodeSeen(beside, BUS_ERRORS, state, active=active, showing="yes"), note)]


def _codes(
    machine: Machine, found: Survey, named: Mapping[int, str], silent: _Silent, state: str
) -> list[tuple[CodeSeen, str]]:
    """The machine file's codes: active where the log has them, and not where their controller reports others or none.

    What a controller that was silent found out meanwhile is in the log only if it still stood afterwards, so nothing
    is told of the codes it does not report.
    """
    active = {(one.source, one.spn, one.fmi): one for one in found.codes if one.kind == "active"}
    reporting = {source for _, source in found.lamps}  # whoever sends active codes at all is believed about the others
    lasted = max(silent.longest.values(), default=0.0)
    meanwhile: Showing = "yes" if silent.never or lasted >= CODE_AFTER_S else "unknown"
    told: list[tuple[CodeSeen, str]] = []
    for source, name in sorted(named.items()):
        for code in _controller(machine, name).codes.values():
            history = active.get((source, code.spn, code.fmi))
            if history is not None:
                note = f"{history.first_s:.1f} to {history.last_s:.1f} s in the log"
                told.append((CodeSeen(name, code.id, state, active=True, showing="yes"), note))
            elif source in reporting and name not in silent.longest:
                told.append((CodeSeen(name, code.id, state, active=False, showing=meanwhile), "not in the log"))
    return told


def _supplies(
    machine: Machine, found: Survey, named: Mapping[int, str], silent: _Silent, state: str, sound: Sound
) -> list[tuple[Reading, str]]:
    """Supplies that controllers report of themselves, as readings at their own pins, where one of them is too low.

    The lowest of each counts: who was never low was not low then either.
    """
    told, low = [], False
    for one in found.supplies:
        name = named.get(one.source, "")
        if one.which != "battery" or not name:
            continue
        supply = _controller(machine, name).supply
        plus, minus = f"{name}.{supply.pin}", f"{name}.{supply.ground}"
        usual = sound(plus, minus)
        mine = one.lowest_v < (1.0 - LOW_SHARE) * usual
        low |= mine
        dipped = mine and one.highest_v - one.lowest_v > LOW_SHARE * usual
        reading = Reading("volts", plus, minus, state, round(one.lowest_v, 2))
        told.append((reading, dipped, f"reported by {name} at {one.lowest_at_s:.1f} s of the log"))
    showing: Showing = "yes" if silent.showed or any(dipped for _, dipped, _ in told) else "unknown"
    return [(replace(reading, showing=showing), note) for reading, _, note in told] if low else []


def take_log(
    desk: Desk,
    log: Path,
    *,
    who: tuple[str, ...] = (),
    beside: str,
    state: str,
    job_id: str | None = None,
    minutes: float = 0.0,
    nobody: bool = False,
    told: Callable[[int, int], None] | None = None,
) -> LogTaken:
    """Reads a log and writes into the job what it tells of the machine; gives what it leaves, and the next step.

    ``nobody`` says that the recorder works, so that a log without any frame means that nobody speaks.

    Raises UserError with the codes here and of ``buslog.reading``, NotFound for a controller or state there is not.
    """
    job = desk.job(job_id)
    standing = desk.standing(job)
    machine = standing.machine
    if state not in machine.states:
        raise NotFound("state", state, machine.states)
    _controller(machine, beside)
    named = known_addresses(machine, beside, who)

    def sound(plus: str, minus: str) -> float:
        return sound_volts(standing.hunt, Reading("volts", plus, minus, state, 0.0))[0]

    try:
        found = heard(machine, survey(open_log(log), told=told), named, beside, state, sound)
    except UserError as error:
        if error.code != "log-empty" or not nobody:
            raise
        found = nobody_heard(machine, named, beside, state)
    if not found.seen:
        raise UserError(
            "log-tells-nothing",
            f"{log.name} tells nothing of the controllers that were named.",
            "Look who speaks in it with: halfsplit buslog read.",
        )
    happenings: list[Happening] = [
        ObservationRecorded(seen, note=f"{log.name}{', ' + note if note else ''}", minutes=0.0 if at else minutes)
        for at, (seen, note) in enumerate(found.seen)
    ]
    kept = keep(desk, job, happenings)
    alike = told_alike(desk.standing(desk.job(job.id)).hunt, [seen for seen, _ in found.seen])
    return LogTaken(kept.job, kept.words, kept.next, alike)
