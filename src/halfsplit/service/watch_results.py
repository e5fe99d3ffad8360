"""What a watch of a live bus tells and finds: results as data, and the sentence on a place that was moved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from halfsplit.buslog.tied import Tied

Kind = Literal["phase", "drop", "back", "word", "caution", "result", "written", "trouble"]
State = Literal["HEARD", "LOST", "NEW", "SELDOM"]
Verdict = Literal["reacted", "nothing", "undecided"]


@dataclass(frozen=True, slots=True)
class Told:
    """Something to tell at once."""

    kind: Kind
    text: str


@dataclass(frozen=True, slots=True)
class BoardRow:
    """One speaker on the board. ``age_s`` is the time since it was heard last, ``limit_s`` from when on it is lost."""

    name: str
    state: State
    age_s: float
    period_s: float | None
    limit_s: float | None
    drops: int


@dataclass(frozen=True, slots=True)
class Board:
    """What stands on the board: ``learning_s`` is what is left of the still phase, None after it.

    ``back`` are those that are heard again since a moment ago: a short drop would be over before anybody looks up.
    """

    learning_s: float | None
    moving: str
    moving_s: float
    rows: tuple[BoardRow, ...]
    lost: tuple[str, ...]
    back: tuple[str, ...]
    everybody: bool
    drops: int
    errors: int
    since_s: float


@dataclass(frozen=True, slots=True)
class PlaceSaid:
    """What was found of a place that was moved; times in seconds of the watch in which anybody was heard.

    ``verdict`` is reacted, nothing, or undecided; ``p`` the probability that chance alone made so many drops.
    """

    place: str
    moved_s: float
    drops: int
    drops_per_min: float
    others: int
    rest_s: float
    others_per_min: float
    share: float
    p: float
    unsure: int
    verdict: Verdict
    words: str


@dataclass(frozen=True, slots=True)
class DropSaid:
    """One drop: who, when in seconds of the watch, and what was moved ("" when nothing was, or it cannot be told)."""

    at_s: float
    who: tuple[str, ...]
    everybody: bool
    moving: str


@dataclass(frozen=True, slots=True)
class WatchSaid:
    """A watch at its end. ``not_written`` are findings that the job did not take, with the reason."""

    job: str
    seconds: float
    learned: bool
    speakers: tuple[BoardRow, ...]
    not_judged: tuple[str, ...]
    drops: tuple[DropSaid, ...]
    switched_off: bool
    places: tuple[PlaceSaid, ...]
    errors: int
    written: int
    not_written: tuple[str, ...]


def moved_words(one: Tied) -> str:
    """What was found of a place, with the figures it rests on, in a sentence or three."""
    moved = f"{one.place} moved for {one.moved_s:.0f} s"
    beside = ""
    if one.unsure:
        counts = "counts" if one.unsure == 1 else "count"
        beside = f" {times(one.unsure, 'drop')} beside the word given {counts} for none."
    if not one.together:
        return f"{moved}: nobody dropped out.{beside}"
    count = len(one.together)
    against = "none" if not one.others else f"{one.others}"
    head = f"{moved}: {times(count, 'drop')}, against {against} in {one.rest_s:.0f} s without."
    chance = (
        f"If {one.place} had nothing to do with it, {count} or more of {count + one.others} would fall into its "
        f"{100 * one.share:.0f} % of the time in {_of_100(one.p)} of 100 such watches"
    )
    if one.sure:
        return f"{head} {chance}: it reacts to being moved.{beside}"
    return f"{head} {chance}: that can be chance. Move it again, or others for longer.{beside}"


def times(count: int, what: str) -> str:
    """A count with its word, in the plural where it is one."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _of_100(p: float) -> str:
    return f"{100 * p:.2g}" if p >= 1e-4 else "less than 0.01"


def per_min(count: int, seconds: float) -> float:
    """How many a minute."""
    return 60.0 * count / seconds if seconds > 0.0 else 0.0
