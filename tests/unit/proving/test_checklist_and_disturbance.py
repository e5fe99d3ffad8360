"""Readings to repeat, what may be hidden, how a fault is brought out, and a fault that came back."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import get_args

import pytest

from halfsplit.errors import InternalError
from halfsplit.faults.catalogue import Fault, generate
from halfsplit.machine.reading import load_machine
from halfsplit.observations import (
    RELIABILITY_OPERATOR,
    Action,
    Complaint,
    Condition,
    Look,
    Observation,
    Reading,
    Symptom,
)
from halfsplit.proving.checklist import Expected, checklist, last_repair, point
from halfsplit.proving.disturbance import corrected_groups, disturbance, worked_on
from halfsplit.proving.provoking import provocations, ways_to_provoke
from halfsplit.proving.returning import seen_again

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
HORN = Symptom("horn", "pressed", "off")


def volts(plus: str, value: float, state: str = "on") -> Reading:
    return Reading("volts", plus, "", state, value)


HEALTHY = {point(volts("A", 0)): Expected(11.5, 12.6), point(volts("B", 0)): Expected(11.5, 12.6)}


def test_points_read_before_the_repair_are_read_again_wrong_ones_first() -> None:
    before: list[Observation] = [volts("A", 12.0), Look("closed", "X1", False), volts("B", 3.0)]
    found = checklist([*before, Action("repair-wire", "W1")], HEALTHY, (HORN,))
    assert [(line.reading.plus, line.before, line.was_wrong, line.mark) for line in found.lines] == [
        ("B", 3.0, True, "read again"),
        ("A", 12.0, False, "read again"),
    ]
    assert found.open == 3


def test_what_was_read_since_is_held_against_the_sound_machine() -> None:
    done: list[Observation] = [
        volts("A", 12.0), volts("B", 3.0), volts("C", 5.0),
        Action("repair-wire", "W1"),
        volts("A", 9.0), volts("B", 12.1), volts("C", 5.1), replace(HORN, level="on"),
    ]  # fmt: skip
    found = checklist(done, HEALTHY, (HORN,))
    assert {line.reading.plus: line.mark for line in found.lines} == {"A": "wrong", "B": "right", "C": "no range"}
    assert found.functions[0].after == replace(HORN, level="on")
    assert found.open == 0


def test_a_fault_that_comes_and_goes_shows_its_wrong_reading_as_the_one_before() -> None:
    found = checklist([volts("A", 3.0), volts("A", 12.0), Action("repair-wire", "W1")], HEALTHY)
    assert found.lines[0].before == 3.0


def test_the_same_point_in_another_state_is_another_point() -> None:
    found = checklist([volts("A", 3.0), volts("A", 0.0, "off"), Action("repair-wire", "W1")], HEALTHY)
    assert len(found.lines) == 2


def test_unplugging_alone_is_no_repair() -> None:
    assert last_repair([volts("A", 1.0), Action("unplug-refit", "X1")]) == -1
    assert checklist([volts("A", 1.0), Action("unplug-refit", "X1")], {}).lines[0].mark == "read again"


@cache
def faults() -> tuple[Fault, ...]:
    return generate(load_machine(EXAMPLES / "hand-cart-generator"))


def test_what_went_by_its_own_correction_is_a_hit_and_all_else_that_went_is_hidden() -> None:
    mended = faults()[0]
    other = next(fault for fault in faults() if fault.owner != mended.owner and fault.group != mended.group)
    gone = [0.0] * len(faults())
    gone[0], gone[faults().index(other)] = 0.6, 0.1
    found = disturbance(faults(), gone, 0.2, {one.id for one in faults() if one.group == mended.group})
    assert found.hit == pytest.approx(0.6 / 0.9)
    assert found.hidden == pytest.approx(0.1 / 0.3)
    assert [one.place for one in found.places] == [other.owner]
    assert found.places[0].share == pytest.approx(0.1 / 0.3)


def test_only_the_correction_meant_for_a_place_counts_as_one() -> None:
    group = faults()[0].group
    correction, _, place = group.partition(":")
    assert corrected_groups(faults(), [Action(correction, place)]) == {group}  # type: ignore[arg-type] # a correction is a kind of action
    assert corrected_groups(faults(), [Action("unplug-refit", place), Action("other", place)]) == frozenset()


def test_work_on_a_place_counts_for_what_it_cleaned_there_and_not_for_what_it_only_unplugged() -> None:
    machine = load_machine(EXAMPLES / "saltmarsh-sweeper")
    known = generate(machine)
    by_id = {fault.id: fault for fault in known}
    studs = worked_on(machine, known, [Action("tighten-stud", "G10")])
    assert {by_id[one].mode.applies for one in studs} == {"stud", "terminal"}
    assert {by_id[one].owner for one in studs} == {"G10"}
    contact = worked_on(machine, known, [Action("renew-contact", "X12.3"), Action("unplug-refit", "X11")])
    assert {by_id[one].place for one in contact} == {"X12.3"}


def test_odds_that_leave_nothing_are_our_mistake() -> None:
    with pytest.raises(InternalError):
        disturbance(faults(), [0.0] * len(faults()), 0.0, frozenset())
    with pytest.raises(InternalError):
        disturbance(faults(), [0.1], 0.0, frozenset())


def test_every_condition_of_a_complaint_has_a_way_to_bring_it_out_with_caution_and_source() -> None:
    assert set(provocations()) == set(get_args(Condition))
    assert all(way.caution and way.how and way.source for way in provocations().values())


def test_the_condition_of_the_history_comes_first() -> None:
    found = ways_to_provoke("rain", ("rough-ground", "rain"))
    assert [way.condition for way in found] == ["rain", "rough-ground"]
    assert ways_to_provoke("full moon", ()) == ()


def test_a_return_is_the_complaint_seen_again_while_it_shows() -> None:
    complaint = Complaint((HORN, Symptom("lamp", "on", "weak", 0.9, "no")))
    found = seen_again(complaint)
    assert [(one.function, one.level, one.showing, one.reliability) for one in found] == [
        ("horn", "off", "yes", 0.99),
        ("lamp", "weak", "yes", 0.99),
    ]
    by_operator = replace(HORN, reliability=RELIABILITY_OPERATOR, showing="yes")
    assert seen_again(complaint, [HORN], by_technician=False) == (by_operator,)
