"""Noting units and showing them: serial number, kind of machine, hours, owner, earlier jobs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date

from halfsplit.errors import NotFound, Problem, ProblemsError, UserError, nearest
from halfsplit.jobs.units import (
    MOST_HOURS,
    Unit,
    UnitEntry,
    UnitEntryUndone,
    UnitHappening,
    UnitNoted,
    apply_unit,
    check_serial,
    hours_on,
    plain_serial,
    read_day,
    reading_problems,
)
from halfsplit.machine.reading import load_machine
from halfsplit.quantities import duration_min
from halfsplit.service.desk import Desk
from halfsplit.service.examples import find_machine
from halfsplit.service.unit_history import EarlierLine, earlier_lines, spelled_nearly
from halfsplit.service.unit_past import jobs_of, known_units, today, unit_of

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "unit-nothing": "Nothing was said to note of a unit, or half of something.",
}


@dataclass(frozen=True, slots=True)
class HoursLine:
    """The meter on a day; ``run`` are the hours since the reading before, None at the first and at a new meter."""

    entry: int
    on: str
    hours: float
    changed: bool
    run: float | None


@dataclass(frozen=True, slots=True)
class UnitNoteLine:
    """A note of a unit in words; ``number`` is what undo names."""

    number: int
    when: str
    by: str
    words: str
    undone: bool


@dataclass(frozen=True, slots=True)
class UnitShown:
    """A unit with its hours by day, notes and jobs, latest job first; texts are "" where nothing was said.

    ``near`` says of a unit that was just noted for the first time which known one is spelled nearly so.
    """

    unit: str
    machine: str
    owner: str
    hours: float | None
    read_on: str
    readings: tuple[HoursLine, ...]
    notes: tuple[UnitNoteLine, ...]
    jobs: tuple[EarlierLine, ...]
    near: str = ""


@dataclass(frozen=True, slots=True)
class UnitListLine:
    """One unit in a list: hours and the day they were read, number of its jobs and of those still open."""

    unit: str
    machine: str
    owner: str
    hours: float | None
    read_on: str
    jobs: int
    open_jobs: int


@dataclass(frozen=True, slots=True)
class UnitList:
    """Units by serial number."""

    units: tuple[UnitListLine, ...]


def note_unit(
    desk: Desk,
    serial: str,
    *,
    machine: str = "",
    hours: str = "",
    on: str = "",
    meter_changed: bool = False,
    owner: str = "",
    text: str = "",
) -> UnitShown:
    """Notes something of a unit; what is not said stays. ``hours`` carries its unit, ``on`` is today when left out.

    Raises ProblemsError with all that cannot be; nothing is noted then.
    """
    wrong: list[Problem] = []
    unit = Unit("")
    try:
        unit = unit_of(desk, check_serial(serial))
    except UserError as error:
        wrong.append(_problem(error, "serial"))
    kind = _kind(desk, machine, wrong) if machine.strip() else ""
    day = _day(desk, on, wrong)
    meter = _hours(hours, wrong) if hours.strip() else None
    owner, text = " ".join(owner.split()), text.strip()
    if not hours.strip() and (on.strip() or meter_changed):
        said = "A day and a changed meter are said of a meter reading: --hours with the figure."
        wrong.append(Problem("unit-nothing", None, None, said, None, "hours"))
    elif not (kind or machine.strip() or hours.strip() or owner or text):
        said = "Say what to note: --machine, --hours, --owner or --note."
        wrong.append(Problem("unit-nothing", None, None, said))
    noted = UnitNoted(
        kind, owner, meter, day.isoformat() if day is not None and meter is not None else "",
        meter_changed and meter is not None, text,
    )  # fmt: skip
    if meter is not None and day is not None and unit.serial:
        after = apply_unit(unit, unit.next_event(noted, when=desk.when()))
        before = {problem.what for problem in reading_problems(unit.readings)}
        wrong += [problem for problem in reading_problems(after.readings) if problem.what not in before]
    if wrong:
        raise ProblemsError(wrong)
    near = None if unit.serial in known_units(desk) else spelled_nearly(desk, unit.serial)
    _keep(desk, unit, noted)
    shown = show_unit(desk, unit.serial)
    if near is None:
        return shown
    said = f'Unit {unit.serial} was not known before. If you meant {near}, take the note back: halfsplit unit undo "'
    return replace(shown, near=f'{said}{unit.serial}".')


def undo_unit(desk: Desk, serial: str, entry: int | None = None, reason: str = "") -> UnitShown:
    """Takes back a note of a unit, the latest when no number is given. Raises NotFound, UserError, ProblemsError."""
    unit = _known(desk, serial)
    if entry is None:
        standing = [one.number for one in unit.entries if not one.undone]
        if not standing:
            raise UserError("unit-no-entry", f"Nothing noted of unit {unit.serial} is left to take back.")
        entry = standing[-1]
    undone = UnitEntryUndone(entry, reason)
    after = apply_unit(unit, unit.next_event(undone, when=desk.when()))
    wrong = reading_problems(after.readings)
    if wrong:
        raise ProblemsError(wrong)
    _keep(desk, unit, undone)
    return show_unit(desk, unit.serial)


def show_unit(desk: Desk, serial: str) -> UnitShown:
    """A unit with its hours, notes and jobs. Raises NotFound with the nearest serial number."""
    unit = _known(desk, serial)
    jobs = jobs_of(desk, unit.serial)
    meter = hours_on(unit.readings, today(desk))
    readings = unit.readings
    lines = []
    for at, one in enumerate(readings):
        run = None if at == 0 or one.changed else one.hours - readings[at - 1].hours
        lines.append(HoursLine(one.entry, one.on.isoformat(), one.hours, one.changed, run))
    return UnitShown(
        unit=unit.serial,
        machine=unit.machine or (jobs[-1].machine if jobs else ""),
        owner=unit.owner,
        hours=meter.hours if meter is not None else None,
        read_on=meter.on.isoformat() if meter is not None else "",
        readings=tuple(lines),
        notes=tuple(UnitNoteLine(one.number, one.when, one.by, _words(one), one.undone) for one in unit.entries),
        jobs=earlier_lines(desk, unit, jobs),
    )


def list_units(desk: Desk) -> UnitList:
    """Every unit that a job was opened on or of which a note stands."""
    lines = desk.store.jobs()
    found = []
    for serial in known_units(desk):
        unit = unit_of(desk, serial)
        meter = hours_on(unit.readings, today(desk))
        own = [line for line in lines if plain_serial(line.unit) == serial]
        if not own and not unit.standing:
            continue
        found.append(
            UnitListLine(
                serial, unit.machine or (own[-1].machine if own else ""), unit.owner,
                meter.hours if meter is not None else None, meter.on.isoformat() if meter is not None else "",
                len(own), sum(line.state == "open" for line in own),
            )
        )  # fmt: skip
    return UnitList(tuple(found))


def _known(desk: Desk, serial: str) -> Unit:
    plain = check_serial(serial)
    known = known_units(desk)
    if plain not in known:
        raise NotFound("unit", plain, known)
    return unit_of(desk, plain)


def _keep(desk: Desk, unit: Unit, what: UnitHappening) -> None:
    desk.store.append_unit(unit.last_number, unit.next_event(what, when=desk.when(), by=desk.by))


def _kind(desk: Desk, text: str, wrong: list[Problem]) -> str:
    """Id of the kind of machine: one that a job was opened on, a shipped one, or a machine folder."""
    known = {line.machine for line in desk.store.jobs()}
    plain = text.strip()
    if plain in known:
        kind = plain
    else:
        try:
            kind = load_machine(find_machine(plain)).id
        except ProblemsError as error:
            wrong.extend(error.problems)
            return ""
        except NotFound as error:
            near = error.suggestion or nearest(plain, known)
            wrong.append(Problem(error.code, None, None, error.message, near, "machine"))
            return ""
    return kind


def _day(desk: Desk, text: str, wrong: list[Problem]) -> date | None:
    if not text.strip():
        return today(desk)
    try:
        day = read_day(text.strip())
    except UserError as error:
        wrong.append(_problem(error, "on"))
        return None
    if day > today(desk):
        wrong.append(Problem("unit-date", None, None, f"{day} has not come yet.", None, "on"))
        return None
    return day


def _hours(text: str, wrong: list[Problem]) -> float | None:
    plain = " ".join(text.split()).casefold().replace("hours", "h").replace("hour", "h")
    try:
        hours = duration_min(plain) / 60.0
    except UserError:
        said = f'"{text.strip()}" is no meter reading. Write it with its unit, like "1240 h".'
        wrong.append(Problem("unit-hours", None, None, said, None, "hours"))
        return None
    if not (math.isfinite(hours) and 0.0 <= hours <= MOST_HOURS):
        said = f"{hours:g} h stand on no meter; at most {MOST_HOURS:g} h are taken."
        wrong.append(Problem("unit-hours", None, None, said, None, "hours"))
        return None
    return round(hours, 6)


def _problem(error: UserError, field: str) -> Problem:
    return Problem(error.code, None, None, str(error), None, field)


def _words(entry: UnitEntry) -> str:
    what = entry.what
    said = [f"machine {what.machine}"] if what.machine else []
    said += [f"owner {what.owner}"] if what.owner else []
    if what.hours is not None:
        changed = ", new meter" if what.meter_changed else ""
        said.append(f"{what.hours:g} h on {what.read_on}{changed}")
    said += [what.text] if what.text else []
    return "; ".join(said)
