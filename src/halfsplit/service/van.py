"""The van's list: shown, brought in from CSV and taken out to CSV."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from halfsplit.errors import NotFound, Problem, ProblemsError, UserError
from halfsplit.jobs.van import Stock, Van, current_van, folded, read_csv, replace_van, van_lists, write_csv
from halfsplit.machine.source import read_text
from halfsplit.service.desk import Desk

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "van-file-there": "A file of that name is there already and the van's list is not written over it.",
    "van-file-unwritable": "The van's list cannot be written to that file.",
}


@dataclass(frozen=True, slots=True)
class VanLine:
    """One item in the van."""

    item: str
    count: float
    unit: str
    note: str


@dataclass(frozen=True, slots=True)
class VanShown:
    """A list of the van; ``number`` 0 when none was brought in yet, ``latest`` the number of the one that counts."""

    number: int
    latest: int
    when: str
    by: str
    lines: tuple[VanLine, ...]


@dataclass(frozen=True, slots=True)
class VanTaken:
    """A list that was brought in: how many items it has, and what became of those of the list before."""

    number: int
    items: int
    new: int
    changed: int
    gone: int


@dataclass(frozen=True, slots=True)
class VanWritten:
    """A list that was written to a file."""

    number: int
    file: str
    items: int


def show_van(desk: Desk, number: int | None = None) -> VanShown:
    """The list that counts now, or an earlier one by its number. Raises NotFound."""
    van, latest = _list(desk, number)
    lines = tuple(VanLine(one.item, one.count, one.unit, one.note) for one in van.stock)
    return VanShown(van.number, latest, van.when, van.by, lines)


def van_in(desk: Desk, file: Path) -> VanTaken:
    """Replaces the list by that of a CSV file; the earlier one stays readable.

    Raises ProblemsError with everything that is wrong in the file; nothing is kept then.
    """
    problems: list[Problem] = []
    text = read_text(file, problems)
    if text is None:
        raise ProblemsError(problems)
    stock = read_csv(text, str(file))
    before = current_van(desk.store)
    kept = replace_van(desk.store, stock, before.number, when=desk.when(), by=desk.by)
    old = {folded(one.item): one for one in before.stock}
    new = {folded(one.item): one for one in stock}
    return VanTaken(
        number=kept.number,
        items=len(new),
        new=len(new.keys() - old.keys()),
        changed=sum(_amount(new[item]) != _amount(old[item]) for item in new.keys() & old.keys()),
        gone=len(old.keys() - new.keys()),
    )


def van_out(desk: Desk, file: Path, number: int | None = None) -> VanWritten:
    """Writes a list to a CSV file that can be brought in again, never over another file. Raises UserError."""
    van, _ = _list(desk, number)
    try:
        with file.open("x", encoding="utf-8", newline="") as out:
            out.write(write_csv(van.stock))
    except FileExistsError:
        raise UserError("van-file-there", f"{file} is there already.", "Give another file name.") from None
    except OSError as error:
        raise UserError("van-file-unwritable", f"{file} cannot be written: {error.strerror or error}.") from error
    return VanWritten(van.number, str(file), len(van.stock))


def _list(desk: Desk, number: int | None) -> tuple[Van, int]:
    if number is None:
        van = current_van(desk.store)
        return van, van.number
    kept = {one.number: one for one in van_lists(desk.store)}
    if number not in kept:
        raise NotFound("list of the van", str(number), map(str, kept))
    return kept[number], max(kept)


def _amount(one: Stock) -> tuple[float, str]:
    return one.count, one.unit
