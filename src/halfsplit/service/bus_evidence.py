"""A bus log as evidence of a job: who fell silent beside whom, and which of the machine's trouble codes were active.

Which source address belongs to which controller is said by whoever plugged the recorder in, and beside which controller
that was. Then each joint silence is one moment at which the fault showed: those that fell silent are taken as silent,
all others as heard, and the circuit tells which places of the harness, feeds and grounds fit. The same set of
controllers falling silent again says nothing new of where it is and is written down once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from halfsplit.buslog import j1939
from halfsplit.buslog.joint import JointSilence
from halfsplit.buslog.reading import open_log
from halfsplit.buslog.speakers import speaker
from halfsplit.buslog.survey import Survey, survey
from halfsplit.circuit.observing import silence_code
from halfsplit.errors import NotFound, UserError
from halfsplit.jobs.events import Happening, ObservationRecorded
from halfsplit.machine.model import Controller, Machine
from halfsplit.observations import CodeSeen, Showing
from halfsplit.service.desk import Desk
from halfsplit.service.found import keep
from halfsplit.service.results import Recorded

CODES: dict[str, str] = {
    "log-address": "What says which address a controller has is not of the form CONTROLLER=ADDRESS.",
    "log-beside": "The recorder's place is no controller on a bus with others.",
    "log-tells-nothing": "A log holds nothing that can be tied to the controllers that were named.",
}

#: Sets of controllers falling silent together that are written down, the longest silent first. Invented.
MOST_SETS = 3


@dataclass(frozen=True, slots=True)
class Heard:
    """What a log tells of a machine's controllers: observations with how they came about."""

    seen: tuple[tuple[CodeSeen, str], ...]


def addresses(machine: Machine, texts: tuple[str, ...]) -> dict[int, str]:
    """Controllers by source address from texts like "ECU1=3". Raises UserError("log-address") or NotFound."""
    found: dict[int, str] = {}
    for text in texts:
        name, sign, number = (piece.strip() for piece in text.partition("="))
        address = int(number) if number.isascii() and number.isdigit() else -1
        if not sign or not 0 <= address < j1939.NO_ADDRESS or address in found or name in found.values():
            raise UserError(
                "log-address",
                f'"{text}" does not say which address a controller has, or says one twice.',
                "Write it like ECU1=3, with an address of 0 to 253, once for each controller.",
            )
        _controller(machine, name)
        found[address] = name
    return found


def _controller(machine: Machine, name: str) -> Controller:
    part = machine.parts.get(name)
    if part is None or part.controller is None:
        known = [one.id for one in machine.parts.values() if one.controller is not None]
        raise NotFound("controller", name, known)
    return part.controller


def heard(machine: Machine, found: Survey, named: Mapping[int, str], beside: str, state: str) -> Heard:
    """What the survey of a log tells of the controllers in ``named``, recorded ``beside`` one of them in ``state``.

    Of the one beside which it was recorded only that it was heard meanwhile is told, and no silence: that could be its
    own or that of the recorder's place.
    Raises UserError("log-beside").
    """
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
    return Heard((*_silences(found, named, others, beside, state), *_codes(machine, found, named, state)))


def _silences(
    found: Survey, named: Mapping[int, str], others: set[str], beside: str, state: str
) -> list[tuple[CodeSeen, str]]:
    def named_of(key: int) -> str:
        source = speaker(key).source
        return "" if source is None else named.get(source, "")

    habit = {name: one for one in found.speakers for name in [named_of(one.key)] if name in {*others, beside}}
    never = others - habit.keys()
    judged = {name for name, one in habit.items() if one.limit_s is not None}
    sets: dict[frozenset[str], float] = {}
    for event in found.joint:
        if _switched_off(event, found):
            continue
        who = frozenset(name for one in event.silences for name in [named_of(one.key)] if name in judged)
        if who - {beside}:
            sets[who] = sets.get(who, 0.0) + max(one.seconds for one in event.silences)
    chosen = sorted(sets, key=lambda who: (-sets[who], sorted(who)))[:MOST_SETS]
    told: list[tuple[CodeSeen, str]] = []
    for who in chosen or ([frozenset[str]()] if judged or never else []):
        showing: Showing = "yes" if who or never else "unknown"
        for name in sorted(judged | never):
            if name == beside and name in who:
                continue
            silent = name in who or name in never
            note = "never in the log" if name in never else f"{sets[who]:.1f} s in the log" if name in who else ""
            told.append((CodeSeen(name, silence_code(beside), state, active=silent, showing=showing), note))
    return told


def _switched_off(event: JointSilence, found: Survey) -> bool:
    """Whether everybody fell silent and stayed so: the machine or the recorder was switched off."""
    everybody = {one.key for one in found.speakers if one.limit_s is not None}
    return all(one.to_end for one in event.silences) and event.keys == everybody


def _codes(machine: Machine, found: Survey, named: Mapping[int, str], state: str) -> list[tuple[CodeSeen, str]]:
    active = {(one.source, one.spn, one.fmi): one for one in found.codes if one.kind == "active"}
    reporting = {source for _, source in found.lamps}  # whoever sends active codes at all is believed about the others
    told: list[tuple[CodeSeen, str]] = []
    for source, name in sorted(named.items()):
        for code in _controller(machine, name).codes.values():
            history = active.get((source, code.spn, code.fmi))
            if history is not None:
                note = f"{history.first_s:.1f} to {history.last_s:.1f} s in the log"
                told.append((CodeSeen(name, code.id, state, active=True, showing="yes"), note))
            elif source in reporting:
                told.append((CodeSeen(name, code.id, state, active=False), "not in the log"))
    return told


def take_log(
    desk: Desk,
    log: Path,
    *,
    who: tuple[str, ...],
    beside: str,
    state: str,
    job_id: str | None = None,
    minutes: float = 0.0,
    told: Callable[[int, int], None] | None = None,
) -> Recorded:
    """Reads a log and writes into the job what it tells of the machine; gives the next step.

    Raises UserError with the codes here and of ``buslog.reading``, NotFound for a controller or state there is not.
    """
    job = desk.job(job_id)
    machine = desk.standing(job).machine
    if state not in machine.states:
        raise NotFound("state", state, machine.states)
    named = addresses(machine, who)
    _controller(machine, beside)
    found = heard(machine, survey(open_log(log), told=told), named, beside, state)
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
    return keep(desk, job, happenings)
