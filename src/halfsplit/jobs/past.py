"""What an opening keeps of the unit's earlier jobs, and what a closing keeps for learning.

Both are kept inside the event itself, so that a job gives the same odds again later, whatever is noted of the
unit or done with its other jobs meanwhile.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class RecentWork:
    """Work of an earlier job that is recent enough to count: ids of the places it touched, and how long ago.

    ``hours_ago`` is by the unit's meter as far as it was read since, None where it was not read on both sides.
    """

    job: str
    places: tuple[str, ...]
    days_ago: int
    hours_ago: float | None = None


@dataclass(frozen=True, slots=True)
class PossibleReturn:
    """An earlier job with the same complaint whose repair was not proven yet.

    ``confidence`` 0..1 that its repair had hit, by its closing and its runs; None where that was not kept.
    """

    job: str
    days_ago: int
    hours_ago: float | None = None
    confidence: float | None = None


@dataclass(frozen=True, slots=True)
class UnitPast:
    """The unit as it stood when a job was opened: meter in hours and the day it was read ("" never), history used.

    ``window`` says what counted as recent and who says so.
    """

    hours: float | None = None
    read_on: str = ""
    recent: tuple[RecentWork, ...] = ()
    may_be: PossibleReturn | None = None
    window: str = ""

    @property
    def places(self) -> tuple[str, ...]:
        """Every place of the recent work, once."""
        return tuple(dict.fromkeys(place for one in self.recent for place in one.places))


@dataclass(frozen=True, slots=True)
class GroupOdds:
    """A repair group and the odds 0..1 that it is or was a cause."""

    group: str
    odds: float


@dataclass(frozen=True, slots=True)
class ExposureLevel:
    """One exposure of a zone, like splash, and its level there."""

    exposure: str
    level: str


@dataclass(frozen=True, slots=True)
class MissedLook:
    """A look that found nothing where the cause was: number of its entry, kind of look, place."""

    entry: int
    look: str
    place: str


@dataclass(frozen=True, slots=True)
class Lesson:
    """What a closing keeps for learning beside the cause itself; the minutes of each check stand in the entries.

    ``fault`` is the likeliest fault of the cause's group, ``mode`` its mode, ``owner`` the connector, part or run it
    belongs to, all "" where no cause was found. ``odds`` are those of every group worth naming; ``nothing`` and
    ``something_else`` the two others. ``hit``, ``hidden`` and ``confidence`` say how sure the repair was at closing
    (None without one); ``hours`` is the unit's meter as read last by then, on the day ``read_on`` ("" never).
    """

    fault: str = ""
    mode: str = ""
    owner: str = ""
    zone: str = ""
    exposure: tuple[ExposureLevel, ...] = ()
    odds: tuple[GroupOdds, ...] = ()
    nothing: float = 0.0
    something_else: float = 0.0
    missed: tuple[MissedLook, ...] = ()
    hit: float | None = None
    hidden: float | None = None
    confidence: float | None = None
    hours: float | None = None
    read_on: str = ""


def to_data(value: UnitPast | Lesson) -> dict[str, Any]:
    """Plain values of either."""
    return asdict(value)


def past_from_data(data: Mapping[str, Any]) -> UnitPast:
    """The past that ``to_data`` wrote. Raises TypeError or KeyError for anything else."""
    values = dict(data)
    values["recent"] = tuple(
        RecentWork(**{**one, "places": tuple(_listed(one["places"]))}) for one in _listed(values["recent"])
    )
    if values["may_be"] is not None:
        values["may_be"] = PossibleReturn(**values["may_be"])
    return UnitPast(**values)


def lesson_from_data(data: Mapping[str, Any]) -> Lesson:
    """The lesson that ``to_data`` wrote. Raises TypeError or KeyError for anything else."""
    values = dict(data)
    for name, kind in (("exposure", ExposureLevel), ("odds", GroupOdds), ("missed", MissedLook)):
        values[name] = tuple(kind(**one) for one in _listed(values[name]))
    return Lesson(**values)


def _listed(value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise TypeError(f"{value!r} is no list")
    return value


def problems(value: UnitPast | Lesson) -> tuple[str, ...]:
    """Sentences for numbers that cannot be."""
    if isinstance(value, Lesson):
        shares = [value.nothing, value.something_else, value.hit, value.hidden, value.confidence]
        shares += [one.odds for one in value.odds]
        hours = [value.hours]
    else:
        ago: list[RecentWork | PossibleReturn] = [*value.recent, *([value.may_be] if value.may_be else [])]
        shares = [value.may_be.confidence] if value.may_be else []
        hours = [value.hours, *(one.hours_ago for one in ago), *(float(one.days_ago) for one in ago)]
    said = [f"Odds are between 0 and 1, not {one}." for one in shares if one is not None and not 0 <= one <= 1]
    said += [f"{one} h cannot be." for one in hours if one is not None and not 0 <= one < float("inf")]
    return tuple(said)
