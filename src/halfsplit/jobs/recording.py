"""Opening a job and writing into it: check what it would become, keep it, hand back the job as it now stands.

Everything that records goes through here, so that no store ever holds an event its job does not allow.
"""

from __future__ import annotations

from collections.abc import Sequence

from halfsplit.jobs.events import Event, Happening, JobOpened
from halfsplit.jobs.model import Job, apply, fold
from halfsplit.jobs.store import JobStore


def open_job(store: JobStore, job: str, opened: JobOpened, *, when: str, by: str = "", sending: str = "") -> Job:
    """Begins a job with the id ``job``.

    Raises AlreadyThere, or UserError for an id or value that cannot be kept.
    """
    event = Event(job, 1, when, by, opened, sending)
    begun = apply(None, event)
    store.create_job(event)
    return begun


def load_job(store: JobStore, job: str) -> Job:
    """The job as it stands in the store. Raises NotFound."""
    return fold(store.events(job))


def record(store: JobStore, job: Job, what: Happening, *, when: str, by: str = "", sending: str = "") -> Job:
    """Adds one event to ``job`` as the caller knows it. When this returns, the event is kept.

    Raises UserError when the job does not allow it, Overtaken when the store knows later events than the
    caller.
    """
    return record_all(store, job, (what,), when=when, by=by, sending=sending)


def record_all(
    store: JobStore, job: Job, whats: Sequence[Happening], *, when: str, by: str = "", sending: str = ""
) -> Job:
    """Adds several events in one step, all or none; otherwise like ``record``."""
    events = []
    after = job
    for what in whats:
        event = after.next_event(what, when=when, by=by, sending=sending)
        after = apply(after, event)
        events.append(event)
    store.append_all(job.id, job.last_number, events)
    return after
