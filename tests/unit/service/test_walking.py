"""A walk round the machine: told in one go, kept in one step, taken back whole, shown as one line."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest

from halfsplit.diagnosis.checks import Check, round_check, round_functions
from halfsplit.diagnosis.hunt import Bench
from halfsplit.errors import InternalError, UserError
from halfsplit.jobs.events import ObservationRecorded
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import JobStore, fingerprint_of
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import OutOfReach, Symptom
from halfsplit.reports.content import report
from halfsplit.service import keeping, results, typed, working
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.examples import find_machine
from halfsplit.service.found import record
from halfsplit.service.practising import check_typed, do_check, set_up
from halfsplit.service.reporting import findings
from halfsplit.service.walking import answer

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
SKETCH, SWEEPER = EXAMPLES / "hand-cart-generator", EXAMPLES / "saltmarsh-sweeper"
WALK = "walk round in start"


@cache
def machine() -> Machine:
    return load_machine(SWEEPER)


def walk(state: str = "sweep") -> Check:
    check = round_check(machine(), state)
    assert check is not None
    return check


def wrong(text: str, state: str = "sweep") -> dict[str, str]:
    """What ``text`` says is not as it should be; that everything else is recorded as expected is checked here."""
    found = answer(machine(), walk(state), text).observations
    symptoms = [one for one in found if isinstance(one, Symptom)]
    assert tuple(one.function for one in symptoms) == round_functions(machine(), state)
    assert {one.state for one in symptoms} == {state}
    expected = {one: machine().functions[one].expected[state] for one in round_functions(machine(), state)}
    return {one.function: one.level for one in symptoms if one.level != expected[one.function]}


@pytest.mark.parametrize(
    "text", ["all right", "All good.", "all ok", "ok", "everything is fine", "all as it should be", "nothing wrong"]
)
def test_all_right_means_every_function_as_it_should_be(text: str) -> None:
    assert wrong(text) == {}


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("brush-left stopped", {"brush-left": "off"}),
        ("brush-left stopped, the rest right", {"brush-left": "off"}),
        ("Brush-left off, beacon dim", {"brush-left": "off", "beacon": "weak"}),
        ("beacon dim; all others as they should be", {"beacon": "weak"}),
        ("Left dust spray dead, Right dust spray dead", {"dust-spray-left": "off", "dust-spray-right": "off"}),
        ("brush-left and brush-right off", {"brush-left": "off", "brush-right": "off"}),
        ("brush-left off and beacon dim", {"brush-left": "off", "beacon": "weak"}),
        ("beacon comes and goes and cab-lamp lit", {"beacon": "comes-and-goes", "cab-lamp": "on"}),
        ("all right but beacon is off, cab-lamp lit", {"beacon": "off", "cab-lamp": "on"}),
        ("all good except for the-other", None),
        ("beacon right, brush-left off", {"brush-left": "off"}),
        ("beacon bad, cab-lamp bad", {"beacon": "off", "cab-lamp": "on"}),
    ],
)
def test_what_is_named_is_not_so_and_what_is_not_named_is_right(text: str, found: dict[str, str] | None) -> None:
    if found is None:
        with pytest.raises(UserError, match="the-other"):
            wrong(text)
    else:
        assert wrong(text) == found


def test_what_was_not_looked_at_is_left_out() -> None:
    found = answer(machine(), walk(), "beacon not seen, brush-left off").observations
    seen = {one.function for one in found if isinstance(one, Symptom)}
    assert set(round_functions(machine(), "sweep")) - seen == {"beacon"}


def test_minutes_and_whether_the_fault_was_showing_may_be_said_too() -> None:
    found = answer(machine(), walk(), "all right, away, 9 min")
    assert found.minutes == 9.0
    assert {one.showing for one in found.observations if isinstance(one, Symptom)} == {"no"}


@pytest.mark.parametrize(
    ("text", "reason"), [("can't reach", ""), ("can't reach, no light", "no light"), ("skip", "skipped")]
)
def test_a_walk_may_be_left_out(text: str, reason: str) -> None:
    assert answer(machine(), walk(), text).observations == (OutOfReach("walk round in sweep", reason),)


def test_every_mistake_is_told_at_once_with_the_nearest_name() -> None:
    with pytest.raises(UserError) as caught:
        answer(machine(), walk(), "becon off, brush-left blue, cab-lamp")
    assert caught.value.code == "answer-unknown"
    for said in ("becon", "blue", "cab-lamp"):
        assert said in caught.value.message
    assert "beacon" in caught.value.hint


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("beacon off, beacon dim", "round-twice"),
        ("horn silent", "round-elsewhere"),
        ("", "answer-empty"),
        ("9.8 V", "answer-unknown"),
    ],
)
def test_what_cannot_be_is_refused(text: str, code: str) -> None:
    with pytest.raises(UserError) as caught:
        answer(machine(), walk(), text)
    assert caught.value.code == code


def test_a_walk_on_which_nothing_was_looked_at_is_refused() -> None:
    check = round_check(load_machine(SKETCH), "start")
    assert check is not None
    with pytest.raises(UserError) as caught:
        answer(load_machine(SKETCH), check, "starter not seen, panel-lamp not seen")
    assert caught.value.code == "round-nothing"


def test_a_walk_is_never_one_observation() -> None:
    with pytest.raises(InternalError):
        typed.answer(machine(), walk(), "all right")


@cache
def sketch_bench() -> Bench:
    return Bench(load_machine(SKETCH))


def desk_on(store: JobStore) -> Desk:
    def ticking() -> Iterator[datetime]:
        moment = datetime(2031, 4, 2, 7, tzinfo=UTC)
        while True:
            moment += timedelta(minutes=1)
            yield moment

    moments = ticking()
    return Desk(store, lambda: next(moments), "tester", {fingerprint_of(machine_files(SKETCH)): sketch_bench()})


@pytest.fixture
def desk() -> Desk:
    return desk_on(MemoryStore())


def opened(desk: Desk) -> str:
    complaint = complaint_of(load_machine(SKETCH), ["starter dead in start"])
    return working.open_job(desk, SKETCH, complaint).head.job


def test_a_walk_is_kept_in_one_step_and_said_back_as_one_line(desk: Desk) -> None:
    job = opened(desk)
    done = record(desk, "starter dead", job, check_id=WALK)
    assert done.words == ("walk round [start]: starter dead; the other one right",)
    entries = desk.job(job).entries
    whats = [one.what for one in entries if isinstance(one.what, ObservationRecorded)]
    assert [one.observation for one in whats] == [
        Symptom("panel-lamp", "start", "on"), Symptom("starter", "start", "off")
    ]  # fmt: skip
    assert {one.check for one in whats} == {WALK}
    assert len({one.when for one in entries}) == 1
    walk_check = round_check(load_machine(SKETCH), "start")
    assert walk_check is not None
    minutes = walk_check.minutes + load_machine(SKETCH).states["start"].minutes
    assert desk.job(job).minutes == pytest.approx(minutes)


def test_after_a_walk_neither_it_nor_what_was_seen_right_is_asked_again(desk: Desk) -> None:
    job = opened(desk)
    record(desk, "starter dead", job, check_id=WALK)
    standing = desk.standing(desk.job(job))
    decision = standing.decide()
    asked = {one.check.id for one in working.options_of(decision) if one.check is not None}
    assert asked
    assert not asked & {WALK, "operate panel-lamp in start"}


def test_a_walk_in_a_state_the_hunt_does_not_work_in_may_be_typed_with_its_subject(desk: Desk) -> None:
    job = opened(desk)
    states = {check.state for check in desk.standing(desk.job(job)).hunt.planner.checks}
    assert "off" not in states
    done = record(desk, "walk round in off: all right", job)
    assert done.words == ("walk round [off]: all 2 right",)
    check = desk.standing(desk.job(job)).check("walk round in off")
    assert check is not None
    assert check.kind == "round"
    with pytest.raises(UserError, match="start"):
        record(desk, "walk round in stert: all right", job)


def test_undo_takes_the_whole_walk_back_and_restore_brings_it_again(desk: Desk) -> None:
    job = opened(desk)
    record(desk, "12.4 V", job, check_id="volts K1.1 in start")
    before = results.to_data(working.suspects(desk, job).suspects)
    record(desk, "starter dead", job, check_id=WALK)
    after = results.to_data(working.suspects(desk, job).suspects)
    words = keeping.undo(desk, job).words
    assert words == ("taken back: walk round [start]: starter dead; the other one right",)
    assert results.to_data(working.suspects(desk, job).suspects) == before
    assert keeping.restore(desk, job).words == (
        "stands again: walk round [start]: starter dead; the other one right",
    )
    assert results.to_data(working.suspects(desk, job).suspects) == after
    one = desk.job(job).entries[-1].number - 1  # any entry of the walk names it
    keeping.undo(desk, job, one)
    assert results.to_data(working.suspects(desk, job).suspects) == before
    assert [entry.undone for entry in desk.job(job).entries][-2:] == [True, True]


def test_a_job_with_a_walk_read_again_from_the_store_stands_as_it_did() -> None:
    store = MemoryStore()
    first = desk_on(store)
    job = opened(first)
    record(first, "starter dead", job, check_id=WALK)
    record(first, "all right", job, check_id="walk round in off")
    again = Desk(store, first.now, "", dict(first.benches))
    assert results.to_data(working.next_step(again, job)) == results.to_data(working.next_step(first, job))
    one, other = (desk.standing(desk.job(job)).hunt.situation for desk in (first, again))
    assert one.done == other.done
    assert WALK in one.done
    assert "operate panel-lamp in start" in one.done


def test_the_log_and_the_report_show_a_walk_as_one_line(desk: Desk) -> None:
    job = opened(desk)
    record(desk, "starter dead, showing", job, check_id=WALK)
    record(desk, "all right", job, check_id=WALK)
    keeping.undo(desk, job)
    lines = keeping.log(desk, job).lines
    words = "walk round [start]: starter dead; the other one right, fault showing"
    assert [(one.words, one.undone) for one in lines] == [(words, False), ("walk round [start]: all 2 right", True)]
    keeping.undo(desk, job, lines[0].number)
    keeping.restore(desk, job)
    told = findings(desk, desk.job(job))
    assert [(one.subject, one.expected, one.found, one.verdict) for one in told.checks] == [
        ("walk round [start]", "all right", "starter dead; the other one right", "fail")
    ]
    assert len(told.odds.points) == 2  # the complaint and the walk as a whole
    log = report(desk.job(job), told, "technician").log
    assert [one.words for one in log] == [one.words for one in lines]
    assert sum(one.minutes for one in log if not one.undone) == pytest.approx(desk.job(job).minutes)


def test_skipping_a_walk_does_not_ask_for_it_again(desk: Desk) -> None:
    job = opened(desk)
    done = record(desk, "skip", job, check_id=WALK)
    assert done.words == ("walk round [start]: left out",)
    standing = desk.standing(desk.job(job))
    asked = {one.check.id for one in working.options_of(standing.decide()) if one.check is not None}
    assert WALK not in asked


@pytest.mark.parametrize("line", ["walk start", "walk round in start", "Walk in start"])
def test_in_practice_a_walk_is_done_and_told_as_one_line(line: str) -> None:
    rig = set_up(MemoryStore(), find_machine("hand-cart-generator"), 1, "W4/wire-open")
    check = check_typed(rig, line)
    assert isinstance(check, Check)
    assert check.id == WALK
    done = do_check(rig, check)
    assert len(done.words) == 1
    assert done.words[0].startswith("walk round [start]: ")
    assert done.next.head.minutes == pytest.approx(rig.clock.minutes)
