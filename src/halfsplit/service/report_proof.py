"""The proof of a repair in the words of a report."""

from __future__ import annotations

from halfsplit.jobs.events import HistoryStated, RunRecorded
from halfsplit.jobs.model import Job
from halfsplit.quantities import in_100
from halfsplit.reports.content import Proving
from halfsplit.service.desk import Desk
from halfsplit.service.proving import proof

#: A confidence below this is not called proven; as the lowest that a run is stated for.
PROVEN_AT = 0.90
#: A ceiling as high as this is none that anybody runs into; no source.
NO_CEILING = 0.995


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
        sure = in_100(found.confidence)
        words.append(
            f"Sure by now that the cause is gone: {sure}."
            if found.confidence >= PROVEN_AT
            else f"Not proven yet: sure by {sure}."
        )
        if found.ceiling is not None and found.ceiling < NO_CEILING:
            words.append(f"Running alone can show no more than {in_100(found.ceiling)}.")
        reached = [one for one in found.goals if one.run is not None and not one.more]
        if reached:
            words.append(f"Reached: {_listed([f'{100 * one.confidence:.0f}' for one in reached])} in 100.")
        words.extend(f"For {in_100(one.confidence)}: {one.words}." for one in found.goals if one not in reached)
    return Proving(tuple(words), found.confidence)


def _listed(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]
