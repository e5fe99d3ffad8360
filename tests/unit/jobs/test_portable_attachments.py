"""Job files with attachments: carried whole, left out when asked, and not trusted."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from pathlib import Path
from typing import Any

import pytest

from halfsplit.errors import InternalError, UserError
from halfsplit.jobs import portable
from halfsplit.jobs.attachments import FolderShelf, MemoryShelf, sha256_of
from halfsplit.jobs.events import AttachmentAdded, EntryUndone, JobOpened
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.portable import export_job, import_job, read_job_file
from halfsplit.jobs.recording import load_job, open_job, record
from halfsplit.jobs.store import JobStore, fingerprint_of
from halfsplit.observations import Complaint, Symptom

WHEN = "2031-04-02T07:15:00Z"
FILES = {"machine.yaml": b"invented"}
PHOTO, LOG = b"a photo", b"a log"


def with_attachments(shelf: MemoryShelf) -> JobStore:
    store = MemoryStore()
    store.put_machine(fingerprint_of(FILES), FILES)
    opened = JobOpened("m", fingerprint_of(FILES), "7", Complaint((Symptom("horn", "key-on", "off"),)))
    job = open_job(store, "job-1", opened, when=WHEN)
    for name, content in (("photo.jpg", PHOTO), ("trace.log", LOG), ("again.jpg", PHOTO)):
        event = AttachmentAdded(shelf.put(content), name, "text", len(content), "", "log")
        job = record(store, job, event, when=WHEN)
    return store


def contents(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {entry.filename: archive.read(entry) for entry in archive.infolist()}


def zipped(files: dict[str, bytes], **manifest: Any) -> bytes:
    stated = {**json.loads(files["manifest.json"]), **manifest}
    stated["files"] = {
        name: {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        for name, content in files.items()
        if name != "manifest.json"
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in {**files, "manifest.json": json.dumps(stated).encode()}.items():
            archive.writestr(name, content)
    return out.getvalue()


def test_attachments_travel_once_each_and_arrive(tmp_path: Path) -> None:
    shelf = MemoryShelf()
    data = export_job(with_attachments(shelf), "job-1", shelf)
    assert data == export_job(with_attachments(shelf), "job-1", shelf)
    assert sorted(name for name in contents(data) if name.startswith("attachments/")) == sorted(
        f"attachments/{sha256_of(content)}" for content in (PHOTO, LOG)
    )
    assert json.loads(contents(data)["manifest.json"])["format"] == "halfsplit-job/2"
    there, other = FolderShelf(tmp_path), MemoryStore()
    job = import_job(other, data, there).job
    assert [there.get(one.sha256) for one in job.attachments] == [PHOTO, LOG, PHOTO]
    assert export_job(other, "job-1", there) == data


def test_without_a_shelf_the_file_is_as_before_and_the_entries_still_name_them() -> None:
    shelf = MemoryShelf()
    data = export_job(with_attachments(shelf), "job-1")
    assert json.loads(contents(data)["manifest.json"])["format"] == "halfsplit-job/1"
    found = read_job_file(data)
    assert found.attachments == {}
    assert len(found.job.attachments) == 3


def test_an_attachment_that_was_taken_back_or_is_not_at_hand_is_left_out() -> None:
    shelf = MemoryShelf()
    store = with_attachments(shelf)
    record(store, load_job(store, "job-1"), EntryUndone(3), when=WHEN)
    assert set(read_job_file(export_job(store, "job-1", shelf)).attachments) == {sha256_of(PHOTO)}
    assert read_job_file(export_job(store, "job-1", MemoryShelf())).attachments == {}


def test_a_changed_an_unnamed_and_a_misnamed_attachment_are_refused_and_nothing_is_kept() -> None:
    shelf = MemoryShelf()
    files = contents(export_job(with_attachments(shelf), "job-1", shelf))
    place = f"attachments/{sha256_of(PHOTO)}"
    for changed, code in (
        ({**files, place: b"another photo"}, "job-file-tampered"),
        ({**files, f"attachments/{sha256_of(b'x')}": b"x"}, "job-file-name"),
        ({**files, "attachments/../../x": b"x"}, "machine-file-name"),
    ):
        other, there = MemoryStore(), MemoryShelf()
        with pytest.raises(UserError) as caught:
            import_job(other, zipped(changed), there)
        assert caught.value.code == code
        assert other.jobs() == ()
        assert not there.has(sha256_of(PHOTO))


def test_attachments_too_large_for_one_file_are_refused_with_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    shelf = MemoryShelf()
    store = with_attachments(shelf)
    monkeypatch.setattr(portable, "LARGEST_ATTACHED_BYTES", len(PHOTO) + len(LOG) - 1)
    with pytest.raises(UserError) as caught:
        export_job(store, "job-1", shelf)
    assert caught.value.code == "job-file-too-large"
    assert "without" in caught.value.hint


def test_writing_one_under_a_wrong_name_is_our_mistake() -> None:
    store = with_attachments(MemoryShelf())
    with pytest.raises(InternalError):
        portable.write_job_file(store.events("job-1"), FILES, {"0" * 64: b"x"})
