"""The unit of a job in the words of a report: owner, meter, earlier jobs, and what of them counted in the odds.

Everything is as this job met it: days and hours are counted up to its opening, the meter is the last reading up to its
closing, so that a report printed again later says the same.
"""

from __future__ import annotations

from halfsplit.jobs.events import utc_time
from halfsplit.jobs.model import Job
from halfsplit.jobs.past import UnitPast
from halfsplit.jobs.units import hours_on
from halfsplit.quantities import in_100
from halfsplit.reports.content import EarlierJob, UnitStory
from halfsplit.service.desk import Desk
from halfsplit.service.unit_history import EarlierLine, ago_words, earlier_lines, held_words, place_words
from halfsplit.service.unit_past import day_of, jobs_of, today, unit_of


def story_of(desk: Desk, job: Job) -> UnitStory:
    """The unit's story for a job; an empty one for a job without a unit, and for practice."""
    if not job.unit or job.clock == "practice":
        return UnitStory()
    unit, past = unit_of(desk, job.unit), job.past or UnitPast()
    opened = day_of(desk, job.opened)
    meter = hours_on(unit.readings, day_of(desk, job.closed) if job.closed else today(desk))
    same = jobs_of(desk, job.unit, job.machine)
    upto = [one for one in same if utc_time(one.opened) <= utc_time(job.opened)]
    lines = [one for one in earlier_lines(desk, unit, upto, opened) if one.job != job.id]
    return UnitStory(
        owner=unit.owner,
        hours=meter.hours if meter is not None else past.hours,
        read_on=meter.on.isoformat() if meter is not None else past.read_on,
        earlier=tuple(_line(one, job) for one in lines),
        used=_used(past),
    )


def _line(one: EarlierLine, job: Job) -> EarlierJob:
    held = ""
    if one.held_days is not None:
        back = "this" if one.back_in == job.id else one.back_in
        held = held_words(one.held_days, one.held_hours) + (f", back in {back} job" if back == "this" else
                                                            f", back in {back}" if back else "")  # fmt: skip
    return EarlierJob(one.job, one.opened, one.hours, "; ".join(one.complaint), one.cause, one.work, held)


def _used(past: UnitPast) -> tuple[str, ...]:
    words = [
        f"Worked on lately: {place_words(one.places)}, job {one.job}, {ago_words(one.days_ago, one.hours_ago)} at the "
        "opening."
        for one in past.recent
    ]
    if words:
        words.append(past.window)
    if past.may_be is not None:
        sure = past.may_be.confidence
        said = f", sure then by {in_100(sure)}" if sure is not None else ""
        words.append(f"It may be the same fault as in job {past.may_be.job}, whose repair was not proven{said}.")
    return tuple(words)
