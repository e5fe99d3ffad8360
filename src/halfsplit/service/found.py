"""Writing down what was found: from what was typed to the events of a job, kept in one step."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from halfsplit.diagnosis.checks import Check, operate
from halfsplit.diagnosis.naming import check_short
from halfsplit.diagnosis.planning import VERIFY_MIN, group_steps, state_minutes
from halfsplit.diagnosis.space import RepairGroup
from halfsplit.diagnosis.stopping import ending
from halfsplit.errors import UserError, nearest
from halfsplit.jobs.events import AccessOpened, Happening, ObservationRecorded
from halfsplit.jobs.model import Job
from halfsplit.jobs.recording import record_all
from halfsplit.machine.model import Machine
from halfsplit.observations import RELIABILITY_OPERATOR, Action, Observation, OutOfReach, Reading, Symptom
from halfsplit.service import typed, walking
from halfsplit.service.desk import Desk, Standing
from halfsplit.service.results import Recorded, WrittenDown
from halfsplit.service.working import find_group, options_of, step_from

CODES: dict[str, str] = {
    "no-repair-asked": "A repair was reported and none was asked for; name the repair.",
    "repair-answer": "A repair was asked for, and what was typed does not say how it went.",
    "check-unknown": "The job has no check of that id.",
    "reported-kind": "Something was written down as reported that nobody else's word is taken for.",
    "hunt-ended": "No check is asked any more; close the job, or type what was seen with its subject.",
}

#: Minutes of talk in which somebody tells what one function does; a walk round takes him its own. From memory.
TOLD_MIN = 1.0


def record(
    desk: Desk,
    text: str,
    job_id: str | None = None,
    *,
    check_id: str = "",
    repair: str = "",
    other: int = 0,
    minutes: float | None = None,
    reported: bool = False,
) -> Recorded:
    """Writes down what was found and gives the next step.

    ``reported`` says that somebody else saw it and told; so does ", reported" at the end of ``text``.

    ``text`` answers the step asked (or its ``other``-th runner-up, the check ``check_id`` or the repair
    ``repair``), or says something unasked with its subject before a colon. Nothing is written when it raises.
    """
    job = desk.job(job_id)
    standing = desk.standing(job)
    happenings = _told(standing, text, check_id, repair, other, minutes, reported=reported)
    return keep(desk, job, happenings)


def write_down(
    desk: Desk, standing: Standing, text: str, job: Job, *, check_id: str = "", repair: str = "",
    minutes: float | None = None,
) -> WrittenDown:  # fmt: skip
    """Writes down what was found as ``record`` does, and leaves working it in to whoever asks for the next step.

    ``standing`` is how the ``job`` stands, and stays as it is. Raises Overtaken when somebody wrote meanwhile.
    """
    happenings = _told(standing, text, check_id, repair, 0, minutes, reported=False)
    after, words = _kept(desk, job, happenings, standing.machine)
    return WrittenDown(job.id, words, after.last_number)


def _told(
    standing: Standing, text: str, check_id: str, repair: str, other: int, minutes: float | None, *, reported: bool
) -> Sequence[Happening]:
    """What was typed, as events."""
    said = re.fullmatch(r"(.+),\s+reported[.!]?\s*", text, re.IGNORECASE | re.DOTALL)
    asked = said.group(1) if said is not None else text
    happenings = _happenings(standing, asked, check_id=check_id, repair=repair, other=other, minutes=minutes)
    if reported or said is not None:
        return _as_reported(standing, happenings, planned=minutes is None and typed.taken_apart(asked)[1] is None)
    return happenings


def _as_reported(standing: Standing, happenings: Sequence[Happening], *, planned: bool) -> list[Happening]:
    """What was found as somebody else's word, with the minutes of the talk where they were only ``planned``.

    Raises UserError for all that is no function seen working or not.
    """
    found: list[Happening] = []
    for one in happenings:
        seen = one.observation if isinstance(one, ObservationRecorded) else None
        if not isinstance(one, ObservationRecorded) or not isinstance(seen, Symptom) or seen.unplugged:
            raise UserError(
                "reported-kind",
                "Only what functions do is taken from somebody else's word.",
                "Measure, look and mend for yourself, or write it down as a note.",
            )
        check = standing.check(one.check)
        spent = check.minutes if check is not None and check.kind == "round" else TOLD_MIN
        minutes = spent if planned and one is happenings[-1] else one.minutes
        found.append(replace(one, observation=replace(seen, reliability=RELIABILITY_OPERATOR), minutes=minutes))
    return found


def keep(desk: Desk, job: Job, happenings: Sequence[Happening]) -> Recorded:
    """Writes events in one step and gives the next step."""
    job, words = _kept(desk, job, happenings, desk.bench(job.fingerprint).machine)
    return Recorded(job.id, words, step_from(desk.standing(job), job))


def _kept(desk: Desk, job: Job, happenings: Sequence[Happening], machine: Machine) -> tuple[Job, tuple[str, ...]]:
    """Writes events in one step; the job after them, and what was written in words."""
    before = job.last_number
    job = record_all(desk.store, job, happenings, when=desk.when(), by=desk.by, sending=desk.sending)
    said = any(
        isinstance(one, ObservationRecorded) and getattr(one.observation, "showing", "unknown") != "unknown"
        for one in happenings
    )
    words = [
        walking.line_words(machine, line)
        for line in walking.lines([entry for entry in job.entries if entry.number > before])
        # What the complaint's function did meanwhile is said by the reading's "fault showing" already.
        if isinstance(one := line[-1].what, ObservationRecorded)
        and not (said and isinstance(one.observation, Symptom) and not one.check)
    ]
    return job, tuple(words)


def _happenings(
    standing: Standing, text: str, *, check_id: str, repair: str, other: int, minutes: float | None
) -> list[Happening]:
    hunt, machine = standing.hunt, standing.machine
    said = typed.repair_answer(text)
    if repair:
        group = find_group(hunt, repair)
        if said is None:
            reason = _unreachable(text)
            if reason is None:
                raise _repair_unsaid(text)
            return [ObservationRecorded(OutOfReach(group.id, reason))]
        return repair_events(standing, group, said.verdict, said.minutes if minutes is None else minutes)
    if check_id:
        check = standing.check(check_id)
        if check is None:
            standing.decide()  # some checks are made for the moment they are asked
            check = standing.check(check_id)
        if check is None:
            near = nearest(check_id, [one.id for one in hunt.planner.checks])
            raise UserError(
                "check-unknown",
                f'This job has no check "{check_id}".',
                f'Did you mean "{near}"?' if near else "",
            )
        return _answered(standing, check, text, minutes)
    unasked = typed.unasked(machine, text, hunt.situation.state)
    if unasked is not None:
        return _answered(standing, standing.check(unasked.id) or unasked, typed.answer_part(text), minutes)
    decision = standing.decide()
    options = options_of(decision)
    if not options or ending(hunt, decision).kind != "go on":
        raise UserError(
            "hunt-ended",
            "No check is asked just now.",
            'Close the job, or type what was seen with its subject, like "horn: sounds".',
        )
    chosen = options[min(other, len(options) - 1)]
    if chosen.repair is not None:
        if said is not None:
            return repair_events(
                standing, chosen.repair, said.verdict, said.minutes if minutes is None else minutes
            )
        reason = _unreachable(text)
        if reason is None:
            raise _repair_unsaid(text)
        return [ObservationRecorded(OutOfReach(chosen.repair.id, reason))]
    assert chosen.check is not None  # an option without a repair is a check
    if said is not None:
        raise UserError(
            "no-repair-asked",
            f'"{text.strip()}" speaks of a repair, and a check is asked: {check_short(chosen.check)}.',
            "Name the repair, like: repair X12.3 mended.",
        )
    return _answered(standing, chosen.check, text, minutes)


def _unreachable(text: str) -> str | None:
    plain = " ".join(text.replace("’", "'").split()).casefold()
    for start in typed.UNREACHABLE:
        if plain.startswith(start):
            return plain[len(start) :].strip(" ,:")
    return None


def _repair_unsaid(text: str) -> UserError:
    near = nearest(text.strip().casefold(), [*typed.MENDED, *typed.NOT_MENDED, *typed.DONE])
    hint = f'Did you mean "{near}"? ' if near else ""
    return UserError(
        "repair-answer",
        f'"{text.strip()}" does not say how the repair went.',
        f"{hint}Say mended, not mended, done (not tried out yet) or can't reach.",
    )


def _answered(standing: Standing, check: Check, text: str, minutes: float | None) -> list[Happening]:
    if check.kind == "round":
        walked = walking.answer(standing.machine, check, text)
        spent = walked.minutes if minutes is None else minutes
        return check_events(standing, check, walked.observations, spent)
    found = typed.answer(standing.machine, check, text)
    observations = [*_watched(standing, check, found.observation), found.observation]
    return check_events(standing, check, observations, found.minutes if minutes is None else minutes)


def _watched(standing: Standing, check: Check, found: Observation) -> list[Observation]:
    """What the complaint's own function did just then, when it was said whether the fault was showing."""
    if not isinstance(found, Reading) or found.showing == "unknown":
        return []
    for symptom in standing.hunt.watched():
        if symptom.state == check.state and symptom.level != "comes-and-goes":
            expected = standing.machine.functions[symptom.function].expected.get(check.state, "on")
            level = symptom.level if found.showing == "yes" else "on" if expected == "on" else "off"
            return [Symptom(symptom.function, symptom.state, level)]
    return []


def check_events(
    standing: Standing, check: Check, observations: Sequence[Observation], minutes: float | None = None
) -> list[Happening]:
    """A check done, as events: what was opened for it, what was seen, and the refit after a plug was opened.

    ``minutes`` None takes those of the plan: the check's own and setting the machine.
    """
    hunt, machine = standing.hunt, standing.machine
    if any(isinstance(one, OutOfReach) for one in observations):
        return [ObservationRecorded(one, check.id, minutes or 0.0) for one in observations]
    events: list[Happening] = [
        AccessOpened(step, machine.access[step].open_min)
        for step in check.steps
        if step not in standing.open_now
    ]
    own = (
        check.minutes + state_minutes(machine, check.state, hunt.situation.state)
        if minutes is None
        else minutes
    )
    for at, observation in enumerate(observations):
        last = at == len(observations) - 1
        beside = isinstance(observation, Symptom) and check.kind not in ("operate", "watch", "round")
        events.append(ObservationRecorded(observation, "" if beside else check.id, own if last else 0.0))
    events.extend(
        ObservationRecorded(Action("unplug-refit", place), check.id) for place in refitted(machine, check)
    )
    return events


def refitted(machine: Machine, check: Check) -> tuple[str, ...]:
    """The connectors that a check takes apart and puts together again."""
    apart = (check.place,) if check.look == "thorough" else check.unplugged
    return tuple(one for one in apart if one in machine.connectors)


def repair_events(
    standing: Standing, group: RepairGroup, verdict: str, minutes: float | None = None
) -> list[Happening]:
    """A repair done, as events, with what the complaint's functions did when they were tried afterwards."""
    machine = standing.machine
    seen = []
    for symptom in standing.hunt.complaint.symptoms:
        expected = machine.functions[symptom.function].expected.get(symptom.state, "on")
        good = "on" if expected == "on" else "off"
        seen.append(Symptom(symptom.function, symptom.state, good if verdict == "mended" else symptom.level))  # type: ignore[arg-type] # "on" and "off" are levels
    return work_events(standing, group, seen if verdict != "done" else [], minutes)


def work_events(
    standing: Standing, group: RepairGroup, seen: Sequence[Symptom], minutes: float | None = None
) -> list[Happening]:
    """A repair done and what was seen when the machine was tried out afterwards, as events."""
    machine = standing.machine
    steps = group_steps(machine, group)
    events: list[Happening] = [
        AccessOpened(step, machine.access[step].open_min) for step in steps if step not in standing.open_now
    ]
    action = Action(group.correction, group.place)  # type: ignore[arg-type] # corrections are kinds of action
    events.append(ObservationRecorded(action, "", group.minutes if minutes is None else minutes))
    state = standing.hunt.situation.state
    for at, symptom in enumerate(seen):
        trying = (VERIFY_MIN if at == 0 else 0.0) + state_minutes(machine, symptom.state, state)
        state = symptom.state
        events.append(
            ObservationRecorded(symptom, operate(machine, symptom.function, symptom.state).id, trying)
        )
    return events
