"""The correction sheet of a cause, and a correction that was done in part or could not be done."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from halfsplit.diagnosis.explaining import RepairWords, explain_repair
from halfsplit.diagnosis.naming import group_short, named, place_words
from halfsplit.diagnosis.planning import group_steps
from halfsplit.diagnosis.space import RepairGroup
from halfsplit.errors import UserError
from halfsplit.faults.correcting import Inspect, Sheet, Went, correction_sheet, work_really_done
from halfsplit.faults.corrections_tables import ValueRow
from halfsplit.jobs.events import AccessOpened, Cause, Happening, ObservationRecorded
from halfsplit.jobs.model import Job
from halfsplit.machine.model import Machine
from halfsplit.quantities import duration_min
from halfsplit.service.desk import Desk, Standing
from halfsplit.service.found import keep
from halfsplit.service.results import JobHead, OpeningLine, Recorded
from halfsplit.service.working import find_group, head

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "correction-went": "How a correction went is neither partly nor failed.",
}


@dataclass(frozen=True, slots=True)
class MaterialLine:
    """A part, consumable or tool (``sort``), how much of it, and who says so."""

    sort: str
    item: str
    amount: str
    source: str


@dataclass(frozen=True, slots=True)
class ValueLine:
    """A torque or limit: ``low`` and ``high`` in ``unit`` (None: no bound), ``words`` for a person.

    ``status`` is published, common practice or from memory.
    """

    item: str
    low: float | None
    high: float | None
    unit: str
    words: str
    condition: str
    source: str
    status: str


@dataclass(frozen=True, slots=True)
class ClosingLine:
    """How the way in of water, the rubbing or the like is closed; ``what`` is that reason."""

    what: str
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class InspectLine:
    """Something to inspect, why, and what to look for."""

    thing: str
    zone: str
    why: tuple[str, ...]
    look_for: str


@dataclass(frozen=True, slots=True)
class CorrectionSheet:
    """What is needed to correct a cause, for a person; ``odds`` that it is needed now, all shares 0..1.

    ``steps`` begin with bringing the machine to a standstill and end with putting back and trying it out.
    """

    head: JobHead
    group: str
    repair: str
    fault: str
    where: str
    odds: float
    success: float
    minutes: float
    correction: str
    source: str
    cautions: tuple[str, ...]
    openings: tuple[OpeningLine, ...]
    steps: tuple[str, ...]
    materials: tuple[MaterialLine, ...]
    values: tuple[ValueLine, ...]
    closing: tuple[ClosingLine, ...]
    inspect_now: tuple[InspectLine, ...]
    inspect_later: tuple[InspectLine, ...]


def sheet(desk: Desk, suspect: str = "", job_id: str | None = None) -> CorrectionSheet:
    """The sheet for a suspect (number, place or repair), the job's cause, or the likeliest suspect by default."""
    job = desk.job(job_id)
    standing = desk.standing(job)
    group = _group(standing, job, suspect)
    words = explain_repair(standing.hunt, group)
    space = standing.hunt.bench.space
    fault = space.fault_of(standing.hunt.belief.likeliest(space.groups.index(group)))
    found = correction_sheet(standing.machine, fault, words.cautions, standing.open_now)
    return _lines(standing, job, group, words, found)


def record_half(
    desk: Desk, suspect: str, went: str, job_id: str | None = None, *, why: str = "", minutes: str = ""
) -> Recorded:
    """Notes a correction that was done in part ("partly") or could not be done ("failed"), as evidence.

    What was really done to the place is what the odds are given, so the whole repair stays to be done.
    Raises UserError("correction-went").
    """
    kinds: dict[str, Went] = {"partly": "partly", "in part": "partly", "failed": "failed"}
    how = kinds.get(" ".join(went.split()).casefold())
    if how is None:
        raise UserError(
            "correction-went",
            f'"{went}" does not say how far the correction went.',
            "Say partly or failed; a whole one is recorded like: halfsplit job found mended --repair X12.3.",
        )
    spent = duration_min(minutes) if minutes else None
    job = desk.job(job_id)
    standing = desk.standing(job)
    group = _group(standing, job, suspect)
    events: list[Happening] = [
        AccessOpened(step, standing.machine.access[step].open_min)
        for step in group_steps(standing.machine, group)
        if step not in standing.open_now
    ]
    action = work_really_done(group.id, group.owner, how, why)
    events.append(ObservationRecorded(action, "", group.minutes if spent is None else spent))
    return keep(desk, job, events)


def _group(standing: Standing, job: Job, suspect: str) -> RepairGroup:
    if not suspect.strip() and isinstance(job.cause, Cause):
        return find_group(standing.hunt, job.cause.group)
    return find_group(standing.hunt, suspect)


def _lines(standing: Standing, job: Job, group: RepairGroup, words: RepairWords, found: Sheet) -> CorrectionSheet:
    machine = standing.machine
    return CorrectionSheet(
        head=head(standing, job),
        group=group.id,
        repair=group_short(group),
        fault=found.fault,
        where=f"{place_words(machine, group.place)}, {found.zone}",
        odds=words.odds,
        success=found.success,
        minutes=found.minutes,
        correction=found.correction,
        source=found.source,
        cautions=found.cautions,
        openings=tuple(OpeningLine(one.step, one.name, one.open_min, one.close_min) for one in words.openings),
        steps=_in_place_of_the_work(words, found.steps),
        materials=tuple(MaterialLine(one.sort, one.item, one.amount, one.source) for one in found.materials),
        values=tuple(_value(one) for one in found.values),
        closing=tuple(ClosingLine(one.what, one.text, one.source) for one in found.closing),
        inspect_now=_inspect(machine, found.inspect_now),
        inspect_later=_inspect(machine, found.inspect_later),
    )


def _in_place_of_the_work(words: RepairWords, steps: Sequence[str]) -> tuple[str, ...]:
    """The way in, the sheet's own steps where the repair says its work in one sentence, and the way out."""
    at = words.steps.index(f"{words.work[0].upper()}{words.work[1:]}.")
    return (*words.steps[:at], *steps, *words.steps[at + 1 :])


def _value(one: ValueRow) -> ValueLine:
    return ValueLine(
        one.item, one.low, one.high, one.unit, bounds_words(one.low, one.high, one.unit), one.condition,
        one.source, one.status,
    )  # fmt: skip


def bounds_words(low: float | None, high: float | None, unit: str) -> str:
    """Bounds for a person: "5.6 to 7.9 N m", "at most 0.1 V", "at least 45 N"."""
    if low is not None and high is not None:
        return f"{low:g} to {high:g} {unit}"
    if high is not None:
        return f"at most {high:g} {unit}"
    return f"at least {low:g} {unit}" if low is not None else ""


def _inspect(machine: Machine, found: Collection[Inspect]) -> tuple[InspectLine, ...]:
    return tuple(
        InspectLine(named(machine, one.thing), machine.zones[one.zone].name or one.zone, one.why, one.look_for)
        for one in found
    )
