"""A walk round the machine, told in one go: "all right", or "wiper off, beacon dim" and the others are right.

What is not named counts as seen and as it should be; what was not looked at is said so ("horn not seen") and left
out. A walk becomes one observation for each function, written in one step, and is shown as one line.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from halfsplit.diagnosis.checks import Check, operate, round_functions, round_state
from halfsplit.diagnosis.naming import SKIPPED, observation_words, round_words
from halfsplit.errors import UserError, nearest
from halfsplit.jobs.events import ObservationRecorded
from halfsplit.jobs.model import Entry
from halfsplit.machine.model import Function, Machine
from halfsplit.observations import Level, Observation, OutOfReach, Symptom
from halfsplit.service import typed

CODES: dict[str, str] = {
    "round-twice": "A function is named twice on one walk round the machine, at two levels.",
    "round-elsewhere": "A function is named on a walk round that the machine file expects nothing of in that state.",
    "round-nothing": "Nothing was looked at on the walk round, so there is nothing to write down.",
}

SKIP = ("skip", "skipped", "leave out", "left out")
NOT_SEEN = ("not seen", "not looked at", "not heard", "unseen", "can't see", "cannot see")
_RIGHT = r"(?:right|good|ok|fine|well|as (?:it|they) should(?: be)?|as expected)"
_ALL = re.compile(rf"(?:(?:all|everything)(?: is| are)? {_RIGHT}|alright|{_RIGHT}|nothing wrong)")
_REST = re.compile(rf"(?:and )?(?:(?:all )?the |all )?(?:rest|others?|other ones)(?: is| are)? {_RIGHT}")
_BUT = re.compile(
    rf"(?:all|everything)(?: is| are)? {_RIGHT},? (?:but|except for|except|apart from) (.+)", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Walked:
    """What was told of a walk: an observation for each function looked at, or why none was; minutes if said."""

    observations: tuple[Observation, ...]
    minutes: float | None = None


def answer(machine: Machine, check: Check, text: str) -> Walked:
    """What was seen on the walk round ``check``. Raises UserError with everything that cannot be read."""
    plain, minutes, showing = typed.taken_apart(text)
    if not plain:
        raise UserError("answer-empty", "Nothing was typed.", f"Say {typed.expected_answers(machine, check)}.")
    reason = typed.after(plain, typed.UNREACHABLE)
    if reason is not None:
        return Walked((OutOfReach(check.id, reason),), minutes)
    if plain in SKIP:
        return Walked((OutOfReach(check.id, SKIPPED),), minutes)
    levels = _told(machine, check, plain)
    found = []
    for function in round_functions(machine, check.state):
        level = levels.get(function, machine.functions[function].expected[check.state])
        if level is not None:
            found.append(Symptom(function, check.state, level, showing=showing))  # type: ignore[arg-type] # expected ones are levels
    if not found:
        raise UserError(
            "round-nothing", "Nothing was looked at on this walk.", "Say skip, or can't reach and why."
        )
    return Walked(tuple(found), minutes)


def _told(machine: Machine, check: Check, plain: str) -> dict[str, Level | None]:
    """The level of each function named, None where it was not looked at."""
    but = _BUT.fullmatch(plain)
    pieces = re.split(r"\s*[,;]\s+|;", but.group(1) if but else plain)
    levels: dict[str, Level | None] = {}
    wrong: list[UserError] = []
    for piece in pieces:
        said = " ".join(piece.split()).rstrip(".!")
        said = re.sub(r"^and ", "", said, flags=re.IGNORECASE)
        if not said or _REST.fullmatch(said.casefold()) or _ALL.fullmatch(said.casefold()):
            continue
        try:
            for function, level in _piece(machine, check, said):
                if levels.setdefault(function, level) != level:
                    raise UserError("round-twice", f"{function} is named twice, and not alike.")
        except UserError as error:
            wrong.append(error)
    if wrong:
        hints = dict.fromkeys(error.hint for error in wrong if error.hint)
        raise UserError(wrong[0].code, " ".join(error.message for error in wrong), " ".join(hints))
    return levels


def _piece(machine: Machine, check: Check, said: str) -> list[tuple[str, Level | None]]:
    """The functions of one piece with their levels: "wiper off", "wiper and beacon off", "wiper off and horn weak"."""
    named = _before_its_word(machine, said) or typed.named_function(machine, said)
    if named is not None and named[1]:
        try:
            return [(_looked_at(machine, check, named[0].id), _level(machine, check, named[0].id, named[1]))]
        except UserError:
            if " and " not in said:
                raise
    amiss: UserError | None = None
    for match in re.finditer(r" and ", said):
        first = typed.named_function(machine, said[: match.start()])
        if first is None:
            continue
        try:
            rest = _piece(machine, check, said[match.end() :])
            level = _level(machine, check, first[0].id, first[1]) if first[1] else rest[0][1]
            return [(_looked_at(machine, check, first[0].id), level), *rest]
        except UserError as error:  # another "and" may be the one that divides, as after "comes and goes"
            amiss = amiss or error
    if amiss is not None:
        raise amiss
    if named is not None:
        words = machine.functions[named[0].id].words
        raise UserError(
            "answer-unknown", f'"{said}" does not say what {named[0].id} does.',
            f"Say {words[2]}, {words[1]}, {words[0]} or not seen.",
        )  # fmt: skip
    functions = round_functions(machine, check.state)
    names = [*functions, *(machine.functions[one].name for one in functions)]
    near = nearest(said, names) or nearest(said.split(maxsplit=1)[0], names)
    hint = f'Did you mean "{near}"?' if near else f"Say {typed.expected_answers(machine, check)}."
    raise UserError("answer-unknown", f'"{said}" names no function to look at in {check.state}.', hint)


def _before_its_word(machine: Machine, said: str) -> tuple[Function, str] | None:
    """The function whose id comes before one of its own words, where both together are its name ("brake lets go")."""
    for function in machine.functions.values():
        if said.casefold() == function.name.casefold():
            for word in function.words:
                if said.casefold() == f"{function.id} {word}".casefold():
                    return function, word
    return None


def _looked_at(machine: Machine, check: Check, function: str) -> str:
    if check.state not in machine.functions[function].expected:
        raise UserError(
            "round-elsewhere",
            f"Nothing is expected of {function} in {check.state}.",
            f"Type it for itself, like: {function} in {check.state}: {machine.functions[function].words[2]}.",
        )
    return function


def _level(machine: Machine, check: Check, function: str, said: str) -> Level | None:
    word = re.sub(r"^(?:is|are|was|were)\b ?", "", said.strip(" :").casefold())
    if word in NOT_SEEN:
        return None
    if re.fullmatch(_RIGHT, word):
        word = "ok"
    return typed.level(machine, operate(machine, function, check.state), word)


def lines(entries: Sequence[Entry]) -> list[tuple[Entry, ...]]:
    """Entries as they are shown: those of one walk round together, every other one alone; in their order."""
    found: list[list[Entry]] = []
    for entry in entries:
        if found and _same_walk(found[-1], entry):
            found[-1].append(entry)
        else:
            found.append([entry])
    return [tuple(line) for line in found]


def _same_walk(line: Sequence[Entry], entry: Entry) -> bool:
    last, first = line[-1], walked(line[-1])
    now = walked(entry)
    if first is None or now is None:
        return False
    one_step = (last.when, last.undone, last.number + 1) == (entry.when, entry.undone, entry.number)
    again = any(one is not None and one.function == now.function for one in map(walked, line))
    return one_step and first.state == now.state and not again


def walked(entry: Entry) -> Symptom | None:
    """What an entry saw on a walk round the machine; None for any other entry."""
    what = entry.what
    if not isinstance(what, ObservationRecorded) or not isinstance(what.observation, Symptom):
        return None
    return what.observation if round_state(what.check) == what.observation.state else None


def seen_on(line: Sequence[Entry]) -> tuple[Symptom, ...]:
    """What was seen on the walk that a line is; empty for any other line."""
    return tuple(seen for entry in line if (seen := walked(entry)) is not None)


def line_words(machine: Machine, line: Sequence[Entry]) -> str:
    """The words of a line of observations."""
    seen = seen_on(line)
    if seen:
        return round_words(machine, seen[0].state, seen)
    what = line[-1].what
    assert isinstance(what, ObservationRecorded)  # the caller shows observations only
    return observation_words(machine, what.observation)


def whole_walk(entries: Sequence[Entry], number: int) -> tuple[int, ...]:
    """The numbers of the walk round that entry ``number`` belongs to, latest first; its own number otherwise."""
    for line in lines(entries):
        if any(entry.number == number for entry in line):
            return tuple(entry.number for entry in reversed(line))
    return (number,)
