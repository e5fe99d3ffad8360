"""The history of a unit in words: its earlier jobs, and what of them counts when a new one is opened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.naming import observation_words
from halfsplit.diagnosis.space import RepairGroup
from halfsplit.errors import UserError, nearest
from halfsplit.faults.priors import RECENT_WORK_FACTOR
from halfsplit.jobs.events import Cause, utc_time
from halfsplit.jobs.model import Job
from halfsplit.jobs.past import PossibleReturn, UnitPast
from halfsplit.jobs.units import Unit, hours_on, hours_run
from halfsplit.machine.model import Machine
from halfsplit.observations import Action, Observation
from halfsplit.service.complaints import complaint_words
from halfsplit.service.desk import Desk, machine_of
from halfsplit.service.results import NextStep
from halfsplit.service.unit_past import (
    actions,
    day_of,
    days_between,
    jobs_of,
    known_units,
    shares_function,
    today,
    unit_of,
)

#: Places of one job that are named in words; the others are counted. Invented limit.
MOST_PLACES = 6


@dataclass(frozen=True, slots=True)
class EarlierLine:
    """An earlier job of a unit.

    Days and hours (by the meter up to its last reading, None where it was not read) count from its closing, from its
    opening while it is open. ``hours`` stood on the meter when it was opened. ``held_days`` and ``held_hours`` are how
    long its last repair has held, None without one or while the job is open; ``back_in`` names the job in which the
    complaint came back, "" while it holds.
    """

    job: str
    state: str
    opened: str
    closed: str
    hours: float | None
    days_ago: int
    hours_ago: float | None
    complaint: tuple[str, ...]
    cause: str
    work: tuple[str, ...]
    minutes: float
    held_days: int | None
    held_hours: float | None
    back_in: str


@dataclass(frozen=True, slots=True)
class UnitHistory:
    """A unit as a job is opened on it: earlier jobs, latest first, and what of them is used in the odds, in words.

    ``still_open`` says which open job has the same complaint, ``may_be`` that a mended fault may be back, ``near`` of
    an unknown unit which known one is spelled nearly so; sentences are "" with nothing to say.
    """

    unit: str
    owner: str
    hours: float | None
    read_on: str
    earlier: tuple[EarlierLine, ...]
    recent: tuple[str, ...]
    window: str
    still_open: str
    may_be: str
    near: str


@dataclass(frozen=True, slots=True)
class Opened(NextStep):
    """The first step of a job that was just opened, with the history of its unit; None without a unit."""

    history: UnitHistory | None


def history(desk: Desk, job: Job) -> UnitHistory | None:
    """The unit's history as the job's opening used it, with its earlier jobs; None for a job without a unit."""
    if not job.unit:
        return None
    unit = unit_of(desk, job.unit)
    meter = hours_on(unit.readings, today(desk))
    past = job.past or UnitPast()
    lines = earlier_lines(desk, unit, _before(desk, job))
    farthest = still_open(desk, job)
    near = None if lines or unit.entries else spelled_nearly(desk, job.unit)
    return UnitHistory(
        unit=job.unit,
        owner=unit.owner,
        hours=meter.hours if meter is not None else None,
        read_on=meter.on.isoformat() if meter is not None else "",
        earlier=lines,
        recent=tuple(
            f"{place_words(one.places)}, job {one.job}, {ago_words(one.days_ago, one.hours_ago)}"
            for one in past.recent
        ),
        window=past.window,
        still_open=_still_words(farthest.id, job.id) if farthest is not None else "",
        may_be=_return_words(past.may_be, job.id) if past.may_be is not None else "",
        near=f"Unit {job.unit} was not known before. If you meant {near}, open the job on that." if near else "",
    )


def still_open(desk: Desk, job: Job) -> Job | None:
    """The earlier job on the same unit with the same complaint that is still open, the one worked on longest."""
    before = [one for one in _before(desk, job) if one.state == "open"]
    still = [one for one in before if shares_function(one.complaint, job.complaint)]
    return max(still, key=lambda one: (one.minutes, utc_time(one.opened)), default=None)


def _before(desk: Desk, job: Job) -> list[Job]:
    """The other jobs of the unit up to this one: of two that are open, only the later one points at the other."""
    same = jobs_of(desk, job.unit, job.machine)
    return [one for one in same if one.id != job.id and utc_time(one.opened) <= utc_time(job.opened)]


def spelled_nearly(desk: Desk, serial: str) -> str | None:
    """The other known unit whose serial number is spelled most nearly so; None when none is."""
    return nearest(serial, [one for one in known_units(desk) if one != serial])


def worked_on_words(job: Job, bench: Bench, group: RepairGroup) -> str:
    """Why a repair group counts as worked on lately, "" when it does not."""
    faults = [fault for fault in bench.faults if fault.group == group.id]
    own = {name for fault in faults for name in (fault.place, fault.owner, fault.zone)}
    said = ["by the complaint"] if own & set(job.complaint.worked_on) else []
    said += [
        f"job {one.job}, {ago_words(one.days_ago, one.hours_ago)} at the opening"
        for one in (job.past.recent if job.past is not None else ())
        if own & set(one.places)
    ]
    if not said:
        return ""
    return f"Worked on lately: {'; '.join(said)}. Counts as {RECENT_WORK_FACTOR:g} times as common, from memory."


def earlier_lines(desk: Desk, unit: Unit, jobs: Sequence[Job], day: date | None = None) -> tuple[EarlierLine, ...]:
    """Jobs of a unit as lines, latest opened first; days and hours are counted up to ``day``, today when left out."""
    day = day or today(desk)
    machines: dict[str, Machine | None] = {}
    found = []
    for job in reversed(jobs):
        if job.fingerprint not in machines:
            machines[job.fingerprint] = _machine(desk, job)
        found.append(_line(desk, unit, job, jobs, machines[job.fingerprint], day))
    return tuple(found)


def ago_words(days: int, hours: float | None) -> str:
    """How long ago: "today", "21 days ago (70 h of running)"."""
    return "today" if days == 0 else f"{'1 day' if days == 1 else f'{days} days'} ago{_run_words(hours)}"


def held_words(days: int, hours: float | None) -> str:
    """How long a repair held: "less than a day", "21 days (70 h of running)"."""
    return f"{'less than a day' if days == 0 else '1 day' if days == 1 else f'{days} days'}{_run_words(hours)}"


def _run_words(hours: float | None) -> str:
    if hours is None:
        return ""
    return f" ({hours:.0f} h of running)" if hours >= 10 else f" ({float(f'{hours:.1f}'):g} h of running)"


def place_words(places: Sequence[str]) -> str:
    """Places by their ids; a cavity goes without saying beside its connector."""
    named = [one for one in places if one.partition(".")[0] == one or one.partition(".")[0] not in places]
    more = f" and {len(named) - MOST_PLACES} more" if len(named) > MOST_PLACES else ""
    return ", ".join(named[:MOST_PLACES]) + more


def _line(
    desk: Desk, unit: Unit, job: Job, jobs: Sequence[Job], machine: Machine | None, day: date
) -> EarlierLine:
    opened = day_of(desk, job.opened)
    since = day_of(desk, job.closed) if job.closed else opened
    meter = hours_on(unit.readings, opened)
    hours = meter.hours if meter is not None else job.past.hours if job.past is not None else None
    held_until, back_in = day, ""
    if job.closed:
        for later in jobs:
            if utc_time(later.opened) > utc_time(job.closed) and shares_function(job.complaint, later.complaint):
                held_until, back_in = day_of(desk, later.opened), later.id
                break
    repairs = actions(job, repairs=True)
    held = day_of(desk, repairs[-1].when) if job.closed and repairs else None
    return EarlierLine(
        job=job.id,
        state=job.state,
        opened=opened.isoformat(),
        closed=since.isoformat() if job.closed else "",
        hours=hours,
        days_ago=days_between(since, day),
        hours_ago=hours_run(unit.readings, since, day),
        complaint=complaint_words(machine, job.complaint),
        cause=job.cause.text if isinstance(job.cause, Cause) else job.cause or "",
        work=tuple(_work_words(machine, one.observation) for one in repairs),
        minutes=job.minutes,
        held_days=days_between(held, held_until) if held is not None else None,
        held_hours=hours_run(unit.readings, held, held_until) if held is not None else None,
        back_in=back_in if held is not None else "",
    )


def _machine(desk: Desk, job: Job) -> Machine | None:
    """The machine a job was opened with; None where this version cannot read it, which must not hide the job."""
    if job.fingerprint in desk.benches:
        return desk.benches[job.fingerprint].machine
    try:
        return machine_of(desk.store.get_machine(job.fingerprint), job.machine)
    except UserError:
        return None


def _work_words(machine: Machine | None, work: Observation | None) -> str:
    assert isinstance(work, Action)  # only the entries of work come here
    return observation_words(machine, work) if machine is not None else f"{work.action} {work.place}"


def possible_return(found: PossibleReturn) -> str:
    """That a mended fault may be back, in words."""
    sure = f"confidence then {100 * found.confidence:.0f} %" if found.confidence is not None else (
        "how sure it was then is not recorded"
    )
    return (
        f"This may be the same fault: job {found.job}, mended {ago_words(found.days_ago, found.hours_ago)}, {sure}; "
        "its repair is not proven yet."
    )


def _return_words(found: PossibleReturn, new: str) -> str:
    return (
        f"{possible_return(found)} To go on with it, say halfsplit job reopen {found.job} and close this one "
        f'with halfsplit job close "not found" --job {new}.'
    )


def _still_words(known: str, new: str) -> str:
    return (
        f"Job {known} with the same complaint is still open. To go on with it, say halfsplit job next --job {known} "
        f'and close this one with halfsplit job close "not found" --job {new}.'
    )
