"""What the van holds: a simple list of items with counts, read from and written to CSV, kept whole as one document.

A new list takes the place of the one before; the store keeps every one of them.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from halfsplit.errors import Problem, ProblemsError, UserError
from halfsplit.jobs.lines import LARGEST_EVENT_BYTES
from halfsplit.jobs.store import Document, JobStore
from halfsplit.machine.fields import near, short

#: Codes of problems and errors raised here, each with one sentence.
CODES: dict[str, str] = {
    "van-csv": "The van's list is not CSV: a quote is not closed, or stands in the wrong place.",
    "van-header": "The first row of the van's list must name the columns item, count, unit and, if wanted, note.",
    "van-row": "A row of the van's list has another number of cells than its header.",
    "van-item": "A row of the van's list names no item, or one with a character that no list can hold.",
    "van-twice": "An item stands twice in the van's list.",
    "van-count": "A count of the van's list is no number, or below 0, or more than any van holds.",
    "van-unit": "A count of the van's list has no unit, or one that is not known.",
    "van-too-long": "The van's list is longer than what is kept.",
    "van-kept": "The list kept in the store is not one this version can read.",
}

#: The kind of document that a van's list is.
KIND = "van"
COLUMNS = ("item", "count", "unit", "note")
NEEDED_COLUMNS = ("item", "count", "unit")
#: Units that a count may have; "pcs" are pieces.
UNITS = ("pcs", "sets", "pairs", "boxes", "rolls", "cans", "tubes", "mm", "cm", "m", "g", "kg", "ml", "l")
#: Other spellings of a unit that say the same.
SPELLINGS = {
    "pc": "pcs", "piece": "pcs", "pieces": "pcs", "set": "sets", "pair": "pairs", "box": "boxes", "roll": "rolls",
    "can": "cans", "tube": "tubes", "L": "l", "mL": "ml",
}  # fmt: skip
#: Longest list and largest count; invented limits, far above what a van holds.
MOST_ROWS = 2000
MOST_COUNT = 1e6
#: Longest item or note in characters; ours.
LONGEST = 200
FORM = 1


@dataclass(frozen=True, slots=True)
class Stock:
    """One item: ``count`` of ``unit`` (one of ``UNITS``), and a note such as the drawer it lies in."""

    item: str
    count: float
    unit: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Van:
    """A list of the van: ``number`` counts the lists from 1 (0: none was ever kept), with when and who."""

    number: int
    when: str
    by: str
    stock: tuple[Stock, ...]


def folded(item: str) -> str:
    """An item's name as two names are compared: blanks and letter case do not count."""
    return " ".join(item.split()).casefold()


def read_csv(text: str, file: str) -> tuple[Stock, ...]:
    """The items of a list; comma or, where the header has none, semicolon.

    Empty rows and rows that begin with # are passed over. Raises ProblemsError with everything that is wrong,
    ``file`` being the name it goes by.
    """
    problems: list[Problem] = []
    found: list[Stock] = []
    lines: dict[str, int] = {}
    header: list[str] | None = None
    first_line = text.split("\n", 1)[0]
    delimiter = ";" if ";" in first_line and "," not in first_line else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader, None)
        except csv.Error as error:
            problems.append(Problem("van-csv", file, reader.line_num or 1, f"The row cannot be read: {error}."))
            break
        if cells is None:
            break
        cells = [cell.strip() for cell in cells]
        if not any(cells) or cells[0].startswith("#"):
            continue
        if header is None:
            header = [cell.lower() for cell in cells]
            wrong = _header_problems(header, file, line)
            if wrong:
                raise ProblemsError(wrong)
        elif len(cells) != len(header):
            said = f"The row has {len(cells)} cells, the header {len(header)}; leave cells empty, not out."
            problems.append(Problem("van-row", file, line, said))
        elif len(lines) >= MOST_ROWS:
            problems.append(Problem("van-too-long", file, line, f"The list has more than {MOST_ROWS} rows."))
            break
        else:
            one = _stock(dict(zip(header, cells, strict=True)), file, line, lines, problems)
            if one is not None:
                found.append(one)
    if header is None and not problems:
        problems.append(Problem("van-header", file, 1, f"The list is empty; its first row is {','.join(COLUMNS)}."))
    if problems:
        raise ProblemsError(problems)
    return tuple(found)


def _header_problems(header: list[str], file: str, line: int) -> list[Problem]:
    wrong = []
    for at, column in enumerate(header):
        if column not in COLUMNS:
            said = f'The column "{short(column)}" is not one of {", ".join(COLUMNS)}.'
            wrong.append(Problem("van-header", file, line, said, near(column, COLUMNS)))
        elif column in header[:at]:
            wrong.append(Problem("van-header", file, line, f'The column "{column}" stands twice.'))
    wrong += [
        Problem("van-header", file, line, f'The header lacks the column "{column}".', column)
        for column in NEEDED_COLUMNS
        if column not in header
    ]
    return wrong


def _stock(
    row: Mapping[str, str], file: str, line: int, lines: dict[str, int], problems: list[Problem]
) -> Stock | None:
    """One row; None when something of it is wrong, which is then among the problems. ``lines`` notes items seen."""
    before = len(problems)
    item, note = " ".join(row["item"].split()), row.get("note", "")
    for column, said in (("item", item), ("note", note)):
        if len(said) > LONGEST or not said.isprintable():
            words = f"This {column} is longer than {LONGEST} characters, or holds one that cannot be printed."
            problems.append(Problem("van-item", file, line, words, None, column))
    if not item:
        problems.append(Problem("van-item", file, line, "The row names no item.", None, "item"))
    elif item.startswith("#"):
        problems.append(Problem("van-item", file, line, "An item does not begin with #.", item.strip("# "), "item"))
    elif folded(item) in lines:
        said = f'"{short(item)}" stands here a second time, first in line {lines[folded(item)]}; add the counts up.'
        problems.append(Problem("van-twice", file, line, said, None, "item"))
    else:
        lines[folded(item)] = line
    count = _count(row["count"], file, line, problems)
    unit = SPELLINGS.get(row["unit"], row["unit"])
    if not unit:
        said = f'"{short(item)}" has a count without a unit; write pcs for pieces.'
        problems.append(Problem("van-unit", file, line, said, "pcs", "unit"))
    elif unit not in UNITS:
        said = f'"{short(unit)}" is not one of {", ".join(UNITS)}.'
        near_one = near(unit, (*UNITS, *SPELLINGS))
        nearest = SPELLINGS.get(near_one, near_one) if near_one else None
        problems.append(Problem("van-unit", file, line, said, nearest, "unit"))
    return Stock(item, count, unit, note) if len(problems) == before else None


def _count(text: str, file: str, line: int, problems: list[Problem]) -> float:
    try:
        count = float(text) if not set(text) & set("_ ") else -1.0
    except ValueError:
        count = -1.0
    if 0.0 <= count <= MOST_COUNT:
        return count
    said = f'"{short(text)}" is no count; write a number from 0 to {MOST_COUNT:.0f} with a decimal point.'
    swapped = text.replace(",", ".")
    good = swapped != text and swapped.replace(".", "", 1).isdigit()
    problems.append(Problem("van-count", file, line, said, swapped if good else None, "count"))
    return 0.0


def write_csv(stock: tuple[Stock, ...]) -> str:
    """The list as CSV (RFC 4180) that ``read_csv`` reads back equal."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for one in stock:
        writer.writerow((one.item, f"{one.count:.12g}", one.unit, one.note))
    return out.getvalue()


def van_lists(store: JobStore, after: int = 0) -> tuple[Van, ...]:
    """Every list ever kept, with numbers above ``after``, in order. Raises UserError("van-kept")."""
    return tuple(_van(one) for one in store.documents(KIND, after))


def current_van(store: JobStore) -> Van:
    """The list that counts now; number 0 and nothing in it when none was ever kept."""
    kept = van_lists(store)
    return kept[-1] if kept else Van(0, "", "", ())


def replace_van(store: JobStore, stock: tuple[Stock, ...], after: int, *, when: str, by: str) -> Van:
    """Keeps a new list after the one of number ``after``.

    Raises DocumentOvertaken when there is a newer one, UserError("van-too-long").
    """
    rows = [[one.item, one.count, one.unit, one.note] for one in stock]
    body = json.dumps({"v": FORM, "stock": rows}, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    if len(body.encode("utf-8")) > LARGEST_EVENT_BYTES:
        raise UserError(
            "van-too-long",
            f"The van's list has {len(body.encode('utf-8'))} bytes, more than the {LARGEST_EVENT_BYTES} that are kept.",
            "Shorten the notes.",
        )
    store.put_document(Document(KIND, after + 1, when, by, body))
    return Van(after + 1, when, by, stock)


def _van(kept: Document) -> Van:
    try:
        data: Any = json.loads(kept.body)
        if data["v"] != FORM:
            raise ValueError(f"it has form {data['v']}")
        stock = tuple(
            Stock(str(item), float(count), str(unit), str(note)) for item, count, unit, note in data["stock"]
        )
    except (ValueError, TypeError, KeyError) as error:
        raise UserError(
            "van-kept",
            f"List {kept.number} of the van cannot be read: {error}.",
            "It was written by another version of halfsplit; bring in a new one: halfsplit van in FILE.csv.",
        ) from None
    return Van(kept.number, kept.when, kept.by, stock)
