# Over 500 lines: every kind of event stands here with its checks, so that what a job may hold is read in one place.
"""What can happen to a job, each as a small frozen value, and the JSON it is kept as.

A job is the list of its events and nothing else; nothing in the list is ever changed or taken out. Taking
something back is an event too. Numbers run from 1 without gaps inside a job, and the opening is number 1.

``when`` is passed in by the caller, as UTC in ISO 8601 ("2031-04-02T07:15:00Z"): nothing here reads a clock.
Times need not rise with the numbers, because two phones need not agree; the number is the order.

The JSON of an event is one object: ``v`` (version of its kind, see UPGRADES), ``job``, ``number``, ``when``,
``by``, ``kind`` and ``data``, and ``sending`` where the writer gave one. It is written in one canonical way (keys
sorted, no spaces, UTF-8), so equal events are equal bytes and a file made from them can be compared.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any, ClassVar, Literal, get_args

from halfsplit.errors import InternalError, UserError, nearest
from halfsplit.jobs.lines import read, written
from halfsplit.jobs.lines import shown as _shown
from halfsplit.jobs.past import Lesson, UnitPast, lesson_from_data, past_from_data, problems
from halfsplit.jobs.past import to_data as kept_to_data
from halfsplit.jobs.shapes import conform, plain
from halfsplit.observations import (
    Complaint,
    Measure,
    Observation,
    Symptom,
    complaint_from_data,
    complaint_to_data,
    from_data,
    to_data,
)

#: Codes of UserErrors raised here, each with one sentence.
CODES: dict[str, str] = {
    "event-sending": "What names one sending is 8 to 64 letters, digits and dashes.",
    "event-kind": "A stored event is of a kind this version does not know.",
    "event-newer": "A stored event was written by a newer version of halfsplit.",
    "event-time": "A time is not UTC in ISO 8601.",
    "event-value": "A number of an event is out of its range.",
    "job-id": "A job's id has letters or signs that a file name cannot carry everywhere.",
}

Clock = Literal["wall", "practice"]
NotFoundCause = Literal["not found"]
NOT_FOUND: NotFoundCause = "not found"


@dataclass(frozen=True, slots=True)
class Cause:
    """What was concluded: the repair group's id, the same in words, and its odds then (0..1) if known."""

    group: str
    text: str
    odds: float | None = None


@dataclass(frozen=True, slots=True)
class JobOpened:
    """The first event. ``machine`` and ``fingerprint`` name the machine file as it was on that day.

    ``unit`` is what tells this one machine from its sisters (serial number, fleet number), as text.
    ``clock`` says where the times come from: "wall" for real work, "practice" for a job played against a
    hidden fault, which must never count as experience. ``past`` is what was known of the unit and which of its
    earlier jobs count in the odds; None for a unit without any.
    """

    KIND: ClassVar[str] = "job-opened"
    machine: str
    fingerprint: str
    unit: str
    complaint: Complaint
    clock: Clock = "wall"
    past: UnitPast | None = None


@dataclass(frozen=True, slots=True)
class ObservationRecorded:
    """Something seen, measured or done.

    ``check`` is the check it answers, or "" when nobody had asked for it.
    """

    KIND: ClassVar[str] = "observation-recorded"
    observation: Observation
    check: str = ""
    minutes: float = 0.0
    note: str = ""


@dataclass(frozen=True, slots=True)
class NoteAdded:
    """Words for the record that the diagnosis does not read."""

    KIND: ClassVar[str] = "note-added"
    text: str
    minutes: float = 0.0


@dataclass(frozen=True, slots=True)
class AccessOpened:
    """An access step was done: the cover is off, the cab is tipped."""

    KIND: ClassVar[str] = "access-opened"
    step: str
    minutes: float = 0.0


@dataclass(frozen=True, slots=True)
class AccessClosed:
    """An access step was undone: the cover is back on."""

    KIND: ClassVar[str] = "access-closed"
    step: str
    minutes: float = 0.0


@dataclass(frozen=True, slots=True)
class JobClosed:
    """The work is over; "not found" is a cause too. ``lesson`` is what later learning needs beside the cause."""

    KIND: ClassVar[str] = "job-closed"
    cause: Cause | NotFoundCause
    minutes: float = 0.0
    note: str = ""
    lesson: Lesson | None = None


@dataclass(frozen=True, slots=True)
class JobReopened:
    """A closed job goes on: the fault came back, or it was closed by mistake. The cause no longer stands."""

    KIND: ClassVar[str] = "job-reopened"
    reason: str = ""


@dataclass(frozen=True, slots=True)
class EntryUndone:
    """The entry of that number no longer counts. It stays in the list."""

    KIND: ClassVar[str] = "entry-undone"
    entry: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class EntryRestored:
    """The undone entry of that number counts again, in its old place."""

    KIND: ClassVar[str] = "entry-restored"
    entry: int
    reason: str = ""


Role = Literal["picture", "log", "paper", "voice", "customer-signature", "technician-signature"]


@dataclass(frozen=True, slots=True)
class AttachmentAdded:
    """A file kept with the job, named by the SHA-256 of its content; the content itself stands in a shelf.

    ``name`` is the file's name where it came from, ``media`` what its content is (``attachments.KINDS``),
    ``role`` what it is for.
    """

    KIND: ClassVar[str] = "attachment-added"
    sha256: str
    name: str
    media: str
    size_bytes: int
    caption: str = ""
    role: Role = "picture"


@dataclass(frozen=True, slots=True)
class PartUsed:
    """Material that went into the machine.

    ``unit_price`` is a decimal number as text, so that money stays exact, with its ISO 4217 ``currency``;
    both are "" where no price is known.
    """

    KIND: ClassVar[str] = "part-used"
    text: str
    number: str = ""
    quantity: float = 1.0
    unit_price: str = ""
    currency: str = ""


@dataclass(frozen=True, slots=True)
class TravelDone:
    """A drive for this job: how long, and how far if known. It is no work, so it has no ``minutes``."""

    KIND: ClassVar[str] = "travel-done"
    travel_minutes: float
    distance_m: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class AdviceGiven:
    """What the owner should do or watch for, and by when the machine should be looked at again ("" open)."""

    KIND: ClassVar[str] = "advice-given"
    text: str
    next_inspection: str = ""


@dataclass(frozen=True, slots=True)
class HistoryStated:
    """How often the fault showed before the repair: ``events`` spells in an ``amount`` of ``measure``.

    ``from_good`` False: the amount counts from the first event on. ``condition`` is what brings the fault out, ""
    when the amount counts all running. The latest statement that stands is the one in force.
    """

    KIND: ClassVar[str] = "history-stated"
    measure: Measure
    events: int
    amount: float
    from_good: bool = False
    condition: str = ""


@dataclass(frozen=True, slots=True)
class RunRecorded:
    """Running after a repair: how much, whether the fault showed again, and whether its condition held.

    ``minutes`` are those somebody worked for it, none when the owner just used the machine.
    """

    KIND: ClassVar[str] = "run-recorded"
    measure: Measure
    amount: float
    seen: bool = False
    in_condition: bool = True
    minutes: float = 0.0
    note: str = ""


Happening = (
    JobOpened
    | ObservationRecorded
    | NoteAdded
    | AttachmentAdded
    | PartUsed
    | TravelDone
    | AdviceGiven
    | HistoryStated
    | RunRecorded
    | AccessOpened
    | AccessClosed
    | JobClosed
    | JobReopened
    | EntryUndone
    | EntryRestored
)
KINDS: Mapping[str, type[Any]] = {kind.KIND: kind for kind in get_args(Happening)}

#: The newest version in which each kind is written. Raise it with an entry in UPGRADES; old ones are never
#: rewritten.
VERSIONS: Mapping[str, int] = {**dict.fromkeys(KINDS, 1), JobOpened.KIND: 2, JobClosed.KIND: 2}

#: (kind, version) -> function from the data of that version to the data of the next one.
UPGRADES: Mapping[tuple[str, int], Callable[[Mapping[str, Any]], Mapping[str, Any]]] = {
    (JobOpened.KIND, 1): lambda data: {**data, "past": None},
    (JobClosed.KIND, 1): lambda data: {**data, "lesson": None},
}

#: The field that version 2 of a kind has more. Where it is empty, version 1 is written: an event that was read from
#: an older file is the same bytes again, and an older halfsplit reads what it can read.
_SINCE_2: Mapping[str, str] = {JobOpened.KIND: "past", JobClosed.KIND: "lesson"}


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to a job: which job, which place in its list, when, who, and what.

    ``sending`` names the message it came in, where its writer may have to send that again without knowing whether it
    arrived; all events of one message carry the same. "" for everything else.
    """

    job: str
    number: int
    when: str
    by: str
    what: Happening
    sending: str = ""


_JOB_ID = re.compile(r"[a-z0-9](?:[a-z0-9._-]{0,62}[a-z0-9])?")
_SENDING = re.compile(r"[A-Za-z0-9-]{8,64}")
_UTC = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(?:\.\d{6})?Z", re.ASCII)


def check_job_id(job: str) -> str:
    """``job`` when it can be a job's id, and so a file name on every system.

    That is up to 64 of a-z, 0-9, dot, dash and underscore, beginning and ending in a letter or digit.
    Raises UserError("job-id").
    """
    if not _JOB_ID.fullmatch(job):
        raise UserError(
            "job-id",
            f"{_shown(job)} cannot be the id of a job.",
            "Use up to 64 lower-case letters, digits, dots, dashes and underscores; a letter or digit at "
            "both ends.",
        )
    return job


def check_sending(sending: str) -> str:
    """``sending`` when it can name one sending. Raises UserError("event-sending")."""
    if not _SENDING.fullmatch(sending):
        raise UserError(
            "event-sending", f"{_shown(sending)} cannot name a sending.", "Use 8 to 64 letters, digits and dashes."
        )
    return sending


def utc_text(moment: datetime) -> str:
    """A moment as events keep it. Raises InternalError for a moment without a time zone."""
    if moment.tzinfo is None:
        raise InternalError("A time without its zone was to be recorded.")
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat() + "Z"


def utc_time(text: str) -> datetime:
    """The moment that ``utc_text`` wrote, with its zone. Raises UserError("event-time")."""
    try:
        if not _UTC.fullmatch(text):
            raise ValueError(text)
        return datetime.fromisoformat(text)
    except (TypeError, ValueError):
        raise UserError(
            "event-time", f"{_shown(text)} is not a time.", "Write UTC like 2031-04-02T07:15:00Z."
        ) from None


def to_json(event: Event) -> str:
    """The canonical JSON of an event, one line. Raises UserError for values that must not be kept."""
    event = checked(event)
    kind = event.what.KIND
    data, version = _what_to_data(event.what), VERSIONS[kind]
    if kind in _SINCE_2 and data[_SINCE_2[kind]] is None:
        del data[_SINCE_2[kind]]
        version = 1
    record = {
        "v": version,
        "job": event.job,
        "number": event.number,
        "when": event.when,
        "by": event.by,
        "kind": kind,
        "data": plain(data),
    }
    if event.sending:
        record["sending"] = event.sending
    return written(record)


def from_json(text: str) -> Event:
    """The event that ``to_json`` wrote, in this version or an older one.

    Raises UserError with one of CODES for anything else, never another exception, whatever the text.
    """
    record = read(text, ("v", "job", "number", "when", "by", "kind", "data"), ("sending",))
    sending = record.get("sending", "")
    kind, data = record["kind"], record["data"]
    if not isinstance(kind, str) or kind not in KINDS:
        near = nearest(kind, KINDS) if isinstance(kind, str) else None
        raise UserError("event-kind", f"No event is called {_shown(kind)}.", f"Is it {near}?" if near else "")
    if not isinstance(data, dict):
        raise UserError("event-shape", "The data of an event is a JSON object.")
    what = _what_from_data(kind, _upgraded(kind, record["v"], data))
    return checked(Event(record["job"], record["number"], record["when"], record["by"], what, sending))


def checked(event: Event) -> Event:
    """``event`` with whole numbers made floats where floats are meant.

    Raises UserError when a field is of the wrong type, a number out of range or a time not UTC.
    """
    event, wrong = conform(event)
    if wrong:
        raise UserError("event-shape", "; ".join(wrong) + ".")
    check_job_id(event.job)
    if event.sending:
        check_sending(event.sending)
    utc_time(event.when)
    if event.number < 1:
        raise UserError("event-value", f"Event number {event.number} is below 1.")
    what = event.what
    for symptom in _symptoms(what):
        if not 0.5 <= symptom.reliability <= 1:
            raise UserError(
                "event-value", f"A report is right in a share of 0.5 to 1, not {symptom.reliability}."
            )
    minutes = getattr(what, "minutes", 0.0)
    if not 0 <= minutes < float("inf"):
        raise UserError("event-value", f"{minutes} minutes cannot have been worked.")
    if isinstance(what, JobClosed) and isinstance(what.cause, Cause):
        odds = what.cause.odds
        if odds is not None and not 0 <= odds <= 1:
            raise UserError("event-value", f"Odds are between 0 and 1, not {odds}.")
        if not what.cause.group:
            raise UserError("event-value", "A cause names its repair group.", f'Or close as "{NOT_FOUND}".')
    _check_paperwork(what)
    _check_proof(what)
    kept = what.past if isinstance(what, JobOpened) else what.lesson if isinstance(what, JobClosed) else None
    if kept is not None and problems(kept):
        raise UserError("event-value", " ".join(problems(kept)))
    if isinstance(what, (EntryUndone, EntryRestored)) and what.entry < 1:
        raise UserError("event-value", f"Entry number {what.entry} is below 1.")
    return event


_SHA256 = re.compile(r"[0-9a-f]{64}")
_AMOUNT = re.compile(r"-?\d{1,12}(\.\d{1,4})?", re.ASCII)
_CURRENCY = re.compile(r"[A-Z]{3}")


def _check_paperwork(what: Happening) -> None:
    """Refuses attachments, material and travel whose values cannot be."""
    if isinstance(what, AttachmentAdded):
        if not _SHA256.fullmatch(what.sha256) or what.size_bytes < 0:
            raise UserError("event-value", "An attachment is named by its SHA-256 and has a size.")
    elif isinstance(what, PartUsed):
        if not 0 < what.quantity < float("inf"):
            raise UserError("event-value", f"A quantity of {what.quantity} cannot have been used.")
        if (what.unit_price or what.currency) and not (
            _AMOUNT.fullmatch(what.unit_price) and _CURRENCY.fullmatch(what.currency)
        ):
            raise UserError(
                "event-value",
                f"{_shown(f'{what.unit_price} {what.currency}')} is not a price.",
                "A price is an amount with its currency, like 4.20 EUR.",
            )
    elif isinstance(what, TravelDone):
        far = 0.0 if what.distance_m is None else what.distance_m
        if not (0 <= what.travel_minutes < float("inf") and 0 <= far < float("inf")):
            raise UserError("event-value", "A drive takes no less than 0 minutes and 0 km, and both end.")


def _check_proof(what: Happening) -> None:
    """Refuses histories and runs that cannot have been."""
    if isinstance(what, HistoryStated | RunRecorded):
        whole = what.measure == "hours" or what.amount.is_integer()
        if not (0 < what.amount < float("inf") and whole):
            raise UserError("event-value", f"{what.amount:g} {what.measure} cannot have been run.")
    if isinstance(what, HistoryStated) and (
        what.events < 1 or (what.measure != "hours" and what.events > what.amount)
    ):
        raise UserError("event-value", f"{what.events} events in {what.amount:g} {what.measure} cannot have been.")


def _symptoms(what: Happening) -> tuple[Symptom, ...]:
    if isinstance(what, JobOpened):
        return what.complaint.symptoms
    if isinstance(what, ObservationRecorded) and isinstance(what.observation, Symptom):
        return (what.observation,)
    return ()


def _what_to_data(what: Happening) -> dict[str, Any]:
    data: dict[str, Any] = {item.name: getattr(what, item.name) for item in fields(what)}
    if isinstance(what, JobOpened):
        data["complaint"] = complaint_to_data(what.complaint)
        data["past"] = kept_to_data(what.past) if what.past is not None else None
    elif isinstance(what, ObservationRecorded):
        data["observation"] = to_data(what.observation)
    elif isinstance(what, JobClosed):
        if isinstance(what.cause, Cause):
            data["cause"] = {item.name: getattr(what.cause, item.name) for item in fields(what.cause)}
        data["lesson"] = kept_to_data(what.lesson) if what.lesson is not None else None
    return data


def _what_from_data(kind: str, data: Mapping[str, Any]) -> Happening:
    values = dict(data)
    for name, build in _NESTED.get(kind, {}).items():
        if isinstance(values.get(name), dict):
            try:
                values[name] = build(values[name])
            except (TypeError, ValueError, AttributeError, KeyError) as error:
                raise UserError("event-shape", f"The {name} of this event is not one: {error}.") from None
            except UserError as error:
                raise UserError("event-shape", error.message) from None
    built = KINDS[kind]
    names = {item.name for item in fields(built)}
    if set(values) != names:
        odd = ", ".join(sorted(set(values) ^ names))
        raise UserError("event-shape", f"{kind} has the fields {', '.join(sorted(names))}; look at {odd}.")
    what: Happening = built(**values)
    return what


#: Fields that hold an object, by kind of event, each with what builds it.
_NESTED: Mapping[str, Mapping[str, Callable[[Any], Any]]] = {
    JobOpened.KIND: {"complaint": complaint_from_data, "past": past_from_data},
    ObservationRecorded.KIND: {"observation": from_data},
    JobClosed.KIND: {"cause": lambda values: Cause(**values), "lesson": lesson_from_data},
}


def _upgraded(kind: str, version: Any, data: Mapping[str, Any]) -> Mapping[str, Any]:
    if type(version) is not int or version < 1:
        raise UserError("event-shape", f"{_shown(version)} is not the version of an event.")
    if version > VERSIONS[kind]:
        raise UserError(
            "event-newer",
            f"An event ({kind}, version {version}) was written by a newer halfsplit.",
            "Install the newer version to read this job.",
        )
    for step in range(version, VERSIONS[kind]):
        data = UPGRADES[kind, step](data)
    return data
