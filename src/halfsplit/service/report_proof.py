"""The proof of a repair in the words of a report."""

from __future__ import annotations

from halfsplit.jobs.events import HistoryStated, RunRecorded
from halfsplit.jobs.model import Job
from halfsplit.reports.content import Proving
from halfsplit.service.desk import Desk
from halfsplit.service.proving import proof

#: A confidence below this is not called proven; as the lowest that a run is stated for.
PROVEN_AT = 0.90


def proving_of(desk: Desk, job: Job) -> Proving | None:
    """What the job's own proof says, None when neither a history nor a run is on record."""
    if not any(isinstance(entry.what, HistoryStated | RunRecorded) for entry in job.standing):
        return None
    found = proof(desk, job.id)
    words = [f"How it failed before: {found.history}."] if found.history else []
    words.extend(f"{one[:1].upper()}{one[1:]}." for one in found.runs)
    if found.returned:
        words.append("The fault showed again after the repair: it is not proven.")
        return Proving(tuple(words), 0.0)
    if found.confidence is not None and found.goals:
        sure = f"{round(100 * found.confidence)} in 100"
        words.append(
            f"Sure by now that the cause is gone: {sure}."
            if found.confidence >= PROVEN_AT
            else f"Not proven yet: sure by {sure}."
        )
        if found.ceiling is not None:
            words.append(f"Running alone can show no more than {round(100 * found.ceiling)} in 100.")
        words.extend(f"For {round(100 * one.confidence)} in 100: {one.words}." for one in found.goals)
    return Proving(tuple(words), found.confidence)
