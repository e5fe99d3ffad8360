"""Units through the service: noting, what is refused, earlier jobs in the odds, closing and reopening."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, timezone
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from halfsplit.diagnosis.hunt import Bench
from halfsplit.errors import NotFound, ProblemsError, UserError
from halfsplit.faults.priors import RECENT_WORK_FACTOR
from halfsplit.jobs.events import JobClosed, JobOpened
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.past import Lesson, PossibleReturn
from halfsplit.jobs.portable import export_job, import_job
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import RELIABILITY_OPERATOR, Look, Symptom
from halfsplit.service import keeping, proving, units, working
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.found import record
from halfsplit.service.unit_history import Opened
from halfsplit.service.unit_past import RECENT_DAYS, RECENT_HOURS

SKETCH = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"
UNIT = "HC-0107"


@cache
def benches() -> dict[str, Bench]:
    return {fingerprint_of(machine_files(SKETCH)): Bench(load_machine(SKETCH))}


@dataclass
class Calendar:
    """A clock that goes on by a minute each time it is read, and by days when told to."""

    moment: datetime = field(default_factory=lambda: datetime(2031, 4, 2, 7, tzinfo=UTC))

    def __call__(self) -> datetime:
        self.moment += timedelta(minutes=1)
        return self.moment

    def wait(self, days: int) -> None:
        self.moment += timedelta(days=days)


@pytest.fixture
def calendar() -> Calendar:
    return Calendar()


@pytest.fixture
def desk(calendar: Calendar) -> Desk:
    return Desk(MemoryStore(), calendar, "tester", dict(benches()))


def opened(desk: Desk, sentence: str = "starter dead in start", unit: str = UNIT) -> Opened:
    complaint = complaint_of(load_machine(SKETCH), [sentence], comes_and_goes=True)
    return working.open_job(desk, SKETCH, complaint, unit=unit)


def mended(desk: Desk) -> str:
    """A closed job on the unit: full volts at the solenoid's coil while the starter is dead, solenoid replaced."""
    job = opened(desk).head.job
    record(desk, "12.4 V, showing", job, check_id="volts K1.1 in start")
    record(desk, "mended", job, repair="replace-part:K1")
    keeping.close_job(desk, "replace-part:K1", job)
    return job


def group_odds(desk: Desk, job: str, group: str = "replace-part:K1") -> float:
    belief = desk.standing(desk.job(job)).hunt.belief
    return float(belief.group_odds()[[one.id for one in belief.space.groups].index(group)])


def lesson(desk: Desk, job: str) -> Lesson:
    (closing,) = [entry.what for entry in desk.job(job).entries if isinstance(entry.what, JobClosed)][-1:]
    assert closing.lesson is not None
    return closing.lesson


def codes(error: pytest.ExceptionInfo[ProblemsError]) -> list[str]:
    return sorted(problem.code for problem in error.value.problems)


def test_what_is_noted_of_a_unit_stays_until_something_else_is_said(desk: Desk, calendar: Calendar) -> None:
    units.note_unit(desk, UNIT, machine=str(SKETCH), hours="1240 h", owner="Pellwick (invented)")
    calendar.wait(30)
    found = units.note_unit(desk, f"  {UNIT} ", hours="1310.5 hours")
    assert (found.machine, found.owner, found.hours) == ("hand-cart-generator", "Pellwick (invented)", 1310.5)
    assert [(one.on, one.run) for one in found.readings] == [("2031-04-02", None), ("2031-05-02", 70.5)]
    assert len(found.notes) == 2


def test_everything_wrong_with_a_note_is_said_at_once_and_nothing_is_noted(desk: Desk) -> None:
    units.note_unit(desk, UNIT, hours="1240 h")
    with pytest.raises(ProblemsError) as caught:
        units.note_unit(desk, "a" * 65, machine="hand-cart-genrator", hours="1240", on="2031-02-30")
    assert codes(caught) == ["not-found", "unit-date", "unit-hours", "unit-serial"]
    assert "hand-cart-generator" in str(caught.value)
    with pytest.raises(ProblemsError) as caught:
        units.note_unit(desk, UNIT, on="2031-04-01", meter_changed=True)
    assert codes(caught) == ["unit-nothing"]
    with pytest.raises(ProblemsError) as caught:
        units.note_unit(desk, UNIT)
    assert codes(caught) == ["unit-nothing"]
    assert len(desk.store.unit_events(UNIT)) == 1


@pytest.mark.parametrize(
    ("hours", "on", "code"),
    [
        ("1200 h", "", "unit-hours"),  # fewer than before
        ("1300 h", "2031-04-03", "unit-hours"),  # 60 h in two days
        ("1241 h", "2031-03-01", "unit-hours"),  # more on an earlier day
        ("-3 h", "", "unit-hours"),
        ("300000 h", "", "unit-hours"),
        ("1241 h", "2031-04-13", "unit-date"),  # has not come yet
        ("1241 h", "last Monday", "unit-date"),
    ],
)
def test_hours_and_days_that_cannot_be_are_refused(
    desk: Desk, calendar: Calendar, hours: str, on: str, code: str
) -> None:
    units.note_unit(desk, UNIT, hours="1240 h")
    calendar.wait(10)
    with pytest.raises(ProblemsError) as caught:
        units.note_unit(desk, UNIT, hours=hours, on=on)
    assert codes(caught) == [code]
    assert len(desk.store.unit_events(UNIT)) == 1


def test_a_changed_meter_begins_anew_and_a_wrong_reading_is_taken_back(desk: Desk, calendar: Calendar) -> None:
    units.note_unit(desk, UNIT, hours="1240 h")
    calendar.wait(600)
    units.note_unit(desk, UNIT, hours="12400 h")
    with pytest.raises(ProblemsError):
        units.note_unit(desk, UNIT, hours="1300 h")
    units.undo_unit(desk, UNIT, reason="one 0 too many")
    units.note_unit(desk, UNIT, hours="1300 h")
    found = units.note_unit(desk, UNIT, hours="2 h", meter_changed=True)
    assert [(one.hours, one.run) for one in found.readings] == [(1240.0, None), (1300.0, 60.0), (2.0, None)]
    assert [one.undone for one in found.notes] == [False, True, False, False]
    with pytest.raises(UserError) as caught:
        units.undo_unit(desk, UNIT, 2)
    assert caught.value.code == "unit-no-entry"


def test_an_unknown_unit_is_not_found_and_the_nearest_is_offered(desk: Desk) -> None:
    opened(desk)  # a unit is known by a job too
    with pytest.raises(NotFound) as caught:
        units.show_unit(desk, "HC-0170")
    assert caught.value.suggestion == UNIT
    with pytest.raises(NotFound):
        units.undo_unit(desk, "HC-0170")
    told = opened(desk, unit="HC-0170").history
    assert told is not None
    assert UNIT in told.near
    again = opened(desk, unit=UNIT).history
    assert again is not None
    assert again.near == ""


def test_a_job_is_not_opened_on_another_kind_of_machine_than_was_noted(desk: Desk) -> None:
    units.note_unit(desk, UNIT, machine="orchard-platform")
    with pytest.raises(UserError) as caught:
        opened(desk)
    assert caught.value.code == "unit-machine"
    assert desk.store.jobs() == ()


def test_recent_work_on_the_unit_raises_the_odds_of_its_place_and_is_kept(desk: Desk, calendar: Calendar) -> None:
    first = mended(desk)
    calendar.wait(RECENT_DAYS)
    other = opened(desk, "panel-lamp dark in work")
    assert other.history is not None
    assert [one.job for one in other.history.earlier] == [first]
    assert "K1" in other.history.recent[0]
    assert "from memory" in other.history.window
    job = desk.job(other.head.job)
    assert job.past is not None
    assert job.past.places == ("K1",)
    assert job.complaint.worked_on == ()  # what was reported stays what was reported
    plain = desk.job(opened(desk, "panel-lamp dark in work", unit="HC-0108").head.job)
    ratio = _prior_odds(desk, job.id, "K1") / _prior_odds(desk, plain.id, "K1")
    assert ratio == pytest.approx(RECENT_WORK_FACTOR)
    assert _prior_odds(desk, job.id, "S1") == pytest.approx(_prior_odds(desk, plain.id, "S1"))
    calendar.wait(1)
    late = opened(desk, "panel-lamp dark in work")
    assert late.history is not None
    assert late.history.recent == ()


def _prior_odds(desk: Desk, job: str, owner: str) -> float:
    """Odds of everything at a place beforehand against everything at F1, where nobody worked."""
    hunt = desk.standing(desk.job(job)).hunt
    space = hunt.bench.space
    chance = np.exp(hunt.log_prior[: space.singles])
    at = np.array([space.fault_of(number).owner for number in range(space.singles)])
    return float(chance[at == owner].sum() / chance[at == "F1"].sum())


def test_where_the_meter_was_read_hours_decide_what_is_recent(desk: Desk, calendar: Calendar) -> None:
    units.note_unit(desk, UNIT, hours="1000 h")
    first = mended(desk)
    calendar.wait(RECENT_DAYS + 60)
    units.note_unit(desk, UNIT, hours=f"{1000 + RECENT_HOURS:g} h")
    still = desk.job(opened(desk, "panel-lamp dark in work").head.job)
    assert still.past is not None
    assert [(one.job, one.hours_ago) for one in still.past.recent] == [(first, RECENT_HOURS)]
    assert (still.past.hours, still.past.read_on) == (1000 + RECENT_HOURS, "2031-08-30")
    calendar.wait(1)
    units.note_unit(desk, UNIT, hours=f"{1001 + RECENT_HOURS:g} h")
    over = desk.job(opened(desk, "panel-lamp dark in work").head.job)
    assert over.past is not None
    assert over.past.recent == ()


def test_a_meter_that_was_not_read_for_long_does_not_keep_work_recent(desk: Desk, calendar: Calendar) -> None:
    units.note_unit(desk, UNIT, hours="1000 h")
    mended(desk)
    calendar.wait(10)
    units.note_unit(desk, UNIT, hours="1010 h")
    calendar.wait(RECENT_DAYS)
    still = desk.job(opened(desk, "panel-lamp dark in work").head.job)
    assert still.past is not None
    assert [(one.days_ago, one.hours_ago) for one in still.past.recent] == [(RECENT_DAYS + 10, 10.0)]
    calendar.wait(1)
    over = desk.job(opened(desk, "panel-lamp dark in work").head.job)
    assert over.past is not None
    assert over.past.recent == ()


def test_work_of_a_job_that_is_still_open_counts_and_the_job_is_named(desk: Desk, calendar: Calendar) -> None:
    first = opened(desk).head.job
    record(desk, "mended", first, repair="replace-part:K1")
    calendar.wait(3)
    told = opened(desk)
    assert told.history is not None
    assert f"halfsplit job next --job {first}" in told.history.still_open
    assert told.history.may_be == ""
    job = desk.job(told.head.job)
    assert job.past is not None
    assert [(one.job, one.places, one.days_ago) for one in job.past.recent] == [(first, ("K1",), 3)]
    assert f"job {first}, 3 days ago at the opening" in working.why(desk, "K1", job.id).worked_on
    assert working.why(desk, "S1", job.id).worked_on == ""
    lamp = opened(desk, "panel-lamp dark in work").history
    assert lamp is not None
    assert lamp.still_open == ""


def test_days_are_those_of_the_place_where_the_desk_stands(calendar: Calendar) -> None:
    east = timezone(timedelta(hours=10))
    calendar.moment = datetime(2031, 4, 2, 8, tzinfo=east)  # the evening before, by UTC
    desk = Desk(MemoryStore(), calendar, "tester", dict(benches()))
    assert units.note_unit(desk, UNIT, hours="1000 h", on="2031-04-02").read_on == "2031-04-02"
    mended(desk)
    (line,) = units.show_unit(desk, UNIT).jobs
    assert (line.opened, line.closed, line.days_ago, line.hours) == ("2031-04-02", "2031-04-02", 0, 1000.0)
    with pytest.raises(ProblemsError):
        units.note_unit(desk, UNIT, hours="1001 h", on="2031-04-03")


def test_a_serial_number_that_looks_mistyped_is_told_and_a_note_taken_back_leaves_no_unit(desk: Desk) -> None:
    assert units.note_unit(desk, UNIT, hours="1000 h").near == ""
    assert UNIT in units.note_unit(desk, "HC-0170", hours="1001 h").near
    assert units.note_unit(desk, "HC-0170", owner="nobody").near == ""
    units.undo_unit(desk, "HC-0170")
    assert [one.unit for one in units.list_units(desk).units] == ["HC-0107", "HC-0170"]
    units.undo_unit(desk, "HC-0170")
    assert [one.unit for one in units.list_units(desk).units] == ["HC-0107"]
    assert len(units.show_unit(desk, "HC-0170").notes) == 2


def test_the_odds_stay_what_they_were_whatever_becomes_of_the_unit(desk: Desk, calendar: Calendar) -> None:
    first = mended(desk)
    job = opened(desk, "panel-lamp dark in work").head.job
    before = desk.standing(desk.job(job)).hunt.belief.group_odds()
    keeping.reopen(desk, first)
    calendar.wait(400)
    units.note_unit(desk, UNIT, hours="9000 h", machine="orchard-platform")
    again = Desk(desk.store, calendar, "somebody else", dict(benches()))
    assert np.array_equal(again.standing(again.job(job)).hunt.belief.group_odds(), before)
    elsewhere = Desk(MemoryStore(), calendar, "far away", dict(benches()))
    import_job(elsewhere.store, export_job(desk.store, job))
    assert elsewhere.job(job).past == desk.job(job).past
    assert np.array_equal(elsewhere.standing(elsewhere.job(job)).hunt.belief.group_odds(), before)


def test_the_same_complaint_before_the_repair_is_proven_points_to_the_job(desk: Desk, calendar: Calendar) -> None:
    units.note_unit(desk, UNIT, hours="1000 h")
    first = mended(desk)
    proving.state_history(desk, 4, "40 h", first)
    sure = proving.proof(desk, first).confidence
    needed = proving.proof(desk, first).goals[1].run
    assert sure is not None
    assert needed is not None
    calendar.wait(20)
    units.note_unit(desk, UNIT, hours="1010 h")
    assert needed > 10.0
    told = opened(desk)
    job = desk.job(told.head.job)
    assert job.past is not None
    assert job.past.may_be == PossibleReturn(first, 20, 10.0, sure)
    assert told.history is not None
    for words in (first, "20 days ago (10 h of running)", f"{100 * sure:.0f} %", f"halfsplit job reopen {first}"):
        assert words in told.history.may_be
    lamp = opened(desk, "panel-lamp dark in work").history
    assert lamp is not None
    assert lamp.may_be == ""


def test_a_repair_that_ran_its_proving_time_is_not_named_as_the_same_fault(desk: Desk, calendar: Calendar) -> None:
    units.note_unit(desk, UNIT, hours="1000 h")
    first = mended(desk)
    proving.state_history(desk, 4, "40 h", first)
    needed = proving.proof(desk, first).goals[1].run
    assert needed is not None
    calendar.wait(60)
    units.note_unit(desk, UNIT, hours=f"{1000 + needed + 1:.1f} h")
    told = opened(desk).history
    assert told is not None
    assert told.may_be == ""
    assert [one.job for one in told.earlier] == [first]


def test_a_repair_after_which_the_fault_came_back_is_kept_as_failed_and_named_again(
    desk: Desk, calendar: Calendar
) -> None:
    first = mended(desk)
    proving.state_history(desk, 4, "40 h", first)
    proving.record_run(desk, "5 h", first, came_back=True)
    assert proving.proof(desk, first).confidence == 0.0
    keeping.close_job(desk, "not found", first)
    assert lesson(desk, first).confidence == 0.0
    calendar.wait(20)
    past = desk.job(opened(desk).head.job).past
    assert past is not None
    assert past.may_be == PossibleReturn(first, 20, None, 0.0)


def test_a_closing_keeps_what_learning_needs(desk: Desk) -> None:
    units.note_unit(desk, UNIT, hours="1240 h")
    job = opened(desk).head.job
    record(desk, "ok", job, check_id="look by-eye K1")
    record(desk, "ok", job, check_id="look by-eye S1")
    record(desk, "12.4 V, showing", job, check_id="volts K1.1 in start", minutes=7.0)
    record(desk, "mended", job, repair="replace-part:K1")
    record(desk, "ok", job, check_id="look by-eye K1")
    keeping.close_job(desk, "replace-part:K1", job)
    kept = lesson(desk, job)
    standing = desk.standing(desk.job(job))
    assert standing.machine.zones[kept.zone].exposure == {one.exposure: one.level for one in kept.exposure}
    assert (kept.owner, kept.hours, kept.read_on) == ("K1", 1240.0, "2031-04-02")
    assert kept.odds[0].group == "replace-part:K1"
    (cause,) = [one.what.cause for one in desk.job(job).entries if isinstance(one.what, JobClosed)]
    assert cause != "not found"
    assert kept.odds[0].odds == cause.odds
    assert kept.confidence == proving.proof(desk, job).confidence
    (look,) = [
        entry.number
        for entry in desk.job(job).entries
        if isinstance(entry.observation, Look) and entry.observation.place == "K1"
    ][:1]
    assert [(one.entry, one.place) for one in kept.missed] == [(look, "K1")]  # not S1, and not after the repair
    assert [entry.minutes for entry in desk.job(job).entries if entry.minutes == 7.0] == [7.0]


def test_a_job_closed_without_a_cause_keeps_its_odds_and_no_place(desk: Desk) -> None:
    job = opened(desk).head.job
    record(desk, "12.4 V, showing", job, check_id="volts K1.1 in start")
    keeping.close_job(desk, "not found", job)
    kept = lesson(desk, job)
    assert (kept.fault, kept.zone, kept.exposure, kept.missed, kept.hit) == ("", "", (), (), None)
    assert kept.odds[0].group == "replace-part:K1"
    assert 0.9 < sum(one.odds for one in kept.odds) + kept.nothing + kept.something_else <= 1.01


def test_reopening_takes_the_return_as_seen_and_moves_the_weight_back(desk: Desk) -> None:
    job = mended(desk)
    was, belief = group_odds(desk, job), desk.standing(desk.job(job)).hunt.belief
    found = keeping.reopen(desk, job, "came back at the gate", reported=True)
    assert found.seen_again == ("starter [start]: dead, as reported",)
    assert found.step is not None
    assert desk.job(job).observations[-1] == Symptom("starter", "start", "off", RELIABILITY_OPERATOR, "yes")
    after = desk.standing(desk.job(job)).hunt.belief
    assert belief.mended > 0.6
    assert after.mended < 0.25
    assert group_odds(desk, job) > 2 * was
    assert group_odds(desk, job, "clean-post:BAT.-") > group_odds(desk, job)  # what was not mended gains more


def test_a_job_closed_by_mistake_is_reopened_without_anything_seen(desk: Desk) -> None:
    job = mended(desk)
    seen = desk.job(job).observations
    assert keeping.reopen(desk, job, by_mistake=True).seen_again == ()
    assert desk.job(job).observations == seen
    keeping.close_job(desk, "replace-part:K1", job)
    with pytest.raises(UserError) as caught:
        keeping.reopen(desk, job, by_mistake=True, reported=True)
    assert caught.value.code == "reopen-mistake"
    with pytest.raises(UserError):
        keeping.reopen(desk, job, seen=["startr dead in start"])
    assert desk.job(job).state == "closed"
    assert keeping.reopen(desk, job, seen=["panel-lamp dark in work"]).seen_again == ("panel-lamp [work]: dark",)


def test_what_an_operator_saw_again_counts_without_a_repair_too(desk: Desk) -> None:
    job = opened(desk).head.job
    keeping.close_job(desk, "not found", job)
    assert keeping.reopen(desk, job).seen_again == ()
    keeping.close_job(desk, "not found", job)
    assert keeping.reopen(desk, job, reported=True).seen_again == ("starter [start]: dead, as reported",)


def test_a_unit_is_shown_with_how_long_its_repairs_held(desk: Desk, calendar: Calendar) -> None:
    units.note_unit(desk, UNIT, machine="hand-cart-generator", hours="1000 h")
    first = mended(desk)
    calendar.wait(40)
    units.note_unit(desk, UNIT, hours="1080 h")
    (line,) = units.show_unit(desk, UNIT).jobs
    assert (line.cause, line.work, line.hours) == ("replace K1", ("replaced K1",), 1000.0)
    assert (line.held_days, line.held_hours, line.back_in) == (40, 80.0, "")
    second = opened(desk).head.job
    calendar.wait(40)
    units.note_unit(desk, UNIT, hours="1100 h")
    open_one, line = units.show_unit(desk, UNIT).jobs
    assert (open_one.job, open_one.state, open_one.held_days) == (second, "open", None)
    assert (line.job, line.back_in, line.held_days, line.held_hours) == (first, second, 40, 80.0)
    (listed,) = units.list_units(desk).units
    assert (listed.unit, listed.hours, listed.jobs, listed.open_jobs) == (UNIT, 1100.0, 2, 1)


def test_jobs_whose_unit_an_older_version_kept_as_typed_belong_to_it(desk: Desk) -> None:
    first = mended(desk)
    (opening, *rest) = desk.store.events(first)
    assert isinstance(opening.what, JobOpened)
    older = Desk(MemoryStore(), desk.now, "tester", dict(benches()))
    older.store.put_machine(opening.what.fingerprint, machine_files(SKETCH))
    older.store.create_job(replace(opening, what=replace(opening.what, unit=" HC  0107")))
    older.store.append_all(first, 1, rest)
    (listed,) = units.list_units(older).units
    assert (listed.unit, listed.jobs) == ("HC 0107", 1)
    assert [one.job for one in units.show_unit(older, "HC 0107").jobs] == [first]
    told = opened(older, unit="HC 0107").history
    assert told is not None
    assert [one.job for one in told.earlier] == [first]


def test_practice_never_counts_as_a_units_history(desk: Desk) -> None:
    complaint = complaint_of(load_machine(SKETCH), ["starter dead in start"])
    played = working.open_job(desk, SKETCH, complaint, unit=UNIT, clock="practice")
    assert played.history is None
    told = opened(desk).history
    assert told is not None
    assert told.earlier == ()
    assert units.show_unit(desk, UNIT).jobs[0].job != played.head.job


def test_an_opening_without_history_is_written_as_before(desk: Desk) -> None:
    job = opened(desk, unit="").head.job
    (event,) = desk.store.events(job)
    assert isinstance(event.what, JobOpened)
    assert event.what.past is None
