"""Folding events into a job, and the rules of taking back."""

from __future__ import annotations

from dataclasses import FrozenInstanceError

import pytest

from halfsplit.errors import InternalError, UserError
from halfsplit.jobs.events import (
    NOT_FOUND,
    AccessClosed,
    AccessOpened,
    Cause,
    EntryRestored,
    EntryUndone,
    Event,
    Happening,
    JobClosed,
    JobOpened,
    JobReopened,
    NoteAdded,
    ObservationRecorded,
)
from halfsplit.jobs.model import CODES, Job, apply, fold, restore_of_latest, undo_of_latest
from halfsplit.observations import Complaint, Look, Reading, Symptom

WHEN = "2031-04-02T07:15:00Z"
LATER = "2031-04-02T09:00:00Z"
OPENED = JobOpened("sweeper", "f" * 64, "no. 7", Complaint((Symptom("horn", "key-on", "off"),)), "practice")
READING = Reading("volts", "X1.1", "", "key-on", 9.8)
LOOK = Look("closed", "X1", False)


def events(*whats: Happening) -> list[Event]:
    return [
        Event("job-1", number, WHEN if number == 1 else LATER, f"p{number}", what)
        for number, what in enumerate((OPENED, *whats), start=1)
    ]


def job(*whats: Happening) -> Job:
    return fold(events(*whats))


def refused(*whats: Happening) -> str:
    with pytest.raises(UserError) as caught:
        job(*whats)
    assert caught.value.code in CODES
    return caught.value.code


def test_an_opened_job_says_what_it_was_opened_with() -> None:
    opened = job()
    assert (opened.id, opened.machine, opened.fingerprint, opened.unit) == (
        "job-1",
        "sweeper",
        "f" * 64,
        "no. 7",
    )
    assert (opened.opened, opened.opened_by, opened.clock, opened.state) == (WHEN, "p1", "practice", "open")
    assert opened.complaint == OPENED.complaint
    assert (opened.last_number, opened.entries, opened.closed, opened.cause) == (1, (), None, None)


def test_entries_carry_number_time_person_minutes_and_content() -> None:
    done = job(ObservationRecorded(READING, "c", 4.0), NoteAdded("wet", 1.0), AccessOpened("cover", 2.5))
    assert [(entry.number, entry.when, entry.by, entry.minutes) for entry in done.entries] == [
        (2, LATER, "p2", 4.0),
        (3, LATER, "p3", 1.0),
        (4, LATER, "p4", 2.5),
    ]
    assert done.observations == (READING,)
    assert done.entry(2).observation == READING
    assert done.entry(3).observation is None
    assert done.minutes == 7.5


def test_undone_entries_stay_in_the_list_and_count_for_nothing() -> None:
    done = job(
        ObservationRecorded(READING, "c", 4.0),
        ObservationRecorded(LOOK, "d", 2.0),
        AccessOpened("cover", 1.0),
        EntryUndone(2),
        EntryUndone(4),
    )
    assert [(entry.number, entry.undone) for entry in done.entries] == [(2, True), (3, False), (4, True)]
    assert done.observations == (LOOK,)
    assert done.minutes == 2.0
    assert done.access_open == ()
    assert done.last_number == 6


def test_a_restored_entry_counts_again_in_its_old_place() -> None:
    done = job(ObservationRecorded(READING), ObservationRecorded(LOOK), EntryUndone(2), EntryRestored(2))
    assert done.observations == (READING, LOOK)
    assert done.entries == job(ObservationRecorded(READING), ObservationRecorded(LOOK)).entries


def test_access_is_open_in_the_order_of_opening_and_shut_again() -> None:
    steps: list[Happening] = [
        AccessOpened("cover"),
        AccessOpened("cab"),
        AccessOpened("cover"),
        AccessClosed("cover"),
        AccessClosed("hood"),
    ]
    assert job(*steps).access_open == ("cab",)
    assert job(*steps, EntryUndone(5)).access_open == ("cover", "cab")


def test_closing_gives_time_and_cause_and_reopening_takes_them_away() -> None:
    cause = Cause("X1.1", "pushed back", 0.9)
    closed = job(JobClosed(cause, 3.0))
    assert (closed.state, closed.closed, closed.cause, closed.minutes) == ("closed", LATER, cause, 3.0)
    again = job(JobClosed(cause, 3.0), JobReopened("came back"))
    assert (again.state, again.closed, again.cause, again.minutes) == ("open", None, None, 3.0)
    assert job(JobClosed(cause), JobReopened(), JobClosed(NOT_FOUND)).cause == NOT_FOUND


def test_a_closed_job_takes_notes_and_a_reopening_and_nothing_else() -> None:
    closed = JobClosed(NOT_FOUND)
    assert job(closed, NoteAdded("invoice sent")).state == "closed"
    for what in (ObservationRecorded(LOOK), AccessOpened("x"), AccessClosed("x"), closed, EntryRestored(2)):
        assert refused(closed, what) == "job-closed"
    assert refused(NoteAdded("x"), closed, EntryUndone(2)) == "job-closed"


@pytest.mark.parametrize(
    ("whats", "code"),
    [
        ([EntryUndone(1)], "undo-opening"),
        ([EntryRestored(1)], "undo-opening"),
        ([EntryUndone(2)], "undo-no-entry"),
        ([NoteAdded("x"), EntryUndone(9)], "undo-no-entry"),
        ([NoteAdded("x"), EntryUndone(2), EntryUndone(3)], "undo-no-entry"),
        ([NoteAdded("x"), EntryUndone(2), EntryUndone(2)], "undo-twice"),
        ([NoteAdded("x"), EntryRestored(2)], "restore-standing"),
        ([NoteAdded("x"), EntryUndone(2), EntryRestored(2), EntryRestored(2)], "restore-standing"),
        ([JobClosed(NOT_FOUND), JobReopened(), EntryUndone(2)], "undo-closing"),
        ([JobClosed(NOT_FOUND), JobReopened(), EntryUndone(3)], "undo-closing"),
        ([JobReopened()], "job-open"),
        ([OPENED], "job-opened-twice"),
    ],
)
def test_what_a_job_does_not_allow_has_its_code(whats: list[Happening], code: str) -> None:
    assert refused(*whats) == code


def test_lists_with_gaps_repeats_or_strangers_make_no_job() -> None:
    whole = events(NoteAdded("a"), NoteAdded("b"))
    stranger = Event("job-2", 4, WHEN, "", NoteAdded("c"))
    for wrong, code in (
        ([], "job-no-opening"),
        (whole[1:], "job-no-opening"),
        ([whole[0], whole[2]], "job-numbers"),
        ([*whole, whole[2]], "job-numbers"),
        ([*whole, stranger], "job-numbers"),
        ([Event("job-1", 2, WHEN, "", OPENED)], "job-numbers"),
    ):
        with pytest.raises(UserError) as caught:
            fold(wrong)
        assert caught.value.code == code


def test_applying_one_by_one_gives_what_folding_gives() -> None:
    all_events = events(
        NoteAdded("a"), ObservationRecorded(LOOK), EntryUndone(2), JobClosed(NOT_FOUND), JobReopened()
    )
    stepped: Job | None = None
    for count, event in enumerate(all_events, start=1):
        stepped = apply(stepped, event)
        assert stepped == fold(all_events[:count])


def test_a_refused_event_leaves_the_job_as_it_was() -> None:
    before = job(NoteAdded("a"))
    kept = job(NoteAdded("a"))
    with pytest.raises(UserError):
        apply(before, before.next_event(EntryUndone(7), when=LATER))
    assert before == kept


def test_jobs_are_frozen() -> None:
    with pytest.raises(FrozenInstanceError):
        job().state = "closed"  # type: ignore[misc] # what the type checker refuses too


def test_undo_takes_back_the_latest_standing_entry_step_by_step() -> None:
    now = job(NoteAdded("a"), ObservationRecorded(LOOK))
    for expected in (EntryUndone(3), EntryUndone(2)):
        what = undo_of_latest(now)
        assert what == expected
        now = apply(now, now.next_event(what, when=LATER))
    with pytest.raises(UserError) as caught:
        undo_of_latest(now)
    assert caught.value.code == "undo-nothing"


def test_undo_of_a_closing_is_reopening() -> None:
    closed = job(NoteAdded("a"), JobClosed(NOT_FOUND))
    assert undo_of_latest(closed) == JobReopened()
    again = apply(closed, closed.next_event(JobReopened(), when=LATER))
    assert undo_of_latest(again) == EntryUndone(2)


def test_restore_goes_backwards_through_what_was_undone() -> None:
    whats: list[Happening] = [NoteAdded("a"), NoteAdded("b"), NoteAdded("c"), EntryUndone(4), EntryUndone(2)]
    for expected in (EntryRestored(2), EntryRestored(4)):
        what = restore_of_latest(job(*whats), events(*whats))
        assert what == expected
        whats.append(what)
    with pytest.raises(UserError) as caught:
        restore_of_latest(job(*whats), events(*whats))
    assert caught.value.code == "restore-nothing"


def test_restoring_by_the_events_of_another_job_is_our_mistake() -> None:
    with pytest.raises(InternalError):
        restore_of_latest(job(), [])
