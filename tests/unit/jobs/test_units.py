"""Events of units as JSON, the unit they make, and hours run between two days."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import pytest

from halfsplit.errors import UserError
from halfsplit.jobs.events import Cause, Event, JobClosed, JobOpened, from_json, to_json
from halfsplit.jobs.past import (
    ExposureLevel,
    GroupOdds,
    Lesson,
    MissedLook,
    PossibleReturn,
    RecentWork,
    UnitPast,
)
from halfsplit.jobs.units import (
    MeterReading,
    UnitEntryUndone,
    UnitEvent,
    UnitNoted,
    apply_unit,
    check_serial,
    fold_unit,
    hours_run,
    reading_problems,
    unit_from_json,
    unit_to_json,
)
from halfsplit.observations import Complaint, Symptom

WHEN = "2031-04-02T07:15:00Z"
NOTED = UnitEvent("no. 7", 1, WHEN, "fitter", UnitNoted("sweeper", "Ünfug (invented)", 1240, "2031-04-02", False, "Ω"))
PAST = UnitPast(
    1240.0, "2031-04-02", (RecentWork("job-0", ("X1", "X1.2"), 3, 20.5),), PossibleReturn("job-0", 3, 20.5, 0.8), "now"
)
LESSON = Lesson(
    "X1.2/contact-open", "contact-open", "X1", "belly", (ExposureLevel("splash", "high"),),
    (GroupOdds("renew-contact:X1.2", 0.8),), 0.01, 0.02, (MissedLook(3, "closed", "X1"),), 0.8, 0.1, 0.9, 1240.0,
)  # fmt: skip
OPENING = JobOpened("m", "f", "u", Complaint((Symptom("horn", "key-on", "off"),)), past=PAST)
CLOSING = JobClosed(Cause("renew-contact:X1.2", "renew X1.2", 0.8), 0.0, "", LESSON)
OPENED = Event("job-1", 1, WHEN, "", OPENING)
CLOSED = Event("job-1", 2, WHEN, "", CLOSING)


def changed(event: UnitEvent, **parts: object) -> str:
    return json.dumps({**json.loads(unit_to_json(event)), **parts})


def test_an_event_of_a_unit_comes_back_equal() -> None:
    for event in (NOTED, replace(NOTED, number=2, what=UnitEntryUndone(1, "wrong machine"))):
        assert unit_from_json(unit_to_json(event)) == event
        assert unit_to_json(unit_from_json(unit_to_json(event))) == unit_to_json(event)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "event-json"),
        ("[]", "event-json"),
        ('{"v":1}', "event-shape"),
        (changed(NOTED, kind="unit-notd"), "event-kind"),
        (changed(NOTED, v=2), "event-newer"),
        (changed(NOTED, v="1"), "event-shape"),
        (changed(NOTED, data={}), "event-shape"),
        (changed(NOTED, data=[]), "event-shape"),
        (changed(NOTED, unit=""), "unit-serial"),
        (changed(NOTED, unit=" no. 7"), "unit-serial"),
        (changed(NOTED, unit=7), "event-shape"),
        (changed(NOTED, number=0), "event-value"),
        (changed(NOTED, when="yesterday"), "event-time"),
    ],
)
def test_what_is_no_event_of_a_unit_is_refused_with_its_code(text: str, code: str) -> None:
    with pytest.raises(UserError) as caught:
        unit_from_json(text)
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("noted", "code"),
    [
        (UnitNoted(hours=-1.0, read_on="2031-04-02"), "unit-hours"),
        (UnitNoted(hours=float("inf"), read_on="2031-04-02"), "unit-hours"),
        (UnitNoted(hours=1.0), "event-value"),
        (UnitNoted(read_on="2031-04-02"), "event-value"),
        (UnitNoted(hours=1.0, read_on="2031-02-30"), "unit-date"),
        (UnitNoted(hours=1.0, read_on="20310402"), "unit-date"),
        (UnitNoted(text="\0"), "event-text"),
    ],
)
def test_a_note_that_cannot_be_is_not_kept(noted: UnitNoted, code: str) -> None:
    with pytest.raises(UserError) as caught:
        unit_to_json(replace(NOTED, what=noted))
    assert caught.value.code == code


def test_serial_numbers() -> None:
    assert check_serial("  SN  7 ") == "SN 7"
    for text in ("", " ", "x" * 65, "a\u200bb"):
        with pytest.raises(UserError):
            check_serial(text)


def test_entries_follow_each_other_and_are_taken_back_once() -> None:
    unit = fold_unit("no. 7", [NOTED])
    assert (unit.machine, unit.owner, unit.last_number) == ("sweeper", "Ünfug (invented)", 1)
    with pytest.raises(UserError):
        apply_unit(unit, replace(NOTED, number=3))
    with pytest.raises(UserError):
        apply_unit(unit, replace(NOTED, unit="no. 8", number=2))
    gone = apply_unit(unit, unit.next_event(UnitEntryUndone(1), when=WHEN))
    assert (gone.machine, gone.readings, gone.last_number) == ("", (), 2)
    for entry in (1, 2, 9):
        with pytest.raises(UserError) as caught:
            apply_unit(gone, gone.next_event(UnitEntryUndone(entry), when=WHEN))
        assert caught.value.code == "unit-no-entry"


def read(*told: tuple[int, float, bool]) -> tuple[MeterReading, ...]:
    """Readings on days of May 2031."""
    return tuple(MeterReading(at, date(2031, 5, day), hours, new) for at, (day, hours, new) in enumerate(told, 1))


def test_hours_run_between_two_days_lie_on_the_line_between_readings() -> None:
    readings = read((1, 100.0, False), (11, 150.0, False), (21, 170.0, False))
    assert hours_run(readings, date(2031, 5, 1), date(2031, 5, 21)) == pytest.approx(70.0)
    assert hours_run(readings, date(2031, 5, 5), date(2031, 5, 30)) == pytest.approx(30.0 + 20.0)
    assert hours_run(readings, date(2031, 5, 10), date(2031, 5, 20)) == pytest.approx(5.0)
    assert hours_run(readings, date(2031, 5, 11), date(2031, 5, 20)) is None  # not read again by the 20th
    assert hours_run(readings, date(2031, 4, 30), date(2031, 5, 21)) is None
    assert hours_run(readings, date(2031, 5, 22), date(2031, 5, 30)) is None
    assert hours_run((), date(2031, 5, 1), date(2031, 5, 2)) is None


def test_a_new_meter_adds_what_it_shows_since_and_nothing_for_the_change() -> None:
    readings = read((1, 100.0, False), (11, 3.0, True), (21, 20.0, False))
    assert hours_run(readings, date(2031, 5, 1), date(2031, 5, 21)) == pytest.approx(17.0)
    assert reading_problems(readings) == ()
    assert len(reading_problems(read((1, 100.0, False), (11, 3.0, False), (12, 60.0, False)))) == 2


def test_the_past_and_the_lesson_come_back_equal_and_empty_ones_are_written_as_before() -> None:
    for event in (OPENED, CLOSED):
        assert from_json(to_json(event)) == event
        assert json.loads(to_json(event))["v"] == 2
    plain = replace(OPENED, what=replace(OPENING, past=None))
    assert json.loads(to_json(plain))["v"] == 1
    assert "past" not in json.loads(to_json(plain))["data"]
    assert from_json(to_json(plain)) == plain
    without = replace(CLOSED, what=replace(CLOSING, lesson=None))
    assert json.loads(to_json(without))["v"] == 1
    assert from_json(to_json(without)) == without


@pytest.mark.parametrize(
    ("event", "field", "value"),
    [
        (OPENED, "past", {"hours": 1.0}),
        (OPENED, "past", {**json.loads(to_json(OPENED))["data"]["past"], "recent": "X1"}),
        (OPENED, "past", {**json.loads(to_json(OPENED))["data"]["past"], "may_be": 7}),
        (OPENED, "past", "none"),
        (CLOSED, "lesson", {**json.loads(to_json(CLOSED))["data"]["lesson"], "missed": [7]}),
        (CLOSED, "lesson", {**json.loads(to_json(CLOSED))["data"]["lesson"], "zone": 7}),
        (CLOSED, "lesson", {}),
    ],
)
def test_a_past_or_lesson_of_another_shape_is_refused(event: Event, field: str, value: object) -> None:
    record = json.loads(to_json(event))
    record["data"][field] = value
    with pytest.raises(UserError) as caught:
        from_json(json.dumps(record))
    assert caught.value.code == "event-shape"


def test_odds_and_hours_that_cannot_be_are_refused() -> None:
    for event in (
        replace(CLOSED, what=replace(CLOSING, lesson=replace(LESSON, hit=1.5))),
        replace(CLOSED, what=replace(CLOSING, lesson=replace(LESSON, hours=-1.0))),
        replace(OPENED, what=replace(OPENING, past=replace(PAST, hours=float("inf")))),
        replace(OPENED, what=replace(OPENING, past=replace(PAST, may_be=PossibleReturn("j", -1)))),
    ):
        with pytest.raises(UserError) as caught:
            to_json(event)
        assert caught.value.code == "event-value"
