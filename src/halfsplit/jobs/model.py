"""A job as it stands: what folding its events gives, and nothing that is stored.

The rules of taking back:

* Observations, notes, access steps, attachments, material, travel, advice, histories and runs can be undone and
  restored, any number of times, in any order; undoing what is undone, or restoring what stands, is refused.
* The opening cannot be undone: without it there is no job.
* Closing is taken back by reopening, and reopening by closing again, never by undo.
* A closed job takes what paperwork needs (notes, attachments, material, travel, advice), the history of
  the fault, runs, and a reopening, nothing else.

``minutes`` of an undone entry do not count: undo is for what was written down wrongly, and whoever writes it
down rightly gives the minutes again.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from halfsplit.errors import InternalError, UserError
from halfsplit.jobs.events import (
    AccessClosed,
    AccessOpened,
    AdviceGiven,
    AttachmentAdded,
    Cause,
    Clock,
    EntryRestored,
    EntryUndone,
    Event,
    Happening,
    HistoryStated,
    JobClosed,
    JobOpened,
    JobReopened,
    NoteAdded,
    NotFoundCause,
    ObservationRecorded,
    PartUsed,
    RunRecorded,
    TravelDone,
    utc_time,
)
from halfsplit.jobs.past import UnitPast
from halfsplit.observations import Complaint, Observation

#: Codes of UserErrors raised here, each with one sentence.
CODES: dict[str, str] = {
    "job-no-opening": "A job's list of events does not begin with its opening.",
    "job-opened-twice": "A second opening stands in a job's list.",
    "job-numbers": "The numbers of a job's events have a gap, or belong to another job.",
    "job-closed": "The job is closed, and what was asked needs an open one.",
    "job-open": "The job is open, so it cannot be reopened.",
    "undo-opening": "The opening of a job cannot be undone.",
    "undo-closing": "Closing and reopening are not taken back by undo.",
    "undo-twice": "The entry is undone already.",
    "undo-no-entry": "There is no entry of that number that could be undone or restored.",
    "undo-nothing": "Nothing is left to undo.",
    "restore-standing": "The entry stands, so there is nothing to restore.",
    "restore-nothing": "Nothing was undone.",
}

State = Literal["open", "closed"]
Paperwork = AttachmentAdded | PartUsed | TravelDone | AdviceGiven | HistoryStated | RunRecorded
Entered = ObservationRecorded | NoteAdded | AccessOpened | AccessClosed | JobClosed | JobReopened | Paperwork
_UNDOABLE = (
    ObservationRecorded, NoteAdded, AccessOpened, AccessClosed, AttachmentAdded, PartUsed, TravelDone,
    AdviceGiven, HistoryStated, RunRecorded,
)  # fmt: skip
_GO_INTO_CLOSED = (
    NoteAdded, JobReopened, AttachmentAdded, PartUsed, TravelDone, AdviceGiven, HistoryStated, RunRecorded,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a job: the event's number, when, by whom, what, whether it was undone, and in which message."""

    number: int
    when: str
    by: str
    what: Entered
    undone: bool = False
    sending: str = ""

    @property
    def minutes(self) -> float:
        """Minutes worked for this entry, as written down."""
        spent: float = getattr(self.what, "minutes", 0.0)
        return spent

    @property
    def observation(self) -> Observation | None:
        """The observation, where the entry is one."""
        return self.what.observation if isinstance(self.what, ObservationRecorded) else None


@dataclass(frozen=True, slots=True)
class Job:
    """A job as its first ``last_number`` events left it.

    ``opened`` and ``closed`` are times as events write them;
    ``closed`` and ``cause`` are None while the job is open; ``past`` is what its opening kept of the unit. Entries are
    in the order of their numbers, undone ones included.
    """

    id: str
    machine: str
    fingerprint: str
    unit: str
    complaint: Complaint
    clock: Clock
    opened: str
    opened_by: str
    last_number: int
    entries: tuple[Entry, ...] = ()
    state: State = "open"
    closed: str | None = None
    cause: Cause | NotFoundCause | None = None
    past: UnitPast | None = None

    @property
    def weighed(self) -> Complaint:
        """The complaint as the odds take it: with the places of the unit's recent work among those worked on."""
        if self.past is None or not self.past.places:
            return self.complaint
        places = (*self.complaint.worked_on, *self.past.places)
        return replace(self.complaint, worked_on=tuple(dict.fromkeys(places)))

    @property
    def in_time(self) -> tuple[Entry, ...]:
        """All entries in the order in which they were made.

        That is the order of their numbers, but for what was sent later than it was found: a reading taken before a
        repair says how it was before the repair, though it came in after it.
        """
        found: list[Entry] = []
        times: list[datetime] = []
        for entry in self.entries:
            made = utc_time(entry.when)
            at = bisect_right(times, made) if entry.sending else len(times)
            found.insert(at, entry)
            times.insert(at, made if at < len(times) or not times else max(made, times[-1]))
        return tuple(found)

    @property
    def standing(self) -> tuple[Entry, ...]:
        """The entries that were not undone."""
        return tuple(entry for entry in self.entries if not entry.undone)

    @property
    def observations(self) -> tuple[Observation, ...]:
        """The observations that stand, in order: what the diagnosis is given after the complaint."""
        return tuple(entry.observation for entry in self.standing if entry.observation is not None)

    @property
    def minutes(self) -> float:
        """Minutes worked, over the entries that stand."""
        return sum(entry.minutes for entry in self.standing)

    @property
    def attachments(self) -> tuple[AttachmentAdded, ...]:
        """The attachments that stand, in order; one file may have been attached more than once."""
        return tuple(entry.what for entry in self.standing if isinstance(entry.what, AttachmentAdded))

    @property
    def access_open(self) -> tuple[str, ...]:
        """The access steps now open, in the order in which they were opened."""
        open_steps: dict[str, None] = {}
        for entry in self.standing:
            if isinstance(entry.what, AccessOpened):
                open_steps.setdefault(entry.what.step)
            elif isinstance(entry.what, AccessClosed):
                open_steps.pop(entry.what.step, None)
        return tuple(open_steps)

    def entry(self, number: int) -> Entry:
        """The entry of that number. Raises UserError("undo-no-entry")."""
        for entry in self.entries:
            if entry.number == number:
                return entry
        raise _no_entry(number)

    def next_event(self, what: Happening, *, when: str, by: str = "", sending: str = "") -> Event:
        """``what`` as the event that would come next in this job."""
        return Event(self.id, self.last_number + 1, when, by, what, sending)


def fold(events: Iterable[Event]) -> Job:
    """The job that these events make, in their order.

    Raises UserError with one of CODES when they make none; the same rules hold for each event as in
    ``apply``.
    """
    job: Job | None = None
    entries: list[Entry] = []
    places: dict[int, int] = {}
    for event in events:
        job = _step(job, event, entries, places)
    if job is None:
        raise UserError("job-no-opening", "A job without any event is no job.")
    return replace(job, entries=tuple(entries))


def apply(job: Job | None, event: Event) -> Job:
    """The job after one more event; ``job`` None before the opening. Raises UserError with one of CODES."""
    entries = list(job.entries) if job else []
    places = {entry.number: place for place, entry in enumerate(entries)}
    stepped = _step(job, event, entries, places)
    return replace(stepped, entries=tuple(entries))


def undo_of_latest(job: Job) -> EntryUndone | JobReopened:
    """What takes back the latest thing that stands.

    That is the closing of a closed job, by reopening it, else the last observation, note or access step.
    Raises UserError("undo-nothing").
    """
    if job.state == "closed":
        return JobReopened()
    for entry in reversed(job.entries):
        if not entry.undone and isinstance(entry.what, _UNDOABLE):
            return EntryUndone(entry.number)
    raise UserError("undo-nothing", "There is nothing in this job that could be undone.")


def restore_of_latest(job: Job, events: Sequence[Event]) -> EntryRestored:
    """What takes back the latest undo that still holds.

    ``events`` are the job's events, which alone know in which order entries were undone.
    Raises UserError("restore-nothing").
    """
    if not events or events[0].job != job.id:
        raise InternalError("A job was to be restored by the events of another one.")
    undone = {entry.number for entry in job.entries if entry.undone}
    for event in reversed(events):
        if isinstance(event.what, EntryUndone) and event.what.entry in undone:
            return EntryRestored(event.what.entry)
    raise UserError("restore-nothing", "Nothing in this job was undone.")


def _step(job: Job | None, event: Event, entries: list[Entry], places: dict[int, int]) -> Job:
    """The job after ``event``, with its entries left out.

    They are kept up in the list ``entries`` instead, so that folding n events takes n steps and not n
    squared.
    """
    what = event.what
    if job is None:
        if not isinstance(what, JobOpened):
            raise UserError(
                "job-no-opening", f"Event {event.number} of job {event.job} comes before any opening."
            )
        if event.number != 1:
            raise UserError(
                "job-numbers", f"The opening of job {event.job} has number {event.number}, not 1."
            )
        return Job(
            event.job,
            what.machine,
            what.fingerprint,
            what.unit,
            what.complaint,
            what.clock,
            event.when,
            event.by,
            1,
            past=what.past,
        )
    if event.job != job.id:
        raise UserError("job-numbers", f"An event of job {event.job} stands in the list of job {job.id}.")
    if event.number != job.last_number + 1:
        raise UserError(
            "job-numbers", f"In job {job.id}, event {event.number} follows on event {job.last_number}."
        )
    if isinstance(what, JobOpened):
        raise UserError("job-opened-twice", f"Job {job.id} was opened before.")
    if job.state == "closed" and not isinstance(what, _GO_INTO_CLOSED):
        raise UserError("job-closed", f"Job {job.id} is closed.", "Reopen it first.")
    job = replace(job, last_number=event.number)
    if isinstance(what, (EntryUndone, EntryRestored)):
        _turn(what, entries, places)
        return job
    if isinstance(what, JobReopened):
        if job.state == "open":
            raise UserError("job-open", f"Job {job.id} is open already.")
        job = replace(job, state="open", closed=None, cause=None)
    elif isinstance(what, JobClosed):
        job = replace(job, state="closed", closed=event.when, cause=what.cause)
    places[event.number] = len(entries)
    entries.append(Entry(event.number, event.when, event.by, what, sending=event.sending))
    return job


def _turn(what: EntryUndone | EntryRestored, entries: list[Entry], places: dict[int, int]) -> None:
    """Marks the entry undone or standing again."""
    number, undo = what.entry, isinstance(what, EntryUndone)
    if number == 1:
        raise UserError(
            "undo-opening", "The opening of a job cannot be undone.", "Close the job and open another."
        )
    if number not in places:
        raise _no_entry(number)
    place = places[number]
    entry = entries[place]
    if not isinstance(entry.what, _UNDOABLE):
        other = (
            "Reopen the job instead." if isinstance(entry.what, JobClosed) else "Close the job again instead."
        )
        raise UserError("undo-closing", f"Entry {number} cannot be undone.", other)
    if undo and entry.undone:
        raise UserError("undo-twice", f"Entry {number} is undone already.", "It can be restored.")
    if not undo and not entry.undone:
        raise UserError("restore-standing", f"Entry {number} stands; nothing was undone.")
    entries[place] = replace(entry, undone=undo)


def _no_entry(number: int) -> UserError:
    return UserError(
        "undo-no-entry", f"There is no entry {number} in this job.", "Undo names the entry, not an undo."
    )
