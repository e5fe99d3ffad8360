"""Working a job: opening it, the next check, recording what was found, suspects, and why."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path

import numpy as np

from halfsplit.diagnosis.explaining import (
    CheckWords,
    Minutes,
    Opening,
    RepairWords,
    explain_check,
    explain_repair,
)
from halfsplit.diagnosis.hunt import Bench, Hunt, check_complaint
from halfsplit.diagnosis.naming import (
    check_short,
    group_short,
    group_words,
)
from halfsplit.diagnosis.planning import Decision, Option
from halfsplit.diagnosis.space import RepairGroup
from halfsplit.diagnosis.stopping import ending
from halfsplit.diagnosis.surprise import surprise
from halfsplit.diagnosis.testimony import why as case_for
from halfsplit.errors import UserError, nearest
from halfsplit.jobs.events import Clock, JobOpened
from halfsplit.jobs.model import Job
from halfsplit.jobs.recording import open_job as begin_job
from halfsplit.jobs.store import fingerprint_of
from halfsplit.jobs.units import check_serial
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint
from halfsplit.service import typed
from halfsplit.service.beside import Processes
from halfsplit.service.complaints import complaint_words
from halfsplit.service.desk import Desk, Standing, machine_files
from halfsplit.service.results import (
    JobHead,
    MeaningLine,
    MinutesLine,
    NextStep,
    OpeningLine,
    OtherStep,
    OutcomeLine,
    Step,
    Suspect,
    Suspects,
    TestimonyLine,
    WhyLines,
)
from halfsplit.service.unit_history import Opened, history, worked_on_words
from halfsplit.service.unit_past import past_of

CODES: dict[str, str] = {
    "suspect-unknown": "No suspect goes by that number, place or repair.",
}

#: Suspects below these odds are not listed unless asked for; no source.
WORTH_LISTING = 0.01
MOST_LISTED = 8


def open_job(
    desk: Desk,
    machine_path: Path,
    complaint: Complaint,
    *,
    unit: str = "",
    job_id: str = "",
    clock: Clock = "wall",
    machine: Machine | None = None,
) -> Opened:
    """Opens a job: keeps the machine's files with it and gives the first step.

    ``machine`` is what the path holds, where it was read already. The opening keeps what it used of the unit's earlier
    jobs, so that the odds stay what they were whatever is noted of the unit later. Raises ProblemsError for a machine
    that cannot be used, UserError for a complaint that does not fit it or a unit that is another kind of machine.
    """
    machine = machine or load_machine(machine_path)
    check_complaint(machine, complaint)
    serial = check_serial(unit) if unit.strip() else ""
    files = machine_files(machine_path)
    fingerprint = fingerprint_of(files)
    if fingerprint not in desk.benches:
        desk.benches[fingerprint] = Bench(machine, desk.tables)
    # What takes long comes before anything is kept: a job that nobody waits for any more is not opened.
    desk.benches[fingerprint].prepare(complaint, desk.begin or Processes().begin)
    past = past_of(desk, serial, desk.benches[fingerprint], complaint) if serial and clock == "wall" else None
    desk.go_on()
    desk.store.put_machine(fingerprint, files)
    opened = JobOpened(machine.id, fingerprint, serial, complaint, clock, past)
    name = job_id or free_id(desk, machine.id)
    job = begin_job(desk.store, name, opened, when=desk.when(), by=desk.by, sending=desk.sending)
    first = next_step(desk, job.id)
    told = {item.name: getattr(first, item.name) for item in fields(first)}
    return Opened(**told, history=history(desk, job) if clock == "wall" else None)


def free_id(desk: Desk, machine_id: str) -> str:
    """An id for a new job: the machine, the day, and a number that is free."""
    stem = re.sub(r"[^a-z0-9._-]", "-", machine_id.lower())[:40].strip("-._") or "job"
    start = f"{stem}-{desk.now():%y%m%d}"
    taken = {line.id for line in desk.store.jobs()}
    number = 1
    while f"{start}-{number}" in taken:
        number += 1
    return f"{start}-{number}"


def next_step(desk: Desk, job_id: str | None = None, other: int = 0) -> NextStep:
    """The next step of a job, or the ``other``-th runner-up in its place."""
    job = desk.job(job_id)
    return step_from(desk.standing(job), job, other)


def step_from(standing: Standing, job: Job, other: int = 0, decision: Decision | None = None) -> NextStep:
    """The step that a decision asks for, with all that is said beside it."""
    hunt = standing.hunt
    decision = standing.decide() if decision is None else decision
    end = ending(hunt, decision)
    options = options_of(decision)
    chosen = options[min(other, len(options) - 1)] if options else None
    told = surprise(hunt, standing.observations)
    kind = end.kind if end.kind != "go on" else _kind(chosen)
    rest = [option for option in options if option is not chosen]
    return NextStep(
        head=head(standing, job),
        kind=kind,
        words=end.words,
        reason=decision.reason,
        step=_step(hunt, chosen) if chosen is not None and end.kind == "go on" else None,
        others=tuple(_other(hunt, option, chosen) for option in rest[:4]) if chosen is not None else (),
        suspects=tuple(suspects_of(hunt)),
        nothing=hunt.belief.mended,
        something_else=hunt.belief.other,
        two_at_once=hunt.belief.both,
        surprise=told.words if told is not None else "",
        fixed_idea=standing.warning.words if standing.warning is not None else "",
        open_access=tuple(standing.open_now),
        runners_up=max(0, len(options) - 1),
    )


def _kind(option: Option | None) -> str:
    return "repair" if option is not None and option.repair is not None else "check"


def options_of(decision: Decision) -> list[Option]:
    """The best option and its runners-up, in order."""
    return ([decision.best] if decision.best is not None else []) + list(decision.others)


def head(standing: Standing, job: Job) -> JobHead:
    """What stands above everything said of a job."""
    machine = standing.machine
    return JobHead(
        job=job.id,
        machine=job.machine,
        machine_name=machine.name,
        unit=job.unit,
        state=job.state,
        clock=job.clock,
        complaint=complaint_words(machine, job.complaint),
        conditions=job.complaint.conditions,
        comes_and_goes=job.complaint.comes_and_goes,
        minutes=job.minutes,
        entries=len(job.entries),
    )


def suspects_of(hunt: Hunt, most: int = MOST_LISTED, least: float = WORTH_LISTING) -> list[Suspect]:
    """Repair groups by odds, best first."""
    space, machine = hunt.bench.space, hunt.bench.machine
    odds = hunt.belief.group_odds()
    rows = hunt.belief.row_odds()
    found = []
    for at in np.argsort(-odds)[:most]:
        if odds[at] < least:
            break
        group = space.groups[int(at)]
        fault = space.fault_of_row(space.foremost_row(int(at), rows))
        found.append(
            Suspect(
                group.id, float(odds[at]), group_short(group), fault.text, group.owner,
                machine.zones[group.zone].name, group.minutes,
            )
        )  # fmt: skip
    return found


def suspects(desk: Desk, job_id: str | None = None, most: int = 20) -> Suspects:
    """Everything suspected that is worth naming."""
    job = desk.job(job_id)
    standing = desk.standing(job)
    hunt = standing.hunt
    listed = tuple(suspects_of(hunt, most, 0.0))
    return Suspects(head(standing, job), listed, hunt.belief.mended, hunt.belief.other, hunt.belief.both)


def why(desk: Desk, suspect: str = "", job_id: str | None = None) -> WhyLines:
    """What speaks for and against a suspect: its number, place or repair; by default the first."""
    job = desk.job(job_id)
    standing = desk.standing(job)
    hunt = standing.hunt
    group = find_group(hunt, suspect)
    found = case_for(hunt, group.id, standing.observations)
    space = {one.id: one for one in hunt.bench.space.groups}
    return WhyLines(
        head=head(standing, job),
        group=group.id,
        repair=group_words(standing.machine, group),
        text=found.text,
        odds=found.odds,
        rival=found.rival,
        rival_repair=group_words(standing.machine, space[found.rival]),
        rival_odds=found.rival_odds,
        prior_ratio=found.prior_ratio,
        worked_on=worked_on_words(job, hunt.bench, group),
        testimonies=tuple(
            TestimonyLine(
                standing.numbers[one.number], one.subject, one.found, one.expected, one.weight, one.ratio, one.little
            )
            for one in found.testimonies
        ),
        doubles=tuple(MeaningLine(name, group_short(space[name]), odds) for name, odds in found.doubles),
    )


def find_group(hunt: Hunt, text: str) -> RepairGroup:
    """A repair group by its place in the list of suspects (1 first), its id, its short words or its place."""
    groups = hunt.bench.space.groups
    odds = hunt.belief.group_odds()
    order = [int(at) for at in np.argsort(-odds)]
    wanted = " ".join(text.split()).casefold()
    if not wanted:
        return groups[order[0]]
    if wanted.isdigit() and 1 <= int(wanted) <= len(order):
        return groups[order[int(wanted) - 1]]
    for at in order:
        group = groups[at]
        if wanted in (group.id.casefold(), group_short(group).casefold(), group.place.casefold()):
            return group
    for at in order:
        if groups[at].owner.casefold() == wanted:
            return groups[at]
    near = nearest(text, [one.id for one in groups] + [one.place for one in groups])
    raise UserError(
        "suspect-unknown",
        f'No suspect is called "{text}".',
        f"Did you mean {near}?" if near else "Give its number in the list of suspects, or its place.",
    )


def _step(hunt: Hunt, option: Option) -> Step:
    if option.check is not None:
        return check_step(hunt, explain_check(hunt, option.check))
    assert option.repair is not None  # an option is a check or a repair
    came_right = hunt.came_right()
    handled = came_right[1] if came_right is not None and came_right[0] == option.repair else None
    return repair_step(explain_repair(hunt, option.repair), handled)


def check_step(hunt: Hunt, words: CheckWords) -> Step:
    """A check explained, as a step."""
    groups = {one.id: one for one in hunt.bench.space.groups}
    return Step(
        kind="check",
        id=words.check.id,
        title=words.title,
        short=check_short(words.check),
        cautions=words.cautions,
        steps=words.steps,
        openings=_opening_lines(words.openings),
        minutes=_minutes_line(words.minutes),
        outcomes=tuple(
            OutcomeLine(
                one.label, one.low, one.high, one.chance, one.healthy,
                tuple(
                    MeaningLine(
                        m.group, group_short(groups[m.group]) if m.group else "nothing wrong now", m.odds
                    )
                    for m in one.means
                ),
            )
            for one in words.outcomes
        ),
        answers=typed.expected_answers(hunt.bench.machine, words.check),
    )  # fmt: skip


def repair_step(words: RepairWords, came_right: float | None) -> Step:
    """A repair explained, as a step."""
    return Step(
        kind="repair",
        id=words.group.id,
        title=words.title,
        short=group_short(words.group),
        cautions=words.cautions,
        steps=words.steps,
        openings=_opening_lines(words.openings),
        minutes=_minutes_line(words.minutes),
        outcomes=(),
        answers="mended, not mended, done, can't reach",
        odds=words.odds,
        success=words.success,
        came_right=came_right,
        material=words.material,
        look_for=words.look_for,
    )


def _opening_lines(openings: Sequence[Opening]) -> tuple[OpeningLine, ...]:
    return tuple(OpeningLine(one.step, one.name, one.open_min, one.close_min) for one in openings)


def _minutes_line(one: Minutes) -> MinutesLine:
    return MinutesLine(one.own, one.opening, one.closing, one.setting, one.verifying, one.total)


def _other(hunt: Hunt, option: Option, chosen: Option) -> OtherStep:
    kind = _kind(option)
    if option.check is not None:
        name, short = option.check.id, check_short(option.check)
    else:
        assert option.repair is not None  # an option is a check or a repair
        name, short = option.repair.id, group_short(option.repair)
    del hunt
    more = option.minutes - chosen.minutes
    if option.expected_min is not None and chosen.expected_min is not None:
        more = option.expected_min - chosen.expected_min
    return OtherStep(kind, name, short, option.minutes, more)
