"""What a person types at the bench, turned into observations: "9.8 V", "dry", "lit", "can't reach".

An answer belongs to the check that was asked. Something seen without being asked is typed with its subject
before a colon: "horn: sounds", "X12: green", "X30.11 in untip: 12.4 V". Nothing here reads clocks or stores.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Literal

from halfsplit import quantities
from halfsplit.diagnosis.checks import Check, round_functions
from halfsplit.diagnosis.naming import check_short
from halfsplit.errors import InternalError, UserError, nearest
from halfsplit.machine.model import Function, Machine
from halfsplit.observations import (
    Action,
    CodeSeen,
    Level,
    Look,
    LookKind,
    Move,
    Observation,
    OutOfReach,
    Reading,
    Showing,
    Symptom,
)
from halfsplit.service.typed_between import between, ohms_apart

CODES: dict[str, str] = {
    "answer-unknown": "What was typed is no answer to the check that was asked; near words are offered.",
    "answer-empty": "Nothing was typed where an answer is needed.",
    "answer-unit": "The reading has no unit, or one that does not fit the check.",
    "subject-unknown": "What stands before the colon is no function, connector, part, run or point.",
    "spot-unknown": "The spot named with a look does not belong to the place looked at.",
    "state-unknown": "The machine has no state of that name.",
    "complaint-unknown": "The complaint names no function of the machine, or no level such as dead or weak.",
    "condition-unknown": "The condition is none of those that change the odds.",
}

OK_WORDS = ("ok", "good", "fine", "sound")
CLEAN_WORDS = (*OK_WORDS, "dry", "clean", "tight", "nothing", "nothing bad", "intact", "no")
BAD_WORDS = (
    "wet", "damp", "green", "white", "corroded", "rusty", "loose", "burnt", "burned", "hot", "melted",
    "broken", "cracked", "rubbed", "chafed", "blown", "bad", "dirty", "backed out", "spread", "pinched",
    "swollen", "yes", "bad spot",
)  # fmt: skip
REACTS = ("reacts", "it reacts", "changes", "flickers", "cuts out", "comes back", "yes")
STEADY = ("nothing", "nothing changes", "no change", "steady", "no", "ok")
ACTIVE = ("code", "active", "code active", "yes", "present")
INACTIVE = ("no code", "not active", "none", "no", "clear", "inactive")
OVER_RANGE = ("ol", "open", "over range", "over-range", "overrange", "infinite")
UNREACHABLE = ("can't reach", "cant reach", "cannot reach", "can not reach", "out of reach")
SHOWING = {
    "fault showing": "yes", "showing": "yes", "fault there": "yes", "fault present": "yes",
    "fault away": "no", "away": "no", "fault asleep": "no", "asleep": "no", "not showing": "no",
    "fault not showing": "no",
}  # fmt: skip
LEVEL_WORDS: dict[str, Level] = {
    "off": "off", "dead": "off", "dark": "off", "none": "off", "silent": "off", "missing": "off",
    "stopped": "off",
    "weak": "weak", "dim": "weak", "slow": "weak", "faint": "weak", "unsteady": "weak", "chatters": "weak",
    "on": "on", "works": "on", "lit": "on", "runs": "on", "sounds": "on", "alive": "on", "turns": "on",
    "comes and goes": "comes-and-goes", "now and then": "comes-and-goes", "sometimes": "comes-and-goes",
}  # fmt: skip
LAMP = {
    "dark": 0.0, "off": 0.0, "out": 0.0, "dead": 0.0, "dim": 1.0, "weak": 1.0, "faint": 1.0, "glows": 1.0, "lit": 2.0,
    "bright": 2.0, "on": 2.0, "lights": 2.0,
}  # fmt: skip
#: What begins the answer to a walk round the machine that nobody asked for.
WALK = ("walk round", "walk around", "walk")
MENDED = ("mended", "fixed", "cured")
DONE = ("done",)
NOT_MENDED = ("not mended", "not fixed", "no better", "still there", "not cured")


@dataclass(frozen=True, slots=True)
class Answer:
    """What was typed: the observation, and minutes when they were said ("9.8 V, 7 min"), else None."""

    observation: Observation
    minutes: float | None = None


@dataclass(frozen=True, slots=True)
class RepairAnswer:
    """What was said of a repair: ``verdict`` "mended", "not mended" or "done" (not tried out yet)."""

    verdict: Literal["mended", "not mended", "done"]
    minutes: float | None = None


def answer(machine: Machine, check: Check, text: str) -> Answer:
    """The answer to a check. Raises UserError with near words when it is none."""
    plain, minutes, showing = taken_apart(text)
    if not plain:
        raise UserError("answer-empty", "Nothing was typed.", f"Say {expected_answers(machine, check)}.")
    reason = after(plain, UNREACHABLE)
    if reason is not None:
        return Answer(OutOfReach(check.id, reason), minutes)
    observation = _of_check(machine, check, plain)
    if showing != "unknown" and not isinstance(observation, OutOfReach):
        assert not isinstance(observation, Action)  # a check is answered by something seen, never by work
        observation = replace(observation, showing=showing)
    return Answer(observation, minutes)


def repair_answer(text: str) -> RepairAnswer | None:
    """What was said of a repair, or None when it is no such word."""
    plain, minutes, _ = taken_apart(text)
    if plain in MENDED:
        return RepairAnswer("mended", minutes)
    if plain in NOT_MENDED:
        return RepairAnswer("not mended", minutes)
    return RepairAnswer("done", minutes) if plain in DONE else None


def expected_answers(machine: Machine, check: Check) -> str:
    """What can be typed for a check, as a list of examples."""
    match check.kind:
        case "operate":
            words = machine.functions[check.function].words
            return f"{words[2]}, {words[1]}, {words[0]}, comes and goes, can't reach"
        case "round":
            functions = round_functions(machine, check.state)
            function = machine.functions[functions[0]]
            amiss = function.words[0 if function.expected[check.state] == "on" else 2]
            return f"all right, or what is not so, like {function.id} {amiss}; can't reach, skip"
        case "volts" | "drop":
            return "the reading with its unit, such as 12.3 V or 850 mV; can't reach"
        case "lamp":
            return "lit, dim, dark, can't reach"
        case "amps":
            return "the reading with its unit, such as 3.2 A or 40 mA; can't reach"
        case "watch":
            words = machine.functions[check.function].words
            return f"{words[2]}, {words[1]}, {words[0]}, can't reach"
        case "ohms":
            return "the reading with its unit, such as 60 ohm or 4.7 kohm, or OL for over range; can't reach"
        case "code":
            return "code, no code, can't reach"
        case "move":
            return "reacts, nothing, can't reach"
        case _:
            if check.look == "by-eye":
                return "ok, loose, green, burnt, blown, broken, can't reach"
            return (
                "ok, rubbed, broken, can't reach"
                if check.look == "along"
                else "dry, wet, green, loose, ok, can't reach"
            )


def taken_apart(text: str) -> tuple[str, float | None, Showing]:
    """The answer itself, minutes said with it, and whether the fault was showing; split at commas."""
    minutes: float | None = None
    showing: Showing = "unknown"
    kept: list[str] = []
    # "12,6 V" is a decimal comma; only a comma with a space after it, or none before a digit, divides.
    for piece in re.split(r",\s+|;\s*", text.strip()):
        word = " ".join(piece.replace("’", "'").split()).rstrip(".!").casefold()
        if word in SHOWING:
            showing = "yes" if SHOWING[word] == "yes" else "no"
        elif kept and re.fullmatch(r"(?:took )?[\d.,]+ ?(?:min|minutes?|h|s)", word):
            minutes = quantities.duration_min(word.removeprefix("took "))
        else:
            kept.append(word if not kept else piece.strip())
    return ", ".join(kept), minutes, showing


def after(plain: str, starts: tuple[str, ...]) -> str | None:
    """What follows one of ``starts``, or None."""
    for start in starts:
        if plain == start or plain.startswith((f"{start} ", f"{start},", f"{start}:")):
            return plain[len(start) :].strip(" ,:")
    return None


def _of_check(machine: Machine, check: Check, plain: str) -> Observation:
    match check.kind:
        case "operate":
            return Symptom(check.function, check.state, level(machine, check, plain))
        case "round":
            raise InternalError("A walk round the machine is answered by many observations, not by one.")
        case "volts" | "drop":
            value = _measured(plain, check, "voltage")
            return Reading("volts", check.plus, check.minus, check.state, value, check.unplugged)
        case "lamp":
            return Reading("lamp", check.plus, check.minus, check.state, _lamp(machine, check, plain))
        case "amps":
            return Reading("amps", check.plus, "", check.state, abs(_measured(plain, check, "current")))
        case "watch":
            seen = level(machine, check, plain)
            return Symptom(check.function, check.state, seen, unplugged=check.unplugged)
        case "ohms":
            value = float("inf") if plain in OVER_RANGE else _measured(plain, check, "resistance")
            return Reading("ohms", check.plus, check.minus, check.state, value, check.unplugged)
        case "code":
            active = _one_of(machine, check, plain, ACTIVE, INACTIVE)
            return CodeSeen(check.controller, check.code, check.state, active)
        case "move":
            return Move(check.place, "", "", _one_of(machine, check, plain, REACTS, STEADY))
        case _:
            said, _, spot = plain.partition(" at ")
            found = _one_of(machine, check, said, BAD_WORDS, CLEAN_WORDS)
            what = said if said not in ("yes", "bad", "no", *OK_WORDS) else ""
            return Look(_look(check.look), _spot(machine, check, spot) if spot else check.place, found, what)


def _spot(machine: Machine, check: Check, text: str) -> str:
    """The one cavity, wire or terminal at the place of a look. Raises UserError with the nearest."""
    spots = [check.place]
    if check.place in machine.connectors:
        spots += [f"{check.place}.{cavity}" for cavity in machine.connectors[check.place].cavities]
    for wire in machine.wires.values():
        if wire.run == check.place:
            spots.append(wire.id)
        spots += [f"{wire.id}@{end}" for end in (wire.a, wire.b) if end.owner == check.place]
    by_folded = {spot.casefold(): spot for spot in spots}
    if text.casefold() in by_folded:
        return by_folded[text.casefold()]
    near = nearest(text, spots)
    raise UserError(
        "spot-unknown",
        f'"{text}" is no spot of {check.place}.',
        f"Did you mean {near}?" if near else "Leave it out, or name a cavity, wire or terminal there.",
    )


def _lamp(machine: Machine, check: Check, plain: str) -> float:
    """0 dark, 1 dim, 2 lit. Raises UserError with near words."""
    word = plain.removeprefix("lamp ").strip()
    if word not in LAMP:
        raise _unknown(machine, check, plain, tuple(LAMP))
    return LAMP[word]


def _look(text: str) -> LookKind:
    looks: dict[str, LookKind] = {
        "closed": "closed", "thorough": "thorough", "by-eye": "by-eye", "along": "along"
    }  # fmt: skip
    return looks[text]


def _measured(plain: str, check: Check, quantity: str) -> float:
    found = quantities.QUANTITIES[quantity]
    try:
        return found.parse(plain)
    except UserError as error:
        example = {"voltage": "12.3 V", "current": "3.2 A"}.get(quantity, "60 ohm")
        hint = getattr(error, "suggestion", None)
        raise UserError(
            "answer-unit",
            f'"{plain}" cannot be read as a {quantity} for {check_short(check)}.',
            f"Did you mean {hint}?" if hint else f"Type it with its unit, such as {example}.",
        ) from error


def _one_of(machine: Machine, check: Check, plain: str, yes: tuple[str, ...], no: tuple[str, ...]) -> bool:
    """True for a word of ``yes``; several words are bad when any of them is."""
    first = plain.partition(",")[0].strip()
    if plain in no or first in no:
        return False
    if plain in yes or first in yes:
        return True
    words = re.split(r"[\s,]+(?:and )?", plain)
    if any(word in yes for word in words):
        return True
    if all(word in no for word in words):
        return False
    raise _unknown(machine, check, plain, (*yes, *no))


def level(machine: Machine, check: Check, plain: str) -> Level:
    """The level of a function in its own words or general ones. Raises UserError with near words."""
    words = dict(LEVEL_WORDS)
    function = machine.functions[check.function]
    words.update(zip((word.casefold() for word in function.words), ("off", "weak", "on"), strict=True))
    expected = function.expected.get(check.state, "on")
    if check.kind == "watch" and plain not in words:
        # Nobody expects anything of a function with a connector apart: only its own words will do.
        raise _unknown(machine, check, plain, tuple(words))
    if plain in OK_WORDS:
        return "on" if expected == "on" else "off"
    if plain in ("bad", "fails", "wrong"):
        return "off" if expected == "on" else "on"
    if plain not in words:
        raise _unknown(machine, check, plain, (*words, *OK_WORDS))
    return words[plain]


def _unknown(machine: Machine, check: Check, plain: str, words: tuple[str, ...]) -> UserError:
    near = nearest(plain, words)
    hint = f'Did you mean "{near}"? ' if near else ""
    return UserError(
        "answer-unknown",
        f'"{plain}" is no answer to {check_short(check)}.',
        f"{hint}Say {expected_answers(machine, check)}.",
    )


def state_of(machine: Machine, text: str) -> str:
    """The id of a state named by id or name. Raises UserError with the nearest one."""
    wanted = " ".join(text.split()).casefold()
    for state in machine.states.values():
        if wanted in (state.id.casefold(), state.name.casefold()):
            return state.id
    names = {state.id: state.id for state in machine.states.values()}
    names |= {state.name: state.id for state in machine.states.values() if state.name}
    near = nearest(text, names)
    hint = f'Did you mean "{near}"?' if near else f"States: {', '.join(machine.states)}."
    raise UserError("state-unknown", f'This machine has no state "{text.strip()}".', hint)


def unasked(machine: Machine, text: str, state: str) -> Check | None:
    """The check that an answer with its subject before a colon belongs to, or None when there is no colon.

    ``state`` is used when no state is named. Raises UserError when the subject is not known.
    """
    subject, colon, _ = text.partition(":")
    head = text[: len(subject)]
    tail = text[len(subject) + 1 :]
    if colon and tail[:2].strip()[:1] in ("p", "s") and re.match(r"[ps]\b", tail):
        # X12.3:p is a point, and the colon that counts comes after it.
        half, colon, _ = tail.partition(":")
        head = f"{head}:{half}"
    if not colon:
        return None
    head, unplugged = _unplugged(machine, head)
    name, _, said_state = head.partition(" in ")
    name = " ".join(name.split())
    chosen = state_of(machine, said_state) if said_state.strip() else state
    found = _instrument(machine, name, chosen, answer_part(text)) if not unplugged else None
    found = found or _subject(machine, name, chosen) or between(machine, name, chosen)
    if found is not None:
        return _with_out(machine, found, unplugged)
    candidates = [*machine.functions, *machine.connectors, *machine.parts, *machine.runs]
    candidates += [function.name for function in machine.functions.values()]
    near = nearest(name, candidates)
    raise UserError(
        "subject-unknown",
        f'This machine has no function, connector, part, run or point "{name}".',
        f'Did you mean "{near}"?' if near else "",
    )


def _unplugged(machine: Machine, head: str) -> tuple[str, tuple[str, ...]]:
    """A subject without its "with X12 out", and what is out. Raises UserError with the nearest name."""
    said = re.search(r"\s+with\s+(.+?)\s+(?:out|unplugged|apart)\b", head, re.IGNORECASE)
    if said is None:
        return head, ()
    known = [*machine.connectors]
    known += [part.id for part in machine.parts.values() if part.kind in ("fuse", "breaker")]
    by_folded = {name.casefold(): name for name in known}
    found = []
    for name in re.split(r"\s*,\s*|\s+and\s+", said.group(1).strip()):
        if name.casefold() not in by_folded:
            near = nearest(name, known)
            raise UserError(
                "subject-unknown",
                f'This machine has no connector or fuse "{name}" to take out.',
                f'Did you mean "{near}"?' if near else "",
            )
        found.append(by_folded[name.casefold()])
    return head[: said.start()] + head[said.end() :], tuple(found)


def _with_out(machine: Machine, check: Check, unplugged: tuple[str, ...]) -> Check:
    """A check done with connectors apart. Raises UserError for one that is not weighed so."""
    from halfsplit.diagnosis.checks import allowed, watch_check

    if not unplugged:
        return check
    if check.kind == "operate":
        return allowed(machine, watch_check(machine, check.function, check.state, unplugged))
    if check.kind == "volts":
        made = replace(check, id=f"{check.id}, {' and '.join(unplugged)} out", unplugged=unplugged)
        return allowed(machine, made)
    if check.kind == "ohms":
        return ohms_apart(machine, check, unplugged)
    raise UserError(
        "subject-unknown",
        f"{check_short(check)} is not weighed with {' and '.join(unplugged)} out.",
        "A function, a point in volts or the lines of a bus in ohms are.",
    )


def _instrument(machine: Machine, name: str, state: str, said: str) -> Check | None:
    """The lamp or clamp check that an answer like "lit" or "3.2 A" is for, or None when it is of another kind."""
    from halfsplit.diagnosis.checks import MINUTES, allowed, clamped, lamp_return, points
    from halfsplit.diagnosis.clamps import branch_of

    first = re.split(r",\s+|;", said.strip())[0].strip().casefold()
    chosen = state or next(iter(machine.states))
    if re.fullmatch(r"[-+]?[\d.,]+ ?m?a", first) and branch_of(machine, name) is not None:
        owner = clamped(machine).get(name, name)
        thing = machine.parts.get(owner) or machine.connectors.get(owner)
        if thing is None:
            return None
        steps = machine.steps_for_zone(thing.zone, thing.access)
        made = Check(
            f"amps {name} in {chosen}", "amps", owner, thing.zone, steps, MINUTES["amps"], state=chosen, plus=name
        )
        return allowed(machine, made)
    at = points(machine)
    point = at.get(name) or at.get(f"{name}:p")
    if first.removeprefix("lamp ") in LAMP and point is not None and named_function(machine, name) is None:
        made = Check(
            f"lamp {point.node} in {chosen}", "lamp", point.owner, point.zone, point.steps, MINUTES["lamp"],
            state=chosen, plus=point.node, minus=lamp_return(machine),
        )  # fmt: skip
        return allowed(machine, made)
    return None


def answer_part(text: str) -> str:
    """What stands after the colon that divides subject and answer."""
    match = re.match(r"[^:]*(?::[ps]\b[^:]*)?:(.*)", text)
    return match.group(1).strip() if match else text


def named_function(machine: Machine, words: str) -> tuple[Function, str] | None:
    """The function that ``words`` begin with, and the words after it; None when there is none.

    An id or a name counts, the longest that fits; else the beginning of a name when only one function's name
    begins so ("left brush" for "Left brush turns").
    """
    plain = " ".join(words.split())
    best: tuple[int, Function] | None = None
    for function in machine.functions.values():
        for name in (function.id, function.name):
            fits = name and re.match(re.escape(name.casefold()) + r"(?:\s|$)", plain.casefold())
            if fits and (best is None or len(name) > best[0]):
                best = (len(name), function)
    if best is not None:
        return best[1], plain[best[0] :].strip()
    pieces = plain.split()
    for count in range(len(pieces), 0, -1):
        start = " ".join(pieces[:count]).casefold() + " "
        begins = [one for one in machine.functions.values() if one.name.casefold().startswith(start)]
        if len(begins) == 1:
            return begins[0], " ".join(pieces[count:])
        if begins:
            return None
    return None


def _subject(machine: Machine, name: str, state: str) -> Check | None:
    from halfsplit.diagnosis.checks import all_checks, allowed, round_check

    if name.casefold() in WALK:
        walk = round_check(machine, state or next(iter(machine.states)))
        return None if walk is None else allowed(machine, walk)
    named = named_function(machine, name)
    if named is not None and not named[1]:
        function = named[0]
        chosen = state or next(iter(function.expected), next(iter(machine.states)))
        return Check(
            f"operate {function.id} in {chosen}", "operate", function.id, "", (), function.minutes,
            state=chosen, function=function.id,
        )  # fmt: skip
    chosen = state or next(iter(machine.states))
    wanted = {
        f"volts {name} in {chosen}", f"volts {name}:p in {chosen}", f"look by-eye {name}",
        f"look along {name}", f"look thorough {name}",
    }  # fmt: skip
    for check in all_checks(machine, (chosen,), even_kept_out=True):
        if check.id in wanted:
            return allowed(machine, check)
    return None
