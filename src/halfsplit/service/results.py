"""What the use cases give back, as frozen values, and their plain JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Any


def to_data(value: Any) -> Any:
    """Plain JSON values of a result; dataclasses become objects with their fields as keys, in order.

    JSON has no infinity; an infinite number becomes the text "Infinity".
    """
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: to_data(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): to_data(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [to_data(item) for item in value]
    if isinstance(value, float):
        if not math.isfinite(value):
            return "Infinity" if value > 0 else "-Infinity"
        return round(value, 6)
    return value


@dataclass(frozen=True, slots=True)
class JobHead:
    """What stands above everything said of a job. ``minutes`` were worked so far."""

    job: str
    machine: str
    machine_name: str
    unit: str
    state: str
    clock: str
    complaint: tuple[str, ...]
    conditions: tuple[str, ...]
    comes_and_goes: bool
    minutes: float
    entries: int


@dataclass(frozen=True, slots=True)
class Suspect:
    """One repair group: its id, ``odds`` 0..1 that it is needed now, ``text`` its likeliest fault."""

    group: str
    odds: float
    repair: str
    text: str
    place: str
    zone: str
    minutes: float


@dataclass(frozen=True, slots=True)
class Suspects:
    """All suspects worth naming, with the two others: nothing wrong now, and something else.

    ``two_at_once`` is the chance that two faults are there; each of the two counts among the suspects, so that all
    odds together come to one and ``two_at_once`` more.
    """

    head: JobHead
    suspects: tuple[Suspect, ...]
    nothing: float
    something_else: float
    two_at_once: float


@dataclass(frozen=True, slots=True)
class OpeningLine:
    """An access step still to be opened."""

    step: str
    name: str
    open_min: float
    close_min: float


@dataclass(frozen=True, slots=True)
class MinutesLine:
    """Minutes of a step split into what they go into; ``total`` is their sum."""

    own: float
    opening: float
    closing: float
    setting: float
    verifying: float
    total: float


@dataclass(frozen=True, slots=True)
class MeaningLine:
    """A repair that would stand first after a result; ``group`` "" is "nothing wrong now"."""

    group: str
    repair: str
    odds: float


@dataclass(frozen=True, slots=True)
class OutcomeLine:
    """One possible result: label, chance 0..1, whether a sound machine shows it, what it would mean."""

    label: str
    low: float | None
    high: float | None
    chance: float
    healthy: bool
    means: tuple[MeaningLine, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """A check or a repair to do.

    ``id`` is the check's or the repair group's; ``answers`` says what can be typed. ``odds`` are those that a repair
    is needed now, ``came_right`` those that its place was bad and came right by being handled, None elsewhere.
    """

    kind: str
    id: str
    title: str
    short: str
    cautions: tuple[str, ...]
    steps: tuple[str, ...]
    openings: tuple[OpeningLine, ...]
    minutes: MinutesLine
    outcomes: tuple[OutcomeLine, ...]
    answers: str
    odds: float | None = None
    success: float | None = None
    came_right: float | None = None
    material: str = ""
    look_for: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OtherStep:
    """A runner-up: what it is, its minutes, and how many more minutes than the best.

    The more minutes are those of the whole job where the planner looked ahead, of the step alone elsewhere.
    """

    kind: str
    id: str
    short: str
    minutes: float
    more_minutes: float


@dataclass(frozen=True, slots=True)
class NextStep:
    """Where a job stands and what to do next; ``kind`` is check, repair, finish, hand over or not found.

    ``step`` is None when the hunt has ended; ``words`` then says how. ``surprise`` and ``fixed_idea`` are
    sentences, empty when there is nothing to say.
    """

    head: JobHead
    kind: str
    words: str
    reason: str
    step: Step | None
    others: tuple[OtherStep, ...]
    suspects: tuple[Suspect, ...]
    nothing: float
    something_else: float
    two_at_once: float
    surprise: str
    fixed_idea: str
    open_access: tuple[str, ...]
    runners_up: int


@dataclass(frozen=True, slots=True)
class Recorded:
    """What was written down: the entries' words, and the step that comes next."""

    job: str
    words: tuple[str, ...]
    next: NextStep


@dataclass(frozen=True, slots=True)
class AlikeLine:
    """One repair of those that a log cannot tell apart, and its odds."""

    group: str
    repair: str
    odds: float


@dataclass(frozen=True, slots=True)
class Alike:
    """Suspects that a log of the bus cannot tell apart: ``odds`` together, how many, the likeliest by name.

    ``check`` is the id of the meter check that parts them best for its minutes, ``check_words`` what it is; "" where
    none within reach does.
    """

    odds: float
    count: int
    suspects: tuple[AlikeLine, ...]
    check: str
    check_words: str


@dataclass(frozen=True, slots=True)
class LogTaken:
    """What was written down of a log, what it leaves alike (None where it points to one), and what comes next."""

    job: str
    words: tuple[str, ...]
    next: NextStep
    alike: Alike | None


@dataclass(frozen=True, slots=True)
class WrittenDown:
    """What was written down, in words, and the number of the last entry."""

    job: str
    words: tuple[str, ...]
    number: int


@dataclass(frozen=True, slots=True)
class TestimonyLine:
    """One observation for or against a suspect; ``ratio`` is a natural log likelihood ratio.

    ``little`` tells that it says little either way, whatever language ``weight`` is in.
    """

    entry: int
    subject: str
    found: str
    expected: str
    weight: str
    ratio: float
    little: bool


@dataclass(frozen=True, slots=True)
class WhyLines:
    """The case for one repair group, compared with the best other one.

    ``worked_on`` says that it counts as worked on lately and why, "" when it does not.
    """

    head: JobHead
    group: str
    repair: str
    text: str
    odds: float
    rival: str
    rival_repair: str
    rival_odds: float
    prior_ratio: float
    worked_on: str
    testimonies: tuple[TestimonyLine, ...]
    doubles: tuple[MeaningLine, ...]


@dataclass(frozen=True, slots=True)
class LogLine:
    """One entry of a job: ``number`` is what undo names."""

    number: int
    when: str
    by: str
    kind: str
    words: str
    minutes: float
    undone: bool


@dataclass(frozen=True, slots=True)
class Log:
    """A job with all its entries."""

    head: JobHead
    lines: tuple[LogLine, ...]
    cause: str


@dataclass(frozen=True, slots=True)
class JobListLine:
    """One job in a list."""

    job: str
    machine: str
    unit: str
    state: str
    opened: str
    changed: str
    entries: int


@dataclass(frozen=True, slots=True)
class JobList:
    """Jobs in the order in which they were opened."""

    jobs: tuple[JobListLine, ...]


@dataclass(frozen=True, slots=True)
class Moved:
    """A job written out to a file, or taken in from one."""

    job: str
    file: str
    entries: int
    added: int
    created: bool


@dataclass(frozen=True, slots=True)
class Attached:
    """A file kept with a job: the number of its entry, what its content is, what it is for.

    ``known`` tells that the same content was attached to this job before; it is kept once.
    """

    job: str
    entry: int
    name: str
    media: str
    role: str
    size_bytes: int
    sha256: str
    known: bool


@dataclass(frozen=True, slots=True)
class Noted:
    """An entry of a job's papers: its number and its words."""

    job: str
    entry: int
    words: str


@dataclass(frozen=True, slots=True)
class NewsLine:
    """One event that came into a job, with the message it came in; ``words`` "" where another line says it."""

    number: int
    when: str
    by: str
    words: str
    sending: str


@dataclass(frozen=True, slots=True)
class News:
    """What came into a job since it was last asked; ``number`` is that of its latest event."""

    number: int
    lines: tuple[NewsLine, ...]


@dataclass(frozen=True, slots=True)
class AttachmentLine:
    """A file of a job as a list shows it; ``here`` tells that its content is at hand, ``picture`` that it is shown."""

    entry: int
    name: str
    media: str
    role: str
    caption: str
    size_bytes: int
    sha256: str
    here: bool
    picture: bool


@dataclass(frozen=True, slots=True)
class PaperLine:
    """Material, a drive or advice in words; ``entry`` is what undo names."""

    entry: int
    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class Papers:
    """What a report is written from beside the hunt: attachments, and material, drives and advice."""

    head: JobHead
    attachments: tuple[AttachmentLine, ...]
    lines: tuple[PaperLine, ...]


#: So many signs that cannot be printed are named; whoever sees these knows which script it is. No source.
MOST_SIGNS = 20


@dataclass(frozen=True, slots=True)
class Written:
    """A file written from a job; ``unprinted`` are the signs in it for which no font at hand has a shape."""

    job: str
    file: str
    size_bytes: int
    unprinted: str = ""

    @property
    def named_signs(self) -> str:
        """The first of the signs that are not printed, with blanks between, and dots for more."""
        return " ".join(self.unprinted[:MOST_SIGNS]) + (" ..." if len(self.unprinted) > MOST_SIGNS else "")
