"""What the earlier jobs of a unit say when a new one is opened: recent work nearby, and a fault that may be back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from halfsplit.diagnosis.hunt import Bench
from halfsplit.errors import UserError
from halfsplit.faults.priors import RECENT_WORK_FACTOR
from halfsplit.jobs.events import JobClosed, utc_time
from halfsplit.jobs.model import Entry, Job
from halfsplit.jobs.past import PossibleReturn, RecentWork, UnitPast
from halfsplit.jobs.recording import load_job
from halfsplit.jobs.units import Unit, fold_unit, hours_on, hours_run, plain_serial
from halfsplit.observations import Action, Complaint
from halfsplit.proving.verdict import confidence, run_for
from halfsplit.service.desk import Desk
from halfsplit.service.runs import runs_counted

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "unit-machine": "The unit was noted as another kind of machine.",
}

#: Work counts as recent up to here, both from memory: by the meter from a reading by then to the last one, and by the
#: calendar for the time in which it was not read.
RECENT_HOURS = 250.0
RECENT_DAYS = 90
#: A repair with a history is taken as proven at this confidence; one of the goals of a proving run, no source.
PROVEN_AT = 0.95
#: The same complaint this much later is taken as another fault, proven or not; from memory.
RETURN_DAYS = 365

WINDOW = (
    f"Faults there count as {RECENT_WORK_FACTOR:g} times as common. Lately is up to {RECENT_HOURS:.0f} h by the meter "
    f"and up to {RECENT_DAYS} days in which it was not read; all three from memory."
)


def unit_of(desk: Desk, serial: str) -> Unit:
    """The unit of that serial number; one of which nothing was noted when it is not known."""
    plain = plain_serial(serial)
    return fold_unit(plain, desk.store.unit_events(plain))


def known_units(desk: Desk) -> tuple[str, ...]:
    """Serial numbers that were noted or that a job was opened on."""
    worked = {plain_serial(line.unit) for line in desk.store.jobs()} - {""}
    return tuple(sorted({*desk.store.units(), *worked}))


def jobs_of(desk: Desk, serial: str, machine: str = "") -> tuple[Job, ...]:
    """The unit's real jobs by opening, on one kind of machine when it is named; practice never counts."""
    plain = plain_serial(serial)
    lines = [line for line in desk.store.jobs(machine=machine or None) if plain_serial(line.unit) == plain]
    return tuple(job for job in (load_job(desk.store, line.id) for line in lines) if job.clock == "wall")


def today(desk: Desk) -> date:
    """The day it is where the desk stands."""
    return desk.now().date()


def day_of(desk: Desk, when: str) -> date:
    """The day of a kept time where the desk stands."""
    return utc_time(when).astimezone(desk.now().tzinfo).date()


def past_of(desk: Desk, serial: str, bench: Bench, complaint: Complaint) -> UnitPast | None:
    """What an opening keeps of its unit; None where nothing is known of it.

    Raises UserError("unit-machine") when the unit was noted as another kind of machine.
    """
    unit, day = unit_of(desk, serial), today(desk)
    if unit.machine and unit.machine != bench.machine.id:
        raise UserError(
            "unit-machine",
            f"Unit {serial} is noted as {unit.machine}, not as {bench.machine.id}.",
            f'Open the job on that machine, or put the note right: halfsplit unit note "{serial}" --machine MACHINE.',
        )
    jobs = jobs_of(desk, serial, bench.machine.id)
    recent = []
    for when, job in _by_last_work(jobs):
        places, since = _touched(bench, job), day_of(desk, when)
        if places and _is_recent(unit, since, day):
            recent.append(RecentWork(job.id, places, days_between(since, day), hours_run(unit.readings, since, day)))
    same = [
        (when, job)
        for when, job in _by_last_work(jobs, repairs=True)
        if job.state == "closed" and shares_function(job.complaint, complaint)
    ]
    may_be = _possible_return(unit, same[0][1], day_of(desk, same[0][0]), day) if same else None
    meter = hours_on(unit.readings, day)
    if meter is None and not recent and may_be is None:
        return None
    return UnitPast(
        meter.hours if meter is not None else None,
        meter.on.isoformat() if meter is not None else "",
        tuple(recent), may_be, WINDOW if recent else "",
    )  # fmt: skip


def shares_function(one: Complaint, other: Complaint) -> bool:
    """Whether a function fails in both complaints, in whatever state."""
    return bool({symptom.function for symptom in one.symptoms} & {symptom.function for symptom in other.symptoms})


def actions(job: Job, *, repairs: bool = False) -> list[Entry]:
    """The entries that tell of work, or only of work that mends."""
    return [
        entry
        for entry in job.standing
        if isinstance(entry.observation, Action) and not (repairs and entry.observation.action == "unplug-refit")
    ]


def _by_last_work(jobs: Sequence[Job], *, repairs: bool = False) -> list[tuple[str, Job]]:
    """Jobs with work, each with the time of its last, latest first."""
    found = [(done[-1].when, job) for job in jobs if (done := actions(job, repairs=repairs))]
    return sorted(found, key=lambda one: (utc_time(one[0]), one[1].id), reverse=True)


def days_between(begin: date, end: date) -> int:
    """Days from one to the other, 0 when they lie the other way round."""
    return max(0, (end - begin).days)


def _is_recent(unit: Unit, since: date, day: date) -> bool:
    """Whether work of the day ``since`` counts: hours by the meter, days for the time in which it was not read."""
    hours, meter = hours_run(unit.readings, since, day), hours_on(unit.readings, day)
    unread = meter.on if hours is not None and meter is not None else since
    return (hours or 0.0) <= RECENT_HOURS and days_between(unread, day) <= RECENT_DAYS


def _touched(bench: Bench, job: Job) -> tuple[str, ...]:
    """Ids of this machine that a job's work touched: what was mended and what was taken apart on the way."""
    known = {name for fault in bench.faults for name in (fault.place, fault.owner)}
    found: dict[str, None] = {}
    for one in job.observations:
        if isinstance(one, Action):
            named = [one.place, one.place.partition(".")[0]]
            for fault in bench.faults:
                if fault.group == f"{one.action}:{one.place}":
                    named += [fault.place, fault.owner]
            found.update(dict.fromkeys(name for name in named if name in known))
    return tuple(found)


def _possible_return(unit: Unit, job: Job, since: date, day: date) -> PossibleReturn | None:
    """The job whose fault may be back; None when its repair, of the day ``since``, was proven or lies too far back."""
    hours, days = hours_run(unit.readings, since, day), days_between(since, day)
    lesson = next((one.what.lesson for one in reversed(job.standing) if isinstance(one.what, JobClosed)), None)
    sure = lesson.confidence if lesson is not None else None
    counted = runs_counted(job)
    quiet = counted.history.quiet() if counted is not None else None
    if lesson is None or lesson.hit is None or counted is None or counted.returned or quiet is None:
        return PossibleReturn(job.id, days, hours, sure) if _is_recent(unit, since, day) else None
    hidden = lesson.hidden or 0.0
    sure = confidence(lesson.hit, hidden, quiet.chance(counted.done))
    needed = run_for(PROVEN_AT, quiet, lesson.hit, hidden)
    done = counted.done
    if counted.history.measure == "hours" and not counted.history.condition and hours is not None:
        done = max(done, hours)  # it ran so long without a word of the fault
    proven = needed is not None and done >= needed
    return None if proven or days > RETURN_DAYS else PossibleReturn(job.id, days, hours, sure)
