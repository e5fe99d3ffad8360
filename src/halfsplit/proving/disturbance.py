"""How likely the work hit the cause, and how likely it only hid it, from the odds after everything observed.

Opening, unplugging and moving can make a fault go away for a day (trade_practice.md part 1). The odds know how
likely each fault was there and is gone since: gone by the correction meant for it, or by one that worked on the
same place (the lugs of a stud that was cleaned), is a hit; gone by anything else (a plug opened on the way) counts
as hidden, because nothing was renewed there.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from halfsplit.errors import InternalError
from halfsplit.faults.catalogue import Fault
from halfsplit.faults.curing import REFIT, cure_chances
from halfsplit.machine.model import Machine
from halfsplit.observations import Action, Observation

#: Work that cures a fault this many times as surely as unplugging and refitting worked on its place; from memory.
MORE_THAN_TOUCHED = 2.0
#: Places that hide less than this share of what was missed are not named; no source.
WORTH_NAMING = 0.005


@dataclass(frozen=True, slots=True)
class Touched:
    """A place where a missed cause may be hidden, and the share 0..1 of all missed causes that is hidden there."""

    place: str
    share: float


@dataclass(frozen=True, slots=True)
class Disturbance:
    """``hit`` 0..1 that the corrections cured the cause; ``hidden`` 0..1 that it is hidden, given that they missed.

    ``places`` say where, most first.
    """

    hit: float
    hidden: float
    places: tuple[Touched, ...]


def corrected_groups(faults: Sequence[Fault], observations: Sequence[Observation]) -> frozenset[str]:
    """The repair groups whose own correction was done."""
    known = {fault.group for fault in faults}
    done = {f"{one.action}:{one.place}" for one in observations if isinstance(one, Action)}
    return frozenset(known & done)


def worked_on(machine: Machine, faults: Sequence[Fault], observations: Sequence[Observation]) -> frozenset[str]:
    """Ids of the faults that the corrections among the observations worked on.

    Those are the faults of the groups corrected, and those that such a correction cures beside its own well more
    surely than unplugging and refitting would (by curing.py).
    """
    groups = corrected_groups(faults, observations)
    found = {fault.id for fault in faults if fault.group in groups}
    for group in groups:
        correction, _, place = group.partition(":")
        beside = cure_chances(machine, faults, correction, place)
        for fault, chance in zip(faults, beside.tolist(), strict=True):
            if chance > MORE_THAN_TOUCHED * REFIT.get(fault.mode.id, 0.0):
                found.add(fault.id)
    return frozenset(found)


def disturbance(
    faults: Sequence[Fault], gone: Sequence[float], left: float, cured: Collection[str]
) -> Disturbance:
    """Splits what is gone by the faults (ids) that were worked on, as ``worked_on`` gives them.

    ``gone`` holds for each fault the chance that it was the cause and is gone; ``left`` the chance that the cause
    is still there, "something else" included. Both are parts of one distribution and need not sum to 1: what is
    missing (nothing was ever wrong) is left out of account. InternalError when lengths differ or all are zero.
    """
    if len(faults) != len(gone):
        raise InternalError(f"There are {len(faults)} faults and odds for {len(gone)}.")
    hit = 0.0
    elsewhere: dict[str, float] = {}
    for fault, weight in zip(faults, gone, strict=True):
        if fault.id in cured:
            hit += weight
        elif weight > 0.0:
            elsewhere[fault.owner] = elsewhere.get(fault.owner, 0.0) + weight
    missed = left + sum(elsewhere.values())
    if hit + missed <= 0.0:
        raise InternalError("The odds after the repair leave nothing that was ever wrong.")
    return Disturbance(hit / (hit + missed), _share(sum(elsewhere.values()), missed), _places(elsewhere, missed))


def _places(elsewhere: Mapping[str, float], missed: float) -> tuple[Touched, ...]:
    named = [Touched(place, _share(weight, missed)) for place, weight in elsewhere.items()]
    chosen = [one for one in named if one.share >= WORTH_NAMING]
    return tuple(sorted(chosen, key=lambda one: (-one.share, one.place)))


def _share(part: float, whole: float) -> float:
    return part / whole if whole > 0.0 else 0.0
