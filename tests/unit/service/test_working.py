"""Jobs worked through the service: opening, recording, undoing, closing, and carrying them elsewhere."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest

from halfsplit.diagnosis.checks import short_checks
from halfsplit.diagnosis.hunt import Bench
from halfsplit.errors import Conflict, NotFound, ProblemsError, UserError
from halfsplit.jobs.events import AccessOpened, Cause, ObservationRecorded
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import JobStore, fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Action, OutOfReach, Reading, Symptom
from halfsplit.service import keeping, results, working
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.found import check_events, keep, record

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
SKETCH, SWEEPER = EXAMPLES / "hand-cart-generator", EXAMPLES / "saltmarsh-sweeper"


@cache
def benches() -> dict[str, Bench]:
    return {fingerprint_of(machine_files(path)): Bench(load_machine(path)) for path in (SKETCH, SWEEPER)}


def ticking() -> Iterator[datetime]:
    moment = datetime(2031, 4, 2, 7, tzinfo=UTC)
    while True:
        moment += timedelta(minutes=1)
        yield moment


def desk_on(store: JobStore) -> Desk:
    moments = ticking()
    return Desk(store, lambda: next(moments), "tester", dict(benches()))


@pytest.fixture
def desk() -> Desk:
    return desk_on(MemoryStore())


def opened(desk: Desk, path: Path = SKETCH, sentence: str = "starter dead in start") -> str:
    complaint = complaint_of(load_machine(path), [sentence])
    return working.open_job(desk, path, complaint, unit="7").head.job


def observations(desk: Desk, job: str) -> list[object]:
    return list(desk.job(job).observations)


def test_a_job_is_named_after_machine_and_day_and_the_second_one_too(desk: Desk) -> None:
    assert opened(desk) == "hand-cart-generator-310402-1"
    assert opened(desk) == "hand-cart-generator-310402-2"


def test_without_an_id_the_open_job_touched_last_is_meant(desk: Desk) -> None:
    first, second = opened(desk), opened(desk)
    assert desk.job().id == second
    keeping.note(desk, "back to this one", first)
    assert desk.job().id == first
    keeping.close_job(desk, "not found", first)
    assert desk.job().id == second


def test_with_no_job_open_it_says_how_to_open_one(desk: Desk) -> None:
    with pytest.raises(UserError, match="halfsplit job open"):
        desk.job()


def test_a_complaint_that_does_not_fit_the_machine_opens_nothing(desk: Desk) -> None:
    with pytest.raises(ProblemsError):
        opened(desk, sentence="brush dead")
    assert desk.store.jobs() == ()


def test_an_answer_is_kept_with_its_check_and_planned_minutes(desk: Desk) -> None:
    job = opened(desk)
    step = working.next_step(desk, job).step
    assert step is not None
    record(desk, "0 V", job)
    entry = desk.job(job).entries[-1]
    assert isinstance(entry.what, ObservationRecorded)
    assert entry.what.check == step.id
    assert entry.minutes == pytest.approx(step.minutes.own + step.minutes.setting)
    assert entry.by == "tester"


def test_minutes_that_are_said_replace_the_planned_ones(desk: Desk) -> None:
    job = opened(desk)
    record(desk, "ok, 9 min", job, check_id="operate panel-lamp in start")
    assert desk.job(job).minutes == 9.0
    record(desk, "0 V", job, check_id="volts K1.1 in start", minutes=4.0)
    assert desk.job(job).minutes == 13.0


def test_nothing_is_kept_when_what_was_typed_cannot_be_read(desk: Desk) -> None:
    job = opened(desk)
    before = desk.job(job)
    for text in ("gibberish", "12", "mended"):
        with pytest.raises(UserError):
            record(desk, text, job)
    assert desk.job(job) == before


def test_saying_whether_the_fault_shows_records_what_the_complaints_function_did(desk: Desk) -> None:
    job = opened(desk)
    record(desk, "12.4 V, showing", job, check_id="volts S1.3 in start")
    seen = observations(desk, job)
    assert seen == [
        Symptom("starter", "start", "off"),
        Reading("volts", "S1.3", "body:frame", "start", 12.4, (), "yes"),
    ]
    record(desk, "12.4 V, away", job, check_id="volts K1.1 in start")
    assert observations(desk, job)[2] == Symptom("starter", "start", "on")


def test_opening_a_plug_is_recorded_as_work_on_it(desk: Desk) -> None:
    job = opened(desk)
    record(desk, "dry", job, check_id="look thorough X1")
    assert observations(desk, job)[-1] == Action("unplug-refit", "X1")


def test_access_is_opened_once_and_charged_once_and_closed_at_the_end(desk: Desk) -> None:
    job = opened(desk, SWEEPER, "brush-left dead in sweep")
    record(desk, "0 V", job, check_id="volts X100.1 in water-still")
    steps = [one.what.step for one in desk.job(job).entries if isinstance(one.what, AccessOpened)]
    machine = desk.standing(desk.job(job)).machine
    connector = machine.connectors["X100"]
    assert tuple(steps) == machine.steps_for_zone(connector.zone, connector.access)
    assert len(steps) >= 2
    record(desk, "0 V", job, check_id="volts X100.2 in water-still")
    assert sum(isinstance(one.what, AccessOpened) for one in desk.job(job).entries) == len(steps)
    before = desk.job(job).minutes
    keeping.close_job(desk, "not found", job)
    closing = sum(machine.access[step].close_min for step in steps)
    assert desk.job(job).minutes == pytest.approx(before + closing)
    assert desk.job(job).access_open == ()


def test_a_place_out_of_reach_is_not_asked_for_again(desk: Desk) -> None:
    job = opened(desk)
    step = working.next_step(desk, job).step
    assert step is not None
    found = record(desk, "can't reach, guard welded on", job)
    assert isinstance(observations(desk, job)[-1], OutOfReach)
    assert found.next.step is not None
    assert found.next.step.id != step.id


def test_undo_takes_back_everything_of_the_latest_recording_and_restore_brings_it_back(desk: Desk) -> None:
    job = opened(desk, SWEEPER, "brush-left dead in sweep")
    record(desk, "ok", job)
    odds = working.suspects(desk, job)
    record(desk, "0 V, showing", job, check_id="volts X30.4 in sweep")
    after = working.suspects(desk, job)
    steps = working.next_step(desk, job).open_access
    undone = keeping.undo(desk, job)
    assert len(undone.words) == len(steps) + 2  # every opening, what the brush did, and the reading
    assert working.suspects(desk, job).suspects == odds.suspects
    assert working.next_step(desk, job).open_access == ()
    keeping.restore(desk, job)
    assert working.suspects(desk, job).suspects == after.suspects


def test_one_entry_of_any_number_can_be_taken_back(desk: Desk) -> None:
    job = opened(desk)
    record(desk, "panel-lamp in start: lit", job)
    record(desk, "0 V", job, check_id="volts K1.1 in start")
    keeping.undo(desk, job, 2)
    assert [entry.undone for entry in desk.job(job).entries] == [True, False]


def test_a_job_read_again_from_the_store_stands_as_it_did() -> None:
    store = MemoryStore()
    first = desk_on(store)
    job = opened(first)
    record(first, "ok", job, check_id="operate panel-lamp in start")
    record(first, "12.4 V", job, check_id="volts K1.1 in start")
    keeping.undo(first, job)
    record(first, "12.3 V", job, check_id="volts K1.1 in start")
    again = Desk(store, first.now)
    assert results.to_data(working.next_step(again, job)) == results.to_data(working.next_step(first, job))


def test_a_check_that_was_made_for_the_moment_is_understood_when_the_job_is_read_again() -> None:
    store = MemoryStore()
    first = desk_on(store)
    job = opened(first, SWEEPER, "brush-left dead in sweep")
    standing = first.standing(first.job(job))
    check = short_checks(standing.machine, "F30", "sweep", ["X15"])[-1]
    assert check.id not in {one.id for one in standing.hunt.planner.checks}
    seen = Reading("ohms", check.plus, check.minus, check.state, 0.2, check.unplugged)
    keep(first, first.job(job), check_events(standing, check, [seen]))
    again = Desk(store, first.now, "", dict(benches()))
    assert results.to_data(working.next_step(again, job)) == results.to_data(working.next_step(first, job))
    refits = [one.place for one in first.job(job).observations if isinstance(one, Action)]
    assert refits == [one for one in check.unplugged if one in standing.machine.connectors]


def test_a_job_goes_on_when_its_machine_folder_is_gone(tmp_path: Path) -> None:
    folder = tmp_path / "moved-away"
    folder.mkdir()
    (folder / "machine.yaml").write_bytes((SKETCH / "machine.yaml").read_bytes())
    store = MemoryStore()
    job = opened(desk_on(store), folder)
    (folder / "machine.yaml").unlink()
    found = working.next_step(Desk(store, desk_on(store).now), job)
    assert found.head.machine == "moved-away"
    assert found.step is not None


def work_to_the_repair(desk: Desk, job: str) -> results.NextStep:
    """Answers as a machine with a burnt-out starter solenoid would, until a repair is asked."""
    step = working.next_step(desk, job)
    for _ in range(15):
        if step.kind != "check":
            return step
        assert step.step is not None
        if step.step.id.startswith("operate"):
            text = "dead" if "starter" in step.step.id else "ok"
        elif step.step.id.startswith("walk"):
            text = "starter dead" if step.step.id.endswith(" start") else "all right"
        elif step.step.id.startswith("volts"):
            text = "0.02 V" if "K1.2" in step.step.id else "12.5 V"
        elif step.step.id.startswith("drop"):
            text = "0 V" if "K1" not in step.step.id else "0.01 V"
        elif step.step.id.startswith("lamp"):
            text = "dark" if "K1.2" in step.step.id else "lit"
        else:
            text = "ok"
        step = record(desk, text, job).next
    raise AssertionError("no repair was asked in fifteen checks")


def test_a_repair_that_mends_finishes_the_job_with_its_cause(desk: Desk) -> None:
    job = opened(desk)
    step = work_to_the_repair(desk, job)
    assert step.kind == "repair"
    assert step.step is not None
    assert step.step.id == "replace-part:K1"
    end = record(desk, "mended", job).next
    while end.kind == "check":
        end = record(desk, "ok", job).next
    assert end.kind == "finish"
    log = keeping.close_job(desk, "", job)
    cause = desk.job(job).cause
    assert isinstance(cause, Cause)
    assert cause.group == "replace-part:K1"
    assert cause.odds is not None
    assert cause.odds > 0.9
    assert log.head.state == "closed"


def test_a_repair_that_does_not_mend_lowers_its_own_odds(desk: Desk) -> None:
    job = opened(desk)
    work_to_the_repair(desk, job)
    before = working.suspects(desk, job).suspects[0]
    after = record(desk, "not mended", job).next
    now = next((one.odds for one in after.suspects if one.group == before.group), 0.0)
    # The work cures in 97 of 100 cases, so the odds against what else it may be fall at least tenfold.
    assert now / (1.0 - now) < 0.1 * before.odds / (1.0 - before.odds)


def test_a_repair_nobody_asked_for_can_be_recorded_by_its_place(desk: Desk) -> None:
    job = opened(desk)
    record(desk, "done", job, repair="X1")
    assert isinstance(observations(desk, job)[-1], Action)
    with pytest.raises(UserError, match="X1"):
        record(desk, "done", job, repair="X1x")


def test_a_closed_job_takes_no_answer_until_it_is_reopened(desk: Desk) -> None:
    job = opened(desk)
    keeping.close_job(desk, "not found", job)
    with pytest.raises(UserError) as caught:
        record(desk, "0 V", job, check_id="volts K1.1 in start")
    assert caught.value.code == "job-closed"
    assert keeping.reopen(desk, job, "came back").step is not None
    record(desk, "0 V", job, check_id="volts K1.1 in start")


def test_closing_without_a_cause_that_stands_out_asks_for_one(desk: Desk) -> None:
    job = opened(desk)
    with pytest.raises(UserError) as caught:
        keeping.close_job(desk, "", job)
    assert caught.value.code == "close-undecided"
    keeping.close_job(desk, "K1", job)
    cause = desk.job(job).cause
    assert isinstance(cause, Cause)
    assert cause.group == "replace-part:K1"


def test_access_can_be_opened_and_closed_outside_of_a_check(desk: Desk) -> None:
    job = opened(desk, SWEEPER, "brush-left dead in sweep")
    found = keeping.open_access(desk, "open-aux-lid", job)
    assert found.next.open_access == ("chock-wheels", "drop-belly-pan", "open-aux-lid")
    with pytest.raises(UserError) as caught:
        keeping.open_access(desk, "open-aux-lid", job)
    assert caught.value.code == "access-open"
    # What only holds while the pan is down closes with it.
    closed = keeping.close_access(desk, "drop-belly-pan", job)
    assert closed.next.open_access == ("chock-wheels",)
    with pytest.raises(NotFound, match="open-aux-lid"):
        keeping.open_access(desk, "open-aux-lit", job)


def test_why_names_the_entries_it_rests_on(desk: Desk) -> None:
    job = opened(desk)
    record(desk, "0 V", job, check_id="volts K1.1 in start")
    found = working.why(desk, "repair-wire:W4", job)
    assert [one.entry for one in found.testimonies] == [1, 2]
    assert working.why(desk, "1", job).group == working.suspects(desk, job).suspects[0].group
    assert working.why(desk, "K1", job).group == "replace-part:K1"


def test_a_job_goes_out_and_comes_in_whole(desk: Desk, tmp_path: Path) -> None:
    job = opened(desk)
    record(desk, "12.4 V", job, check_id="volts K1.1 in start")
    out = keeping.job_out(desk, tmp_path / "job.halfsplit-job", job)
    assert out.entries == 2
    with pytest.raises(UserError, match="is there already"):
        keeping.job_out(desk, tmp_path / "job.halfsplit-job", job)
    other = desk_on(MemoryStore())
    came = keeping.job_in(other, tmp_path / "job.halfsplit-job")
    assert came.created
    assert results.to_data(working.suspects(other, job)) == results.to_data(working.suspects(desk, job))
    assert not keeping.job_in(other, tmp_path / "job.halfsplit-job").created
    with pytest.raises(NotFound):
        keeping.job_in(other, tmp_path / "nowhere")


def test_a_second_desk_that_was_overtaken_is_told_and_nothing_is_lost() -> None:
    store = MemoryStore()
    one = desk_on(store)
    job = opened(one)
    stale = one.job(job)
    record(one, "12.4 V", job, check_id="volts K1.1 in start")
    from halfsplit.jobs.events import NoteAdded
    from halfsplit.jobs.recording import record as append

    with pytest.raises(Conflict):
        append(store, stale, NoteAdded("late"), when=one.when())
    assert len(one.job(job).entries) == 1


def test_every_result_is_plain_json(desk: Desk) -> None:
    job = opened(desk, SWEEPER, "brush-left dead in sweep")
    found = record(desk, "0 V, showing", job, check_id="volts X30.4 in sweep")
    for value in (found, working.suspects(desk, job), working.why(desk, "", job), keeping.log(desk, job)):
        data = results.to_data(value)
        assert json.loads(json.dumps(data, allow_nan=False)) == data
