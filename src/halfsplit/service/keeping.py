"""Keeping a job: undo, notes, access opened and closed, closing, reopening, the log, and files in and out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path

from halfsplit.diagnosis.naming import group_short, observation_words
from halfsplit.diagnosis.stopping import ending
from halfsplit.errors import NotFound, UserError
from halfsplit.jobs.events import (
    NOT_FOUND,
    AccessClosed,
    AccessOpened,
    AdviceGiven,
    AttachmentAdded,
    Cause,
    EntryRestored,
    EntryUndone,
    Happening,
    HistoryStated,
    JobClosed,
    JobReopened,
    NoteAdded,
    NotFoundCause,
    ObservationRecorded,
    PartUsed,
    RunRecorded,
    TravelDone,
)
from halfsplit.jobs.model import Entry, Job, restore_of_latest, undo_of_latest
from halfsplit.jobs.portable import SUFFIX, export_job, import_job
from halfsplit.jobs.recording import record_all
from halfsplit.jobs.units import hours_on
from halfsplit.machine.model import Machine
from halfsplit.proving.checklist import last_repair
from halfsplit.quantities import in_100
from halfsplit.service import walking
from halfsplit.service.desk import Desk, Standing
from halfsplit.service.found import keep
from halfsplit.service.lessons import lesson_of
from halfsplit.service.new_files import write_new
from halfsplit.service.paperwork import advice_words, attached_words, travel_words, used_words
from halfsplit.service.proof_words import proof_words
from halfsplit.service.proving import return_events
from halfsplit.service.results import JobList, JobListLine, Log, LogLine, Moved, News, NewsLine, NextStep, Recorded
from halfsplit.service.unit_past import today, unit_of
from halfsplit.service.working import find_group, head, next_step

CODES: dict[str, str] = {
    "close-undecided": "The job is to be closed and no cause stands out; name it, or say not found.",
    "job-file-there": "A file of that name is there already and is not written over.",
    "job-file-unreadable": "A file cannot be read or written.",
    "access-closed": "The access step is not open.",
    "access-open": "The access step is open already.",
    "reopen-mistake": "A job is to be opened again as closed by mistake and because something was seen again.",
}


def undo(desk: Desk, job_id: str | None = None, entry: int | None = None) -> Recorded:
    """Takes back the latest recording (all that was written in one step), or the entry of a number.

    An entry of a walk round the machine is taken back with all that was seen on that walk.
    """
    job = desk.job(job_id)
    if entry is not None:
        events: list[Happening] = [EntryUndone(one) for one in walking.whole_walk(job.entries, entry)]
    else:
        latest = undo_of_latest(job)
        if isinstance(latest, JobReopened):
            events = [latest]
        else:
            events = [EntryUndone(number) for number in _together(job, latest.entry)]
    return _kept(desk, job, events)


def undo_message(desk: Desk, job_id: str, sending: str) -> Recorded:
    """Takes back whatever was written down by one message, whoever wrote what since. Raises UserError."""
    job = desk.job(job_id)
    numbers = [entry.number for entry in job.standing if entry.sending == sending]
    if not numbers:
        raise UserError("undo-no-entry", "Nothing that was written down by this message is left to take back.")
    return _kept(desk, job, [EntryUndone(one) for one in reversed(numbers)])


def restore(desk: Desk, job_id: str | None = None) -> Recorded:
    """Takes back the latest undo."""
    job = desk.job(job_id)
    events = desk.store.events(job.id)
    latest = restore_of_latest(job, events)
    when = next(one.when for one in reversed(events) if one.what == EntryUndone(latest.entry))
    undone = {entry.number for entry in job.entries if entry.undone}
    again: list[Happening] = [
        EntryRestored(one.what.entry)
        for one in events
        if isinstance(one.what, EntryUndone) and one.when == when and one.what.entry in undone
    ]
    return _kept(desk, job, again)


def _kept(desk: Desk, job: Job, events: list[Happening]) -> Recorded:
    found = keep(desk, job, events)
    touched = {event.entry: event for event in events if isinstance(event, EntryUndone | EntryRestored)}
    machine = desk.standing(desk.job(job.id)).machine
    order = list(touched)
    shown = walking.lines([entry for entry in desk.job(job.id).entries if entry.number in touched])
    words = []
    for line in sorted(shown, key=lambda one: min(order.index(entry.number) for entry in one)):
        done = "taken back" if isinstance(touched[line[-1].number], EntryUndone) else "stands again"
        words.append(f"{done}: {log_words(machine, line)}")
    return Recorded(found.job, tuple(words) or ("job open again",), found.next)


def _together(job: Job, number: int) -> list[int]:
    """The entries written in the same step as ``number``, latest first."""
    when = job.entry(number).when
    found = []
    for entry in reversed(job.entries):
        if entry.undone or entry.number > number:
            continue
        if entry.when != when or not isinstance(
            entry.what,
            ObservationRecorded | AccessOpened | AccessClosed | NoteAdded | HistoryStated | RunRecorded,
        ):
            break
        found.append(entry.number)
    return found


def note(desk: Desk, text: str, job_id: str | None = None, minutes: float = 0.0) -> Recorded:
    """Adds words for the record."""
    job = desk.job(job_id)
    found = keep(desk, job, [NoteAdded(text, minutes)])
    return Recorded(found.job, (f"note: {text}",), found.next)


def open_access(desk: Desk, step: str, job_id: str | None = None) -> Recorded:
    """Notes an access step, and those it needs first, as opened."""
    job = desk.job(job_id)
    standing = desk.standing(job)
    _known_step(standing, step)
    if step in standing.open_now:
        raise UserError("access-open", f'"{step}" is open already.')
    order = _with_needs(standing.machine, step)
    events: list[Happening] = [
        AccessOpened(one, standing.machine.access[one].open_min)
        for one in order
        if one not in standing.open_now
    ]
    found = keep(desk, job, events)
    return Recorded(
        found.job, tuple(f"opened: {one.step}" for one in events if isinstance(one, AccessOpened)), found.next
    )


def close_access(desk: Desk, step: str = "", job_id: str | None = None) -> Recorded:
    """Notes an access step as closed again; all open ones, last first, when none is named."""
    job = desk.job(job_id)
    standing = desk.standing(job)
    if step:
        _known_step(standing, step)
        if step not in standing.open_now:
            raise UserError("access-closed", f'"{step}" is not open.')
    events = _closings(standing, step)
    found = keep(desk, job, events)
    return Recorded(
        found.job, tuple(f"closed: {one.step}" for one in events if isinstance(one, AccessClosed)), found.next
    )


def _closings(standing: Standing, step: str = "") -> list[Happening]:
    machine = standing.machine
    chosen = [
        one
        for one in reversed(standing.open_now)
        if not step or one == step or step in _with_needs(machine, one)
    ]
    return [AccessClosed(one, machine.access[one].close_min) for one in chosen]


def _with_needs(machine: Machine, step: str) -> list[str]:
    order: list[str] = []

    def visit(one: str) -> None:
        for before in machine.access[one].after:
            visit(before)
        if one not in order:
            order.append(one)

    visit(step)
    return order


def _known_step(standing: Standing, step: str) -> None:
    if step not in standing.machine.access:
        raise NotFound("access step", step, standing.machine.access)


def close_job(desk: Desk, cause: str = "", job_id: str | None = None, note_text: str = "") -> Log:
    """Closes up and closes the job; ``cause`` is a suspect, "not found", or "" for the one found.

    Raises UserError("close-undecided") when "" is given and no cause stands out.
    """
    job = desk.job(job_id)
    standing = desk.standing(job)
    hunt = standing.hunt
    odds = hunt.belief.cause_odds()
    ids = [group.id for group in hunt.bench.space.groups]
    concluded: Cause | NotFoundCause = NOT_FOUND
    if cause.strip().casefold() not in ("not found", "not-found"):
        group = None
        if cause.strip():
            group = find_group(hunt, cause)
        else:
            end = ending(hunt, hunt.next())
            if end.kind == "finish":
                group = find_group(hunt, end.groups[0])
            elif end.kind != "not found":
                raise UserError(
                    "close-undecided",
                    "No cause stands out yet.",
                    "Name it, like: close X12.3, or: close not found.",
                )
        if group is not None:
            at = ids.index(group.id)
            concluded = Cause(group.id, group_short(group), min(1.0, float(odds[at])))
    meter = hours_on(unit_of(desk, job.unit).readings, today(desk)) if job.unit else None
    lesson = lesson_of(standing, job, concluded, meter)
    events = [*_closings(standing), JobClosed(concluded, 0.0, note_text, lesson)]
    record_all(desk.store, job, events, when=desk.when(), by=desk.by, sending=desk.sending)
    return log(desk, job.id)


@dataclass(frozen=True, slots=True)
class Reopened(NextStep):
    """The next step of a job opened again, with what was taken as seen again, in words."""

    seen_again: tuple[str, ...]


def reopen(
    desk: Desk,
    job_id: str,
    reason: str = "",
    *,
    seen: Sequence[str] = (),
    reported: bool = False,
    by_mistake: bool = False,
) -> Reopened:
    """Opens a closed job again, in one step with what failed again.

    ``seen`` says in words what failed, like "horn dead in horn-pressed"; left out, all of the complaint did, if the
    job has a repair that could have failed or ``reported`` says that an operator saw it. ``by_mistake``: it was
    closed by mistake and nothing was seen since. Raises UserError.
    """
    if by_mistake and (seen or reported):
        raise UserError(
            "reopen-mistake",
            "A job that was closed by mistake has nothing that was seen again.",
            "Leave out one or the other.",
        )
    job = desk.job(job_id)
    standing = desk.standing(job)
    events: list[Happening] = [JobReopened(reason)]
    if not by_mistake and (seen or reported or last_repair(standing.observations) >= 0):
        events.extend(return_events(standing, job.complaint, seen, by_technician=not reported))
    before = job.last_number
    job = record_all(desk.store, job, events, when=desk.when(), by=desk.by, sending=desk.sending)
    words = tuple(
        entry_words(standing.machine, one) for one in job.entries if one.number > before and one.observation is not None
    )
    step = next_step(desk, job.id)
    return Reopened(**{item.name: getattr(step, item.name) for item in fields(step)}, seen_again=words)


def log(desk: Desk, job_id: str | None = None) -> Log:
    """All entries of a job, those taken back included; a walk round the machine is one line with its last number."""
    job = desk.job(job_id)
    standing = desk.standing(job)
    lines = _log_lines(standing.machine, job)
    cause = job.cause.text if isinstance(job.cause, Cause) else job.cause or ""
    return Log(head(standing, job), lines, cause)


def _log_lines(machine: Machine, job: Job) -> tuple[LogLine, ...]:
    return tuple(
        LogLine(
            line[-1].number,
            line[-1].when,
            line[-1].by,
            line[-1].what.KIND,
            log_words(machine, line),
            sum(entry.minutes for entry in line),
            line[-1].undone,
        )
        for line in walking.lines(job.entries)
    )


def news(desk: Desk, job_id: str, after: int) -> News:
    """What was written into a job after number ``after``; it needs no belief. Raises NotFound."""
    fresh = desk.store.events(job_id, after)
    if not fresh:
        return News(after, ())
    job = desk.job(job_id)
    words = {line.number: line.words for line in _log_lines(desk.bench(job.fingerprint).machine, job)}
    lines = tuple(NewsLine(one.number, one.when, one.by, words.get(one.number, ""), one.sending) for one in fresh)
    return News(fresh[-1].number, lines)


def log_words(machine: Machine, line: Sequence[Entry]) -> str:
    """One line of the log: a walk round the machine, or a single entry."""
    return walking.line_words(machine, line) if walking.seen_on(line) else entry_words(machine, line[-1])


def entry_words(machine: Machine, entry: Entry) -> str:
    """An entry in one line of the log."""
    what = entry.what
    match what:
        case ObservationRecorded():
            return observation_words(machine, what.observation) + (f" ({what.note})" if what.note else "")
        case NoteAdded():
            return f"note: {what.text}"
        case HistoryStated() | RunRecorded():
            return proof_words(what)
        case AttachmentAdded():
            return attached_words(what)
        case PartUsed():
            return used_words(what)
        case TravelDone():
            return travel_words(what)
        case AdviceGiven():
            return advice_words(what)
        case AccessOpened():
            return f"opened: {_access_name(machine, what.step)}"
        case AccessClosed():
            return f"closed: {_access_name(machine, what.step)}"
        case JobClosed():
            cause = what.cause
            if isinstance(cause, Cause):
                sure = f" ({in_100(cause.odds)})" if cause.odds is not None else ""
                return f"job closed, cause: {cause.text}{sure}"
            return "job closed, cause not found"
        case _:
            return f"job open again{': ' + what.reason if what.reason else ''}"


def _access_name(machine: Machine, step: str) -> str:
    return machine.access[step].name if step in machine.access else step


def list_jobs(desk: Desk, *, everything: bool = True) -> JobList:
    """The jobs of the store, all or the open ones."""
    lines = desk.store.jobs(state=None if everything else "open")
    return JobList(
        tuple(
            JobListLine(one.id, one.machine, one.unit, one.state, one.opened, one.changed, one.last_number)
            for one in lines
        )
    )


def job_out(
    desk: Desk, file: Path | None = None, job_id: str | None = None, *, attachments: bool = True
) -> Moved:
    """Writes a job to one file, with its attachments if wanted, never over another. Raises UserError."""
    job = desk.job(job_id)
    place = Path(f"{job.id}{SUFFIX}") if file is None else file
    data = export_job(desk.store, job.id, desk.shelf if attachments else None)
    try:
        write_new(place, data)
    except FileExistsError:
        raise UserError("job-file-there", f"{place} is there already.", "Give another file name.") from None
    except OSError as error:
        raise UserError(
            "job-file-unreadable", f"{place} cannot be written: {error.strerror or error}."
        ) from error
    return Moved(job.id, str(place), job.last_number, 0, False)


def job_in(desk: Desk, file: Path) -> Moved:
    """Takes a job in from a file. Raises UserError, NotFound or ProblemsError."""
    try:
        data = file.read_bytes()
    except FileNotFoundError:
        raise NotFound("file", str(file)) from None
    except OSError as error:
        raise UserError(
            "job-file-unreadable", f"{file} cannot be read: {error.strerror or error}."
        ) from error
    found = import_job(desk.store, data, desk.shelf)
    return Moved(found.job.id, str(file), found.job.last_number, found.added, found.created)
