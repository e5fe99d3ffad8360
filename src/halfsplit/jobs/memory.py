"""The store that lives and dies with the process: for trying out, for practice and for tests."""

from __future__ import annotations

import threading
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from halfsplit.errors import InternalError, NotFound
from halfsplit.jobs.events import Event, JobOpened, from_json
from halfsplit.jobs.model import State
from halfsplit.jobs.store import (
    AlreadyThere,
    Document,
    DocumentOvertaken,
    JobLine,
    JobStore,
    Overtaken,
    by_opening,
    check_document,
    check_following,
    check_machine,
    check_opening,
    check_unit_events,
    state_after,
)
from halfsplit.jobs.units import UnitEvent, unit_from_json


class MemoryStore(JobStore):
    """Keeps everything in memory, as the JSON that other stores keep, so that it refuses the same things."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._lines: dict[str, JobLine] = {}
        self._events: dict[str, list[str]] = {}
        self._units: dict[str, list[str]] = {}
        self._machines: dict[str, dict[str, bytes]] = {}
        self._documents: dict[str, list[Document]] = {}
        self._closed = False

    def create_job(self, opening: Event, more: Sequence[Event] = ()) -> None:
        """Begin a job; see JobStore."""
        texts = check_opening(opening, more)
        what = opening.what
        assert isinstance(what, JobOpened)  # check_opening saw to it; this tells the type checker
        last = more[-1] if more else opening
        line = JobLine(
            opening.job, what.machine, what.fingerprint, what.unit, opening.when, state_after("open", more),
            last.number, last.when,
        )  # fmt: skip
        with self._lock:
            self._check_open()
            if opening.job in self._lines:
                raise AlreadyThere(opening.job)
            self._lines[opening.job] = line
            self._events[opening.job] = list(texts)

    def append_all(self, job: str, expected_number: int, events: Sequence[Event]) -> None:
        """Add events in one step; see JobStore."""
        texts = check_following(job, expected_number, events)
        with self._lock:
            line = self._line(job)
            if not events:
                return
            if line.last_number != expected_number:
                raise Overtaken(job, expected_number, line.last_number)
            self._events[job].extend(texts)
            self._lines[job] = replace(
                line,
                state=state_after(line.state, events),
                last_number=events[-1].number,
                changed=events[-1].when,
            )

    def events(self, job: str, after: int = 0) -> tuple[Event, ...]:
        """Give the events of a job; see JobStore."""
        with self._lock:
            self._line(job)
            texts = self._events[job][max(after, 0) :]
        return tuple(map(from_json, texts))

    def jobs(
        self, *, state: State | None = None, machine: str | None = None, unit: str | None = None
    ) -> tuple[JobLine, ...]:
        """List the jobs that fit; see JobStore."""
        with self._lock:
            self._check_open()
            lines = list(self._lines.values())
        fitting = (
            line
            for line in lines
            if state in (None, line.state) and machine in (None, line.machine) and unit in (None, line.unit)
        )
        return by_opening(fitting)

    def last_numbers(self, jobs: Collection[str]) -> dict[str, int]:
        """Give the numbers of last events; see JobStore."""
        with self._lock:
            self._check_open()
            return {job: self._lines[job].last_number for job in jobs if job in self._lines}

    def append_units(self, expected: Mapping[str, int], events: Sequence[UnitEvent]) -> None:
        """Add events of units in one step; see JobStore."""
        texts = check_unit_events(expected, events)
        with self._lock:
            self._check_open()
            for unit in texts:
                last = len(self._units.get(unit, ()))
                if last != expected[unit]:
                    raise Overtaken(unit, expected[unit], last, "Unit")
            for unit, new in texts.items():
                self._units.setdefault(unit, []).extend(new)

    def unit_events(self, unit: str) -> tuple[UnitEvent, ...]:
        """Give the events of a unit; see JobStore."""
        with self._lock:
            self._check_open()
            texts = tuple(self._units.get(unit, ()))
        return tuple(map(unit_from_json, texts))

    def units(self) -> tuple[str, ...]:
        """List the units; see JobStore."""
        with self._lock:
            self._check_open()
            return tuple(sorted(self._units))

    def put_machine(self, fingerprint: str, files: Mapping[str, bytes]) -> None:
        """Keep the files of a machine; see JobStore."""
        check_machine(fingerprint, files)
        with self._lock:
            self._check_open()
            self._machines.setdefault(fingerprint, {name: bytes(content) for name, content in files.items()})

    def get_machine(self, fingerprint: str) -> dict[str, bytes]:
        """Give the files of a machine; see JobStore."""
        with self._lock:
            self._check_open()
            files = self._machines.get(fingerprint)
            if files is None:
                raise NotFound("machine file with the fingerprint", fingerprint, self._machines)
            return dict(files)

    def put_document(self, document: Document) -> None:
        """Keep the next document of a kind; see JobStore."""
        check_document(document)
        with self._lock:
            self._check_open()
            kept = self._documents.setdefault(document.kind, [])
            if document.number != len(kept) + 1:
                raise DocumentOvertaken(document.kind, document.number - 1, len(kept))
            kept.append(document)

    def documents(self, kind: str, after: int = 0) -> tuple[Document, ...]:
        """Give the documents of a kind; see JobStore."""
        with self._lock:
            self._check_open()
            return tuple(self._documents.get(kind, ())[max(after, 0) :])

    def close(self) -> None:
        """Let go of everything; see JobStore."""
        with self._lock:
            self._closed = True

    def _line(self, job: str) -> JobLine:
        self._check_open()
        line = self._lines.get(job)
        if line is None:
            raise NotFound("job", job, self._lines)
        return line

    def _check_open(self) -> None:
        if self._closed:
            raise InternalError("A store was used after it was closed.")
