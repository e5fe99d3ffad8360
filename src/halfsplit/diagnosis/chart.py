"""Two rules of thumb to measure the planner against, on the same hidden machine.

* *Most likely place first*: inspects the places in order of odds given the complaint, each with the look that
  sees most there; mends what looks bad; when nothing is found, mends down the list.
* *Half-split chart*: always the check that comes nearest to halving what is left, results taken as certain,
  minutes and access not looked at; when no check splits what is left, mends down the list, best odds first.

Both are given the odds after the complaint, computed by our own model, which a person would not have: the
comparison favours them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from halfsplit.diagnosis import likelihood
from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.hunt import Bench, Hunt, Settings
from halfsplit.diagnosis.practice import MOST_CHECKS, Clock, Played, Repaired, finish, true_groups
from halfsplit.diagnosis.space import Floats, RepairGroup
from halfsplit.diagnosis.world import World
from halfsplit.faults.catalogue import Fault
from halfsplit.observations import Complaint, Look, Reading, Symptom

#: A reading within this many deviations of a prediction keeps the suspect on the chart; common practice.
CHART_WITHIN = 3.0
_RULES = Settings(grow=False)


def most_likely_first(
    bench: Bench, world: World, complaint: Complaint, cost: Callable[[RepairGroup, Check | None], float] | None = None
) -> Played:  # fmt: skip
    """Looks at one place after the other in order of odds, then mends down the list.

    With ``cost``, the minutes of a repair group and the look that sees most there, in order of odds over cost.
    """
    hunt = Hunt(bench, complaint, _RULES)
    clock, causes = Clock(world), true_groups(world)
    odds = hunt.belief.group_odds()
    repairs: list[Repaired] = []
    looks = {(check.place, check.look): check for check in hunt.planner.checks if check.kind == "look"}
    own: dict[str, list[Fault]] = {}
    for fault in bench.faults:
        own.setdefault(fault.group, []).append(fault)
    best = [_best_look(own.get(group.id, ()), looks) for group in bench.space.groups]
    worth = odds
    if cost is not None:
        worth = odds / [cost(group, best[at]) for at, group in enumerate(bench.space.groups)]
    order = [int(group) for group in np.argsort(-worth) if odds[group] > 0.0]
    looked: set[str] = set()
    for number in order:
        group = bench.space.groups[number]
        check = best[number]
        if check is None or check.id in looked:
            continue
        if clock.checks >= MOST_CHECKS:
            break
        looked.add(check.id)
        found = clock.check(check)[0]
        if isinstance(found, Look) and found.found and _mend(bench, clock, complaint, number, odds, repairs, causes):
            return finish(world, complaint, clock, tuple(repairs), causes, "finish")
        del group
    return _down_the_list(bench, clock, complaint, order, odds, repairs, causes)


def _best_look(faults: Iterable[Fault], looks: dict[tuple[str, str], Check]) -> Check | None:
    """The look that sees most of the faults of a repair group."""
    best: tuple[float, Check] | None = None
    for fault in faults:
        for kind, chance in fault.mode.looks.items():
            check = looks.get((fault.owner, kind))
            if check is not None and (best is None or chance > best[0]):
                best = (chance, check)
    return best[1] if best is not None else None


def _mend(
    bench: Bench, clock: Clock, complaint: Complaint, number: int, odds: Floats, repairs: list[Repaired],
    causes: frozenset[str],
) -> bool:  # fmt: skip
    """Repairs a group and operates the machine; true when the complaint is gone."""
    group = bench.space.groups[number]
    repairs.append(Repaired(group.id, float(odds[number]), group.id in causes))
    clock.repair(group)
    seen = clock.verify(complaint)
    machine = clock.world.machine
    return all(one.level == machine.functions[one.function].expected.get(one.state, "on") for one in seen)


def _down_the_list(
    bench: Bench, clock: Clock, complaint: Complaint, order: list[int], odds: Floats, repairs: list[Repaired],
    causes: frozenset[str],
) -> Played:  # fmt: skip
    done = {repair.group for repair in repairs}
    for number in order:
        if bench.space.groups[number].id in done:
            continue
        if len(repairs) >= MOST_CHECKS:
            break
        if _mend(bench, clock, complaint, number, odds, repairs, causes):
            return finish(clock.world, complaint, clock, tuple(repairs), causes, "finish")
    return finish(clock.world, complaint, clock, tuple(repairs), causes, "hand-over")


def half_split_chart(bench: Bench, world: World, complaint: Complaint) -> Played:
    """Halves the suspects with checks taken as certain, then mends what is left."""
    hunt = Hunt(bench, complaint, _RULES)
    clock, causes = Clock(world), true_groups(world)
    odds = hunt.belief.group_odds()
    weight: Floats = np.bincount(bench.space.hyp_row, weights=hunt.belief.there, minlength=bench.space.rows).astype(
        np.float64
    )
    order = np.argsort(-weight)
    keep = order[: int(np.searchsorted(np.cumsum(weight[order]), 0.99 * weight.sum())) + 1]
    alive = np.zeros(bench.space.rows, dtype=bool)
    alive[keep] = True
    group_of_row = np.zeros(bench.space.rows, dtype=np.int64)
    group_of_row[bench.space.hyp_row] = bench.space.hyp_group
    checks = [check for check in hunt.planner.checks if check.kind in ("operate", "volts", "drop")]
    used: set[str] = set()
    repairs: list[Repaired] = []
    while clock.checks < MOST_CHECKS and len(set(group_of_row[alive])) > 1:
        best = _halving(bench, hunt, checks, used, alive, weight)
        if best is None:
            break
        used.add(best.id)
        found = clock.check(best)[-1]
        left = alive & _agrees(bench, hunt, found)
        if not left.any():
            break
        alive = left
    left_groups = np.bincount(group_of_row[alive], weights=weight[alive], minlength=len(bench.space.groups))
    first = [int(group) for group in np.argsort(-left_groups) if left_groups[group] > 0.0]
    rest = [int(group) for group in np.argsort(-odds) if odds[group] > 0.0 and group not in first]
    return _down_the_list(bench, clock, complaint, [*first, *rest], odds, repairs, causes)


def _halving(
    bench: Bench,
    hunt: Hunt,
    checks: list[Check],
    used: set[str],
    alive: np.typing.NDArray[np.bool_],
    weight: Floats,
) -> Check | None:
    """The check whose healthy side holds nearest to half of what is left."""
    total = weight[alive].sum()
    best: tuple[float, Check] | None = None
    for state in hunt.states:
        table = bench.signatures.state(state)
        own = [check for check in checks if check.state == state and check.id not in used]
        volts = [check for check in own if check.kind != "operate"]
        if volts:
            plus = np.array([table.nodes[check.plus] for check in volts], dtype=np.int64)
            minus = np.array([table.nodes[check.minus] for check in volts], dtype=np.int64)
            rows = np.flatnonzero(alive)
            those = table.lines.volts[rows]
            away = those[:, plus] - those[:, minus]
            away = np.abs(away - (table.lines.volts[-1, plus] - table.lines.volts[-1, minus]))
            moved = weight[rows] @ (away > CHART_WITHIN * table.spreads_v(plus, minus) + 0.1)
            for check, mass in zip(volts, moved, strict=True):
                best = _nearer(best, check, float(mass) / total)
        for check in own:
            if check.kind == "operate":
                levels = likelihood.symptom_levels(table, table.lines, check.function)
                usual = int(np.argmax(levels[-1]))
                moved_mass = float(weight[alive] @ (np.argmax(levels[:-1][alive], axis=1) != usual))
                best = _nearer(best, check, moved_mass / total)
    return best[1] if best is not None else None


def _nearer(best: tuple[float, Check] | None, check: Check, share: float) -> tuple[float, Check] | None:
    if not 0.01 < share < 0.99:
        return best
    off = abs(share - 0.5)
    return (off, check) if best is None or off < best[0] else best


def _agrees(bench: Bench, hunt: Hunt, found: object) -> np.typing.NDArray[np.bool_]:
    """Rows a certain result leaves on the chart."""
    space = bench.space
    if isinstance(found, Symptom):
        table = bench.signatures.state(found.state)
        levels = likelihood.symptom_levels(table, table.lines, found.function)[:-1]
        at = {"off": 0, "weak": 1, "on": 2}.get(found.level, 2)
        return np.asarray(levels[:, at] > 0.15)
    if isinstance(found, Reading):
        table = bench.signatures.state(found.state)
        value = likelihood.volts_of(table, table.lines, found.plus, found.minus)
        sigma = likelihood.reading_sigma(table, space, value, found.plus, found.minus)[:-1]
        return np.asarray(np.abs(value[:-1] - found.value) < CHART_WITHIN * sigma + 0.1)
    del hunt
    return np.ones(space.rows, dtype=bool)
