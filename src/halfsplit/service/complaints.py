"""A complaint in a person's words: "left dust spray dead in sweep", "rain", "comes and goes"."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import get_args

from halfsplit.diagnosis.naming import function_name, level_word, state_name
from halfsplit.errors import Problem, ProblemsError, UserError, nearest
from halfsplit.machine.model import Function, Machine
from halfsplit.observations import RELIABILITY_OPERATOR, Complaint, Condition, Level, Symptom
from halfsplit.service.typed import LEVEL_WORDS, named_function, state_of

CONDITIONS: tuple[Condition, ...] = get_args(Condition)
COMES_AND_GOES = ("comes and goes", "now and then", "sometimes")


def complaint_of(
    machine: Machine,
    sentences: Sequence[str],
    conditions: Sequence[str] = (),
    *,
    comes_and_goes: bool = False,
    worked_on: Sequence[str] = (),
    words: str = "",
) -> Complaint:
    """The complaint made of what was said. Raises ProblemsError with every sentence that cannot be read."""
    symptoms: list[Symptom] = []
    chosen: list[Condition] = []
    problems: list[Problem] = []
    for number, sentence in enumerate(sentences, 1):
        try:
            symptoms.append(symptom_of(machine, sentence))
        except UserError as error:
            problems.append(Problem(error.code, None, number, str(error)))
    for word in conditions:
        try:
            chosen.append(condition_of(word))
        except UserError as error:
            problems.append(Problem(error.code, None, None, str(error)))
    for thing in worked_on:
        if thing not in machine.connectors and thing not in machine.parts and thing not in machine.runs:
            near = nearest(thing, [*machine.connectors, *machine.parts, *machine.runs])
            said = f"This machine has no connector, part or run {thing}."
            problems.append(Problem("subject-unknown", None, None, said, near))
    if problems:
        raise ProblemsError(problems)
    sleeping = comes_and_goes or any(symptom.level == "comes-and-goes" for symptom in symptoms)
    return Complaint(tuple(symptoms), tuple(dict.fromkeys(chosen)), tuple(worked_on), sleeping, words)


def complaint_words(machine: Machine | None, complaint: Complaint) -> tuple[str, ...]:
    """Each function complained of in words; by its ids where the machine cannot be read."""
    if machine is None:
        return tuple(f"{one.function} {one.level} [{one.state}]" for one in complaint.symptoms)
    return tuple(
        f"{function_name(machine, one.function)} {level_word(machine, one.function, one.level)} "
        f"[{state_name(machine, one.state)}]"
        for one in complaint.symptoms
    )


def condition_of(text: str) -> Condition:
    """One condition by its word. Raises UserError("condition-unknown")."""
    wanted = re.sub(r"[\s-]+", "-", text.strip().casefold())
    for condition in CONDITIONS:
        if wanted == condition:
            return condition
    near = nearest(wanted, CONDITIONS)
    raise UserError(
        "condition-unknown",
        f'"{text.strip()}" is no condition halfsplit knows.',
        f"Did you mean {near}?" if near else f"Conditions: {', '.join(CONDITIONS)}.",
    )


def symptom_of(machine: Machine, sentence: str) -> Symptom:
    """A symptom from "FUNCTION LEVEL [in STATE]"; the state is where the function should work when not named.

    Raises UserError("complaint-unknown") or UserError("state-unknown").
    """
    plain = " ".join(sentence.replace(":", " ").split())
    function, rest = _function(machine, plain)
    said, _, state_text = re.sub(r"\s+when\s+", " in ", f" {rest} ").strip().partition(" in ")
    if rest.casefold().startswith("in "):
        said, state_text = "", rest[3:]
    level = _level(function, said)
    state = state_of(machine, state_text) if state_text.strip() else _usual_state(machine, function, level)
    return Symptom(function.id, state, level, RELIABILITY_OPERATOR, "yes")


def _function(machine: Machine, plain: str) -> tuple[Function, str]:
    """The function whose id or name the sentence begins with, the longest that fits, and what follows."""
    found = named_function(machine, plain)
    if found is not None:
        return found
    names = {function.id for function in machine.functions.values()}
    names |= {function.name for function in machine.functions.values() if function.name}
    words = plain.split()
    near = None
    for count in range(min(5, len(words)), 0, -1):
        near = nearest(" ".join(words[:count]), names)
        if near:
            break
    raise UserError(
        "complaint-unknown",
        f'"{plain}" does not begin with a function of this machine.',
        f'Did you mean "{near}"?' if near else 'Write it like "horn dead in horn-pressed".',
    )


def _level(function: Function, said: str) -> Level:
    plain = re.sub(r"^(?:is|was|stays|stay|are)\s+", "", said.strip().casefold())
    words = dict(LEVEL_WORDS)
    for word, level in zip(function.words, ("off", "weak", "on"), strict=True):
        words[word.casefold()] = level  # type: ignore[assignment] # the three levels in order
    words |= {"does not work": "off", "not working": "off", "fails": "off", "": "off"}
    if plain in words:
        return words[plain]
    near = nearest(plain, [word for word in words if word])
    raise UserError(
        "complaint-unknown",
        f'"{said.strip()}" says nothing halfsplit can read about {function.name or function.id}.',
        f"Did you mean {near}?" if near else f"Say {', '.join(function.words)} or comes and goes.",
    )


def _usual_state(machine: Machine, function: Function, level: Level) -> str:
    """The first state in which a person would expect otherwise."""
    wanted = "off" if level == "on" else "on"
    for state, expected in function.expected.items():
        if expected == wanted:
            return state
    return next(iter(function.expected), next(iter(machine.states)))
