"""Carrying what was noted of units elsewhere: out to one file, and in again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from halfsplit.errors import NotFound, UserError
from halfsplit.jobs.portable_units import import_units, write_units
from halfsplit.jobs.units import check_serial
from halfsplit.service.desk import Desk
from halfsplit.service.new_files import write_new
from halfsplit.service.unit_past import known_units

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "unit-no-notes": "Nothing was noted of a unit, or of none at all, so there is nothing to write.",
    "unit-file-there": "A file of that name is there already and is not written over.",
    "unit-file-unreadable": "A file cannot be read or written.",
}


@dataclass(frozen=True, slots=True)
class MovedUnit:
    """A unit that went out or came in: its entries, and how many were new here (none on the way out)."""

    unit: str
    entries: int
    added: int


@dataclass(frozen=True, slots=True)
class MovedUnits:
    """The file, and the units in it by serial number."""

    file: str
    units: tuple[MovedUnit, ...]


def units_out(desk: Desk, file: Path, serials: Sequence[str] = ()) -> MovedUnits:
    """Writes what was noted of these units, or of all, to a new file. Raises UserError and NotFound."""
    noted = desk.store.units()
    chosen = sorted({check_serial(serial) for serial in serials}) or list(noted)
    for serial in chosen:
        if serial not in noted:
            known = known_units(desk)
            if serial not in known:
                raise NotFound("unit", serial, known)
            raise UserError(
                "unit-no-notes", f"Nothing was noted of unit {serial}.", "Its jobs go with halfsplit job out."
            )
    if not chosen:
        raise UserError("unit-no-notes", "Nothing was noted of any unit.", "Jobs go with halfsplit job out.")
    events = {serial: desk.store.unit_events(serial) for serial in chosen}
    content = write_units([event for own in events.values() for event in own])
    try:
        write_new(file, content)
    except FileExistsError:
        raise UserError("unit-file-there", f"{file} is there already.", "Give another file name.") from None
    except OSError as error:
        raise UserError(
            "unit-file-unreadable", f"{file} cannot be written: {error.strerror or error}."
        ) from error
    return MovedUnits(str(file), tuple(MovedUnit(serial, len(own), 0) for serial, own in events.items()))


def units_in(desk: Desk, file: Path) -> MovedUnits:
    """Takes a file of units in, all of it or nothing. Raises UserError, NotFound, ProblemsError and Conflict."""
    try:
        data = file.read_bytes()
    except FileNotFoundError:
        raise NotFound("file", str(file)) from None
    except OSError as error:
        raise UserError("unit-file-unreadable", f"{file} cannot be read: {error.strerror or error}.") from error
    taken = import_units(desk.store, data)
    return MovedUnits(str(file), tuple(MovedUnit(one.unit, one.entries, one.added) for one in taken))
