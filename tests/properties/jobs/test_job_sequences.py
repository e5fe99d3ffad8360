"""Random work on a job: what is kept folds the same everywhere, and undo and restore undo each other."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from halfsplit.errors import UserError
from halfsplit.jobs.events import (
    NOT_FOUND,
    AccessClosed,
    AccessOpened,
    AdviceGiven,
    AttachmentAdded,
    Cause,
    EntryRestored,
    EntryUndone,
    Event,
    Happening,
    HistoryStated,
    JobClosed,
    JobOpened,
    JobReopened,
    NoteAdded,
    ObservationRecorded,
    PartUsed,
    Role,
    RunRecorded,
    TravelDone,
    from_json,
    to_json,
)
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.model import Job, apply, fold, restore_of_latest, undo_of_latest
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.portable import import_job, read_job_file, write_job_file
from halfsplit.jobs.recording import load_job, open_job, record
from halfsplit.jobs.store import JobStore, Overtaken, fingerprint_of
from halfsplit.observations import (
    Action,
    ActionKind,
    CodeSeen,
    Complaint,
    Condition,
    Level,
    Look,
    LookKind,
    Measure,
    Move,
    Observation,
    OutOfReach,
    Quantity,
    Reading,
    Showing,
    Symptom,
)

FILES = {"machine.yaml": b"invented"}
WHEN = "2031-04-02T07:15:00Z"

# Every character a person can type: no code 0 and no half characters (category Cs), which stores refuse.
texts = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=30)
showings = st.sampled_from(get_args(Showing))
levels = st.sampled_from(get_args(Level))
symptoms = st.builds(Symptom, texts, texts, levels, st.floats(0.5, 1.0), showings)
readings = st.builds(
    Reading,
    st.sampled_from(get_args(Quantity)),
    texts,
    texts,
    texts,
    st.floats(allow_nan=False),
    st.lists(texts, max_size=3).map(tuple),
    showings,
)
looks = st.builds(
    Look,
    st.sampled_from(get_args(LookKind)),
    texts,
    st.booleans(),
    texts,
    showings,
)
actions = st.builds(
    Action,
    st.sampled_from(get_args(ActionKind)),
    texts,
    texts,
)
observations: st.SearchStrategy[Observation] = st.one_of(
    symptoms,
    readings,
    looks,
    st.builds(Move, texts, texts, texts, st.booleans(), showings),
    st.builds(CodeSeen, texts, texts, texts, st.booleans(), showings),
    actions,
    st.builds(OutOfReach, texts, texts),
)
conditions = st.sampled_from(get_args(Condition))
complaints = st.builds(
    Complaint,
    st.lists(symptoms, max_size=3).map(tuple),
    st.lists(conditions, max_size=3).map(tuple),
    st.lists(texts, max_size=2).map(tuple),
    st.booleans(),
    texts,
)
minutes = st.floats(0, 10_000)
measures = st.sampled_from(get_args(Measure))
roles = st.sampled_from(get_args(Role))
causes = st.one_of(
    st.just(NOT_FOUND), st.builds(Cause, texts.filter(bool), texts, st.none() | st.floats(0.0, 1.0))
)
entries: st.SearchStrategy[Happening] = st.one_of(
    st.builds(ObservationRecorded, observations, texts, minutes, texts),
    st.builds(NoteAdded, texts, minutes),
    st.builds(AccessOpened, texts, minutes),
    st.builds(AccessClosed, texts, minutes),
    st.builds(AttachmentAdded, st.just("a" * 64), texts, texts, st.integers(0, 10**9), texts, roles),
    st.builds(PartUsed, texts, texts, st.floats(0.001, 1000), st.just("4.20"), st.just("EUR")),
    st.builds(PartUsed, texts, texts),
    st.builds(TravelDone, minutes, st.none() | minutes, texts),
    st.builds(AdviceGiven, texts, texts),
    st.builds(HistoryStated, measures, st.integers(1, 9), st.integers(9, 900), st.booleans(), texts),
    st.builds(RunRecorded, measures, st.integers(1, 900), st.booleans(), st.booleans(), minutes, texts),
)
anything: st.SearchStrategy[Happening] = st.one_of(
    entries,
    st.builds(JobClosed, causes, minutes, texts),
    st.builds(JobReopened, texts),
    st.builds(EntryUndone, st.integers(1, 10), texts),
    st.builds(EntryRestored, st.integers(1, 10), texts),
)
openings = st.builds(
    JobOpened, texts, st.just(fingerprint_of(FILES)), texts, complaints, st.sampled_from(["wall", "practice"])
)
event_values = st.builds(
    Event,
    st.from_regex(r"[a-z0-9]([a-z0-9._-]{0,10}[a-z0-9])?", fullmatch=True),
    st.integers(1, 2**31 - 1),
    st.datetimes().map(lambda moment: moment.isoformat() + "Z"),
    texts,
    st.one_of(openings, anything),
)
values: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


@given(event_values)
def test_every_event_comes_back_from_its_json_equal_and_as_the_same_json(event: Event) -> None:
    text = to_json(event)
    assert from_json(text) == event
    assert to_json(from_json(text)) == text
    assert "\n" not in text


@given(st.text())
def test_any_text_is_an_event_or_a_user_error(text: str) -> None:
    with pytest.raises(UserError):
        from_json(text)


@settings(max_examples=300)
@given(event_values, st.data())
def test_an_event_with_anything_in_any_place_is_an_event_or_a_user_error(
    event: Event, data: st.DataObject
) -> None:
    record = json.loads(to_json(event))
    place = record
    while True:
        key = data.draw(st.sampled_from(sorted(place) if isinstance(place, dict) else range(len(place))))
        inner = place[key]
        if isinstance(inner, (dict, list)) and inner and data.draw(st.booleans()):
            place = inner
            continue
        place[key] = data.draw(values)
        break
    try:
        found = from_json(json.dumps(record))
    except UserError:
        return
    assert from_json(to_json(found)) == found


@given(openings, st.lists(anything, max_size=25))
def test_applying_folding_and_files_agree_on_any_sequence_a_job_allows(
    opened: JobOpened, whats: list[Happening]
) -> None:
    events = [Event("job-1", 1, WHEN, "", opened)]
    job = fold(events)
    for what in whats:
        event = job.next_event(what, when=WHEN)
        try:
            job = apply(job, event)
        except UserError:
            with pytest.raises(UserError):
                fold([*events, event])
            continue
        events.append(event)
    assert fold(events) == job
    data = write_job_file(events, FILES)
    assert read_job_file(data).job == job
    assert write_job_file(read_job_file(data).events, FILES) == data
    numbers = [entry.number for entry in job.entries]
    assert numbers == sorted(set(numbers))


@given(openings, st.lists(entries, min_size=1, max_size=12), st.data())
def test_undoing_and_restoring_in_any_order_gives_the_job_back(
    opened: JobOpened, whats: list[Happening], data: st.DataObject
) -> None:
    job = fold([Event("job-1", 1, WHEN, "", opened)])
    for what in whats:
        job = apply(job, job.next_event(what, when=WHEN))
    before = job
    numbers = [entry.number for entry in job.entries]
    undone = data.draw(st.lists(st.sampled_from(numbers), unique=True))
    for number in undone:
        job = apply(job, job.next_event(EntryUndone(number), when=WHEN))
    kept = [entry for entry in before.entries if entry.number not in undone]
    assert job.standing == tuple(kept)
    assert job.minutes == sum(entry.minutes for entry in kept)
    assert job.observations == tuple(entry.observation for entry in kept if entry.observation is not None)
    for number in data.draw(st.permutations(undone)):
        job = apply(job, job.next_event(EntryRestored(number), when=WHEN))
    assert job.entries == before.entries
    assert job.access_open == before.access_open


class Work(RuleBasedStateMachine):
    """One job, worked on through a store in a file and followed by a plain list of its events.

    A second store takes the job in as a job file now and then.
    """

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.path = self.folder / "jobs.sqlite3"
        self.store: JobStore = open_store(self.path)
        self.store.put_machine(fingerprint_of(FILES), FILES)
        self.other = MemoryStore()
        self.list: list[Event] = []
        self.stale: Job | None = None

    @initialize(opened=openings, by=texts)
    def open(self, opened: JobOpened, by: str) -> None:
        self.job = open_job(self.store, "job-1", opened, when=WHEN, by=by)
        self.list.append(Event("job-1", 1, WHEN, by, opened))

    def keep(self, what: Happening, by: str = "") -> None:
        self.job = record(self.store, self.job, what, when=WHEN, by=by)
        self.list.append(Event("job-1", len(self.list) + 1, WHEN, by, what))

    @rule(what=entries, by=texts)
    def work(self, what: Happening, by: str) -> None:
        paperwork = NoteAdded | AttachmentAdded | PartUsed | TravelDone | AdviceGiven | HistoryStated | RunRecorded
        if self.job.state == "open" or isinstance(what, paperwork):
            self.keep(what, by)
        else:
            with pytest.raises(UserError):
                self.keep(what, by)

    @rule(what=anything)
    def try_anything(self, what: Happening) -> None:
        before = len(self.list)
        try:
            self.keep(what)
        except UserError:
            assert len(self.list) == before

    @rule()
    def undo(self) -> None:
        try:
            what = undo_of_latest(self.job)
        except UserError:
            assert not any(
                not isinstance(entry.what, (JobClosed, JobReopened)) for entry in self.job.standing
            )
        else:
            self.keep(what)

    @precondition(lambda self: self.job.state == "open")
    @rule()
    def undo_and_think_again(self) -> None:
        before = self.job
        try:
            self.keep(undo_of_latest(self.job))
        except UserError:
            return
        self.keep(restore_of_latest(self.job, self.list))
        assert self.job.entries == before.entries

    @precondition(lambda self: self.job.state == "open")
    @rule(cause=causes)
    def close_job(self, cause: Any) -> None:
        self.keep(JobClosed(cause))
        assert self.job.cause == cause

    @rule()
    def remember(self) -> None:
        self.stale = self.job

    @precondition(lambda self: self.stale is not None and self.stale.last_number < self.job.last_number)
    @rule()
    def write_from_what_is_known_too_late(self) -> None:
        assert self.stale is not None
        with pytest.raises(Overtaken):
            record(self.store, self.stale, NoteAdded("late"), when=WHEN)

    @rule()
    def open_the_store_again(self) -> None:
        self.store.close()
        self.store = open_store(self.path)

    @rule()
    def carry_to_the_other_store(self) -> None:
        done = import_job(self.other, write_job_file(self.list, FILES))
        assert done.job == self.job
        assert list(self.other.events("job-1")) == self.list

    @invariant()
    def the_store_the_list_and_the_job_agree(self) -> None:
        if self.list:
            assert list(self.store.events("job-1")) == self.list
            assert load_job(self.store, "job-1") == self.job == fold(self.list)
            (line,) = self.store.jobs()
            assert (line.last_number, line.state) == (self.job.last_number, self.job.state)

    def teardown(self) -> None:
        self.store.close()
        shutil.rmtree(self.folder)


def test_random_work_is_kept_as_it_was_done() -> None:
    run_state_machine_as_test(Work, settings=settings(max_examples=30, stateful_step_count=25))
