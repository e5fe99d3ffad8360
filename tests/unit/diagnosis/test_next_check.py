"""The next step: a check of this machine, its minutes with what must be opened, and when a repair is due."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, SWEEPER, machine

from halfsplit.diagnosis.belief import Belief
from halfsplit.diagnosis.checks import METERED, all_checks
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.likelihood import stray_width
from halfsplit.diagnosis.planning import (
    AHEAD_REPAIR,
    LAST_REPAIRS,
    NO_REPAIR_ABOVE,
    REPAIR_AT,
    USED_UP,
    VERIFY_MIN,
    WAIT_MOST,
    Option,
    group_steps,
    setup_minutes,
    state_minutes,
)
from halfsplit.observations import Action, Complaint, Look, OutOfReach, Reading, Symptom


@cache
def bench(name: str = SWEEPER) -> Bench:
    return Bench(machine(name))


def complaint() -> Complaint:
    return Complaint((Symptom("brush-left", "sweep", "off", 0.9, "yes"),), ("rain",))


def hunt() -> Hunt:
    return Hunt(bench(), complaint())


def options(it: Hunt) -> Sequence[Option]:
    return it.planner.rank(it.belief, it.evidence, it.situation)


def test_the_first_check_is_one_of_this_machine_and_worth_its_minutes() -> None:
    it = hunt()
    decision = it.next()
    assert decision.kind == "check"
    assert decision.best is not None
    assert decision.best.check is not None
    known = {check.id for check in all_checks(machine(SWEEPER), it.states)}
    assert decision.best.check.id in known
    assert decision.best.information > 0.0
    assert decision.best.rate >= max(option.rate for option in decision.others if option.repair is None)


def test_minutes_are_the_checks_own_and_access_and_state_and_the_wait_for_a_sleeping_fault() -> None:
    it = hunt()
    opened = 0
    for option in options(it):
        if option.check is None:
            continue
        check = option.check
        access = setup_minutes(machine(SWEEPER), check.steps, it.situation.open_steps)
        own = check.minutes + access + state_minutes(machine(SWEEPER), check.state, it.situation.state)
        waits = check.kind in METERED and check.state == "sweep"
        assert own <= option.minutes <= own + (WAIT_MOST if waits else 0.0), check.id
        if not waits:
            assert option.minutes == pytest.approx(own), check.id
        opened += access > 0.0
    assert opened > 20


def test_access_is_counted_once_and_costs_nothing_while_it_is_open() -> None:
    it = hunt()
    closed = {option.check.id: option for option in options(it) if option.check is not None}
    target = max((o for o in closed.values() if o.check is not None), key=lambda o: o.setup_min)
    assert target.check is not None
    steps = target.check.steps
    twice = setup_minutes(machine(SWEEPER), (*steps, *steps), frozenset(steps))
    assert twice == 0.0
    assert setup_minutes(machine(SWEEPER), steps, frozenset()) == pytest.approx(
        sum(machine(SWEEPER).access[step].open_min + machine(SWEEPER).access[step].close_min for step in steps)
    )
    it.open_steps(steps)
    after = {option.check.id: option for option in options(it) if option.check is not None}
    saved = closed[target.check.id].minutes - after[target.check.id].minutes
    assert saved == pytest.approx(setup_minutes(machine(SWEEPER), steps, frozenset()))
    # Everything else behind the same steps became cheaper by what it shares with them, nothing dearer.
    for name in closed.keys() & after.keys():
        assert after[name].minutes <= closed[name].minutes + 1e-9
    it.close_all()
    again = {option.check.id: option.minutes for option in options(it) if option.check is not None}
    assert again[target.check.id] == pytest.approx(closed[target.check.id].minutes)


def test_steps_of_a_check_come_with_what_must_be_opened_first() -> None:
    access = machine(SWEEPER).access
    for check in all_checks(machine(SWEEPER), ("sweep",)):
        for number, step in enumerate(check.steps):
            assert set(access[step].after) <= set(check.steps[:number]), check.id


def test_what_is_out_of_reach_is_never_offered_again() -> None:
    it = hunt()
    refused: set[str] = set()
    for _ in range(12):
        decision = it.next()
        if decision.best is None or decision.best.check is None:
            break
        assert decision.best.check.id not in refused
        assert not refused & {o.check.id for o in decision.others if o.check is not None}
        refused.add(decision.best.check.id)
        it.record(OutOfReach(decision.best.check.id), decision.best.check)
    assert len(refused) == 12
    # Saying that it cannot be reached opened nothing and set nothing.
    assert it.situation.open_steps == frozenset()
    assert it.situation.state == ""


def test_it_stays_out_of_reach_after_work_and_more_observations() -> None:
    it = hunt()
    first = it.next().best
    assert first is not None
    assert first.check is not None
    it.record(OutOfReach(first.check.id), first.check)
    it.record(Action("unplug-refit", "X65"))
    it.record(Symptom("brush-left", "sweep", "off"))
    assert first.check.id not in {o.check.id for o in options(it) if o.check is not None}


def test_a_look_is_not_offered_twice_but_a_reading_is_after_work() -> None:
    it = hunt()
    look = next(o.check for o in options(it) if o.check is not None and o.check.kind == "look")
    assert look is not None
    it.record(Look(look.look, look.place, found=False), look)  # type: ignore[arg-type] # a look check names its kind
    assert look.id not in {o.check.id for o in options(it) if o.check is not None}
    it.record(Action("unplug-refit", "X65"))
    assert look.id not in {o.check.id for o in options(it) if o.check is not None}


def sure(belief: Belief, group: int, odds: float, other: float) -> Belief:
    """A belief in one fault: a repair group has certain odds, "something else" others, all other groups the rest."""
    there = np.zeros_like(belief.there)
    members = np.flatnonzero(belief.space.hyp_group == group)
    there[members] = odds / len(members)
    rest = 1.0 - odds - other
    others = np.flatnonzero(belief.space.hyp_group != group)
    there[others] = rest / len(others)
    none = np.zeros_like(there)
    return replace(belief, there=there, gone=none, nothing=0.0, other=other, both=0.0, member=none, cured=none, twos=())


@pytest.mark.parametrize("name", [CART, SWEEPER])
def test_a_repair_is_due_above_its_threshold_and_not_below(name: str) -> None:
    it = Hunt(bench(CART), Complaint((Symptom("starter", "start", "off", 0.9, "yes"),))) if name == CART else hunt()
    group = int(np.argmax(it.belief.group_odds()))
    for odds, kind in ((REPAIR_AT + 0.02, "repair"), (REPAIR_AT - 0.05, "check")):
        decision = it.planner.decide(sure(it.belief, group, odds, 0.01), it.evidence, it.situation, REPAIR_AT, True)
        if kind == "repair":
            assert decision.kind == "repair"
            assert decision.best is not None
            assert decision.best.repair is not None
            assert decision.best.repair.id == it.bench.space.groups[group].id
            assert decision.best.odds == pytest.approx(odds)
        else:
            assert decision.best is not None
            assert decision.best.odds < REPAIR_AT


def test_the_minutes_of_a_repair_hold_its_access_and_seeing_whether_it_worked() -> None:
    it = hunt()
    group = int(np.argmax(it.belief.group_odds()))
    wanted = it.bench.space.groups[group]
    decision = it.planner.decide(sure(it.belief, group, 0.97, 0.0), it.evidence, it.situation, REPAIR_AT, True)
    assert decision.best is not None
    access = setup_minutes(machine(SWEEPER), group_steps(machine(SWEEPER), wanted), frozenset())
    assert decision.best.minutes == pytest.approx(wanted.minutes + VERIFY_MIN + access)


def test_nothing_is_repaired_while_nothing_explains_the_evidence() -> None:
    it = hunt()
    group = int(np.argmax(it.belief.group_odds()))
    surprised = sure(it.belief, group, 0.64, NO_REPAIR_ABOVE + 0.05)
    decision = it.planner.decide(surprised, it.evidence, it.situation, 0.5, True)
    assert decision.kind != "repair"
    assert all(option.repair is None for option in decision.others)
    trusted = sure(it.belief, group, 0.64, NO_REPAIR_ABOVE - 0.05)
    assert it.planner.decide(trusted, it.evidence, it.situation, 0.5, True).kind == "repair"


def test_the_hunt_ends_when_nothing_is_wrong_any_more_unless_the_complaint_was_last_seen() -> None:
    it = hunt()
    mended = replace(sure(it.belief, 0, 0.01, 0.0), nothing=0.98)
    mended = replace(mended, there=mended.there * 0.02)
    assert it.planner.decide(mended, it.evidence, it.situation, complaint_left=False).kind == "finish"
    assert it.planner.decide(mended, it.evidence, it.situation, complaint_left=True).kind != "finish"


def test_a_place_in_a_zone_that_cannot_be_reached_is_neither_checked_nor_repaired() -> None:
    it = hunt()
    first = it.next().best
    assert first is not None
    assert first.check is not None
    zones = {o.check.zone for o in options(it) if o.check is not None and o.check.zone}
    shut = replace(it.situation, zones_out_of_reach=frozenset(zones))
    left = it.planner.rank(it.belief, it.evidence, shut)
    assert all(o.check is None or not o.check.zone for o in left)
    assert all(o.repair is None or o.repair.zone not in zones for o in left)


@pytest.mark.parametrize(("repairs", "mends"), [(0, True), (LAST_REPAIRS - 1, True), (LAST_REPAIRS, False)])
def test_after_some_repairs_nobody_mends_on_down_the_list(repairs: int, mends: bool) -> None:
    it = Hunt(bench(), Complaint((Symptom("radiator-fan", "sweep", "off", 0.9, "yes"),)))
    for name, function in machine(SWEEPER).functions.items():
        if name != "radiator-fan" and "sweep" in function.expected:
            it.record(Symptom(name, "sweep", function.expected["sweep"], 0.99, "yes"))  # type: ignore[arg-type] # expected ones are levels
    used = {check.id: USED_UP for check in it.planner.checks}
    loads = {option.check.id: USED_UP for option in options(it) if option.check is not None}
    done = replace(it.situation, done={**used, **loads}, repaired={f"no-such-{n}": 1 for n in range(repairs)})
    left = it.planner.rank(it.belief, it.evidence, done)
    assert all(option.repair is not None for option in left)
    unlikely = [option for option in left if option.odds < AHEAD_REPAIR]
    assert bool(unlikely) is mends


def test_a_wrong_pin_shows_what_stands_at_other_pins_most_likely() -> None:
    table = bench().signatures.state("sweep")
    supply_v = float(table.lines.volts[-1, table.nodes["F1.2"]])

    def width(value: float) -> float:
        return stray_width(table, Reading("volts", "F32.2", "", "sweep", value))

    # Half the machine stands at 0 V and at the supply, next to nothing between.
    assert width(0.0) < 2.0
    assert width(supply_v) < 5.0
    assert width(0.6 * supply_v) > 10.0
    step_v = 0.1
    assert 0.9 < sum(step_v / width(step_v * n) for n in range(-20, 200)) < 1.1
