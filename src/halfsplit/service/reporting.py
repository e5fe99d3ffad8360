"""Writing a job up: the service report as PDF or HTML, and a closed job as a DITA topic."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from halfsplit.diagnosis.explaining import explain_repair
from halfsplit.diagnosis.hunt import Hunt
from halfsplit.diagnosis.naming import found_words as words_found
from halfsplit.diagnosis.naming import (
    function_name,
    group_short,
    group_words,
    level_word,
    observation_words,
    place_words,
    reported_words,
    round_found,
    round_subject,
    state_name,
    subject_words,
)
from halfsplit.diagnosis.surprise import surprise
from halfsplit.errors import UserError, nearest
from halfsplit.jobs.events import Cause, ObservationRecorded
from halfsplit.jobs.model import Entry, Job
from halfsplit.machine.model import Machine
from halfsplit.observations import Action, OutOfReach, Symptom
from halfsplit.reports.bill import Rates
from halfsplit.reports.content import (
    FACES,
    CheckLine,
    Face,
    Findings,
    FunctionLine,
    OddsPoint,
    OddsStory,
    Proving,
    Report,
    SuspectLine,
    report,
)
from halfsplit.reports.prices import Money, read_price, read_tax
from halfsplit.reports.topic import Remedy, as_topic
from halfsplit.service import walking
from halfsplit.service.desk import Desk, Standing
from halfsplit.service.healthy import expectation
from halfsplit.service.keeping import log_words
from halfsplit.service.new_files import write_new
from halfsplit.service.odds_notes import Stood
from halfsplit.service.report_proof import proving_of
from halfsplit.service.report_unit import story_of
from halfsplit.service.results import Written
from halfsplit.service.working import head
from halfsplit.settings import setting

CODES: dict[str, str] = {
    "report-face": "A report is for the customer or for the technician, and for nobody else.",
    "report-ending": "A report is written as a PDF or an HTML file, told by the ending of its name.",
    "report-there": "A file of that name is there already and is not written over.",
    "report-unwritable": "The report cannot be written there.",
}

#: Repairs that the figure follows: those that stood highest at any time.
FOLLOWED = 5
#: Repairs below these odds all along are not worth a line in the figure; no source.
WORTH_A_LINE = 0.03
#: Points of the figure at most, repairs apart; no source.
MOST_POINTS = 12
#: Odds that differ by less than this cannot be told apart in the figure; no source.
DRAWN = 0.001
#: Suspects named as not excluded at the end.
MOST_LEFT = 6


@dataclass(frozen=True)
class Replayed:
    """A job worked through entry by entry: how it stands now, its checks, and its odds along the way."""

    standing: Standing
    checks: tuple[CheckLine, ...]
    story: OddsStory


def replay(desk: Desk, job: Job) -> Replayed:
    """Works a job through again and notes the odds after the entries that tell anything, of many after some."""
    machine = desk.bench(job.fingerprint).machine
    standing = desk.opened(job)
    checks: list[CheckLine] = []
    odds = [standing.stood(DRAWN).odds]
    points: list[tuple[int, float, bool]] = [(1, 0.0, False)]
    minutes = 0.0
    lines = walking.lines(job.standing)
    telling = _moments(lines)
    for line in lines:
        desk.go_on()
        entry = line[-1]
        for one in line:
            standing.take(one.number, one.what)
            minutes += one.minutes
        if not isinstance(entry.what, ObservationRecorded):
            continue
        seen = entry.what.observation
        if walking.seen_on(line):
            checks.append(_walk_line(standing.hunt, line))
        elif not isinstance(seen, Action | OutOfReach):
            expected, verdict = expectation(standing.hunt, seen)
            checks.append(
                CheckLine(
                    entry.number, entry.minutes, subject_words(machine, seen), expected,
                    words_found(machine, seen) + reported_words(seen), verdict, getattr(seen, "showing", "unknown"),
                )
            )  # fmt: skip
        if entry.number not in telling:
            continue
        mended = _mends(entry)
        odds.append(standing.stood(DRAWN).odds)
        points.append((entry.number, minutes, mended))
    # The odds change when something is seen, so the last of them hold until the work ends.
    if minutes > points[-1][1]:
        odds.append(odds[-1])
        points.append((job.last_number, minutes, False))
    table = np.array(odds)
    highest = table.max(axis=0)
    order = [int(at) for at in np.argsort(-highest, kind="stable")[:FOLLOWED] if highest[at] >= WORTH_A_LINE]
    order.sort(key=lambda at: -table[-1, at])
    groups = standing.hunt.bench.space.groups
    story = OddsStory(
        tuple(group_short(groups[at]) for at in order),
        tuple(
            OddsPoint(number, spent, tuple(float(table[row, at]) for at in order), mended)
            for row, (number, spent, mended) in enumerate(points)
        ),
    )
    return Replayed(standing, tuple(checks), story)


def _mends(entry: Entry) -> bool:
    return isinstance(entry.observation, Action) and entry.observation.action != "unplug-refit"


def _moments(lines: Sequence[Sequence[Entry]]) -> frozenset[int]:
    """The numbers of the entries at which the odds are noted.

    All that tell anything, or of many a few, closer at the beginning where the odds narrow, with the last, each repair
    and what came before it: working out the odds takes longer the more was seen, and more points than these cannot be
    told apart on paper.
    """
    seen = [line[-1] for line in lines if isinstance(line[-1].what, ObservationRecorded)]
    if len(seen) <= MOST_POINTS:
        return frozenset(entry.number for entry in seen)
    chosen = {round((at / (MOST_POINTS - 1)) ** 2 * (len(seen) - 1)) for at in range(MOST_POINTS)}
    for at, entry in enumerate(seen):
        if _mends(entry):
            chosen |= {max(at - 1, 0), at}
    return frozenset(seen[at].number for at in chosen)


def _walk_line(hunt: Hunt, line: Sequence[Entry]) -> CheckLine:
    """A walk round the machine as one check."""
    machine, seen = hunt.bench.machine, walking.seen_on(line)
    good = all(expectation(hunt, one)[1] == "pass" for one in seen)
    found = round_found(machine, seen[0].state, seen) + reported_words(seen[0])
    return CheckLine(
        line[-1].number, sum(entry.minutes for entry in line), round_subject(machine, seen[0].state), "all right",
        found, "pass" if good else "fail", seen[0].showing,
    )  # fmt: skip


def _words(machine: Machine, job: Job) -> dict[int, str]:
    """The words of each line of the log, by the number of its last entry."""
    return {line[-1].number: log_words(machine, line) for line in walking.lines(job.entries)}


def findings(desk: Desk, job: Job, proving: Proving | None = None) -> Findings:
    """What a report says beside the job's own entries."""
    replayed = replay(desk, job)
    standing = replayed.standing
    hunt, machine = standing.hunt, standing.machine
    stood = standing.stood(DRAWN)
    concluded = job.cause.group if isinstance(job.cause, Cause) else ""
    known = {one.id: (at, one) for at, one in enumerate(hunt.bench.space.groups)}
    cause, place = "", ""
    cautions: tuple[str, ...] = ()
    if concluded in known:
        number, group = known[concluded]
        cause = _likeliest(hunt, stood, number)
        place = f"{place_words(machine, group.place)}, {machine.zones[group.zone].name or group.zone}"
        cautions = tuple(machine.cautions[one].text for one in machine.zones[group.zone].cautions)
    elif isinstance(job.cause, Cause):
        cause = job.cause.text
    told = surprise(hunt, standing.observations, stood.other)
    return Findings(
        machine_name=machine.name or machine.id,
        maker=machine.maker,
        invented=machine.invented,
        complaint=head(standing, job).complaint,
        functions=_functions(machine, job),
        checks=replayed.checks,
        work={entry.number: _work_words(machine, entry) for entry in job.standing if _is_work(entry)},
        words=_words(machine, job),
        odds=replayed.story,
        suspects=_left(hunt, stood, concluded),
        something_else=stood.other,
        cause=_sentence(cause),
        place=place,
        still_open=tuple(machine.access[step].name for step in standing.open_now if step in machine.access),
        place_cautions=cautions,
        surprise=told.words if told is not None else "",
        proving=proving,
        story=story_of(desk, job),
    )


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _likeliest(hunt: Hunt, stood: Stood, group: int) -> str:
    """The likeliest fault of a repair group in words, mended or not."""
    known = stood.likeliest.get(group)
    return hunt.bench.space.fault_of(hunt.belief.likeliest(group) if known is None else known).text


def _left(hunt: Hunt, stood: Stood, concluded: str) -> tuple[SuspectLine, ...]:
    """Repairs that may have been the cause, best first, without the concluded one."""
    groups, odds = hunt.bench.space.groups, stood.odds
    best = [int(at) for at in np.argsort(-odds, kind="stable")[: MOST_LEFT + 1]]
    left = [at for at in best if odds[at] >= 0.01 and groups[at].id != concluded]
    return tuple(
        SuspectLine(group_short(groups[at]), _likeliest(hunt, stood, at), float(odds[at])) for at in left[:MOST_LEFT]
    )


def _functions(machine: Machine, job: Job) -> tuple[FunctionLine, ...]:
    """The functions of the complaint, as they were reported and as they were last seen."""
    last: dict[tuple[str, str], Symptom] = {}
    for entry in job.standing:
        seen = entry.observation
        if isinstance(seen, Symptom) and not seen.unplugged:
            last[seen.function, seen.state] = seen
    found = []
    for symptom in job.complaint.symptoms:
        name, state = symptom.function, symptom.state
        expected = machine.functions[name].expected.get(state, "")
        seen = last.get((name, state))
        found.append(
            FunctionLine(
                function_name(machine, name), state_name(machine, state),
                level_word(machine, name, expected) if expected else "",
                level_word(machine, name, symptom.level),
                level_word(machine, name, seen.level) if seen is not None else "",
                seen is not None and seen.level == expected,
            )
        )  # fmt: skip
    return tuple(found)


def _is_work(entry: Entry) -> bool:
    """Whether an entry is something mended, not the refitting of a plug that a check had opened."""
    seen = entry.observation
    if not isinstance(seen, Action):
        return False
    checked = isinstance(entry.what, ObservationRecorded) and bool(entry.what.check)
    return seen.action != "unplug-refit" or not checked


def _work_words(machine: Machine, entry: Entry) -> str:
    seen = entry.observation
    assert isinstance(seen, Action)  # _is_work saw to it; this tells the type checker
    verb = observation_words(machine, Action(seen.action, "")).strip()
    note = f": {seen.note}" if seen.note else ""
    return _sentence(f"{verb} {place_words(machine, seen.place)}{note}")


def rates() -> Rates:
    """What the shop charges, from the settings. Raises UserError: "price-shape", "price-currency", "tax-shape"."""
    currency = setting("HALFSPLIT_CURRENCY").upper()

    def price(name: str) -> Money | None:
        text = setting(name)
        return read_price(text, currency) if text else None

    tax = setting("HALFSPLIT_TAX")
    return Rates(price("HALFSPLIT_HOUR_RATE"), price("HALFSPLIT_TRAVEL_RATE"), read_tax(tax) if tax else None)


def report_of(desk: Desk, face: str, job_id: str | None = None) -> Report:
    """The content of a job's report for "customer" or "technician". Raises UserError("report-face")."""
    return _report(desk, desk.job(job_id), _face(face))


def _report(desk: Desk, job: Job, face: Face) -> Report:
    at_hand = frozenset(one.sha256 for one in job.attachments if desk.shelf.has(one.sha256))
    return report(
        job, findings(desk, job, proving_of(desk, job)), face,
        shop=setting("HALFSPLIT_SHOP"), rates=rates(), at_hand=at_hand,
    )  # fmt: skip


def _face(text: str) -> Face:
    for face in FACES:
        if text.strip().casefold() == face:
            return face
    near = nearest(text, FACES)
    raise UserError(
        "report-face",
        f'There is no report for "{text}".',
        f"Did you mean {near}?" if near else "Say customer or technician.",
    )


def check_place(file: Path) -> None:
    """Raises UserError where no report can be written under that name."""
    if file.suffix.casefold() not in (".pdf", ".html", ".htm"):
        raise UserError(
            "report-ending", f'"{file.name}" ends in neither .pdf nor .html.', "Give it one of these endings."
        )
    _free(file)


def write_report(desk: Desk, face: str, file: Path, job_id: str | None = None) -> Written:
    """Writes a job's report, as PDF or HTML by the file's ending, never over another file. Raises UserError."""
    check_place(file)
    ending = file.suffix.casefold()
    found = report_of(desk, face, job_id)
    pictures = _pictures(desk, found)
    if ending == ".pdf":
        from halfsplit.reports.pdf import as_pdf, read_paper, unprinted

        fonts = Path(setting("HALFSPLIT_FONTS")) if setting("HALFSPLIT_FONTS") else None
        paper = read_paper(setting("HALFSPLIT_PAPER"))
        content = as_pdf(found, pictures, paper, fonts)
        return replace(_write(file, content, found.job), unprinted=unprinted(found, fonts))
    from halfsplit.reports.html import as_html

    content = as_html(found, pictures).encode("utf-8", "replace")
    return _write(file, content, found.job)


def _pictures(desk: Desk, found: Report) -> Mapping[str, bytes]:
    """The contents of the pictures at hand; a damaged one is left out, and the report says it cannot be shown."""
    contents: dict[str, bytes] = {}
    for one in found.attachments:
        if one.here and one.media in ("jpeg", "png") and one.sha256 not in contents:
            with suppress(UserError):
                contents[one.sha256] = desk.shelf.get(one.sha256)
    return contents


def write_topic(desk: Desk, file: Path, job_id: str | None = None) -> Written:
    """Writes a closed job as a DITA troubleshooting topic, never over another file.

    Raises UserError: "topic-job-open", "report-there", "report-unwritable".
    """
    _free(file)
    job = desk.job(job_id)
    found = _report(desk, job, "technician")
    remedy = None
    standing = desk.standing(job)
    groups = {one.id: one for one in standing.hunt.bench.space.groups}
    if isinstance(job.cause, Cause) and job.cause.group in groups:
        group = groups[job.cause.group]
        words = explain_repair(standing.hunt, group)
        # The last of the steps asks for an answer at the bench; in a manual, trying out is the end.
        names = [f"{one.function} [{one.state}]" for one in found.functions]
        steps = (*words.steps[:-1], f"Operate as when it failed: {' and '.join(names)}.")
        remedy = Remedy(_sentence(group_words(standing.machine, group)), words.cautions, steps, words.material)
    return _write(file, as_topic(found, remedy).encode("utf-8"), job.id)


def _free(file: Path) -> None:
    """Raises before the work is done when the file is there already."""
    if file.exists():
        raise UserError("report-there", f"{file} is there already.", "Give another file name.")


def _write(file: Path, content: bytes, job: str) -> Written:
    try:
        write_new(file, content)
    except FileExistsError:
        raise UserError("report-there", f"{file} is there already.", "Give another file name.") from None
    except OSError as error:
        raise UserError(
            "report-unwritable", f"{file} cannot be written: {error.strerror or error}.", "Look at the folder's name."
        ) from error
    return Written(job, str(file), len(content))
