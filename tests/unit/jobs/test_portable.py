"""Job files: out and in, and everything a file from elsewhere may try."""

from __future__ import annotations

import hashlib
import io
import json
import random
import struct
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from halfsplit.errors import InternalError, NotFound, ProblemsError, UserError
from halfsplit.jobs import portable
from halfsplit.jobs.events import (
    NOT_FOUND,
    EntryUndone,
    Event,
    JobClosed,
    JobOpened,
    NoteAdded,
    ObservationRecorded,
    to_json,
)
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.model import Job, fold
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.portable import Diverged, export_job, import_job, read_job_file, write_job_file
from halfsplit.jobs.recording import load_job, open_job, record
from halfsplit.jobs.store import LARGEST_MACHINE_BYTES, JobStore, fingerprint_of
from halfsplit.observations import Complaint, Reading, Symptom

WHEN = "2031-04-02T07:15:00Z"
FILES = {"machine.yaml": "name: µ ☂\n".encode(), "wires.csv": b"", "photos/plate.bin": bytes(range(256))}
OPENED = JobOpened("sweeper", fingerprint_of(FILES), "no. 7", Complaint((Symptom("horn", "key-on", "off"),)))
READING = ObservationRecorded(Reading("ohms", "X1.1", "X1.2", "all-off", float("inf")), "c", 2.0, "größer")


def with_job(store: JobStore, *notes: str) -> Job:
    store.put_machine(fingerprint_of(FILES), FILES)
    job = open_job(store, "job-1", OPENED, when=WHEN)
    job = record(store, job, READING, when=WHEN)
    for note in notes:
        job = record(store, job, NoteAdded(note), when=WHEN)
    return job


def job_file(*notes: str) -> bytes:
    store = MemoryStore()
    with_job(store, *notes)
    return export_job(store, "job-1")


def contents(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {entry.filename: archive.read(entry) for entry in archive.infolist()}


def zipped(files: Mapping[str, bytes], compression: int = zipfile.ZIP_STORED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", compression) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return out.getvalue()


def with_true_sums(files: dict[str, bytes], **manifest: Any) -> dict[str, bytes]:
    """The files with a manifest whose sums are right: what somebody makes who knows the format."""
    stated = {**json.loads(files["manifest.json"]), **manifest}
    stated["files"] = {
        name: {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        for name, content in files.items()
        if name != "manifest.json"
    }
    return {**files, "manifest.json": json.dumps(stated).encode()}


def refused(data: bytes) -> str:
    store = MemoryStore()
    with pytest.raises(UserError) as caught:
        import_job(store, data)
    assert store.jobs() == ()
    return caught.value.code


def test_a_job_goes_out_and_comes_in_whole(tmp_path: Path) -> None:
    with open_store(tmp_path / "a.sqlite3") as here, open_store(tmp_path / "b.sqlite3") as there:
        job = with_job(here, "rain", "größer ☂")
        job = record(here, job, EntryUndone(3), when=WHEN)
        job = record(here, job, JobClosed(NOT_FOUND), when=WHEN)
        done = import_job(there, export_job(here, "job-1"))
        assert (done.job, done.added, done.created) == (job, 6, True)
        assert load_job(there, "job-1") == job
        assert there.events("job-1") == here.events("job-1")
        assert there.get_machine(job.fingerprint) == FILES
        assert export_job(there, "job-1") == export_job(here, "job-1")


def test_the_bytes_depend_on_the_job_alone(tmp_path: Path) -> None:
    data = job_file("rain")
    assert data == job_file("rain")
    assert data != job_file("snow")
    events = read_job_file(data).events
    assert write_job_file(events, dict(reversed(FILES.items()))) == data
    # Taken from this function once, so that another computer or a later version that writes other bytes is
    # noticed.
    assert (
        hashlib.sha256(data).hexdigest() == "1ae68bde892fa48cdada9280a4e1e739048e23f82d08cb3e8d443d0164e57644"
    )


def test_a_job_file_is_a_plain_zip_with_manifest_events_and_machine() -> None:
    files = contents(job_file("rain"))
    machine = ["machine/machine.yaml", "machine/photos/plate.bin", "machine/wires.csv"]
    assert list(files) == ["manifest.json", "events.jsonl", *machine]
    manifest = json.loads(files["manifest.json"])
    assert (manifest["format"], manifest["job"], manifest["events"]) == ("halfsplit-job/1", "job-1", 3)
    assert [json.loads(line)["number"] for line in files["events.jsonl"].splitlines()] == [1, 2, 3]


def test_the_same_file_twice_adds_nothing() -> None:
    store = MemoryStore()
    first = import_job(store, job_file("rain"))
    again = import_job(store, job_file("rain"))
    assert (again.job, again.added, again.created) == (first.job, 0, False)
    assert len(store.jobs()) == 1
    assert len(store.events("job-1")) == 3


def test_a_file_that_knows_more_carries_the_job_on() -> None:
    store = MemoryStore()
    import_job(store, job_file("rain"))
    done = import_job(store, job_file("rain", "snow", "sun"))
    assert (done.added, done.created, done.job.last_number) == (2, False, 5)
    assert load_job(store, "job-1") == done.job


def test_a_file_that_knows_less_changes_nothing() -> None:
    store = MemoryStore()
    import_job(store, job_file("rain", "snow"))
    done = import_job(store, job_file("rain"))
    assert (done.added, done.job.last_number) == (0, 4)
    assert load_job(store, "job-1") == done.job


def test_a_job_carried_on_in_two_places_is_refused_with_both_numbers() -> None:
    store = MemoryStore()
    import_job(store, job_file("rain", "snow"))
    before = store.events("job-1")
    with pytest.raises(Diverged) as caught:
        import_job(store, job_file("rain", "sun", "wind", "fog"))
    assert (caught.value.common, caught.value.here, caught.value.there) == (3, 4, 6)
    for number in ("3", "4", "6"):
        assert number in caught.value.message
    assert store.events("job-1") == before


def test_a_job_whose_machine_was_never_kept_cannot_go_out() -> None:
    store = MemoryStore()
    open_job(store, "job-1", OPENED, when=WHEN)
    with pytest.raises(NotFound):
        export_job(store, "job-1")
    with pytest.raises(NotFound):
        export_job(store, "job-2")


def test_writing_with_the_files_of_another_machine_is_our_mistake() -> None:
    with pytest.raises(InternalError):
        write_job_file([Event("job-1", 1, WHEN, "", OPENED)], {"machine.yaml": b"another"})


def test_a_file_cut_short_anywhere_is_torn() -> None:
    data = job_file("rain")
    for length in range(0, len(data), 7):
        assert refused(data[:length]) == "job-file-torn"


def test_one_changed_byte_of_any_content_is_found() -> None:
    files = contents(job_file("rain"))
    for name, content in files.items():
        if name == "manifest.json" or not content:
            continue
        for place in range(0, len(content), 11):
            changed = bytearray(content)
            changed[place] ^= 1
            assert refused(zipped({**files, name: bytes(changed)})) == "job-file-tampered"


def test_random_damage_is_refused_or_changes_nothing_that_counts() -> None:
    # A zip holds bytes nobody reads (dates, systems); damage there may pass, but never changes events or
    # machine.
    data = job_file("rain")
    good = read_job_file(data)
    chance = random.Random(7)
    passed = 0
    for _ in range(600):
        damaged = bytearray(data)
        for _ in range(chance.choice((1, 1, 2, 8))):
            damaged[chance.randrange(len(data))] = chance.randrange(256)
        try:
            found = read_job_file(bytes(damaged))
        except UserError:
            continue
        passed += 1
        assert found == good
    assert passed < 200


def test_missing_and_unexpected_files_are_found() -> None:
    files = contents(job_file("rain"))
    assert (
        refused(zipped({name: files[name] for name in files if name != "manifest.json"})) == "job-file-torn"
    )
    assert (
        refused(zipped({name: files[name] for name in files if name != "events.jsonl"}))
        == "job-file-tampered"
    )
    assert (
        refused(zipped({name: files[name] for name in files if name != "machine/wires.csv"}))
        == "job-file-tampered"
    )
    assert refused(zipped({**files, "machine/more.csv": b"x"})) == "job-file-tampered"
    assert refused(zipped({**files, "start.sh": b"x"})) == "job-file-name"
    assert refused(zipped({})) == "job-file-torn"


@pytest.mark.parametrize(
    "name",
    [
        "machine/../../up", "machine//etc/x", "../up", "/etc/x", "machine/c:x", "machine\\x",
        "machine/a\\..\\b", "machine/", "Machine/x", "events.jsonl/", "machine/nul\x07",
    ],
)  # fmt: skip
def test_names_that_could_leave_the_folder_are_refused(name: str) -> None:
    files = contents(job_file("rain"))
    assert refused(zipped(with_true_sums({**files, name: b"x"}))) in ("job-file-name", "machine-file-name")


def test_a_link_in_place_of_a_file_is_refused() -> None:
    files = contents(job_file("rain"))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(name)
            entry.external_attr = (0o120777 if name == "machine/wires.csv" else 0o100644) << 16
            archive.writestr(entry, content)
    assert refused(out.getvalue()) == "job-file-name"


def test_a_name_that_stands_twice_is_refused() -> None:
    files = contents(job_file("rain"))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in files.items():
            archive.writestr(name, content)
        with pytest.warns(UserWarning, match="Duplicate name"):
            archive.writestr("events.jsonl", b"other")
    assert refused(out.getvalue()) == "job-file-name"


def test_a_small_zip_that_unpacks_to_a_huge_file_is_refused_without_unpacking_it() -> None:
    files = contents(job_file("rain"))
    bomb = zipped({**files, "machine/zeros": b"\0" * (LARGEST_MACHINE_BYTES + 1)}, zipfile.ZIP_DEFLATED)
    assert len(bomb) < 100_000
    assert refused(bomb) == "job-file-too-large"


def test_a_size_that_lies_does_not_help_a_huge_file_in(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(portable, "LARGEST_MACHINE_BYTES", 1000)
    files = contents(job_file("rain"))
    data = bytearray(zipped({**files, "machine/zeros": b"\0" * 5000}, zipfile.ZIP_DEFLATED))
    size = struct.pack("<I", 5000)
    assert data.count(size) == 2  # once before the content, once in the directory at the end
    assert refused(bytes(data)) == "job-file-too-large"
    assert refused(bytes(data.replace(size, struct.pack("<I", 10)))) in ("job-file-torn", "job-file-tampered")


def test_many_files_together_may_not_exceed_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(portable, "LARGEST_FILE_BYTES", 20_000)
    files = contents(job_file("rain"))
    many = {f"machine/{n}": b"\0" * 1500 for n in range(20)}
    assert refused(zipped(with_true_sums({**files, **many}), zipfile.ZIP_DEFLATED)) == "job-file-too-large"


def test_too_many_files_too_many_bytes_and_too_many_events(monkeypatch: pytest.MonkeyPatch) -> None:
    files = contents(job_file("rain"))
    many = {f"machine/{n}": b"" for n in range(600)}
    assert refused(zipped(with_true_sums({**files, **many}))) == "job-file-too-large"
    monkeypatch.setattr(portable, "_MOST_EVENTS", 2)
    assert refused(job_file("rain")) == "job-file-too-large"
    monkeypatch.setattr(portable, "LARGEST_FILE_BYTES", 100)
    assert refused(job_file("rain")) == "job-file-too-large"


def test_an_entry_that_wants_a_password_is_refused() -> None:
    data = bytearray(job_file("rain"))
    # Bit 0 of the general purpose flag, 6 bytes into each local header and 8 into each directory entry
    # (APPNOTE 4.4.4).
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(mark) + offset] |= 1
    assert refused(bytes(data)) == "job-file-torn"


def test_a_file_of_a_newer_format_gets_its_own_sentence() -> None:
    files = contents(job_file("rain"))
    data = zipped(with_true_sums(files, format="halfsplit-job/3"))
    with pytest.raises(UserError) as caught:
        read_job_file(data)
    assert caught.value.code == "job-file-newer"
    assert "halfsplit-job/3" in str(caught.value)


@pytest.mark.parametrize(
    ("manifest", "code"),
    [
        (b"", "job-file-torn"),
        (b"\xff", "job-file-torn"),
        (b"[]", "job-file-torn"),
        (b"[" * 100_000, "job-file-torn"),
        (b'{"format": "halfsplit-machine/1"}', "job-file-torn"),
        (b'{"format": "halfsplit-job/one"}', "job-file-torn"),
        (b'{"format": ["halfsplit-job/1"]}', "job-file-torn"),
        (b'{"format": "halfsplit-job/1"}', "job-file-tampered"),
        (json.dumps({"format": "halfsplit-job/1", "job": 1, "machine": "", "fingerprint": "", "events": 1,
                     "files": {}}).encode(), "job-file-tampered"),
        (b" " * 600_000, "job-file-too-large"),
    ],
)  # fmt: skip
def test_a_manifest_that_is_none_is_refused(manifest: bytes, code: str) -> None:
    assert refused(zipped({**contents(job_file("rain")), "manifest.json": manifest})) == code


@pytest.mark.parametrize(
    "value", [{"job": "job-2"}, {"machine": "x"}, {"fingerprint": "0" * 64}, {"events": 2}]
)
def test_a_manifest_that_tells_of_another_job_is_refused(value: dict[str, Any]) -> None:
    assert refused(zipped(with_true_sums(contents(job_file("rain")), **value))) == "job-file-tampered"


def test_machine_files_the_job_was_not_opened_with_are_refused() -> None:
    files = contents(job_file("rain"))
    files["machine/machine.yaml"] = b"name: another\n"
    assert refused(zipped(with_true_sums(files))) == "job-file-tampered"


def lines_changed(change: Callable[[list[bytes]], list[bytes]]) -> ProblemsError:
    files = contents(job_file("rain", "snow", "sun"))
    lines = change(files["events.jsonl"].splitlines(keepends=True))
    data = zipped(with_true_sums({**files, "events.jsonl": b"".join(lines)}))
    store = MemoryStore()
    with pytest.raises(ProblemsError) as caught:
        import_job(store, data)
    assert store.jobs() == ()
    return caught.value


def test_every_wrong_line_is_reported_at_once_with_its_number() -> None:
    error = lines_changed(
        lambda lines: [
            lines[0],
            b"not json\n",
            lines[2].replace(b"note-added", b"note-aded"),
            b"\xff\n",
            lines[4].replace(b'"minutes":0.0', b'"minutes":"many"'),
        ]
    )
    found = [(problem.code, problem.file, problem.line) for problem in error.problems]
    assert found == [
        ("event-json", "events.jsonl", 2),
        ("event-kind", "events.jsonl", 3),
        ("event-json", "events.jsonl", 4),
        ("event-shape", "events.jsonl", 5),
    ]


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (lambda lines: [*lines[:2], *lines[3:]], 3),
        (lambda lines: [*lines, lines[-1]], 6),
        (lambda lines: [lines[0], lines[2], lines[1], *lines[3:]], 2),
        (lambda lines: lines[1:], 1),
        (lambda lines: [*lines[:4], lines[4].replace(b"job-1", b"job-2")], 5),
        (lambda lines: [*lines, to_json(Event("job-1", 6, WHEN, "", EntryUndone(9))).encode() + b"\n"], 6),
    ],
)
def test_lines_that_do_not_follow_from_each_other_are_found_by_number(
    change: Callable[[list[bytes]], list[bytes]], line: int
) -> None:
    (problem,) = lines_changed(change).problems
    assert (problem.code, problem.line) == ("job-file-line", line)


def test_events_without_a_last_line_end_are_torn() -> None:
    files = contents(job_file("rain"))
    for torn in (b"", files["events.jsonl"][:-1]):
        assert refused(zipped(with_true_sums({**files, "events.jsonl": torn}))) == "job-file-torn"


def test_a_hostile_list_of_many_broken_lines_ends_early() -> None:
    error = lines_changed(lambda _lines: [b"x\n"] * 5000)
    assert len(error.problems) == 50


def test_5000_events_make_a_file_that_comes_in_again() -> None:
    events = [Event("job-1", 1, WHEN, "", OPENED)]
    events += [Event("job-1", n, WHEN, "", READING) for n in range(2, 5001)]
    data = write_job_file(events, FILES)
    assert len(data) < 2_000_000
    assert read_job_file(data).job == fold(events)
