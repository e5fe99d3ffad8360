"""The load list of a job: what to take along, how likely each thing is needed, and what leaving it behind costs."""

from __future__ import annotations

from dataclasses import dataclass

from halfsplit.diagnosis.hunt import Hunt
from halfsplit.diagnosis.load_list import (
    EVERY_JOB,
    FOUND,
    Line,
    cases_of,
    enough,
    finishing,
    instruments,
    load_list,
    restated,
    something_else,
)
from halfsplit.diagnosis.naming import function_name, group_short, state_name
from halfsplit.errors import UserError
from halfsplit.jobs.events import ObservationRecorded
from halfsplit.jobs.model import Job
from halfsplit.jobs.van import Stock, current_van, folded
from halfsplit.observations import Symptom
from halfsplit.service.desk import Desk
from halfsplit.service.results import JobHead
from halfsplit.service.working import head

#: Lines counted as "the first lines" where nobody says how many.
MOST_LISTED = 24
#: A question to the customer tells at least this much (natural units of information) to be worth asking; no source.
WORTH_ASKING = 0.1


@dataclass(frozen=True, slots=True)
class ReasonLine:
    """A correction that a thing is for, and the chance that it is needed there."""

    group: str
    repair: str
    chance: float


@dataclass(frozen=True, slots=True)
class LoadLine:
    """One thing to load; ``sort`` is part, consumable or tool, all chances 0..1.

    ``chance`` that it is needed, ``cost`` in chance of finishing on the first visit when it alone stays behind.
    ``reasons`` say what it is for, likeliest first, ``more_reasons`` for how many corrections more; ``source`` says
    where it comes from that those need it. ``in_van`` tells whether the van holds enough, None where that is not
    known; ``van`` what it holds, like "3 pcs", "" when nothing.
    """

    sort: str
    item: str
    amount: str
    chance: float
    cost: float
    reasons: tuple[ReasonLine, ...]
    more_reasons: int
    source: str
    in_van: bool | None
    van: str


@dataclass(frozen=True, slots=True)
class EveryJobLine:
    """One thing for every job: a tool or a consumable."""

    sort: str
    item: str


@dataclass(frozen=True, slots=True)
class InstrumentLine:
    """An instrument that is not indispensable, with the odds of the places where a check is made with it."""

    item: str
    chance: float


@dataclass(frozen=True, slots=True)
class FirstVisit:
    """Chances 0..1 of finishing on the first visit, the hunt included.

    ``with_all`` things of the list, ``if_known`` the same where the cause is one that the machine file knows (None
    where that cannot be), ``with_first`` the ``first`` dearest of them, ``with_none`` of them, ``with_van`` what the
    van holds now (None when its list was never brought in). ``nothing_wrong`` is the part of each in which there is
    nothing to mend, ``something_else`` what no load can finish, ``found`` the share of causes a hunt finds.
    """

    with_all: float
    if_known: float | None
    with_first: float
    first: int
    with_none: float
    with_van: float | None
    nothing_wrong: float
    something_else: float
    found: float


@dataclass(frozen=True, slots=True)
class QuestionLine:
    """The one question to the customer on the phone that tells most: its check, and the question in words."""

    check: str
    words: str


@dataclass(frozen=True, slots=True)
class LoadList:
    """What to take along to a job, dearest to leave behind first.

    ``van_number`` is the van's list looked into; ``question`` None when no question is worth its minute.
    """

    head: JobHead
    first_visit: FirstVisit
    lines: tuple[LoadLine, ...]
    every_job: tuple[EveryJobLine, ...]
    instruments: tuple[InstrumentLine, ...]
    van_number: int
    question: QuestionLine | None


def job_load_list(desk: Desk, job_id: str | None = None, most: int = MOST_LISTED) -> LoadList:
    """The load list of an open job; ``most`` is how many lines count as the first. Raises UserError("job-closed")."""
    job = desk.job(job_id)
    if job.state == "closed":
        raise UserError("job-closed", f"Job {job.id} is closed.", "Reopen it first.")
    standing = desk.standing(job)
    hunt, belief = standing.hunt, standing.hunt.belief
    bench = hunt.bench
    other = something_else(belief.other, Hunt(bench, job.weighed).belief.other)
    cases, mended = restated(cases_of(belief, bench.signatures, job.complaint), belief.mended, belief.other, other)
    found = load_list(cases, mended, most=most)
    van = current_van(desk.store)
    stock = {folded(one.item): one for one in van.stock}
    names = {group.id: group_short(group) for group in bench.space.groups}
    lines = tuple(_line(one, names, stock, known=van.number > 0) for one in found.lines)
    known = 1.0 - mended - other
    with_van = None
    if van.number:
        with_van = finishing(cases, {one.item for one in lines if one.in_van}, mended, FOUND)
    return LoadList(
        head=head(standing, job),
        first_visit=FirstVisit(
            with_all=found.with_all,
            if_known=(found.with_all - mended) / known if known > 0.0 else None,
            with_first=found.with_most,
            first=found.most,
            with_none=found.with_none,
            with_van=with_van,
            nothing_wrong=mended,
            something_else=other,
            found=FOUND,
        ),
        lines=lines,
        every_job=tuple(EveryJobLine(sort, item) for sort, item in EVERY_JOB),
        instruments=tuple(
            InstrumentLine(item, chance)
            for item, chance in instruments(
                bench.machine, bench.space.groups, belief.group_odds(), hunt.planner.checks
            )
        ),
        van_number=van.number,
        question=_question(hunt, _answered(job)),
    )


def _answered(job: Job) -> frozenset[str]:
    """The checks that somebody else has answered already: nobody is asked twice."""
    return frozenset(
        entry.what.check
        for entry in job.standing
        if isinstance(entry.what, ObservationRecorded)
        and isinstance(entry.what.observation, Symptom)
        and entry.what.observation.reported
    )


def _question(hunt: Hunt, answered: frozenset[str]) -> QuestionLine | None:
    """What a customer can see without opening or measuring anything, in a state without dangers; the most telling."""
    machine = hunt.bench.machine
    options = [
        (option.information, option.check)
        for option in hunt.planner.rank(hunt.belief, hunt.evidence, hunt.situation)
        if option.check is not None
        and option.check.kind in ("operate", "round")
        and not option.check.steps
        and option.check.id not in answered
        and not machine.states[option.check.state].dangers
        and option.information >= WORTH_ASKING
    ]
    if not options:
        return None
    _, check = max(options, key=lambda one: (one[0], one[1].id))
    state = state_name(machine, check.state)
    asked = (
        "what does not do what it should on a walk round the machine?"
        if check.kind == "round"
        else f"what does this do: {function_name(machine, check.function)}?"
    )
    return QuestionLine(check.id, f"With the machine set to {state}, {asked}")


def _line(one: Line, names: dict[str, str], stock: dict[str, Stock], *, known: bool) -> LoadLine:
    """A line with what the van holds of it; tools are carried anyway unless the van's list says how many."""
    held = stock.get(folded(one.item))
    in_van: bool | None = None
    if known:
        in_van = one.sort == "tool" if held is None else enough(one.amount, held.count, held.unit)
    return LoadLine(
        sort=one.sort,
        item=one.item,
        amount=one.amount,
        chance=one.chance,
        cost=one.cost,
        reasons=tuple(ReasonLine(group, names[group], chance) for group, chance in one.reasons),
        more_reasons=one.more,
        source=one.source,
        in_van=in_van,
        van="" if held is None else f"{held.count:g} {held.unit}",
    )
