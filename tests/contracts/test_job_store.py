"""What store.JobStore promises, tried on every kind of store."""

from __future__ import annotations

import itertools
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from halfsplit.errors import InternalError, NotFound, UserError
from halfsplit.jobs.events import (
    NOT_FOUND,
    Cause,
    Event,
    Happening,
    JobClosed,
    JobOpened,
    JobReopened,
    NoteAdded,
    ObservationRecorded,
)
from halfsplit.jobs.model import apply, fold
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.recording import load_job, open_job, record, record_all
from halfsplit.jobs.store import AlreadyThere, Document, DocumentOvertaken, JobStore, Overtaken, fingerprint_of
from halfsplit.jobs.units import UnitEvent, UnitNoted
from halfsplit.observations import Complaint, Reading, Symptom

WHEN = "2031-04-02T07:15:00Z"
FILES = {"machine.yaml": b"format: halfsplit-machine/1\n", "wires.csv": "circuit,from,to\nµ,Ω,☂\n".encode()}
WRITER = Path(__file__).parent / "writer_process.py"


def opened(machine: str = "invented-sweeper", unit: str = "no. 7") -> JobOpened:
    complaint = Complaint((Symptom("work-lamp", "lamps-on", "off"),), ("rain",), words="dark after the wash")
    return JobOpened(machine, fingerprint_of(FILES), unit, complaint)


def opening(
    job: str = "job-1", when: str = WHEN, machine: str = "invented-sweeper", unit: str = "no. 7"
) -> Event:
    return Event(job, 1, when, "", opened(machine, unit))


def note(job: str, number: int, text: str = "a note", when: str = WHEN) -> Event:
    return Event(job, number, when, "", NoteAdded(text))


def test_a_new_store_holds_no_job(store: JobStore) -> None:
    assert store.jobs() == ()


def test_events_come_back_equal_and_in_order(store: JobStore) -> None:
    reading = Reading("ohms", "X1.1", "X1.2", "all-off", float("inf"), ("X1", "X2"), "yes")
    whats: list[Happening] = [
        ObservationRecorded(reading, "check-3", 4.5, "meter on 20 kohm"),
        NoteAdded("rain stopped"),
        JobClosed(Cause("X1.1 open", "contact pushed back", 0.93), 3.0),
        JobReopened("it came back"),
        JobClosed(NOT_FOUND),
    ]
    events = [
        opening(),
        *(Event("job-1", n, WHEN, "second fitter", what) for n, what in enumerate(whats, start=2)),
    ]
    store.create_job(events[0])
    for event in events[1:]:
        store.append("job-1", event.number - 1, event)
    assert store.events("job-1") == tuple(events)
    assert store.events("job-1", after=4) == tuple(events[4:])
    assert store.events("job-1", after=6) == ()
    assert fold(store.events("job-1")).cause == NOT_FOUND


def test_texts_come_back_letter_for_letter(store: JobStore) -> None:
    texts = [
        "größer, naïve, Ω µ ☂ 雨 🔧 עברית",
        "combining e\u0301 and é stay two spellings",
        "line\nbreak\ttab\r\x1b[31m and \u2028 and \\u0000 written out",
        "'; DROP TABLE jobs; -- %s :name ?",
        "",
        " blanks ",
        "long " * 20_000,
    ]
    job = open_job(store, "job-1", opened(unit="Ünit 'ß' \"7\""), when=WHEN, by="Ω")
    for text in texts:
        job = record(store, job, NoteAdded(text), when=WHEN, by=text[:50])
    again = store.events("job-1")
    assert [event.what.text for event in again[1:] if isinstance(event.what, NoteAdded)] == texts
    assert [event.by for event in again[1:]] == [text[:50] for text in texts]
    assert store.jobs()[0].unit == "Ünit 'ß' \"7\""


@pytest.mark.parametrize("text", ["code zero \0", "half a character \ud800"])
def test_a_text_that_no_store_can_keep_is_refused_by_each(store: JobStore, text: str) -> None:
    store.create_job(opening())
    with pytest.raises(UserError) as caught:
        store.append("job-1", 1, note("job-1", 2, text))
    assert caught.value.code == "event-text"
    assert len(store.events("job-1")) == 1


def test_a_second_job_of_the_same_id_is_refused_and_the_first_left_alone(store: JobStore) -> None:
    store.create_job(opening(), [note("job-1", 2)])
    with pytest.raises(AlreadyThere):
        store.create_job(opening(when="2031-05-01T00:00:00Z"))
    assert store.events("job-1") == (opening(), note("job-1", 2))


def test_the_second_of_two_writers_is_told_both_numbers_and_writes_nothing(store: JobStore) -> None:
    mine = theirs = open_job(store, "job-1", opened(), when=WHEN)
    record_all(store, theirs, [NoteAdded("first"), NoteAdded("second")], when=WHEN)
    with pytest.raises(Overtaken) as caught:
        record(store, mine, NoteAdded("late"), when=WHEN)
    assert (caught.value.expected, caught.value.found) == (1, 3)
    assert load_job(store, "job-1").last_number == 3


def test_a_number_from_the_future_is_a_conflict_too(store: JobStore) -> None:
    store.create_job(opening())
    with pytest.raises(Overtaken):
        store.append("job-1", 7, note("job-1", 8))
    assert len(store.events("job-1")) == 1


def test_several_events_are_kept_whole_or_not_at_all(store: JobStore) -> None:
    store.create_job(opening())
    with pytest.raises(UserError):
        store.append_all("job-1", 1, [note("job-1", 2), note("job-1", 3, "\0")])
    assert len(store.events("job-1")) == 1
    store.append_all("job-1", 1, [note("job-1", 2), note("job-1", 3)])
    store.append_all("job-1", 3, [])
    assert [event.number for event in store.events("job-1")] == [1, 2, 3]


def test_unknown_jobs_are_not_found_and_near_names_offered(store: JobStore) -> None:
    store.create_job(opening("sweeper-17"))
    for use in (
        lambda: store.events("sweeper-71"),
        lambda: store.append("sweeper-71", 1, note("sweeper-71", 2)),
        lambda: store.append_all("sweeper-71", 1, []),
        lambda: load_job(store, "sweeper-71"),
    ):
        with pytest.raises(NotFound) as caught:
            use()
        assert caught.value.suggestion == "sweeper-17"


def test_events_of_another_job_or_number_are_our_mistake(store: JobStore) -> None:
    store.create_job(opening())
    with pytest.raises(InternalError):
        store.append("job-1", 1, note("job-2", 2))
    with pytest.raises(InternalError):
        store.append("job-1", 1, note("job-1", 3))
    with pytest.raises(InternalError):
        store.create_job(note("job-3", 1))
    assert [line.id for line in store.jobs()] == ["job-1"]


def test_jobs_are_listed_by_opening_time_and_chosen_by_state_machine_and_unit(store: JobStore) -> None:
    # As text, a time with a fraction would sort before the same second without one.
    store.create_job(opening("c", "2031-04-02T07:15:00.500000Z", unit="no. 8"))
    store.create_job(opening("b", "2031-04-02T07:15:00Z", machine="invented-platform"))
    store.create_job(opening("d", "2030-01-01T00:00:00Z"))
    store.create_job(opening("a", "2031-04-02T07:15:00.500000Z"))
    job = load_job(store, "d")
    record(store, job, JobClosed(NOT_FOUND), when="2031-04-03T00:00:00Z")
    assert [line.id for line in store.jobs()] == ["d", "b", "a", "c"]
    assert [line.id for line in store.jobs(state="open")] == ["b", "a", "c"]
    assert [line.id for line in store.jobs(state="closed")] == ["d"]
    assert [line.id for line in store.jobs(machine="invented-sweeper", unit="no. 7")] == ["d", "a"]
    assert store.jobs(machine="no-such") == ()


def test_the_list_says_what_folding_says(store: JobStore) -> None:
    job = open_job(store, "job-1", opened(), when=WHEN)
    for what in (NoteAdded("x"), JobClosed(NOT_FOUND), NoteAdded("y"), JobReopened(), JobClosed(NOT_FOUND)):
        job = record(store, job, what, when="2031-04-02T08:00:00Z")
        (line,) = store.jobs()
        assert (line.state, line.last_number, line.changed) == (
            job.state,
            job.last_number,
            "2031-04-02T08:00:00Z",
        )
        assert (line.machine, line.fingerprint, line.unit, line.opened) == (
            job.machine,
            job.fingerprint,
            job.unit,
            job.opened,
        )
        assert load_job(store, "job-1") == job


def test_a_job_of_5000_events_is_kept_and_folds(store: JobStore) -> None:
    reading = Reading("volts", "X1.1", "", "lamps-on", 11.7)
    texts = (ObservationRecorded(reading, f"check-{n}", 0.5) for n in range(2, 5001))
    events = [opening(), *(Event("job-1", n, WHEN, "", what) for n, what in enumerate(texts, start=2))]
    store.create_job(events[0], events[1:4000])
    store.append_all("job-1", 4000, events[4000:])
    assert store.events("job-1") == tuple(events)
    job = load_job(store, "job-1")
    assert len(job.observations) == 4999
    assert job.minutes == pytest.approx(2499.5)
    assert record(store, job, NoteAdded("one more"), when=WHEN).last_number == 5001


def test_the_numbers_of_last_events_are_given_for_all_jobs_asked_for(store: JobStore) -> None:
    assert store.last_numbers(()) == {}
    jobs = [f"job-{n}" for n in range(1200)]
    for job in jobs[::300]:
        store.create_job(opening(job))
    store.append_all("job-300", 1, [note("job-300", 2), note("job-300", 3)])
    assert store.last_numbers([*jobs, "no such job"]) == {"job-0": 1, "job-300": 3, "job-600": 1, "job-900": 1}
    assert store.last_numbers(["job-300"]) == {"job-300": 3}


def test_machine_files_come_back_byte_for_byte_and_once(store: JobStore) -> None:
    files = {**FILES, "photos/plate.bin": bytes(range(256)) * 100, "empty.csv": b""}
    name = fingerprint_of(files)
    store.put_machine(name, files)
    store.put_machine(name, dict(reversed(files.items())))
    assert store.get_machine(name) == files
    with pytest.raises(NotFound):
        store.get_machine(fingerprint_of(FILES))


def test_machine_files_under_a_fingerprint_that_is_not_theirs_are_our_mistake(store: JobStore) -> None:
    with pytest.raises(InternalError):
        store.put_machine("0" * 64, FILES)


@pytest.mark.parametrize(
    "name",
    ["../up.yaml", "/etc/x", "a//b", "a/./b", "c:x", "a\\b", "", "nul\0", "dot.", " x", "a\nb", "x" * 201],
)
def test_machine_file_names_that_could_leave_their_folder_are_refused(store: JobStore, name: str) -> None:
    files = {name: b"x"}
    with pytest.raises(UserError) as caught:
        store.put_machine(fingerprint_of(files), files)
    assert caught.value.code == "machine-file-name"


def document(number: int, body: str = "{}", kind: str = "van", by: str = "first fitter") -> Document:
    return Document(kind, number, WHEN, by, body)


def test_a_new_document_takes_the_place_of_the_one_before_which_stays_readable(store: JobStore) -> None:
    assert store.documents("van") == ()
    bodies = ["first", "größer, Ω 雨 'quoted' \n line", "", "long " * 20_000]
    for number, body in enumerate(bodies, start=1):
        store.put_document(document(number, body, by="Ω fitter"))
    store.put_document(document(1, "of another kind", kind="bench"))
    assert [(one.number, one.body) for one in store.documents("van")] == list(enumerate(bodies, start=1))
    assert store.documents("van")[0] == document(1, "first", by="Ω fitter")
    assert store.documents("van", after=3) == (document(4, bodies[3], by="Ω fitter"),)
    assert store.documents("van", after=4) == ()
    assert [one.body for one in store.documents("bench")] == ["of another kind"]
    assert store.jobs() == ()


@pytest.mark.parametrize("number", [1, 3])
def test_a_document_that_does_not_follow_the_latest_is_a_conflict_and_changes_nothing(
    store: JobStore, number: int
) -> None:
    store.put_document(document(1))
    with pytest.raises(DocumentOvertaken) as caught:
        store.put_document(document(number, "late"))
    assert (caught.value.expected, caught.value.found) == (number - 1, 1)
    assert store.documents("van") == (document(1),)


def test_a_document_with_a_text_or_time_that_no_store_can_keep_is_refused(store: JobStore) -> None:
    for wrong, code in (
        (document(1, "code zero \0"), "event-text"),
        (document(1, by="half \ud800"), "event-text"),
        (Document("van", 1, "yesterday", "", ""), "event-time"),
    ):
        with pytest.raises(UserError) as caught:
            store.put_document(wrong)
        assert caught.value.code == code
    for ours in (document(0), document(1, kind="Van list")):
        with pytest.raises(InternalError):
            store.put_document(ours)
    assert store.documents("van") == ()


def test_of_threads_that_put_the_same_document_at_once_one_wins(store: JobStore) -> None:
    start = threading.Barrier(8)

    def put(writer: int) -> bool:
        start.wait()
        try:
            store.put_document(document(1, f"writer {writer}"))
        except DocumentOvertaken:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        won = list(pool.map(put, range(8)))
    assert won.count(True) == 1
    assert store.documents("van") == (document(1, f"writer {won.index(True)}"),)


def test_what_is_handed_out_is_not_the_stores_own(store: JobStore) -> None:
    files = dict(FILES)
    name = fingerprint_of(files)
    store.put_machine(name, files)
    files["machine.yaml"] = b"changed"
    store.get_machine(name).clear()
    assert store.get_machine(name) == FILES


def test_a_closed_store_says_that_using_it_is_our_mistake(store: JobStore) -> None:
    store.close()
    store.close()
    for use in (
        store.jobs,
        store.units,
        lambda: store.unit_events("no. 7"),
        lambda: store.append_unit(0, UnitEvent("no. 7", 1, WHEN, "", UnitNoted(text="a note"))),
        lambda: store.events("job-1"),
        lambda: store.create_job(opening()),
        lambda: store.append("job-1", 1, note("job-1", 2)),
        lambda: store.get_machine("x"),
        lambda: store.put_document(document(1)),
        lambda: store.documents("van"),
    ):
        with pytest.raises(InternalError):
            use()


def test_threads_that_race_for_the_same_number_share_out_every_number_once(store: JobStore) -> None:
    store.create_job(opening())
    start = threading.Barrier(8)

    def write(writer: int) -> tuple[list[int], int]:
        kept: list[int] = []
        overtaken = 0
        start.wait()
        last = 1
        while len(kept) < 25:
            try:
                store.append("job-1", last, note("job-1", last + 1, f"writer {writer}, note {len(kept)}"))
            except Overtaken as error:
                overtaken += 1
                assert error.found > error.expected
                last = error.found
            else:
                last += 1
                kept.append(last)
        return kept, overtaken

    with ThreadPoolExecutor(8) as pool:
        results = list(pool.map(write, range(8)))
    numbers = sorted(itertools.chain.from_iterable(kept for kept, _ in results))
    assert numbers == list(range(2, 202))
    assert sum(overtaken for _, overtaken in results) > 0  # else nobody raced and the test shows nothing
    events = store.events("job-1")
    assert [event.number for event in events] == list(range(1, 202))
    for writer, (kept, _) in enumerate(results):
        wrote = [event.what for event in events if event.number in set(kept)]
        assert wrote == [NoteAdded(f"writer {writer}, note {n}") for n in range(25)]


def test_of_threads_that_make_the_same_job_or_machine_at_once_one_wins_and_none_breaks(
    store: JobStore,
) -> None:
    start = threading.Barrier(8)

    def make(writer: int) -> bool:
        start.wait()
        store.put_machine(fingerprint_of(FILES), FILES)
        try:
            store.create_job(opening(), [note("job-1", 2, f"writer {writer}")])
        except AlreadyThere:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        won = list(pool.map(make, range(8)))
    assert won.count(True) == 1
    assert store.events("job-1")[1] == note("job-1", 2, f"writer {won.index(True)}")
    assert store.get_machine(fingerprint_of(FILES)) == FILES


def test_readers_never_see_half_a_step(store: JobStore) -> None:
    store.create_job(opening())
    done = threading.Event()
    seen: list[int] = []

    def read() -> None:
        while not done.is_set():
            events = store.events("job-1")
            seen.append(len(events))
            assert [event.number for event in events] == list(range(1, len(events) + 1))

    with ThreadPoolExecutor(2) as pool:
        readers = [pool.submit(read) for _ in range(2)]
        for step in range(40):
            last = 1 + step * 3
            store.append_all("job-1", last, [note("job-1", last + n) for n in (1, 2, 3)])
        done.set()
        for reader in readers:
            reader.result()
    assert {count % 3 for count in seen} == {1}


def test_events_outlive_the_store_that_wrote_them(lasting_address: str) -> None:
    with open_store(lasting_address) as first:
        job = open_job(first, "job-1", opened(), when=WHEN)
        job = record(first, job, NoteAdded("kept"), when=WHEN)
        first.put_machine(fingerprint_of(FILES), FILES)
        first.put_document(document(1))
    with open_store(lasting_address) as second:
        assert second.documents("van") == (document(1),)
        assert load_job(second, "job-1") == job
        assert second.get_machine(fingerprint_of(FILES)) == FILES
        record(second, job, NoteAdded("and on"), when=WHEN)


def test_two_open_stores_see_each_others_acknowledged_events(lasting_address: str) -> None:
    with open_store(lasting_address) as one, open_store(lasting_address) as other:
        one.create_job(opening())
        other.append("job-1", 1, note("job-1", 2))
        one.append("job-1", 2, note("job-1", 3))
        assert one.events("job-1") == other.events("job-1")
        assert len(one.events("job-1")) == 3


def test_processes_that_open_an_empty_store_at_once_and_race_lose_nothing(lasting_address: str) -> None:
    each = 40
    arguments = [sys.executable, "-W", "error", str(WRITER), lasting_address, str(each)]
    processes = [
        subprocess.Popen(
            [*arguments, f"writer {n}"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        for n in range(3)
    ]
    for process in processes:  # each is ready, imports done, before any opens the store
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    outputs = [process.communicate(timeout=60)[0].split() for process in processes]
    assert [process.returncode for process in processes] == [0, 0, 0]
    numbers = {number: writer for writer, output in enumerate(outputs) for number in map(int, output)}
    assert sorted(numbers) == list(range(2, 2 + 3 * each))
    with open_store(lasting_address) as store:
        job = None
        for event in store.events("job-1"):
            job = apply(job, event)
            if event.number > 1:
                assert event.by == f"writer {numbers[event.number]}"
        assert job is not None
        assert job.last_number == 1 + 3 * each
