"""The runs of a job since its repairs, counted by the history in force."""

from __future__ import annotations

from halfsplit.jobs.events import HistoryStated, RunRecorded
from halfsplit.jobs.model import Job
from halfsplit.observations import Action
from halfsplit.proving.history import History, Run, Tally, tally


def runs_counted(job: Job) -> Tally | None:
    """The tally of a job's runs by the history in force; None while no history is stated."""
    stated: tuple[int, HistoryStated] | None = None
    for entry in job.standing:
        if isinstance(entry.what, HistoryStated):
            stated = (entry.number, entry.what)
    if stated is None:
        return None
    number, told = stated
    epochs: list[list[tuple[int, Run]]] = [[]]
    for entry in job.standing:
        what = entry.what
        if isinstance(what, RunRecorded):
            epochs[-1].append((entry.number, Run(what.measure, what.amount, what.seen, what.in_condition)))
        elif isinstance(entry.observation, Action) and entry.observation.action != "unplug-refit":
            epochs.append([])
    # What was run before an earlier repair is part of the history already when that was stated later.
    earlier = [[run for at, run in epoch if at > number] for epoch in epochs[:-1]]
    history = History(told.measure, told.events, told.amount, told.from_good, told.condition)
    return tally(history, [*earlier, [run for _, run in epochs[-1]]])


def returned_since(job: Job) -> bool:
    """Whether a run since the last repair ended with the fault, history or not."""
    back = False
    for entry in job.standing:
        if isinstance(entry.what, RunRecorded):
            back = back or entry.what.seen
        elif isinstance(entry.observation, Action) and entry.observation.action != "unplug-refit":
            back = False
    return back
