"""Units: what was noted of one machine of a kind, as append-only events, and the unit that they make.

A unit goes by its serial number. Like a job it is the list of its events and nothing else: notes of its machine,
owner and meter, and notes taken back. The meter is read on a day; the day is stated, because it is often told later.

Hours run between two days are taken from the meter, on a straight line between the readings around each day. A changed
meter begins anew: what ran between the last reading of the old one and the first of the new is not known and counts
as none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from itertools import pairwise
from typing import Any, ClassVar

from halfsplit.errors import Problem, UserError, nearest
from halfsplit.jobs.events import utc_time
from halfsplit.jobs.lines import read, shown, written
from halfsplit.jobs.shapes import conform, plain

#: Codes of UserErrors and Problems raised here, each with one sentence.
CODES: dict[str, str] = {
    "unit-serial": "A serial number is empty, longer than 64 letters or holds signs that cannot be printed.",
    "unit-hours": "A meter reading cannot be, or does not fit the unit's others.",
    "unit-date": "A day is none of the calendar, or has not come yet.",
    "unit-numbers": "The numbers of a unit's entries have a gap, or belong to another unit.",
    "unit-no-entry": "The unit has no entry of that number that could be taken back.",
}

LONGEST_SERIAL = 64
#: More hours than this stand on no meter of a mobile machine: over 20 years day and night; invented limit.
MOST_HOURS = 200_000.0


@dataclass(frozen=True, slots=True)
class UnitNoted:
    """Something noted of a unit; what is "" or None was not said and stays as it was.

    ``hours`` stood on the meter on the day ``read_on`` (ISO 8601); ``meter_changed`` says that it is another meter.
    """

    KIND: ClassVar[str] = "unit-noted"
    machine: str = ""
    owner: str = ""
    hours: float | None = None
    read_on: str = ""
    meter_changed: bool = False
    text: str = ""


@dataclass(frozen=True, slots=True)
class UnitEntryUndone:
    """The entry of that number no longer counts. It stays in the list."""

    KIND: ClassVar[str] = "unit-entry-undone"
    entry: int
    reason: str = ""


UnitHappening = UnitNoted | UnitEntryUndone
KINDS: Mapping[str, type[Any]] = {kind.KIND: kind for kind in (UnitNoted, UnitEntryUndone)}
#: The version in which these events are written; there is no older one yet.
VERSION = 1


@dataclass(frozen=True, slots=True)
class UnitEvent:
    """Something noted of the unit ``unit`` (its serial number): place in its list, when, by whom, what."""

    unit: str
    number: int
    when: str
    by: str
    what: UnitHappening


@dataclass(frozen=True, slots=True)
class UnitEntry:
    """A note of a unit, and whether it was taken back."""

    number: int
    when: str
    by: str
    what: UnitNoted
    undone: bool = False


@dataclass(frozen=True, slots=True)
class MeterReading:
    """The meter on a day: the note's number, hours, whether it is another meter than at the reading before."""

    entry: int
    on: date
    hours: float
    changed: bool = False


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as its events leave it. ``readings`` are by day, ``entries`` by number, those taken back included."""

    serial: str
    last_number: int = 0
    entries: tuple[UnitEntry, ...] = ()

    @property
    def standing(self) -> tuple[UnitNoted, ...]:
        """The notes that were not taken back."""
        return tuple(one.what for one in self.entries if not one.undone)

    @property
    def machine(self) -> str:
        """Id of the kind of machine, as noted last; "" when never."""
        return next((one.machine for one in reversed(self.standing) if one.machine), "")

    @property
    def owner(self) -> str:
        """The owner, as noted last; "" when never."""
        return next((one.owner for one in reversed(self.standing) if one.owner), "")

    @property
    def readings(self) -> tuple[MeterReading, ...]:
        """The meter readings that stand, by day and then number."""
        found = [
            MeterReading(one.number, date.fromisoformat(one.what.read_on), one.what.hours, one.what.meter_changed)
            for one in self.entries
            if not one.undone and one.what.hours is not None
        ]
        return tuple(sorted(found, key=lambda one: (one.on, one.entry)))

    def next_event(self, what: UnitHappening, *, when: str, by: str = "") -> UnitEvent:
        """``what`` as the event that would come next of this unit."""
        return UnitEvent(self.serial, self.last_number + 1, when, by, what)


def plain_serial(text: str) -> str:
    """``text`` with single blanks, as serial numbers are compared; openings of older versions kept it as typed."""
    return " ".join(text.split())


def check_serial(text: str) -> str:
    """``text`` as a serial number. Raises UserError("unit-serial")."""
    serial = plain_serial(text)
    if not serial or len(serial) > LONGEST_SERIAL or not serial.isprintable():
        raise UserError(
            "unit-serial",
            f"{shown(text)} cannot be the serial number of a unit.",
            f"Use 1 to {LONGEST_SERIAL} letters, digits and signs.",
        )
    return serial


def fold_unit(serial: str, events: Iterable[UnitEvent]) -> Unit:
    """The unit that these events make; one of which nothing was noted without any. Raises UserError."""
    unit = Unit(serial)
    for event in events:
        unit = apply_unit(unit, event)
    return unit


def apply_unit(unit: Unit, event: UnitEvent) -> Unit:
    """The unit after one more event. Raises UserError("unit-numbers") or UserError("unit-no-entry")."""
    if event.unit != unit.serial or event.number != unit.last_number + 1:
        raise UserError(
            "unit-numbers", f"Entry {event.number} of {event.unit} follows on {unit.last_number} of {unit.serial}."
        )
    what = event.what
    if isinstance(what, UnitNoted):
        entries = (*unit.entries, UnitEntry(event.number, event.when, event.by, what))
        return replace(unit, last_number=event.number, entries=entries)
    if not any(one.number == what.entry and not one.undone for one in unit.entries):
        standing = ", ".join(str(one.number) for one in unit.entries if not one.undone)
        raise UserError(
            "unit-no-entry",
            f"Unit {unit.serial} has no entry {what.entry} that stands.",
            f"There is {standing}." if standing else "",
        )
    turned = tuple(replace(one, undone=True) if one.number == what.entry else one for one in unit.entries)
    return replace(unit, last_number=event.number, entries=turned)


def reading_problems(readings: Sequence[MeterReading]) -> tuple[Problem, ...]:
    """What cannot be about meter readings by day: fewer hours than before, or more than there were."""
    found = []
    for before, after in pairwise(readings):
        if after.changed:
            continue
        days = (after.on - before.on).days + 1
        ran = after.hours - before.hours
        told = f"{after.hours:g} h on {after.on} and {before.hours:g} h on {before.on}"
        most = "1 day" if days == 1 else f"{days} days"
        if ran < 0.0:
            said = f"{told}: a meter does not run back. If it is another meter, say --meter-changed."
        elif ran > 24.0 * days:
            said = f"{told}: that is {ran:g} h in {most}, more than there were."
        else:
            continue
        found.append(Problem("unit-hours", None, None, said, None, "hours"))
    return tuple(found)


def hours_run(readings: Sequence[MeterReading], begin: date, end: date) -> float | None:
    """Hours run from ``begin`` to the last reading up to ``end``; None where none was made by ``begin``, or after it.

    ``readings`` are by day. A day between two readings lies on the straight line between them.
    """
    told = [one for one in readings if one.on <= end]
    if not told or told[0].on > begin or told[-1].on <= begin:
        return None
    run, points = 0.0, [(told[0].on.toordinal(), 0.0)]
    for before, after in pairwise(told):
        run += 0.0 if after.changed else after.hours - before.hours
        points.append((after.on.toordinal(), run))
    day = begin.toordinal()
    at = next(
        low + (high - low) * (day - left) / (right - left)
        for (left, low), (right, high) in pairwise(points)
        if left <= day < right
    )
    return max(0.0, run - at)


def hours_on(readings: Sequence[MeterReading], day: date) -> MeterReading | None:
    """The last reading up to a day; None before the first."""
    return next((one for one in reversed(readings) if one.on <= day), None)


def unit_to_json(event: UnitEvent) -> str:
    """The canonical JSON of an event of a unit, one line. Raises UserError for what must not be kept."""
    event = checked_unit(event)
    what = event.what
    return written({
        "v": VERSION,
        "unit": event.unit,
        "number": event.number,
        "when": event.when,
        "by": event.by,
        "kind": what.KIND,
        "data": plain({item.name: getattr(what, item.name) for item in fields(what)}),
    })


def unit_from_json(text: str) -> UnitEvent:
    """The event that ``unit_to_json`` wrote. Raises UserError for anything else, whatever the text."""
    record = read(text, ("v", "unit", "number", "when", "by", "kind", "data"))
    kind, data = record["kind"], record["data"]
    if not isinstance(kind, str) or kind not in KINDS:
        near = nearest(kind, KINDS) if isinstance(kind, str) else None
        raise UserError("event-kind", f"No event is called {shown(kind)}.", f"Is it {near}?" if near else "")
    if type(record["v"]) is not int or record["v"] < 1:
        raise UserError("event-shape", f"{shown(record['v'])} is not the version of an event.")
    if record["v"] > VERSION:
        raise UserError(
            "event-newer",
            f"An event ({kind}, version {record['v']}) was written by a newer halfsplit.",
            "Install the newer version to read this unit.",
        )
    names = {item.name for item in fields(KINDS[kind])}
    if not isinstance(data, dict) or set(data) != names:
        raise UserError("event-shape", f"{kind} has the fields {', '.join(sorted(names))}.")
    return checked_unit(UnitEvent(record["unit"], record["number"], record["when"], record["by"], KINDS[kind](**data)))


def checked_unit(event: UnitEvent) -> UnitEvent:
    """``event`` with floats where floats are meant. Raises UserError for what cannot be kept."""
    event, wrong = conform(event)
    if wrong:
        raise UserError("event-shape", "; ".join(wrong) + ".")
    if check_serial(event.unit) != event.unit:
        raise UserError("unit-serial", f"{shown(event.unit)} has blanks that a serial number has not.")
    utc_time(event.when)
    what = event.what
    if event.number < 1 or (isinstance(what, UnitEntryUndone) and what.entry < 1):
        raise UserError("event-value", f"Entry number {event.number} cannot be, or names one that cannot.")
    if isinstance(what, UnitNoted):
        if what.hours is not None and not 0.0 <= what.hours <= MOST_HOURS:
            raise UserError("unit-hours", f"{what.hours:g} h stand on no meter.")
        if (what.hours is None) != (not what.read_on):
            raise UserError("event-value", "Hours and the day they were read belong together.")
        if what.read_on:
            read_day(what.read_on)
    return event


def read_day(text: str) -> date:
    """A day written like 2031-04-02. Raises UserError("unit-date")."""
    try:
        if len(text) != len("2031-04-02"):
            raise ValueError(text)
        return date.fromisoformat(text)
    except ValueError:
        raise UserError("unit-date", f"{shown(text)} is no day.", "Write it like 2031-04-02.") from None
