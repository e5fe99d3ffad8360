"""What an operator tells of what fails: some of it, and now and then something that does not fail.

*The model* (ours, from memory; no source is known for it). Of the functions that a fault upsets in a state an operator
names as many as he does, each choice as likely as the other: a fault that upsets thirty functions is behind a
complaint of one dead lamp thirty times more seldom than one that upsets this lamp alone. What he names by mistake may
be any function that should do something in that state, and a state in which nothing fails, told of by mistake, may be
any of the machine's. So the chances of all complaints sum to one, and that one was made speaks for no suspect by
itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from halfsplit.machine.model import Machine
from halfsplit.observations import Symptom

Floats = NDArray[np.float64]
#: Chances of off, weak and on of a function in a state for every line, the sound machine last, ``[n, 3]``.
Levels = Callable[[str, str], Floats]


def functions_in(machine: Machine, state: str) -> tuple[str, ...]:
    """Functions of which somebody could say in a state that they do not do what they should."""
    return tuple(name for name, function in machine.functions.items() if state in function.expected)


def by_mistake(machine: Machine, state: str) -> float:
    """Chance that a function named by mistake in a state is a certain one: any of them may be."""
    return 1.0 / max(len(functions_in(machine, state)), 1)


def upset(chances: Floats) -> Floats:
    """Chance that a function is not as in the sound machine for every line ``[n]``, from its levels' ``[n, 3]``."""
    differs = 1.0 - chances @ chances[-1]
    result: Floats = np.clip(differs - differs[-1], 0.0, 1.0)
    return result


def named(machine: Machine, symptom: Symptom, chances: Floats) -> Floats:
    """Share of a complaint's likelihood that is left, ``[n]``: one in all functions where it is named by mistake."""
    fails = upset(chances)
    result: Floats = fails + (1.0 - fails) * by_mistake(machine, symptom.state)
    return result


def states_of(machine: Machine) -> tuple[str, ...]:
    """States of which somebody could say that something does not do what it should."""
    return tuple(state for state in machine.states if functions_in(machine, state))


def log_chosen(machine: Machine, symptoms: Sequence[Symptom], levels: Levels) -> Floats:
    """Log chance that just these of all that fails in a state were named, for every line ``[n]``."""
    # The number of ways to choose so many of all, for numbers that need not be whole.
    result: Floats = np.sum(
        [
            gammaln(told + 1.0) + gammaln(rest + 1.0) - gammaln(told + rest + 1.0)
            for told, rest in _by_state(machine, symptoms, levels)
        ],
        axis=0,
    )
    return result


def log_state(machine: Machine, symptoms: Sequence[Symptom], levels: Levels) -> Floats:
    """Log chance that the states were told of, for every line ``[n]``: one in all where nothing fails in it."""
    by_mistake = 1.0 / max(len(states_of(machine)), 1)
    found = []
    for told, rest in _by_state(machine, symptoms, levels):
        found.append(np.log(by_mistake + (1.0 - by_mistake) * np.clip(told + rest, 0.0, 1.0)))
    result: Floats = np.sum(found, axis=0)
    return result


def _by_state(machine: Machine, symptoms: Sequence[Symptom], levels: Levels) -> Iterator[tuple[Floats, Floats]]:
    """For each state that was told of, how many of the functions named fail and how many others, each ``[n]``."""
    for state in dict.fromkeys(symptom.state for symptom in symptoms):
        told = {symptom.function for symptom in symptoms if symptom.state == state}
        fails = {name: upset(levels(name, state)) for name in {*functions_in(machine, state), *told}}
        explained = np.sum([fails[name] for name in sorted(told)], axis=0)
        rest = np.sum([np.zeros_like(explained), *(fails[name] for name in sorted(fails.keys() - told))], axis=0)
        yield explained, rest
