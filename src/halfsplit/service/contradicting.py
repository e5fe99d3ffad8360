"""Findings of which at most one can be so: two people saw or measured the same thing with no work in between.

Neither is thrown away and neither is preferred: both stand in the log and both are weighed. That they contradict is
said, because whoever knows which one is right can take the other back, or look again.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

from halfsplit.diagnosis.naming import observation_words
from halfsplit.diagnosis.repeats import AGREE_SHARE, AGREE_V
from halfsplit.jobs.model import Entry, Job
from halfsplit.observations import Action, CodeSeen, Look, Observation, Reading, Symptom
from halfsplit.service.desk import Standing

#: Two clamps differ by this, two ohm readings by this factor and sum, without contradicting. From memory.
AGREE_A = 0.2
AGREE_A_SHARE = 0.1
AGREE_OHM = 1.0
AGREE_OHM_FACTOR = 1.5


@dataclass(frozen=True, slots=True)
class FoundBy:
    """One finding of a contradiction: its entry, when, by whom, and in words."""

    entry: int
    when: str
    by: str
    words: str


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two findings on one thing that cannot both be so, the earlier one first."""

    one: FoundBy
    other: FoundBy


def contradictions(standing: Standing, job: Job) -> tuple[Contradiction, ...]:
    """The contradictions of a job since its last piece of work, the latest finding on each thing with the one before.

    Where one person reads the same twice, he reads again because he doubts the first; that is no contradiction.
    """
    seen: dict[Hashable, Entry] = {}
    found: dict[Hashable, Contradiction] = {}
    for entry in job.in_time:
        what = entry.observation
        if entry.undone or what is None:
            continue
        if isinstance(what, Action):
            seen, found = {}, {}
            continue
        subject = _subject(what, comes_and_goes=job.complaint.comes_and_goes)
        if subject is None:
            continue
        before = seen.get(subject)
        seen[subject] = entry
        if before is None or before.observation is None or (entry.by and entry.by == before.by):
            continue
        if _alike(before.observation, what):
            found.pop(subject, None)
        else:
            found[subject] = Contradiction(_told(standing, before), _told(standing, entry))
    return tuple(found.values())


def _subject(what: Observation, *, comes_and_goes: bool) -> Hashable | None:
    """What an observation is about; None where seeing it differently the next time contradicts nothing."""
    showing = getattr(what, "showing", "unknown")
    if comes_and_goes and showing == "unknown" and not isinstance(what, Look):
        return None
    match what:
        case Symptom(level=level) if level != "comes-and-goes":
            # Whether the fault shows is what such a finding says, so it is no part of its subject.
            return ("symptom", what.function, what.state, what.unplugged, showing if comes_and_goes else "")
        case Reading():
            return ("reading", what.quantity, what.plus, what.minus, what.state, what.unplugged, showing)
        case CodeSeen():
            return ("code", what.controller, what.code, what.state, showing)
        case Look():
            return ("look", what.look, what.place)
        case _:
            return None


def _alike(one: Observation, other: Observation) -> bool:
    match one, other:
        case Symptom(), Symptom():
            return one.level == other.level
        case Look(), Look():
            return one.found == other.found
        case CodeSeen(), CodeSeen():
            return one.active == other.active
        case Reading(), Reading():
            low, high = sorted((abs(one.value), abs(other.value)))
            if one.quantity == "volts":
                return abs(one.value - other.value) <= AGREE_V + AGREE_SHARE * high
            if one.quantity == "amps":
                return high - low <= AGREE_A + AGREE_A_SHARE * high
            if one.quantity == "ohms":
                return high == low or high <= AGREE_OHM_FACTOR * low + AGREE_OHM
            return one.value == other.value
        case _:
            return True


def _told(standing: Standing, entry: Entry) -> FoundBy:
    assert entry.observation is not None  # only observations contradict
    return FoundBy(entry.number, entry.when, entry.by, observation_words(standing.machine, entry.observation))
