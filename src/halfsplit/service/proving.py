"""Proving a repair: the history of the fault, runs since, how sure it is by now, and what to read again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from halfsplit.diagnosis.checks import operate
from halfsplit.diagnosis.naming import function_name, group_short, level_word, state_name, subject_words
from halfsplit.errors import UserError
from halfsplit.jobs.events import Happening, HistoryStated, JobReopened, ObservationRecorded, RunRecorded
from halfsplit.jobs.model import Job
from halfsplit.jobs.recording import record_all
from halfsplit.observations import Complaint, Symptom
from halfsplit.proving.checklist import Line, Watched, checklist, last_repair
from halfsplit.proving.demonstrating import trials_without_failure
from halfsplit.proving.disturbance import Touched, corrected_groups
from halfsplit.proving.history import History, Run, Tally
from halfsplit.proving.provoking import ways_to_provoke
from halfsplit.proving.returning import seen_again
from halfsplit.proving.verdict import Goal, Verdict, verdict
from halfsplit.quantities import in_100
from halfsplit.service.complaints import symptom_of
from halfsplit.service.desk import Desk, Standing
from halfsplit.service.proof_words import amount_words, proof_words, read_amount
from halfsplit.service.repair_odds import healthy_ranges, range_words, repair_disturbance, value_words
from halfsplit.service.results import JobHead
from halfsplit.service.runs import returned_since, runs_counted
from halfsplit.service.working import head

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "proof-share": "A chance of a repair is not between 0 and 100 %.",
    "proof-no-repair": "A run was to be recorded and no repair is in the job yet.",
    "proof-nothing": "What was given for the proof of a repair does not belong together.",
}

#: Reliability per try that the runs without a history are stated for: fewer than one failure in ten; no source.
ONE_IN_TEN = 0.90
#: Below this the repair more likely missed than hit.
MORE_LIKELY_MISSED = 0.5


@dataclass(frozen=True, slots=True)
class GoalLine:
    """A confidence (0..1), the whole run and what is left of it in the history's measure (None: no run), words."""

    confidence: float
    run: float | None
    more: float | None
    words: str


@dataclass(frozen=True, slots=True)
class PlaceLine:
    """A place opened on the way that may hide a missed cause, with its share 0..1 of what was missed."""

    place: str
    share: float


@dataclass(frozen=True, slots=True)
class ProvokeLine:
    """How to bring the fault out: the caution stands before the words."""

    condition: str
    measure: str
    caution: str
    how: str
    source: str


@dataclass(frozen=True, slots=True)
class ReadAgain:
    """A point to read again. ``mark`` is "read again", "right", "wrong" or "no range"; texts carry their units."""

    subject: str
    before: str
    expected: str
    after: str
    was_wrong: bool
    mark: str


@dataclass(frozen=True, slots=True)
class TryAgain:
    """A function of the complaint to try again; ``after`` is "" while it was not."""

    subject: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Proof:
    """How the proof of a repair stands.

    ``hit`` and ``hidden`` are as in ``proving.verdict``; None while no repair is recorded and none was assumed.
    ``confidence`` and ``ceiling`` are None without them; without a history ``goals`` are empty.
    ``returned`` says that the fault showed since the last repair.
    """

    head: JobHead
    repairs: tuple[str, ...]
    hit: float | None
    hidden: float | None
    opened: tuple[PlaceLine, ...]
    history: str
    measure: str
    events: int
    history_amount: float
    done: float
    returned: bool
    runs: tuple[str, ...]
    confidence: float | None
    ceiling: float | None
    goals: tuple[GoalLine, ...]
    provoke: tuple[ProvokeLine, ...]
    read_again: tuple[ReadAgain, ...]
    try_again: tuple[TryAgain, ...]
    advice: tuple[str, ...]


def proof(
    desk: Desk, job_id: str | None = None, *, hit: float | None = None, hidden: float | None = None
) -> Proof:
    """How the proof stands; ``hit`` and ``hidden`` (shares 0..1) put a person's figure in place of the odds'."""
    for share in (hit, hidden):
        if share is not None and not 0.0 <= share <= 1.0:
            raise UserError("proof-share", f"{share} is no chance.", "Write it like 80 %.")
    job = desk.job(job_id)
    standing = desk.standing(job)
    found = repair_disturbance(standing)
    opened: tuple[Touched, ...] = ()
    if found is not None:
        opened = found.places if hidden is None else ()
        hit = found.hit if hit is None else hit
        hidden = found.hidden if hidden is None else hidden
    counted = runs_counted(job)
    judged: Verdict | None = None
    if hit is not None:
        hidden = hidden or 0.0
        quiet = counted.history.quiet() if counted is not None else None
        if counted is not None and quiet is not None:
            judged = verdict(quiet, hit, hidden, counted.done)
    return _proof(standing, job, hit, hidden, opened, counted, judged)


def state_history(
    desk: Desk,
    events: int,
    amount: str,
    job_id: str | None = None,
    *,
    from_good: bool = False,
    condition: str = "",
) -> Proof:
    """Notes how often the fault showed before the repair: ``events`` spells over an ``amount`` like "40 h".

    Raises UserError, or ProblemsError with all that is wrong with the figures.
    """
    measure, number = read_amount(amount)
    History(measure, events, number, from_good, condition)  # refuses what cannot be, all of it at once
    job = desk.job(job_id)
    stated = HistoryStated(measure, events, number, from_good, " ".join(condition.split()))
    record_all(desk.store, job, [stated], when=desk.when(), by=desk.by, sending=desk.sending)
    return proof(desk, job.id)


def record_run(
    desk: Desk,
    amount: str,
    job_id: str | None = None,
    *,
    came_back: bool = False,
    seen: Sequence[str] = (),
    in_condition: bool = True,
    reported: bool = False,
    minutes: float = 0.0,
    note: str = "",
) -> Proof:
    """Notes running after the repair. When the fault came back, the job goes on with that as evidence.

    ``seen`` says in words what failed then, like "horn dead in horn-pressed"; left out, all of the complaint did.
    ``reported`` says that an operator saw it. A closed job is reopened by a return. All is kept in one step.
    """
    measure, number = read_amount(amount)
    if seen and not came_back:
        raise UserError("proof-nothing", "What was seen again is said of a fault that came back.", "Say came back.")
    Run(measure, number, came_back, in_condition)  # refuses what cannot be
    job = desk.job(job_id)
    standing = desk.standing(job)
    if last_repair(standing.observations) < 0:
        raise UserError(
            "proof-no-repair",
            "No repair is in this job yet, so nothing is proven by running.",
            "Record the repair first, like: halfsplit job found mended --repair X12.3.",
        )
    events: list[Happening] = []
    if came_back and job.state == "closed":
        events.append(JobReopened("the fault came back while the repair was being proven"))
    events.append(RunRecorded(measure, number, came_back, in_condition, minutes, note))
    if came_back:
        events.extend(return_events(standing, job.complaint, seen, by_technician=not reported))
    record_all(desk.store, job, events, when=desk.when(), by=desk.by, sending=desk.sending)
    return proof(desk, job.id)


def return_events(
    standing: Standing, complaint: Complaint, seen: Sequence[str], *, by_technician: bool
) -> list[Happening]:
    """A fault that came back, as events: what was said to fail, or all of the complaint. Raises UserError."""
    machine = standing.machine
    said = [symptom_of(machine, sentence) for sentence in seen]
    return [
        ObservationRecorded(one, operate(machine, one.function, one.state).id)
        for one in seen_again(complaint, said, by_technician=by_technician)
    ]


def _proof(
    standing: Standing,
    job: Job,
    hit: float | None,
    hidden: float | None,
    opened: tuple[Touched, ...],
    counted: Tally | None,
    judged: Verdict | None,
) -> Proof:
    returned = counted.returned if counted is not None else returned_since(job)
    history = counted.history if counted is not None else None
    now = judged.confidence if judged is not None else hit
    top = judged.ceiling if judged is not None else None
    points = checklist(standing.observations, healthy_ranges(standing), job.complaint.symptoms)
    condition = history.condition if history is not None else ""
    return Proof(
        head=head(standing, job),
        repairs=_repairs(standing),
        hit=hit,
        hidden=hidden,
        opened=tuple(PlaceLine(one.place, one.share) for one in opened),
        history=_history_words(history),
        measure=history.measure if history is not None else "",
        events=history.events if history is not None else 0,
        history_amount=history.amount if history is not None else 0.0,
        done=counted.done if counted is not None else 0.0,
        returned=returned,
        runs=tuple(proof_words(entry.what) for entry in job.standing if isinstance(entry.what, RunRecorded)),
        confidence=0.0 if returned and now is not None else now,
        ceiling=top,
        goals=()
        if judged is None or history is None or returned
        else tuple(_goal_line(history, judged, goal) for goal in judged.goals),
        provoke=tuple(
            ProvokeLine(one.condition, one.measure, one.caution, one.how, one.source)
            for one in ways_to_provoke(condition, job.complaint.conditions)
        ),
        read_again=tuple(_read_again(standing, line) for line in points.lines),
        try_again=tuple(_try_again(standing, one) for one in points.functions),
        advice=tuple(_advice(job, hit, opened, counted, judged, returned=returned)),
    )


def _repairs(standing: Standing) -> tuple[str, ...]:
    done = corrected_groups(standing.hunt.bench.faults, standing.observations)
    return tuple(group_short(group) for group in standing.hunt.bench.space.groups if group.id in done)


def _history_words(history: History | None) -> str:
    if history is None:
        return ""
    return proof_words(
        HistoryStated(history.measure, history.events, history.amount, history.from_good, history.condition)
    ).removeprefix("history: ")


def _goal_line(history: History, judged: Verdict, goal: Goal) -> GoalLine:
    if goal.run is None:
        why = "above the ceiling" if goal.above_ceiling else "the history tells too little"
        words = f"no run gets there: {why}"
    elif not goal.more:
        words = "reached"
    elif goal.run == float("inf"):
        words = "more than anybody runs"
    else:
        words = f"{_rounded(history, goal.more)} more"
        words += f" ({_rounded(history, goal.run)} in all)" if judged.done else ""
    return GoalLine(goal.confidence, goal.run, goal.more, words)


def _rounded(history: History, amount: float) -> str:
    """An amount rounded up, so that running what is said is enough: hours to a tenth, long ones to a whole hour."""
    if history.measure == "hours":
        step = 0.1 if amount < 100 else 1.0
        amount = -(-amount // step) * step
    return amount_words(history.measure, amount)


def _read_again(standing: Standing, line: Line) -> ReadAgain:
    quantity = line.reading.quantity
    return ReadAgain(
        subject=subject_words(standing.machine, line.reading),
        before=value_words(quantity, line.before),
        expected=range_words(quantity, line.expected),
        after=value_words(quantity, line.after) if line.after is not None else "",
        was_wrong=line.was_wrong,
        mark=line.mark,
    )


def _try_again(standing: Standing, one: Watched) -> TryAgain:
    machine, before = standing.machine, one.before
    after = level_word(machine, before.function, one.after.level) if isinstance(one.after, Symptom) else ""
    return TryAgain(
        f"{function_name(machine, before.function)} [{state_name(machine, before.state)}]",
        level_word(machine, before.function, before.level),
        after,
    )


def _advice(
    job: Job,
    hit: float | None,
    opened: tuple[Touched, ...],
    counted: Tally | None,
    judged: Verdict | None,
    *,
    returned: bool,
) -> list[str]:
    said = []
    if returned:
        return ["It came back: the cause is still there. The job goes on with that; its next step says how."]
    if hit is not None and hit < MORE_LIKELY_MISSED:
        said.append(
            f"The odds say {in_100(hit)} that the repair hit the cause: more likely it missed. Hunt on "
            "before proving it."
        )
    if hit is None:
        said.append("No repair is recorded yet. Record it, and the odds say how likely it hit the cause.")
    if counted is None:
        few, many = (trials_without_failure(ONE_IN_TEN, share) for share in (0.90, 0.95))
        said.append(
            "How often it failed is not stated yet; say it like: --events 4 --over 40h. Without it, "
            f"{few} tries without a failure show with 90 % that it fails in fewer than one try of ten, "
            f"{many} with 95 %."
        )
        if not job.complaint.comes_and_goes:
            said.append("It was there all the time: trying it out and the readings below tell more than hours do.")
    elif counted.history.counted == 0:
        said.append(
            "It was seen once and never again, so how often it comes is not known and quiet running tells "
            "nothing. Bring it out in its own condition, and hold the readings against those from before."
        )
    if judged is not None and judged.ceiling < max(goal.confidence for goal in judged.goals):
        named = ", ".join(one.place for one in opened[:4])
        where = f" ({named})" if named else ""
        said.append(
            f"What was opened on the way{where} may have hidden the fault without curing it; quiet running ends at "
            f"{in_100(judged.ceiling)}. Run it in the condition that brings it out, or look there again."
        )
    if counted is not None and counted.left_out:
        what = f"{counted.history.measure}"
        under = f" in {counted.history.condition}" if counted.history.condition else ""
        said.append(f"{len(counted.left_out)} of the runs did not count: the history is in {what}{under}.")
    return said
