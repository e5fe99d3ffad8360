"""The contract of a place that keeps jobs; memory and SQL hold it alike, and the same tests try each."""

from __future__ import annotations

import hashlib
from abc import ABC, abstractmethod
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from halfsplit.errors import Conflict, InternalError, UserError
from halfsplit.jobs.events import Event, JobClosed, JobOpened, JobReopened, check_job_id, to_json, utc_time
from halfsplit.jobs.lines import check_text
from halfsplit.jobs.model import State
from halfsplit.jobs.units import UnitEvent, unit_to_json

#: Codes of UserErrors raised by stores, each with one sentence.
CODES: dict[str, str] = {
    "machine-file-name": "A name in a machine folder cannot be kept or carried to another computer.",
    "machine-too-large": "The files of a machine are larger than a store keeps.",
    "store-busy": "The store was held by somebody else for too long.",
    "store-damaged": "The store can be opened and does not hold what it should.",
    "store-foreign": "The file is a database of some other program.",
    "store-newer": "The store was written by a newer version of halfsplit.",
    "store-open": "The store cannot be opened or made.",
    "store-write": "The store could not be written; nothing of this step was kept.",
    "store-address": "The address of the store is of a kind halfsplit does not know.",
}

#: Largest total of one machine's files, and how many files. The shipped machines need under 0.2 MB; invented
#: limits.
LARGEST_MACHINE_BYTES = 32 * 1024 * 1024
MOST_MACHINE_FILES = 500


class Overtaken(Conflict):
    """Another writer was first.

    ``expected`` is the last number the caller knew, ``found`` the one that is there.

    Read the events after ``expected``, look again whether the step still makes sense, and append after
    ``found``.
    """

    def __init__(self, job: str, expected: int, found: int, what: str = "Job") -> None:
        self.job = job
        self.expected = expected
        self.found = found
        super().__init__(
            f"{what} {job} has gone on: it is at entry {found}, this was meant to follow entry {expected}.",
            "Look at the new entries first.",
        )


class AlreadyThere(Conflict):
    """There is a job of this id already."""

    def __init__(self, job: str) -> None:
        self.job = job
        super().__init__(f"There is a job {job} already.", "Give the new one another id.")


class DocumentOvertaken(Conflict):
    """Somebody else put a newer document of this kind; ``found`` is its number, ``expected`` the one known here."""

    def __init__(self, kind: str, expected: int, found: int) -> None:
        self.kind = kind
        self.expected = expected
        self.found = found
        super().__init__(
            f"The {kind} list was changed meanwhile: it is at number {found}, this was meant to follow {expected}.",
            "Look at the new one first, then do it again.",
        )


@dataclass(frozen=True, slots=True)
class Document:
    """One state of something that belongs to the shop and to no job, such as what the van holds.

    ``kind`` is a word ("van"), ``number`` counts its documents from 1, ``body`` is text whose form the kind decides.
    A new document takes the place of the one before, which stays readable.
    """

    kind: str
    number: int
    when: str
    by: str
    body: str


@dataclass(frozen=True, slots=True)
class JobLine:
    """What a list of jobs shows; ``changed`` is the time of the last event."""

    id: str
    machine: str
    fingerprint: str
    unit: str
    opened: str
    state: State
    last_number: int
    changed: str


class JobStore(ABC):
    """Keeps the events of jobs and units, the machine files that jobs were opened with, and the documents of the shop.

    *Acknowledged.* When ``create_job``, ``append``, ``append_all``, ``append_unit``, ``put_machine`` or
    ``put_document`` returns, what it was given is kept for good: in a file or database it has reached the disk, and a
    killed process or a power cut does not take it away. When one of them raises, nothing of that call was kept.

    *Order.* Events of a job are numbered 1, 2, 3, ... without gaps, and ``events`` gives them in that order.
    A writer names the number it has seen last. If another was first, Overtaken is raised and nothing is
    written: two phones can never both be told that they wrote the same number.

    *Documents* of each kind are numbered in the same way, and DocumentOvertaken is raised in the same case.
    None is ever changed or dropped.

    *Whole.* A step with several events is kept whole or not at all, and no reader sees a part of it.

    *Threads.* One store may be used by any number of threads at once. It must not be carried across a fork;
    every process opens its own. *Processes.* A store in a file or database may be open in any number of
    processes, which see each other's acknowledged events; a memory store belongs to one process and is lost
    with it.

    *Frozen.* Nothing handed in or out is shared with the store's own memory; changing it changes nothing
    here.

    *What is not checked.* The store checks numbers, job ids and that an event can be kept. Whether an event
    makes sense where it stands is for ``model.apply``; ``recording`` does both in one step.

    Events of a unit are numbered and appended like those of a job; its first one needs nothing before it.

    Unknown jobs raise NotFound. Calling a closed store is our mistake and raises InternalError.
    """

    @abstractmethod
    def create_job(self, opening: Event, more: Sequence[Event] = ()) -> None:
        """Begins a job with its opening (number 1) and, in the same step, the events that follow it.

        Raises AlreadyThere when a job of this id exists.
        """

    def append(self, job: str, expected_number: int, event: Event) -> None:
        """Adds one event after number ``expected_number``, the last one the caller has seen.

        Raises Overtaken when the job has gone on meanwhile, NotFound when there is no such job.
        """
        self.append_all(job, expected_number, (event,))

    @abstractmethod
    def append_all(self, job: str, expected_number: int, events: Sequence[Event]) -> None:
        """Adds several events in one step; otherwise like ``append``. With none, does nothing at all."""

    @abstractmethod
    def events(self, job: str, after: int = 0) -> tuple[Event, ...]:
        """The events of a job with numbers above ``after``, in order. Raises NotFound."""

    @abstractmethod
    def jobs(
        self, *, state: State | None = None, machine: str | None = None, unit: str | None = None
    ) -> tuple[JobLine, ...]:
        """The jobs that fit all that is given, by opening time and then id."""

    @abstractmethod
    def last_numbers(self, jobs: Collection[str]) -> dict[str, int]:
        """The numbers of the last events of these jobs; what is no job is left out."""

    def append_unit(self, expected_number: int, event: UnitEvent) -> None:
        """Adds one event of a unit after number ``expected_number``, 0 for its first.

        Raises Overtaken when the unit has gone on meanwhile.
        """
        self.append_units({event.unit: expected_number}, (event,))

    @abstractmethod
    def append_units(self, expected: Mapping[str, int], events: Sequence[UnitEvent]) -> None:
        """Adds events of any units in one step, each unit's in order after its number in ``expected``.

        Raises Overtaken when one of the units has gone on meanwhile; then nothing was added.
        """

    @abstractmethod
    def unit_events(self, unit: str) -> tuple[UnitEvent, ...]:
        """The events of a unit in order; none of one of which nothing was noted."""

    @abstractmethod
    def units(self) -> tuple[str, ...]:
        """The serial numbers of which something was noted, in the order of their letters' codes."""

    @abstractmethod
    def put_machine(self, fingerprint: str, files: Mapping[str, bytes]) -> None:
        """Keeps the files of a machine folder under their ``fingerprint_of``; doing it again changes nothing.

        Raises UserError for names or sizes that cannot be kept, InternalError for a fingerprint of other
        content.
        """

    @abstractmethod
    def get_machine(self, fingerprint: str) -> dict[str, bytes]:
        """The files kept under a fingerprint. Raises NotFound."""

    @abstractmethod
    def put_document(self, document: Document) -> None:
        """Keeps the next document of its kind; its number is one above the latest.

        Raises DocumentOvertaken when there is one of this number already.
        """

    @abstractmethod
    def documents(self, kind: str, after: int = 0) -> tuple[Document, ...]:
        """The documents of a kind with numbers above ``after``, in order; none for a kind that was never put."""

    @abstractmethod
    def close(self) -> None:
        """Lets go of files and connections. Doing it twice does nothing."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def by_opening(lines: Iterable[JobLine]) -> tuple[JobLine, ...]:
    """Lines by opening time and then id.

    Done here for every store: databases differ in how they sort text.
    """
    return tuple(sorted(lines, key=lambda line: (utc_time(line.opened), line.id)))


def fingerprint_of(files: Mapping[str, bytes]) -> str:
    """What names a machine's files by their content: SHA-256 (FIPS 180-4) in hex over names and contents.

    Files are taken by the UTF-8 bytes of their names; each name and content is preceded by its length as
    eight bytes, so that no two different folders read the same.
    """
    digest = hashlib.sha256()
    for name in sorted(files, key=lambda each: each.encode("utf-8")):
        for piece in (name.encode("utf-8"), files[name]):
            digest.update(len(piece).to_bytes(8, "big"))
            digest.update(piece)
    return digest.hexdigest()


def check_machine(fingerprint: str, files: Mapping[str, bytes]) -> None:
    """Raises UserError when these files cannot be kept, InternalError when the fingerprint is not theirs."""
    check_machine_files(files)
    if fingerprint != fingerprint_of(files):
        raise InternalError("Machine files were to be kept under a fingerprint that is not theirs.")


def check_machine_files(files: Mapping[str, bytes]) -> None:
    """Raises UserError for machine files that are too many, too large or named so that they cannot travel."""
    for name in files:
        check_file_name(name)
    folded = {name.casefold() for name in files}
    if len(folded) != len(files):
        raise UserError("machine-file-name", "Two file names differ in letter case alone.")
    size = sum(map(len, files.values()))
    if not files or len(files) > MOST_MACHINE_FILES or size > LARGEST_MACHINE_BYTES:
        raise UserError(
            "machine-too-large",
            f"A machine of {len(files)} files with {size} bytes cannot be kept.",
            f"It has 1 to {MOST_MACHINE_FILES} files of {LARGEST_MACHINE_BYTES} bytes in all.",
        )


def check_file_name(name: str) -> str:
    """``name`` when it is a plain relative path with forward slashes that means the same everywhere.

    Absolute paths, "..", drive letters, backslashes and control characters are refused: a name from a file
    that somebody sent must never reach a place outside its folder.
    """
    pieces = name.split("/")
    plain = (
        name.isprintable()
        and len(name.encode("utf-8", "replace")) <= 200
        and not set('\\:*?"<>|') & set(name)
    )
    if not plain or any(
        piece in ("", ".", "..") or piece != piece.strip(" ").rstrip(".") for piece in pieces
    ):
        shown = "".join(letter if letter.isprintable() else "?" for letter in name[:60])
        raise UserError("machine-file-name", f'"{shown}" cannot be the name of a file in a machine folder.')
    return name


def check_opening(opening: Event, more: Sequence[Event]) -> tuple[str, ...]:
    """The events of a new job as JSON, once job and numbers are sound. Our mistakes raise InternalError."""
    if not isinstance(opening.what, JobOpened):
        raise InternalError("A job was to begin with something other than its opening.")
    check_job_id(opening.job)
    return _numbered(opening.job, 0, (opening, *more))


def check_following(job: str, expected_number: int, events: Sequence[Event]) -> tuple[str, ...]:
    """The events as JSON, once they carry this job and the numbers after ``expected_number``."""
    return _numbered(job, expected_number, events)


def check_document(document: Document) -> None:
    """Raises UserError for a text or time that no store can keep, InternalError for a wrong kind or number."""
    kind = document.kind
    if not (kind.isascii() and kind.islower() and kind.isalpha()) or len(kind) > 32:
        raise InternalError(f"A document of the kind {document.kind!r} was to be kept.")
    if document.number < 1:
        raise InternalError(f"A document of number {document.number} was to be kept.")
    utc_time(document.when)
    check_text(document.by)
    check_text(document.body)


def check_unit_events(expected: Mapping[str, int], events: Sequence[UnitEvent]) -> dict[str, list[str]]:
    """The events as JSON by unit, in the order of the units' names, once each carries the number that is its turn."""
    found: dict[str, list[str]] = {}
    for event in events:
        texts = found.setdefault(event.unit, [])
        before = expected.get(event.unit, -1) + len(texts)
        if event.unit not in expected or event.number != before + 1:
            raise InternalError(f"Entry {event.number} of unit {event.unit} was to follow on entry {before}.")
        texts.append(unit_to_json(event))
    return dict(sorted(found.items()))


def state_after(state: State, events: Sequence[Event]) -> State:
    """Whether the job is open after these events; only closing and reopening change that."""
    for event in events:
        if isinstance(event.what, JobClosed):
            state = "closed"
        elif isinstance(event.what, JobReopened):
            state = "open"
    return state


def _numbered(job: str, before: int, events: Sequence[Event]) -> tuple[str, ...]:
    for number, event in enumerate(events, start=before + 1):
        if event.job != job or event.number != number:
            raise InternalError(
                f"Event {event.number} of job {event.job} was to be kept as event {number} of job {job}."
            )
    return tuple(to_json(event) for event in events)
