"""One job as one file, to send to the next technician or to keep: ``NAME.halfsplit-job``.

The file is a zip (uncompressed, fixed dates, sorted) that holds

* ``manifest.json``: format ``halfsplit-job/1`` (``/2`` when attachments are in it), job, machine, fingerprint,
  number of events, and of every other file its length and SHA-256;
* ``events.jsonl``: one event a line, the same JSON that stores keep;
* ``machine/...``: the machine folder the job was opened with;
* ``attachments/...``: the attached files, each named by the SHA-256 of its content. One that its entry names
  and that is not in the file was left out, which is allowed.

The same job gives the same bytes anywhere: nothing is compressed, because compressors differ between
versions, and neither time nor computer is written down.

A file from elsewhere is not trusted. It is read in memory, nothing of it is ever unpacked to a disk, sizes
are limited before and while reading, and every sum, name, event and rule is checked before anything reaches
the store. The sums find damage and careless editing; they are no signature, and whoever makes the whole file
anew can write what he likes into it.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from halfsplit.errors import Conflict, InternalError, NotFound, Problem, ProblemsError, UserError
from halfsplit.jobs.attachments import Shelf, sha256_of
from halfsplit.jobs.events import AttachmentAdded, Event, from_json, to_json
from halfsplit.jobs.lines import LARGEST_EVENT_BYTES
from halfsplit.jobs.model import Job, fold
from halfsplit.jobs.store import (
    LARGEST_MACHINE_BYTES,
    MOST_MACHINE_FILES,
    JobStore,
    check_file_name,
    check_machine_files,
    fingerprint_of,
)

FORMAT = "halfsplit-job/1"
#: The same with attachments in it; versions that know none of them say so rather than find the file damaged.
FORMAT_ATTACHED = "halfsplit-job/2"
SUFFIX = ".halfsplit-job"

#: Codes of UserErrors and Problems raised here, each with one sentence.
CODES: dict[str, str] = {
    "job-file-torn": "The job file is not whole: cut short, or no job file at all.",
    "job-file-tampered": "Something in the job file is not what its manifest says.",
    "job-file-name": "The job file holds a file that has no business there.",
    "job-file-too-large": "The job file, or what it unpacks to, is larger than a job can be.",
    "job-file-newer": "The job file was written by a newer version of halfsplit.",
    "job-file-line": "A line of events.jsonl does not follow from the ones before.",
}

#: Limits of what is read, events and machine together. Invented: a job of 5,000 events is under 2 MB.
LARGEST_EVENTS_BYTES = 64 * 1024 * 1024
#: All attachments of one job file together, which is read in memory: about fifty phone photos; invented limit.
LARGEST_ATTACHED_BYTES = 256 * 1024 * 1024
LARGEST_FILE_BYTES = LARGEST_EVENTS_BYTES + LARGEST_MACHINE_BYTES + LARGEST_ATTACHED_BYTES + 1024 * 1024
_LARGEST_MANIFEST_BYTES = 512 * 1024
_MOST_EVENTS = 200_000
_MOST_ATTACHMENTS = 5_000
_MOST_PROBLEMS = 50

_MANIFEST, _EVENTS, _MACHINE, _ATTACHED = "manifest.json", "events.jsonl", "machine/", "attachments/"
_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest a zip can say


class Diverged(Conflict):
    """A job was carried on in two places.

    ``common`` is the last number both share; ``here`` and ``there`` are the last numbers in store and file.
    """

    def __init__(self, job: str, common: int, here: int, there: int) -> None:
        self.job, self.common, self.here, self.there = job, common, here, there
        super().__init__(
            f"Job {job} was carried on in two places: both agree up to entry {common}, then it goes on to "
            f"{here} here and to {there} in the file.",
            "Record by hand what is missing here.",
        )


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did: the job as it now stands in the store, and how many events were new to it."""

    job: Job
    added: int
    created: bool


@dataclass(frozen=True, slots=True)
class JobFile:
    """The content of a job file, checked."""

    job: Job
    events: tuple[Event, ...]
    machine: Mapping[str, bytes]
    attachments: Mapping[str, bytes] = field(default_factory=dict)


def export_job(store: JobStore, job: str, shelf: Shelf | None = None) -> bytes:
    """The job file of a job, with those of its attachments that are on ``shelf`` (none without one).

    Raises NotFound when the job, or the machine it was opened with, is not in the store, UserError when an
    attachment is damaged or all together are too large for one file.
    """
    events = store.events(job)
    folded = fold(events)
    attached = {}
    if shelf is not None:
        stated = {one.sha256: one.size_bytes for one in folded.attachments if shelf.has(one.sha256)}
        if sum(stated.values()) > LARGEST_ATTACHED_BYTES:
            raise UserError(
                "job-file-too-large",
                f"The attachments of job {job} are {sum(stated.values()) // 1_000_000} MB together; a job file "
                f"takes {LARGEST_ATTACHED_BYTES // 1_000_000} MB.",
                "Write it without them, and send them by themselves.",
            )
        attached = {name: shelf.get(name) for name in stated}
    return write_job_file(events, store.get_machine(folded.fingerprint), attached)


def import_job(store: JobStore, data: bytes, shelf: Shelf | None = None) -> Imported:
    """Takes a job file in.

    An unknown job is made whole. A known one is carried on by what the file knows more; a file that knows
    less, or the same, changes nothing. Attachments go onto ``shelf`` first; without one they are left where
    they are, and the entries name them all the same. Raises Diverged when store and file both went on, AlreadyThere or
    Overtaken when somebody wrote while this looked, and UserError or ProblemsError as ``read_job_file`` does;
    then the job was not touched.
    """
    found = read_job_file(data)
    job = found.job
    try:
        here = store.events(job.id)
    except NotFound:
        here = ()
    common = 0
    for mine, theirs in zip(here, found.events, strict=False):
        if mine != theirs:
            break
        common += 1
    if common < min(len(here), len(found.events)):
        raise Diverged(job.id, common, len(here), len(found.events))
    store.put_machine(job.fingerprint, found.machine)
    if shelf is not None:
        for content in found.attachments.values():
            shelf.put(content)
    new = found.events[common:]
    if not here:
        store.create_job(found.events[0], found.events[1:])
    elif new:
        store.append_all(job.id, common, new)
    return Imported(job if new else fold(here), len(new), not here)


def write_job_file(
    events: Sequence[Event], machine: Mapping[str, bytes], attachments: Mapping[str, bytes] | None = None
) -> bytes:
    """The bytes of a job file; ``attachments`` by the SHA-256 of their content.

    Raises UserError when the events make no job or the machine cannot travel, InternalError for an attachment
    under another name than its own.
    """
    attached = attachments or {}
    if any(sha256_of(content) != name for name, content in attached.items()):
        raise InternalError("An attachment was to be written under a name that is not its own.")
    job = fold(events)
    check_machine_files(machine)
    if job.fingerprint != fingerprint_of(machine):
        raise InternalError(f"Job {job.id} was to be written with the files of another machine.")
    files = {_EVENTS: "".join(to_json(event) + "\n" for event in events).encode("utf-8")}
    files.update({_MACHINE + name: bytes(content) for name, content in machine.items()})
    files.update({_ATTACHED + name: bytes(content) for name, content in attached.items()})
    manifest = {
        "format": FORMAT_ATTACHED if attached else FORMAT,
        "job": job.id,
        "machine": job.machine,
        "fingerprint": job.fingerprint,
        "events": len(events),
        "files": {name: _sum(content) for name, content in files.items()},
    }
    head = json.dumps(manifest, ensure_ascii=False, sort_keys=True, indent=1).encode("utf-8") + b"\n"
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as archive:
        for name, content in [(_MANIFEST, head), *sorted(files.items())]:
            entry = zipfile.ZipInfo(name, _DATE)
            entry.create_system = 3  # the same on every system, so that the bytes are, too
            entry.external_attr = 0o100644 << 16
            archive.writestr(entry, content)
    return out.getvalue()


def read_job_file(data: bytes) -> JobFile:
    """The content of a job file.

    Raises UserError with one of CODES for a file that is torn, tampered with, too large or newer, and
    ProblemsError with every line of events.jsonl that is wrong. Never raises anything else, whatever the
    bytes.
    """
    if len(data) > LARGEST_FILE_BYTES:
        raise _too_large("The job file")
    files = _unpacked(data)
    manifest = _manifest(files.pop(_MANIFEST, None))
    stated = manifest["files"]
    if set(stated) != set(files):
        odd = ", ".join(sorted(set(stated) ^ set(files))[:5])
        raise _tampered(f"The manifest and the content do not name the same files: {odd}.")
    for name, content in files.items():
        if stated[name] != _sum(content):
            raise _tampered(f"{name} is not what the manifest says.")
    events, job = _events(files.pop(_EVENTS, b""))
    attached = {
        name.removeprefix(_ATTACHED): content for name, content in files.items() if name.startswith(_ATTACHED)
    }
    _check_attached(events, attached)
    machine = {
        name.removeprefix(_MACHINE): content for name, content in files.items() if name.startswith(_MACHINE)
    }
    check_machine_files(machine)
    if fingerprint_of(machine) != job.fingerprint:
        raise _tampered("The machine files are not those the job was opened with.")
    if (manifest["job"], manifest["machine"], manifest["fingerprint"], manifest["events"]) != (
        job.id,
        job.machine,
        job.fingerprint,
        len(events),
    ):
        raise _tampered("The manifest tells of another job than the events.")
    return JobFile(job, events, machine, attached)


def _check_attached(events: Sequence[Event], attached: Mapping[str, bytes]) -> None:
    """Refuses attachments that no entry names, or that are not what they are called."""
    named = {event.what.sha256 for event in events if isinstance(event.what, AttachmentAdded)}
    for name, content in attached.items():
        if name not in named:
            raise UserError("job-file-name", f"No entry of the job names the attachment {_shown(name)}.")
        if sha256_of(content) != name:
            raise _tampered(f"The attachment {_shown(name)} is not what its name says.")


def _unpacked(data: bytes) -> dict[str, bytes]:
    """Name to content of everything in the zip, read within the limits."""
    files: dict[str, bytes] = {}
    left = LARGEST_FILE_BYTES
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            attached = sum(entry.filename.startswith(_ATTACHED) for entry in entries)
            if attached > _MOST_ATTACHMENTS or len(entries) - attached > MOST_MACHINE_FILES + 2:
                raise _too_large(f"A job file of {len(entries)} files")
            for entry in entries:
                limit = _entry_limit(entry)
                if entry.filename in files:
                    raise UserError("job-file-name", f"{_shown(entry.filename)} is in the job file twice.")
                # The size an entry states may be a lie, so no more than the limit is ever read.
                with archive.open(entry) as stream:
                    content = stream.read(min(limit, left) + 1)
                if len(content) > min(limit, left):
                    raise _too_large(_shown(entry.filename))
                left -= len(content)
                files[entry.filename] = content
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, NotImplementedError, RuntimeError):
        # What the zip reader says to broken bytes; RuntimeError is its word for an entry that wants a
        # password.
        raise UserError(
            "job-file-torn", "This is not a whole job file.", "Have it sent again, or export it again."
        ) from None
    return files


def _entry_limit(entry: zipfile.ZipInfo) -> int:
    """The largest size an entry of this name may have.

    Raises UserError for one that has no business there.
    """
    name = entry.filename
    kind = entry.external_attr >> 28
    if kind not in (0, 0o10):  # POSIX file type bits: a regular file, or none stated; no links, no devices
        raise UserError("job-file-name", f"{_shown(name)} is no plain file.")
    if name == _MANIFEST:
        return _LARGEST_MANIFEST_BYTES
    if name == _EVENTS:
        return LARGEST_EVENTS_BYTES
    if name.startswith(_MACHINE):
        check_file_name(name.removeprefix(_MACHINE))
        return LARGEST_MACHINE_BYTES
    if name.startswith(_ATTACHED):
        check_file_name(name.removeprefix(_ATTACHED))
        return LARGEST_ATTACHED_BYTES
    raise UserError("job-file-name", f"{_shown(name)} does not belong into a job file.")


def _manifest(text: bytes | None) -> dict[str, Any]:
    if text is None:
        raise UserError("job-file-torn", "The file holds no manifest.json, so it is no job file.")
    try:
        manifest = json.loads(text.decode("utf-8"))
    except (ValueError, RecursionError):
        raise UserError("job-file-torn", "manifest.json of the job file cannot be read.") from None
    form = manifest.get("format") if isinstance(manifest, dict) else None
    if form not in (FORMAT, FORMAT_ATTACHED):
        name, _, number = form.partition("/") if isinstance(form, str) else ("", "", "")
        if name == FORMAT.partition("/")[0] and number.isascii() and number.isdigit():
            raise UserError(
                "job-file-newer",
                f"The job file is of format {str(form)[:40]}; this halfsplit reads up to {FORMAT_ATTACHED}.",
                "Install the newer version to read it.",
            )
        raise UserError("job-file-torn", "The file does not say that it is a job file.")
    shape = {"format": str, "job": str, "machine": str, "fingerprint": str, "events": int, "files": dict}
    if set(manifest) != set(shape) or any(type(manifest[name]) is not kind for name, kind in shape.items()):
        raise _tampered("manifest.json does not have the fields it should.")
    return dict(manifest)


def _events(content: bytes) -> tuple[tuple[Event, ...], Job]:
    """The events of events.jsonl and the job they make, or ProblemsError with every line that is wrong."""
    if not content.endswith(b"\n"):
        raise UserError("job-file-torn", "The last line of events.jsonl is cut off, or there is none.")
    lines = content[:-1].split(b"\n")
    if len(lines) > _MOST_EVENTS:
        raise _too_large(f"A job of {len(lines)} events")
    problems: list[Problem] = []
    events: list[Event] = []
    for number, line in enumerate(lines, start=1):
        try:
            if len(line) > LARGEST_EVENT_BYTES:
                raise _too_large("The event")
            events.append(from_json(line.decode("utf-8")))
        except UnicodeDecodeError:
            problems.append(Problem("event-json", _EVENTS, number, "The line is not UTF-8."))
        except UserError as error:
            problems.append(Problem(error.code, _EVENTS, number, error.message))
        if len(problems) == _MOST_PROBLEMS:
            break
    if problems:
        raise ProblemsError(problems)
    # Whether each follows from the ones before is only asked once every one of them is sound by itself.
    # Folding stops at the first that does not, which is then the last one it took.
    taken = 0

    def counted() -> Iterator[Event]:
        nonlocal taken
        for event in events:
            taken += 1
            yield event

    try:
        return tuple(events), fold(counted())
    except UserError as error:
        raise ProblemsError([Problem("job-file-line", _EVENTS, taken, error.message)]) from None


def _sum(content: bytes) -> dict[str, Any]:
    return {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}


def _tampered(what: str) -> UserError:
    return UserError("job-file-tampered", what, "Have the file exported and sent again.")


def _too_large(what: str) -> UserError:
    return UserError("job-file-too-large", f"{what} is larger than a job can be.")


def _shown(name: str) -> str:
    text = "".join(letter if letter.isprintable() else "?" for letter in name)
    return f'"{text[:57]}..."' if len(text) > 60 else f'"{text}"'
