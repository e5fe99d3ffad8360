"""What was noted of units as one file, to send or to keep: ``NAME.halfsplit-units``.

The file is UTF-8 text. Its first line is a JSON object: format ``halfsplit-units/1``, number of entries, and the
SHA-256 of all that follows. Every other line is an event of a unit, the same JSON that stores keep, by serial number
and then number. The same notes give the same bytes anywhere. The sum finds damage; it is no signature.

A file from elsewhere is not trusted: everything is checked before anything reaches the store, and all of it is taken in
one step or none.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from halfsplit.errors import Conflict, Problem, ProblemsError, UserError
from halfsplit.jobs.lines import LARGEST_EVENT_BYTES
from halfsplit.jobs.store import JobStore
from halfsplit.jobs.units import Unit, UnitEvent, apply_unit, reading_problems, unit_from_json, unit_to_json

FORMAT = "halfsplit-units/1"
SUFFIX = ".halfsplit-units"

#: Codes of UserErrors and Problems raised here, each with one sentence.
CODES: dict[str, str] = {
    "unit-file-torn": "The file of units is not whole: cut short, or no such file at all.",
    "unit-file-tampered": "The entries in the file of units are not what its first line says.",
    "unit-file-too-large": "The file of units is larger than one can be.",
    "unit-file-newer": "The file of units was written by a newer version of halfsplit.",
    "unit-file-line": "A line of the file of units does not follow from the ones before.",
}

#: Invented limit: a fleet of 10,000 units with 20 notes each is about 40 MB.
LARGEST_FILE_BYTES = 64 * 1024 * 1024
_MOST_PROBLEMS = 50
_HEAD = {"format": str, "entries": int, "sha256": str}


class UnitsDiverged(Conflict):
    """Units were noted in two places; ``units`` holds (serial number, last number both share, here, there)."""

    def __init__(self, units: Sequence[tuple[str, int, int, int]]) -> None:
        self.units = tuple(units)
        said = "; ".join(
            f"{unit} agrees up to entry {common}, then goes on to {here} here and to {there} in the file"
            for unit, common, here, there in units
        )
        super().__init__(f"Noted in two places: {said}.", "Note by hand what is missing here. Nothing was taken in.")


@dataclass(frozen=True, slots=True)
class UnitTaken:
    """A unit of a file that was taken in: its entries now, and how many of them were new here."""

    unit: str
    entries: int
    added: int


def write_units(events: Sequence[UnitEvent]) -> bytes:
    """The bytes of a file of units; events in their own order within each unit."""
    ordered = sorted(events, key=lambda event: (event.unit, event.number))
    body = "".join(unit_to_json(event) + "\n" for event in ordered).encode("utf-8")
    head = {"format": FORMAT, "entries": len(ordered), "sha256": hashlib.sha256(body).hexdigest()}
    return json.dumps(head, sort_keys=True, separators=(",", ":")).encode("utf-8") + b"\n" + body


def read_units(data: bytes) -> tuple[UnitEvent, ...]:
    """The events of a file of units.

    Raises UserError for a file that is torn, tampered with, too large or newer, and ProblemsError with every line that
    is wrong. Never raises anything else, whatever the bytes.
    """
    if len(data) > LARGEST_FILE_BYTES:
        raise UserError("unit-file-too-large", f"A file of units takes {LARGEST_FILE_BYTES // 1_000_000} MB at most.")
    first, _, body = data.partition(b"\n")
    head = _head(first)
    if hashlib.sha256(body).hexdigest() != head["sha256"]:
        raise UserError(
            "unit-file-tampered", "The file of units is not what its first line says.", "Have it sent again."
        )
    lines = body.removesuffix(b"\n").split(b"\n") if body else []
    events: list[UnitEvent] = []
    problems: list[Problem] = []
    for number, line in enumerate(lines, start=2):
        try:
            if len(line) > LARGEST_EVENT_BYTES:
                raise UserError("unit-file-too-large", "The entry is longer than one can be.")
            events.append(unit_from_json(line.decode("utf-8")))
        except UnicodeDecodeError:
            problems.append(Problem("event-json", None, number, "The line is not UTF-8."))
        except UserError as error:
            problems.append(Problem(error.code, None, number, error.message))
        if len(problems) == _MOST_PROBLEMS:
            break
    if problems:
        raise ProblemsError(problems)
    if len(events) != head["entries"]:
        raise UserError("unit-file-tampered", "The file of units has another number of entries than it says.")
    _check(events)
    return tuple(events)


def _head(line: bytes) -> dict[str, Any]:
    try:
        head = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError):
        head = None
    form = head.get("format") if isinstance(head, dict) else None
    name, _, version = form.partition("/") if isinstance(form, str) else ("", "", "")
    if name != FORMAT.partition("/")[0]:
        raise UserError("unit-file-torn", "This is no file of units, or not a whole one.", "Have it written again.")
    if form != FORMAT:
        raise UserError(
            "unit-file-newer",
            f"The file of units is of version {version[:20]}; this halfsplit reads {FORMAT}.",
            "Install the newer version to read it.",
        )
    if set(head) != set(_HEAD) or any(type(head[key]) is not kind for key, kind in _HEAD.items()):
        raise UserError("unit-file-tampered", "The first line of the file of units has not the fields it should.")
    return dict(head)


def _check(events: Sequence[UnitEvent]) -> None:
    """Raises ProblemsError for entries that do not follow on one another, or meters that cannot be."""
    units: dict[str, Unit] = {}
    last: dict[str, int] = {}
    problems: list[Problem] = []
    for number, event in enumerate(events, start=2):
        last[event.unit] = number
        try:
            units[event.unit] = apply_unit(units.get(event.unit, Unit(event.unit)), event)
        except UserError as error:
            problems.append(Problem("unit-file-line", None, number, error.message))
            break  # what follows on it cannot be judged
    if not problems:
        for serial, unit in units.items():
            problems += [
                Problem(one.code, None, last[serial], f"Unit {serial}: {one.what}")
                for one in reading_problems(unit.readings)
            ]
    if problems:
        raise ProblemsError(problems[:_MOST_PROBLEMS])


def import_units(store: JobStore, data: bytes) -> tuple[UnitTaken, ...]:
    """Takes a file of units in, in one step.

    An unknown unit is made whole, a known one carried on by what the file knows more. Raises UnitsDiverged when store
    and file both went on with one, Overtaken when somebody noted while this looked, UserError and ProblemsError as
    ``read_units`` does; then nothing was taken in.
    """
    events = read_units(data)
    expected: dict[str, int] = {}
    new: list[UnitEvent] = []
    taken: list[UnitTaken] = []
    diverged: list[tuple[str, int, int, int]] = []
    by_unit: dict[str, list[UnitEvent]] = {}
    for event in events:
        by_unit.setdefault(event.unit, []).append(event)
    for serial, there in by_unit.items():
        here = store.unit_events(serial)
        common = 0
        for mine, theirs in zip(here, there, strict=False):
            if mine != theirs:
                break
            common += 1
        if common < min(len(here), len(there)):
            diverged.append((serial, common, len(here), len(there)))
        expected[serial] = len(here)
        new += there[common:]
        taken.append(UnitTaken(serial, max(len(here), len(there)), len(there) - common))
    if diverged:
        raise UnitsDiverged(diverged)
    if new:
        store.append_units(expected, new)
    return tuple(taken)
