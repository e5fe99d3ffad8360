"""When nothing explains the evidence: which single observation, left out, would explain most.

The belief is worked out again without each observation in turn. When no single one helps, the smallest sets
of observations that cannot all be right are looked for (``sets.minimal_diagnoses``), two at most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from halfsplit.diagnosis.belief import believe
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.hunt import Hunt
from halfsplit.diagnosis.naming import observation_words
from halfsplit.diagnosis.planning import NO_REPAIR_ABOVE
from halfsplit.diagnosis.sets import minimal_diagnoses
from halfsplit.observations import Action, Observation, OutOfReach
from halfsplit.quantities import in_100

#: Chance that one observation is wrong (wrong pin, wrong report), for ranking; methods.md part 4 has 1 to 3
#: %.
WRONG = 0.03
#: Observations in doubt looked at in pairs at most, so that the answer comes at once.
MOST_IN_PAIRS = 12


@dataclass(frozen=True, slots=True)
class Surprise:
    """What to doubt when nothing explains the evidence.

    ``other`` is the chance that nothing known explains what was seen; ``doubtful`` the numbers of the
    observations to repeat (none when leaving out two would not help either), ``left`` that chance without
    them.
    """

    other: float
    doubtful: tuple[int, ...]
    left: float
    words: str


def surprise(hunt: Hunt, observations: Sequence[Observation], other: float | None = None) -> Surprise | None:
    """What to doubt, or None while the evidence is explained.

    ``observations`` are in order, complaint first; ``other`` is the chance of something else if it is known already.
    """
    other = hunt.belief.other if other is None else other
    if other <= NO_REPAIR_ABOVE:
        return None
    open_to_doubt = [
        number for number, one in enumerate(observations) if not isinstance(one, Action | OutOfReach)
    ]
    without = {number: _other_without(hunt, observations, {number}) for number in open_to_doubt}
    doubtful: tuple[int, ...] = ()
    left = other
    if without:
        best = min(without, key=lambda number: (without[number], -number))
        if without[best] <= NO_REPAIR_ABOVE:
            doubtful, left = (best,), without[best]
        else:
            doubtful, left = _pair(hunt, observations, without, other)
            if not doubtful and without[best] < 0.8 * other:
                doubtful, left = (best,), without[best]
    return Surprise(other, doubtful, left, _words(hunt, observations, other, doubtful, left))


def _other_without(
    hunt: Hunt, observations: Sequence[Observation], left_out: set[int] | frozenset[int]
) -> float:
    """The chance of "something else" when some observations are left out."""
    told = len(hunt.complaint.symptoms)
    space = hunt.bench.space
    kept = tuple(one for number, one in enumerate(hunt.complaint.symptoms) if number not in left_out)
    evidence = Evidence(space, hunt.bench.signatures, replace(hunt.complaint, symptoms=kept))
    for number, observation in enumerate(observations):
        if number >= told and number not in left_out:
            evidence.add(observation)
    return believe(evidence, hunt.log_prior, hunt.pairs_of(evidence)).other


def _pair(
    hunt: Hunt, observations: Sequence[Observation], without: dict[int, float], other: float
) -> tuple[tuple[int, ...], float]:
    """Two observations that together explain it, from the ones that help most singly."""
    ranked = sorted(without, key=lambda number: without[number])[:MOST_IN_PAIRS]
    pool = frozenset(str(number) for number in ranked)
    seen: dict[frozenset[str], float] = {frozenset(): other}

    def conflict(wrong: frozenset[str]) -> frozenset[str] | None:
        if wrong not in seen:
            seen[wrong] = _other_without(hunt, observations, {int(one) for one in wrong})
        return None if seen[wrong] <= NO_REPAIR_ABOVE else pool - wrong

    chance = {name: WRONG * (1.5 - without[int(name)]) for name in pool}
    found = minimal_diagnoses(conflict, chance, limit=1, most_members=2)
    if not found:
        return (), other
    return tuple(sorted(int(name) for name in found[0].members)), seen.get(found[0].members, other)


def _words(
    hunt: Hunt, observations: Sequence[Observation], other: float, doubtful: tuple[int, ...], left: float
) -> str:
    start = f"Nothing known explains all of this well ({in_100(other)} for something else)."
    if not doubtful:
        return (
            f"{start} No one or two observations, left out, would change that. Repair nothing yet; look for "
            f"added "
            "wiring and for what the machine file does not know."
        )
    said = " and ".join(f'"{observation_words(hunt.bench.machine, observations[at])}"' for at in doubtful)
    return (
        f"{start} If {said} {'were' if len(doubtful) > 1 else 'was'} wrong, the rest would fit (down to "
        f"{in_100(left)}). Repeat that before anything is repaired."
    )
