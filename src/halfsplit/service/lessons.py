"""What a closing keeps for learning: odds, the exposure of the place, looks that missed, how sure the repair was."""

from __future__ import annotations

import numpy as np

from halfsplit.jobs.events import Cause, NotFoundCause
from halfsplit.jobs.model import Job
from halfsplit.jobs.past import ExposureLevel, GroupOdds, Lesson, MissedLook
from halfsplit.jobs.units import MeterReading
from halfsplit.observations import Action, Look
from halfsplit.proving.verdict import verdict
from halfsplit.service.desk import Standing
from halfsplit.service.repair_odds import repair_disturbance
from halfsplit.service.runs import returned_since, runs_counted

#: Groups below these odds at closing are not kept, nor more groups than these; no source.
WORTH_KEEPING = 0.01
MOST_KEPT = 12


def lesson_of(standing: Standing, job: Job, cause: Cause | NotFoundCause, meter: MeterReading | None) -> Lesson:
    """What is learned of a job that is closed with this cause; ``meter`` is the unit's last reading.

    ``nothing`` is the chance that nothing was ever wrong, ``something_else`` that the cause is in no table.
    """
    belief, space = standing.hunt.belief, standing.hunt.bench.space
    odds = belief.cause_odds()
    order = [int(at) for at in np.argsort(-odds)[:MOST_KEPT] if odds[at] >= WORTH_KEEPING]
    kept = tuple(GroupOdds(space.groups[at].id, _share(float(odds[at]))) for at in order)
    # A cause may be of a machine file that was changed since.
    group = [at for at, one in enumerate(space.groups) if isinstance(cause, Cause) and one.id == cause.group]
    fault = int(space.row_fault[space.hyp_row[belief.likeliest(group[0])]]) if group else None
    of_cause = space.faults[fault] if fault is not None else None
    found = repair_disturbance(standing)
    hit = hidden = sure = None
    if found is not None:
        hit = sure = _share(found.hit)
        hidden = _share(found.hidden)
        counted = runs_counted(job)
        quiet = counted.history.quiet() if counted is not None else None
        if counted is not None and quiet is not None:
            sure = _share(verdict(quiet, hit, hidden, counted.done).confidence)
        if returned_since(job):
            sure = 0.0
    exposure = standing.machine.zones[of_cause.zone].exposure if of_cause is not None else {}
    return Lesson(
        fault=of_cause.id if of_cause is not None else "",
        mode=of_cause.mode.id if of_cause is not None else "",
        owner=of_cause.owner if of_cause is not None else "",
        zone=of_cause.zone if of_cause is not None else "",
        exposure=tuple(ExposureLevel(name, exposure[name]) for name in sorted(exposure)),
        odds=kept,
        nothing=_share(belief.nothing),
        something_else=_share(belief.other),
        missed=_missed(standing, job, fault) if fault is not None else (),
        hit=hit,
        hidden=hidden,
        confidence=sure,
        hours=meter.hours if meter is not None else None,
        read_on=meter.on.isoformat() if meter is not None else "",
    )


def _share(value: float) -> float:
    return min(1.0, max(0.0, float(value)))


def _missed(standing: Standing, job: Job, fault: int) -> tuple[MissedLook, ...]:
    """Looks that could have seen the fault, found nothing, and came before its place was worked on."""
    evidence, group = standing.hunt.evidence, standing.hunt.bench.space.faults[fault].group
    found = []
    for entry in job.standing:
        seen = entry.observation
        if isinstance(seen, Action) and f"{seen.action}:{seen.place}" == group:
            break
        if isinstance(seen, Look) and not seen.found and fault in evidence.faults_seen_at(seen.look, seen.place):
            found.append(MissedLook(entry.number, seen.look, seen.place))
    return tuple(found)
