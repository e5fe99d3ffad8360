"""Looks that miss: what one look tells, what repeated looks tell, and where to look next.

A look may miss a fault that is there (sensitivity below 1), see one that is not (specificity below 1), be
unable to see it at all (hidden share), or come while an intermittent fault sleeps. Where to look next
follows the index of Blackwell (in Matula 1964; Black 1965; Chew 1967): chance of finding at this look over
its minutes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from halfsplit.diagnosis.access_order import Item, merge_blocks
from halfsplit.errors import InternalError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

#: A chain of looks ends when the chance still to be found there is below this share of the whole: less than
#: the rounding of the expected minutes.
LEAST_SHARE = 1e-17

#: The longest chain of looks at one place; a look that misses more than 99.6 percent reaches it first.
MOST_LOOKS = 10_000


@dataclass(frozen=True, slots=True)
class Place:
    """Somewhere to look: prior chance, how often a look misses a visible fault, minutes a look, what to open.

    ``visible_share`` of the faults here can be seen by this kind of look at all.
    """

    name: str
    chance: float
    miss: float
    minutes: float
    needs: str | None = None
    visible_share: float = 1.0


def factor_good(sensitivity: float, specificity: float = 1.0, active_share: float = 1.0) -> float:
    """Factor on the odds of a fault when a look finds nothing: (1 - d * sensitivity) / specificity.

    ``active_share`` d is the share of time the fault shows itself: 1 while the symptom is present, less
    while an intermittent fault may be asleep. Moving, heating and loading raise it.
    """
    return (1.0 - active_share * sensitivity) / specificity


def factor_found(sensitivity: float, specificity: float) -> float:
    """Factor on the odds of a fault when a look finds it; infinite for a look without false finds."""
    return sensitivity / (1.0 - specificity) if specificity < 1 else math.inf


def after_factor(prior: float, factor: float) -> float:
    """Chance after its odds were multiplied by ``factor``."""
    if math.isinf(factor):
        return 1.0 if prior > 0 else 0.0
    return prior * factor / (prior * factor + 1.0 - prior)


def chance_of_misses(looks: int, sensitivity: float, visible_share: float = 1.0) -> float:
    """Chance that ``looks`` looks of one kind all miss a fault that is there: (1 - v) + v (1 - s)^looks.

    Repeats of one kind saturate at the hidden share 1 - v; ``sensitivity`` is that for a visible fault.
    """
    return (1.0 - visible_share) + visible_share * (1.0 - sensitivity) ** looks


def after_misses(
    prior: float, looks: int, sensitivity: float, *, specificity: float = 1.0, visible_share: float = 1.0
) -> float:
    """Chance of the fault after ``looks`` looks of one kind found nothing."""
    missed = chance_of_misses(looks, sensitivity, visible_share)
    return after_factor(prior, missed / specificity**looks)


def after_searching(chances: Sequence[float], place: int, miss: float) -> tuple[float, ...]:
    """Chances of where the one fault is, after looking at ``place`` found nothing."""
    left = [p * (miss if i == place else 1.0) for i, p in enumerate(chances)]
    whole = sum(left)
    return tuple(p / whole for p in left)


def search_order(places: Sequence[Place], openings: Iterable[Item] = (), *, looks: int) -> tuple[str, ...]:
    """Return the first ``looks`` actions of the best search: names of places, and of openings when needed.

    ``openings`` are access steps as in ``access_order`` (chance 0, at most one need each). The looks at one
    place are a chain with falling index, so the best order merges blocks of an opening with looks behind
    it. Best when the search ends with the find and looks never see what is not there.
    """
    names, _ = _search(places, list(openings))
    return tuple(name for name, _, _ in names[:looks])


def search_minutes(
    places: Sequence[Place], openings: Iterable[Item] = (), *, order: Sequence[str] = ()
) -> float:
    """Expected minutes until the fault is found, given that it is one of those this search can find.

    Following the best order, or ``order`` repeated for ever when it is given (every place must be in it).
    """
    steps = list(openings)
    sequence, visible = _search(places, steps)
    if order:
        sequence = _round_robin(places, steps, order)
    left, total = visible, 0.0
    for _, chance, minutes in sequence:
        total += minutes * max(left, 0.0)
        left -= chance
    return total / visible


def _chain(place: Place) -> list[float]:
    """Chance of finding at the first, second, ... look."""
    if not 0 <= place.miss < 1:
        raise InternalError(
            f"Looking at {place.name} misses with {place.miss}; it must be at least 0 and below 1."
        )
    found: list[float] = []
    here = place.chance * place.visible_share * (1.0 - place.miss)
    while here > LEAST_SHARE and len(found) < MOST_LOOKS:
        found.append(here)
        here *= place.miss
    return found


def _search(places: Sequence[Place], openings: list[Item]) -> tuple[list[tuple[str, float, float]], float]:
    """All actions of the best search as (name, chance, minutes), and the chance that it finds the fault."""
    number = {step.name: i for i, step in enumerate(openings)}
    if any(len(step.needs) > 1 for step in openings):
        raise InternalError("Openings of a search may need one other opening at most.")
    names = [step.name for step in openings]
    chance, minutes = [0.0] * len(names), [step.minutes for step in openings]
    parent = [next((number[n] for n in step.needs), -1) for step in openings]
    for place in places:
        above = number[place.needs] if place.needs is not None else -1
        for found in _chain(place):
            names.append(place.name)
            chance.append(found)
            minutes.append(place.minutes)
            parent.append(above)
            above = len(names) - 1
    blocks = merge_blocks(chance, minutes, parent)
    visible = sum(place.chance * place.visible_share for place in places)
    return [(names[i], chance[i], minutes[i]) for block in blocks for i in block], visible


def _round_robin(
    places: Sequence[Place], openings: list[Item], order: Sequence[str]
) -> list[tuple[str, float, float]]:
    by_name = {place.name: place for place in places}
    steps = {step.name: step for step in openings}
    chains = {place.name: _chain(place) for place in places}
    sequence: list[tuple[str, float, float]] = []
    opened: set[str] = set()
    for turn in range(max((len(chain) for chain in chains.values()), default=0)):
        for name in order:
            minutes, needed = by_name[name].minutes, by_name[name].needs
            while needed is not None and needed not in opened:
                opened.add(needed)
                minutes += steps[needed].minutes
                needed = next(iter(steps[needed].needs), None)
            found = chains[name][turn] if turn < len(chains[name]) else 0.0
            sequence.append((name, found, minutes))
    return sequence
