"""What to load before leaving: parts, consumables and tools, the chance of each, and of finishing on one visit.

*The model* (ours, from memory; no source is known for it). One cause is behind the complaint, with the odds of now.
Its correction takes what the tables of corrections say, each thing with the share of such corrections that cannot be
finished without it, independently of one another; a fuse that the cause blew is needed in any case. The visit
finishes the job when

* the hunt finds the cause (``FOUND``),
* everything that this correction turns out to need is at hand, and
* the correction cures at its first go (its own success, from corrections.csv); what is used up is not there twice.

Two faults at once: both must be corrected, each with the mean chance of the members of pairs. When nothing is wrong,
or not any more, there is nothing to load and the visit finishes the job. Something else than the machine file knows
is never finished on this visit; its share is the prior's until more is seen than the complaint (``something_else``).
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from halfsplit.diagnosis.belief import Belief
from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.lamps import LAMP_W
from halfsplit.diagnosis.space import ELSE_PRIOR, Floats, RepairGroup
from halfsplit.faults.catalogue import Fault
from halfsplit.faults.correcting import materials
from halfsplit.faults.signatures import Signatures
from halfsplit.machine.model import Machine
from halfsplit.observations import Complaint
from halfsplit.quantities import format_amps

Sort = Literal["part", "consumable", "tool"]

#: Share of causes that a hunt finds: 192 of 200 hidden faults on the sweeper and 96 of 100 on the platform, as measured
#: in docs/practice-table.md.
FOUND = (192 + 96) / (200 + 100)
#: A job's hypotheses with less odds than this need nothing of their own; they are far below what is printed.
NO_ODDS = 1e-9
#: Repair groups named beside a line.
MOST_REASONS = 3
METER = "multimeter with leads and probes"
CLAMP = "clamp meter for direct current"
#: Taken to every job, whatever the odds; common practice, no source.
EVERY_JOB: tuple[tuple[Sort, str], ...] = (
    ("tool", METER),
    ("tool", "lock and tag for the battery switch"),
    ("tool", "eye protection and gloves"),
    ("tool", "hand lamp"),
    ("consumable", "contact grease"),
    ("consumable", "heat-shrink sleeve, assorted"),
    ("consumable", "cable ties, assorted"),
    ("consumable", "cleaning cloths"),
    ("consumable", "labels for wires and plugs"),
)


@dataclass(frozen=True, slots=True)
class Need:
    """A thing that a correction takes; ``share`` 0..1 of such corrections that cannot be finished without it."""

    sort: Sort
    item: str
    amount: str
    share: float
    source: str


@dataclass(frozen=True, slots=True)
class Case:
    """What may have to be corrected: its repair group, what it needs, and how likely it is to be there.

    ``alone`` is the odds that it is there and nothing else, ``member`` that it is one of two faults (over all cases
    these sum to twice the chance of two), ``success`` the chance that the correction cures.
    """

    group: str
    alone: float
    member: float
    success: float
    needs: tuple[Need, ...]


@dataclass(frozen=True, slots=True)
class Line:
    """One thing to load: ``chance`` that it is needed, ``cost`` in chance of finishing when it alone stays behind.

    ``reasons`` are the repair groups it is for with their share of that chance, likeliest first, ``more`` how many
    others there are.
    """

    sort: Sort
    item: str
    amount: str
    chance: float
    cost: float
    reasons: tuple[tuple[str, float], ...]
    more: int
    source: str


@dataclass(frozen=True, slots=True)
class LoadList:
    """The lines by cost, and chances 0..1 of finishing on the first visit.

    ``with_all`` with every line, ``with_most`` with the first ``most`` lines alone, ``with_none`` with none of them.
    """

    lines: tuple[Line, ...]
    most: int
    with_all: float
    with_most: float
    with_none: float


def needs_of(machine: Machine, fault: Fault, fuses: Iterable[str] = ()) -> tuple[Need, ...]:
    """What correcting a fault takes, with the fuses (ids of parts) that it blew. Each item stands once."""
    needs = {
        row.item: Need(row.sort, row.item, row.amount, row.needed, row.source) for row in materials(machine, fault)
    }
    for name in fuses:
        rating = machine.parts[name].values.get("rating_a")
        item = f"fuse of {format_amps(rating) if isinstance(rating, float | int) else 'the same rating'}"
        needs[item] = Need("part", item, "1 and one to spare", 1.0, "blown by the cause, as computed")
    return tuple(needs.values())


def cases_of(belief: Belief, signatures: Signatures, complaint: Complaint) -> tuple[Case, ...]:
    """Everything that may have to be corrected, hypotheses that need the same taken together."""
    space, machine = belief.space, belief.space.machine
    alone = np.bincount(space.hyp_row, weights=belief.there, minlength=space.rows)
    member = np.bincount(space.hyp_row, weights=belief.member, minlength=space.rows)
    blown = _blown(machine, signatures, complaint, space.rows)
    known: dict[tuple[int, frozenset[str]], tuple[Need, ...]] = {}
    odds: dict[tuple[str, float, tuple[Need, ...]], list[float]] = {}
    for row in np.flatnonzero(alone + member > NO_ODDS).tolist():
        number = int(space.row_fault[row])
        key = number, blown.get(row, frozenset())
        if key not in known:
            known[key] = needs_of(machine, space.faults[number], sorted(key[1]))
        fault = space.faults[number]
        both = odds.setdefault((fault.group, fault.success, known[key]), [0.0, 0.0])
        both[0] += float(alone[row])
        both[1] += float(member[row])
    return tuple(
        Case(group, alone_odds, member_odds, success, needs)
        for (group, success, needs), (alone_odds, member_odds) in odds.items()
    )


def _blown(
    machine: Machine, signatures: Signatures, complaint: Complaint, rows: int
) -> Mapping[int, frozenset[str]]:
    """The fuses that each row blows in a state of the complaint; rows that blow none are left out."""
    found: dict[int, frozenset[str]] = {}
    for state in dict.fromkeys(symptom.state for symptom in complaint.symptoms):
        table = signatures.state(state)
        for row, at in zip(*np.nonzero(table.lines.blown[:rows]), strict=True):
            name = table.fuses[at]
            if name in machine.parts and machine.parts[name].kind == "fuse":
                found[int(row)] = found.get(int(row), frozenset()) | {name}
    return found


def something_else(now: float, complained: float) -> float:
    """Share of causes that the machine file does not know, before leaving.

    ``now`` are the belief's odds of something else, ``complained`` those after the complaint alone. That a certain
    function fails speaks neither for nor against it: some function must, or there were no job. The belief sees to that
    over all complaints together; of each by itself its odds still go up and down by how well the suspects fit what the
    operator happened to name (0.3 to 14 % in ten and ninety of a hundred simulated complaints on the sweeper, 5 % on
    average), which says more about those than about it. So the prior's share is moved by what was seen after the
    complaint alone.
    """
    if not 0.0 < complained < 1.0:
        return now
    told, odds = complained / (1.0 - complained), ELSE_PRIOR / (1.0 - ELSE_PRIOR)
    odds *= now / max(1.0 - now, NO_ODDS) / told
    return odds / (1.0 + odds)


def restated(cases: Sequence[Case], finished: float, other: float, share: float) -> tuple[list[Case], float]:
    """Cases and the chance that nothing is wrong, of a belief with the odds ``other``, as if those were ``share``."""
    by = (1.0 - share) / max(1.0 - other, NO_ODDS)
    return [replace(case, alone=by * case.alone, member=by * case.member) for case in cases], by * finished


def load_list(cases: Sequence[Case], finished: float, *, most: int = 20, found: float = FOUND) -> LoadList:
    """The list for the cases of a belief.

    ``finished`` is the chance that nothing is wrong any more, ``found`` the chance that the hunt finds the cause.
    """
    lines = _lines(cases, finished, found)
    best = {line.item for line in lines[:most]}
    return LoadList(
        lines=lines,
        most=min(most, len(lines)),
        with_all=finishing(cases, None, finished, found),
        with_most=finishing(cases, best, finished, found),
        with_none=finishing(cases, (), finished, found),
    )


def finishing(
    cases: Sequence[Case], at_hand: Collection[str] | None, finished: float, found: float = FOUND
) -> float:
    """Chance of finishing on the first visit with only these items at hand; with everything for None."""
    success = np.array([
        case.success
        * math.prod(1.0 - need.share for need in case.needs if at_hand is not None and need.item not in at_hand)
        for case in cases
    ])  # fmt: skip
    return float(_total(cases, success[:, None], finished, found)[0])


def _total(cases: Sequence[Case], cured: Floats, finished: float, found: float) -> Floats:
    """Chance of finishing ``[n]`` when each case is cured with the chances ``[cases, n]``."""
    alone, member = _odds(cases)
    both = 0.5 * float(member.sum())
    of_two = (member @ cured) / (2.0 * both) if both > 0.0 else np.zeros(cured.shape[1])
    result: Floats = found * (alone @ cured + both * of_two**2) + finished
    return result


def _odds(cases: Sequence[Case]) -> tuple[Floats, Floats]:
    return np.array([case.alone for case in cases]), np.array([case.member for case in cases])


def _lines(cases: Sequence[Case], finished: float, found: float) -> tuple[Line, ...]:
    """Every item with its chance and what it costs to leave it behind, dearest first, then likeliest."""
    first: dict[str, Need] = {}
    for case in sorted(cases, key=lambda one: -(one.alone + one.member)):
        for need in case.needs:
            known = first.setdefault(need.item, need)
            if measured(need.amount) > measured(known.amount):
                first[need.item] = need
    if not first:
        return ()
    column = {item: at for at, item in enumerate(first)}
    share = np.zeros((len(cases), len(column)))
    for row, case in enumerate(cases):
        for need in case.needs:
            share[row, column[need.item]] = need.share
    success = np.array([case.success for case in cases])
    whole = _total(cases, success[:, None], finished, found)[0]
    cost = whole - _total(cases, success[:, None] * (1.0 - share), finished, found)
    alone, member = _odds(cases)
    both = 0.5 * float(member.sum())
    needs_one = (member @ share) / (2.0 * both) if both > 0.0 else np.zeros(len(column))
    chance = alone @ share + both * (1.0 - (1.0 - needs_one) ** 2)
    weight = (alone + member)[:, None] * share
    lines = [
        _line(cases, need, float(chance[at]), float(cost[at]), weight[:, at])
        for at, need in enumerate(first.values())
    ]
    return tuple(sorted(lines, key=lambda one: (-one.cost, -one.chance, one.item)))


def _line(cases: Sequence[Case], need: Need, chance: float, cost: float, weight: Floats) -> Line:
    by_group: dict[str, float] = {}
    for case, odds in zip(cases, weight.tolist(), strict=True):
        if odds > 0.0:
            by_group[case.group] = by_group.get(case.group, 0.0) + odds
    ranked = sorted(by_group.items(), key=lambda one: (-one[1], one[0]))
    reasons = tuple(ranked[:MOST_REASONS])
    return Line(need.sort, need.item, need.amount, chance, cost, reasons, len(ranked) - len(reasons), need.source)


#: Metres in the units of length that amounts are written in.
_METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001}


def measured(amount: str) -> float:
    """The number at the beginning of an amount, lengths in m; 0 for one in words: "a few", "as needed"."""
    said = re.match(r"(\d+(?:\.\d+)?)\s*(mm|cm|m)?\b", amount)
    return float(said[1]) * _METRES.get(said[2] or "", 1.0) if said else 0.0


def enough(amount: str, count: float, unit: str) -> bool:
    """Whether ``count`` of ``unit`` is as much as an amount asks for; of other units, any at all is.

    Lengths are compared with lengths and pieces with pieces: a reel is not measured against 10 cm.
    """
    length = bool(re.match(r"[\d.]+\s*(?:mm|cm|m)\b", amount))
    if unit in _METRES:
        return count * _METRES[unit] >= measured(amount) - 1e-9 if length else count > 0.0
    if unit == "pcs" and not length:
        return count > 0.0 and count >= measured(amount)
    return count > 0.0


def instruments(
    machine: Machine, groups: Sequence[RepairGroup], odds: Floats, checks: Iterable[Check]
) -> tuple[tuple[str, float], ...]:
    """Instruments besides the meter, each with the odds ``[groups]`` of the places where one of its checks is made.

    None of them decides whether the job is finished: without one the meter tells as much, and takes longer.
    """
    places: dict[str, set[str]] = {"lamp": set(), "amps": set()}
    for check in checks:
        if check.kind in places:
            places[check.kind].update((check.place, check.plus.partition(".")[0]))
    names = {"lamp": f"test lamp, {LAMP_W:g} W for {machine.system_v:g} V", "amps": CLAMP}
    found = []
    for kind, at in places.items():
        chance = sum(float(one) for group, one in zip(groups, odds, strict=True) if {group.owner, group.place} & at)
        if chance > 0.0:
            found.append((names[kind], min(chance, 1.0)))
    return tuple(found)
