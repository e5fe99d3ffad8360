"""Sets of things that cannot all be right: conflicts, what resolves them, and how likely each way out is.

A conflict is a set of which at least one member must be wrong: parts that cannot all be sound given what
was seen, or observations that cannot all be right. What resolves every conflict is a hitting set; the
minimal ones are the minimal diagnoses (Reiter 1987). The search goes by falling odds and leaves out
supersets of what was found, so that conflicts may come in any order and need not be minimal (the care of
Greiner, Smith and Wilkerson 1989). Conflicts are made small by divide and conquer (Junker 2004). The number
of minimal sets can grow exponentially: give a limit.
"""

from __future__ import annotations

import heapq
import math
from typing import TYPE_CHECKING, NamedTuple

from halfsplit.errors import InternalError

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence

#: Chance of being wrong used where none is given; any value below one half ranks sets by size.
EVEN_CHANCE = 0.01


class Ranked(NamedTuple):
    """A set with its weight: prior odds of these being wrong, or the probability a function promises."""

    members: frozenset[str]
    weight: float


def minimal_hitting_sets(
    conflicts: Iterable[Collection[str]],
    chance: Mapping[str, float] | None = None,
    *,
    limit: int | None = None,
) -> tuple[Ranked, ...]:
    """Return all minimal sets that share a member with every conflict, by falling odds.

    ``chance`` is each member's chance of being wrong, below 1/2 (all equal when None); ``limit`` stops
    after so many. An empty conflict cannot be resolved: the result is then empty.
    """
    kept = _without_supersets(frozenset(c) for c in conflicts)

    def unresolved(wrong: frozenset[str]) -> frozenset[str] | None:
        return next((c for c in kept if not c & wrong), None)

    return minimal_diagnoses(unresolved, chance, limit=limit)


def minimal_diagnoses(
    conflict_without: Callable[[frozenset[str]], frozenset[str] | None],
    chance: Mapping[str, float] | None = None,
    *,
    limit: int | None = None,
    most_members: int | None = None,
) -> tuple[Ranked, ...]:
    """Return the minimal sets that explain everything, asking for conflicts only as the search needs them.

    ``conflict_without(wrong)`` returns a conflict among the things outside ``wrong``, or None when taking
    ``wrong`` for wrong explains all. Conflicts found are remembered, so it is asked once for each set not
    settled by them. ``most_members`` bounds the size of the sets.
    """
    found: list[Ranked] = []
    known: list[frozenset[str]] = []
    start: tuple[float, int, tuple[str, ...]] = (0.0, 0, ())
    queue, queued = [start], {frozenset[str]()}
    while queue and (limit is None or len(found) < limit):
        cost, size, names = heapq.heappop(queue)
        wrong = frozenset(names)
        if any(done.members <= wrong for done in found):
            continue
        conflict = next((c for c in known if not c & wrong), None)
        if conflict is None:
            conflict = conflict_without(wrong)
            if conflict is None:
                found.append(Ranked(wrong, math.exp(-cost)))
                continue
            if conflict & wrong:
                raise InternalError("A conflict was given that the set it was asked for already resolves.")
            known = _without_supersets([*known, conflict])
        if most_members is not None and size >= most_members:
            continue
        for name in sorted(conflict):
            more = wrong | {name}
            if more not in queued:
                queued.add(more)
                odds = _log_odds(EVEN_CHANCE if chance is None else chance[name])
                heapq.heappush(queue, (cost - odds, size + 1, tuple(sorted(more))))
    return tuple(found)


def minimal_conflict(
    suspects: Sequence[str], possible: Callable[[frozenset[str]], bool]
) -> frozenset[str] | None:
    """Return a conflict among ``suspects`` that holds no smaller one, or None when all can be right together.

    ``possible(right)`` says whether the observations can hold with all of ``right`` right; more things
    right can only make it harder. Earlier suspects are kept out of the conflict where there is a choice.
    About k log(n/k) questions for a conflict of k among n. Raises InternalError when even taking none for
    right is impossible.
    """
    if possible(frozenset(suspects)):
        return None
    if not possible(frozenset()):
        raise InternalError("The observations cannot hold even with every suspect in doubt.")

    def narrow(fixed: frozenset[str], just_added: bool, open_: list[str]) -> frozenset[str]:
        if just_added and not possible(fixed):
            return frozenset()
        if len(open_) == 1:
            return frozenset(open_)
        half = len(open_) // 2
        first, second = open_[:half], open_[half:]
        of_second = narrow(fixed | set(first), True, second)
        of_first = narrow(fixed | of_second, bool(of_second), first)
        return of_first | of_second

    # Whatever is fixed first is trusted to be in the conflict last, so the order is turned round.
    return narrow(frozenset(), False, list(reversed(suspects)))


def sets_by_odds(chance: Mapping[str, float], *, most_members: int | None = None) -> Iterator[Ranked]:
    """Yield sets of independently wrong things by falling prior probability, the empty set first.

    Weights are probabilities that exactly this set is wrong; what they leave of 1 is the mass not yet seen,
    and the last weight bounds each set to come. ``chance`` must be below 1/2 each.
    """
    sound = math.exp(sum(math.log1p(-p) for p in chance.values()))
    names = sorted((n for n, p in chance.items() if p > 0), key=lambda n: (-_log_odds(chance[n]), n))
    odds = [math.exp(_log_odds(chance[name])) for name in names]
    yield Ranked(frozenset(), sound)
    if not names or most_members == 0:
        return
    heap: list[tuple[float, tuple[int, ...]]] = [(-odds[0], (0,))]
    while heap:
        weight, members = heapq.heappop(heap)
        yield Ranked(frozenset(names[i] for i in members), -weight * sound)
        last = members[-1]
        if last + 1 < len(names):
            heapq.heappush(heap, (weight / odds[last] * odds[last + 1], (*members[:-1], last + 1)))
            if most_members is None or len(members) < most_members:
                heapq.heappush(heap, (weight * odds[last + 1], (*members, last + 1)))


def posterior_sets(
    chance: Mapping[str, float],
    likelihood: Callable[[frozenset[str]], float],
    *,
    most_members: int | None = None,
    unseen: float = 0.0,
) -> tuple[tuple[Ranked, ...], float]:
    """Return sets with their posterior probability, most likely first, and the prior mass not looked at.

    ``likelihood(wrong)`` is the chance of the observations with exactly ``wrong`` wrong (0 or 1 for plain
    logic). The search stops once the prior mass not looked at is at most ``unseen``. Posteriors are among
    the sets looked at. Raises InternalError when none of them allows the observations.
    """
    left, weighed = 1.0, []
    for candidate in sets_by_odds(chance, most_members=most_members):
        left -= candidate.weight
        fit = candidate.weight * likelihood(candidate.members)
        if fit > 0:
            weighed.append(Ranked(candidate.members, fit))
        if left <= unseen and unseen > 0:
            break
    whole = math.fsum(c.weight for c in weighed)
    if whole <= 0:
        raise InternalError("No set that was looked at allows the observations.")
    weighed.sort(key=lambda c: (-c.weight, len(c.members), sorted(c.members)))
    return tuple(Ranked(c.members, c.weight / whole) for c in weighed), max(left, 0.0)


def marginals(ranked: Iterable[Ranked]) -> dict[str, float]:
    """Return for each thing the total weight of the sets it is in."""
    total: dict[str, float] = {}
    for candidate in ranked:
        for name in candidate.members:
            total[name] = total.get(name, 0.0) + candidate.weight
    return total


def unless_sentence(ways_out: Sequence[Ranked], say: Callable[[str], str] = str) -> str:
    """Say the ways out as one sentence, likeliest first: "... unless a is wrong, or both b and c are wrong."

    ``say`` turns a member's id into words. Without any way out the sentence says so.
    """
    if not ways_out:
        return "These observations cannot all be right, and nothing doubtful among them explains it."
    parts = []
    for way in ways_out:
        words = [say(name) for name in sorted(way.members)]
        if len(words) == 1:
            parts.append(f"{words[0]} is wrong")
        elif len(words) == 2:
            parts.append(f"both {words[0]} and {words[1]} are wrong")
        else:
            parts.append(f"{', '.join(words[:-1])} and {words[-1]} are all wrong")
    return f"These observations cannot all be right unless {', or '.join(parts)}."


def _without_supersets(conflicts: Iterable[frozenset[str]]) -> list[frozenset[str]]:
    kept: list[frozenset[str]] = []
    for conflict in sorted(set(conflicts), key=lambda c: (len(c), sorted(c))):
        if not any(smaller <= conflict for smaller in kept):
            kept.append(conflict)
    return kept


def _log_odds(chance: float) -> float:
    if not 0 < chance < 0.5:
        raise InternalError(f"A chance of being wrong must lie above 0 and below 1/2, not at {chance}.")
    return math.log(chance) - math.log1p(-chance)
