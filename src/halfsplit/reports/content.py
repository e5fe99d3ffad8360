"""What a service report says, as plain frozen data: complaint, cause, correction, and everything beside them.

A report is made from a job (its entries) and from what the diagnosis found, which is handed in ready as
``Findings``: nothing here computes odds or reads a machine file. Two faces: the customer's holds what the owner
of the machine needs, in plain words; the technician's holds everything.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from decimal import Decimal
from typing import Any, Literal

from halfsplit.jobs.events import (
    AccessClosed,
    AccessOpened,
    AdviceGiven,
    AttachmentAdded,
    JobClosed,
    NoteAdded,
    ObservationRecorded,
    PartUsed,
    Role,
    TravelDone,
)
from halfsplit.jobs.model import Entry, Job
from halfsplit.observations import Action, CodeSeen, Look, Move, Reading, Symptom
from halfsplit.quantities import in_100
from halfsplit.reports.bill import Prices, Rates, bill
from halfsplit.reports.prices import Money

Face = Literal["customer", "technician"]
Verdict = Literal["pass", "fail", ""]
FACES: tuple[Face, ...] = ("customer", "technician")

#: A suspect with at least these odds at the end is named as not excluded; no source.
WORTH_NAMING = 0.05

#: Kinds of work, in the order in which a report lists them.
WORK_KINDS = (
    "operating and watching", "measuring", "looking and moving", "opening up and closing", "mending", "other work",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One check: what was looked at, what a sound machine shows, what was found; ``verdict`` "" says nothing.

    ``showing`` tells whether the fault was there at that moment: "yes", "no" or "unknown".
    """

    entry: int
    minutes: float
    subject: str
    expected: str
    found: str
    verdict: Verdict
    showing: str = "unknown"


@dataclass(frozen=True, slots=True)
class FunctionLine:
    """A function of the complaint: as it should be, as it was reported, as it was last seen ("" never)."""

    function: str
    state: str
    expected: str
    reported: str
    last: str
    good: bool


@dataclass(frozen=True, slots=True)
class OddsPoint:
    """The odds after an entry: 0..1 for each name of the story; ``minutes`` of work so far."""

    entry: int
    minutes: float
    odds: tuple[float, ...]
    mended: bool = False


@dataclass(frozen=True, slots=True)
class OddsStory:
    """How the odds narrowed over the minutes; ``mended`` points are those at which something was mended."""

    names: tuple[str, ...] = ()
    points: tuple[OddsPoint, ...] = ()


@dataclass(frozen=True, slots=True)
class SuspectLine:
    """A repair that may be needed, its likeliest fault in words, and its odds 0..1."""

    repair: str
    text: str
    odds: float


@dataclass(frozen=True, slots=True)
class Proving:
    """The result of the proving run, as whoever computed it words it; ``confidence`` 0..1 if stated."""

    words: tuple[str, ...]
    confidence: float | None = None


@dataclass(frozen=True, slots=True)
class EarlierJob:
    """An earlier job of the unit: days as text, hours on the meter when it was opened.

    ``held`` says how long its repair had held when this job was opened, or that the complaint came back before.
    """

    job: str
    opened: str
    hours: float | None
    complaint: str
    cause: str
    work: tuple[str, ...]
    held: str


@dataclass(frozen=True, slots=True)
class UnitStory:
    """The unit as this job met it: owner, meter and the day it was read, earlier jobs latest first.

    ``used`` says which of its history counted in the odds, in sentences.
    """

    owner: str = ""
    hours: float | None = None
    read_on: str = ""
    earlier: tuple[EarlierJob, ...] = ()
    used: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Findings:
    """What is known beside the job's own entries, all in words of the trade.

    ``words`` gives the words of each line of the log by the number of its entry, the last one where several entries
    are one line. ``cause`` and ``place`` say the concluded cause and where
    it is; both are "" while nothing is concluded. ``place_cautions`` are the machine file's for that place.
    """

    machine_name: str
    maker: str
    invented: bool
    complaint: tuple[str, ...]
    functions: tuple[FunctionLine, ...]
    checks: tuple[CheckLine, ...]
    work: Mapping[int, str]
    words: Mapping[int, str]
    odds: OddsStory
    suspects: tuple[SuspectLine, ...]
    something_else: float
    cause: str = ""
    place: str = ""
    still_open: tuple[str, ...] = ()
    place_cautions: tuple[str, ...] = ()
    surprise: str = ""
    proving: Proving | None = None
    story: UnitStory = UnitStory()


@dataclass(frozen=True, slots=True)
class WorkLine:
    """Minutes of one kind of work."""

    kind: str
    minutes: float


@dataclass(frozen=True, slots=True)
class DoneLine:
    """Something mended: when, by whom, what, how long."""

    when: str
    by: str
    words: str
    minutes: float


@dataclass(frozen=True, slots=True)
class TravelLine:
    """A drive."""

    when: str
    by: str
    minutes: float
    distance_m: float | None
    note: str


@dataclass(frozen=True, slots=True)
class PartLine:
    """Material used."""

    text: str
    number: str
    quantity: float
    unit_price: str


@dataclass(frozen=True, slots=True)
class AttachmentLine:
    """A file kept with the job, who attached it and when; ``here`` tells whether its content is at hand."""

    entry: int
    name: str
    caption: str
    media: str
    role: Role
    size_bytes: int
    sha256: str
    by: str
    when: str
    here: bool


@dataclass(frozen=True, slots=True)
class AdviceLine:
    """Advice, and by when the machine should be looked at again."""

    text: str
    next_inspection: str


@dataclass(frozen=True, slots=True)
class LogLine:
    """One entry of the job; ``undone`` ones were taken back and count for nothing."""

    number: int
    when: str
    by: str
    words: str
    minutes: float
    undone: bool


@dataclass(frozen=True, slots=True)
class Report:
    """Everything one face of a report says. What a face leaves out is empty."""

    face: Face
    job: str
    shop: str
    practice: bool
    machine: str
    machine_name: str
    maker: str
    invented: bool
    unit: str
    story: UnitStory
    state: str
    opened: str
    closed: str
    technicians: tuple[str, ...]
    reported: str
    complaint: tuple[str, ...]
    conditions: tuple[str, ...]
    comes_and_goes: bool
    cause: str
    place: str
    cause_odds: float | None
    correction: tuple[DoneLine, ...]
    functions: tuple[FunctionLine, ...]
    checks: tuple[CheckLine, ...]
    odds: OddsStory
    suspects: tuple[SuspectLine, ...]
    something_else: float
    proving: Proving | None
    work: tuple[WorkLine, ...]
    work_minutes: float
    travel: tuple[TravelLine, ...]
    parts: tuple[PartLine, ...]
    prices: Prices | None
    advice: tuple[AdviceLine, ...]
    cautions: tuple[str, ...]
    place_cautions: tuple[str, ...]
    attachments: tuple[AttachmentLine, ...]
    notes: tuple[str, ...]
    log: tuple[LogLine, ...]


def report(
    job: Job,
    findings: Findings,
    face: Face,
    *,
    shop: str = "",
    rates: Rates | None = None,
    at_hand: frozenset[str] = frozenset(),
) -> Report:
    """The report of a job for one face; ``at_hand`` are the SHA-256 of the attachments whose content is there.

    Raises UserError("price-currency") when prices are in more than one currency.
    """
    standing = job.standing
    whole = Report(
        face=face,
        job=job.id,
        shop=shop,
        practice=job.clock == "practice",
        machine=job.machine,
        machine_name=findings.machine_name,
        maker=findings.maker,
        invented=findings.invented,
        unit=job.unit,
        story=findings.story,
        state=job.state,
        opened=job.opened,
        closed=job.closed or "",
        technicians=tuple(dict.fromkeys(name for name in (job.opened_by, *(e.by for e in job.entries)) if name)),
        reported=job.complaint.words,
        complaint=findings.complaint,
        conditions=job.complaint.conditions,
        comes_and_goes=job.complaint.comes_and_goes,
        cause=findings.cause,
        place=findings.place,
        cause_odds=getattr(job.cause, "odds", None),
        correction=tuple(
            DoneLine(e.when, e.by, findings.work[e.number], e.minutes) for e in standing if e.number in findings.work
        ),
        functions=findings.functions,
        checks=findings.checks,
        odds=findings.odds,
        suspects=findings.suspects,
        something_else=findings.something_else,
        proving=findings.proving,
        work=_work(standing),
        work_minutes=job.minutes,
        travel=tuple(
            TravelLine(e.when, e.by, e.what.travel_minutes, e.what.distance_m, e.what.note)
            for e in standing
            if isinstance(e.what, TravelDone)
        ),
        parts=tuple(
            PartLine(
                e.what.text, e.what.number, e.what.quantity,
                str(Money(Decimal(e.what.unit_price), e.what.currency)) if e.what.unit_price else "",
            )
            for e in standing
            if isinstance(e.what, PartUsed)
        ),
        prices=bill(job, rates or Rates()),
        advice=tuple(
            AdviceLine(e.what.text, e.what.next_inspection) for e in standing if isinstance(e.what, AdviceGiven)
        ),
        cautions=_cautions(job, findings),
        place_cautions=findings.place_cautions,
        attachments=tuple(
            AttachmentLine(
                e.number, e.what.name, e.what.caption, e.what.media, e.what.role, e.what.size_bytes, e.what.sha256,
                e.by, e.when, e.what.sha256 in at_hand,
            )
            for e in standing
            if isinstance(e.what, AttachmentAdded)
        ),
        notes=_notes(standing),
        log=tuple(
            LogLine(e.number, e.when, e.by, findings.words[e.number], e.minutes, e.undone)
            for e in job.entries
            if e.number in findings.words
        ),
    )  # fmt: skip
    return whole if face == "technician" else _for_the_customer(whole)


def _for_the_customer(whole: Report) -> Report:
    """The report without what only the next technician needs."""
    left = whole.suspects if not whole.cause else ()
    seen = {"picture", "customer-signature", "technician-signature"}
    return replace(
        whole, checks=(), odds=OddsStory(), suspects=left, notes=(), log=(), something_else=0.0, place_cautions=(),
        attachments=tuple(one for one in whole.attachments if one.role in seen),
        travel=whole.travel if not whole.prices else (),
        parts=whole.parts if not whole.prices or whole.prices.left_out else (),
        story=replace(whole.story, used=()),
    )  # fmt: skip


def kind_of_work(entry: Entry) -> str:
    """Which kind of work the minutes of an entry are, one of ``WORK_KINDS``."""
    what = entry.what
    if isinstance(what, AccessOpened | AccessClosed):
        return "opening up and closing"
    match what.observation if isinstance(what, ObservationRecorded) else None:
        case Symptom() | CodeSeen():
            return "operating and watching"
        case Reading():
            return "measuring"
        case Look() | Move():
            return "looking and moving"
        case Action():
            return "mending"
        case _:
            return "other work"


def _work(standing: Sequence[Entry]) -> tuple[WorkLine, ...]:
    minutes = dict.fromkeys(WORK_KINDS, 0.0)
    for entry in standing:
        minutes[kind_of_work(entry)] += entry.minutes
    return tuple(WorkLine(kind, spent) for kind, spent in minutes.items() if spent > 0.0)


def _notes(standing: Sequence[Entry]) -> tuple[str, ...]:
    found = []
    for entry in standing:
        what = entry.what
        text = what.text if isinstance(what, NoteAdded) else what.note if isinstance(what, JobClosed) else ""
        if text.strip():
            found.append(text)
    return tuple(found)


def _cautions(job: Job, findings: Findings) -> tuple[str, ...]:
    """What stays to be watched after the job, the most pressing first."""
    found = [f"Still open: {step}. Close it before the machine is used." for step in findings.still_open]
    bad = [f"{one.function} [{one.state}]: {one.last}" for one in findings.functions if one.last and not one.good]
    if bad:
        found.append(f"When last tried, not as it should be: {'; '.join(bad)}.")
    if job.state == "open":
        found.append("The job is still open; this report says how it stands, not how it ended.")
    elif not findings.cause:
        under = f" Watch for it under the same conditions: {', '.join(job.complaint.conditions)}." if (
            job.complaint.conditions
        ) else ""
        found.append(f"The cause was not found, so the fault may return.{under}")
    if job.complaint.comes_and_goes and findings.proving is None and not bad:
        found.append("The fault came and went, and no proving run is on record: a quiet hour is no proof.")
    if findings.cause and not bad:
        others = [one for one in findings.suspects if one.odds >= WORTH_NAMING]
        found.extend(
            f"Not excluded: {one.text} ({in_100(one.odds)})." for one in others[:3]
        )
    if findings.surprise:
        found.append(findings.surprise)
    if findings.something_else >= WORTH_NAMING:
        found.append(
            f"Something that the machine file does not know of is at {in_100(findings.something_else)}."
        )
    return tuple(dict.fromkeys(found))


def plain(value: Any) -> Any:
    """A report as JSON values: objects with the field names as keys, in order."""
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return round(value, 6)
    return value
