"""Reading the wire list, from ``wires:`` in the machine file or from wires.csv beside it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from halfsplit.machine.fields import Fields, Report, check_identifier, near, read_quantity, short
from halfsplit.machine.model import Endpoint, Place, Wire
from halfsplit.machine.points import PointError, parse_point
from halfsplit.machine.source import Items, Text, read_text

COLUMNS = ("wire", "circuit", "from", "to", "size", "length", "colour", "run")
NEEDED_COLUMNS = ("wire", "from", "to")
DEFAULT_AREA_M2 = 1e-6  # 1 mm2: from memory, the middle of what signal and lamp circuits carry
DEFAULT_LENGTH_M = 1.0  # from memory
#: Conductors from 0.03 mm2 (32 AWG) to 500 mm2; lengths to 1 km. Common practice, no source.
AREA_LIMITS = (3e-8, 5e-4)
LENGTH_LIMITS = (1e-3, 1000.0)


@dataclass(frozen=True, slots=True)
class _Row:
    """One wire as written: ``get`` gives a column's text and place, empty text when absent."""

    what: str
    place: Place
    get: Callable[[str], tuple[str, Place]]


def read_wires(top: Fields, folder: Path) -> dict[str, Wire]:
    """The wires by id."""
    value = top.raw("wires")
    if value is None or (isinstance(value, Text) and value.text == ""):
        return {}
    rows = _rows_of_file(top, value, folder) if isinstance(value, Text) else _rows_of_list(top)
    found: dict[str, Wire] = {}
    for number, row in enumerate(rows, start=1):
        wire = _wire(top.report, row, number)
        if wire.id in found:
            first = found[wire.id].place
            before = first.line if first else 0
            said = f"Wire {short(wire.id)} stands here a second time, first in line {before}."
            top.report.add("duplicate-id", row.place, said, key="wire")
        else:
            found[wire.id] = wire
    return found


def _rows_of_list(top: Fields) -> list[_Row]:
    value = top.raw("wires")
    if not isinstance(value, Items):
        top.report.add(
            "wrong-type", top.place_of("wires"), "wires must be a list of wires or the name of a csv file."
        )
        return []
    rows = []
    for number, item in enumerate(value.items, start=1):
        fields = Fields(top.report, item, f"wire {number} of the list", item.place)
        for key in ("id", *COLUMNS[1:]):
            fields.raw(key)
        fields.done()

        def get(column: str, fields: Fields = fields) -> tuple[str, Place]:
            key = "id" if column == "wire" else column
            return fields.text(key).strip(), fields.place_of(key)

        rows.append(_Row(fields.what, item.place, get))
    return rows


def _rows_of_file(top: Fields, name: Text, folder: Path) -> list[_Row]:
    if not name.text.endswith(".csv") or "/" in name.text or "\\" in name.text or name.text.startswith("."):
        said = f'wires: "{short(name.text)}" must name a csv file in the machine\'s folder, like wires.csv.'
        top.report.add("wires-name", name.place, said, "wires.csv")
        return []
    if not (folder / name.text).is_file():
        said = f"wires: there is no file {short(name.text)} in the machine's folder."
        beside = [path.name for path in folder.glob("*.csv")] if folder.is_dir() else []
        top.report.add(
            "file-missing",
            name.place,
            said,
            near(name.text, beside) or (beside[0] if len(beside) == 1 else None),
            "wires",
        )
        return []
    text = read_text(folder / name.text, top.report.problems)
    return [] if text is None else rows_of_csv(text, str(folder / name.text), top.report)


def rows_of_csv(text: str, file: str, report: Report) -> list[_Row]:
    """The data rows of a wire list; the separator is a comma or, where the header has none, a semicolon."""
    first_line = text.split("\n", 1)[0]
    delimiter = ";" if ";" in first_line and "," not in first_line else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    header: list[str] | None = None
    rows = []
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader, None)
        except csv.Error as error:
            report.add("csv-syntax", Place(file, reader.line_num or 1), f"The row cannot be read: {error}.")
            break
        if cells is None:
            break
        cells = [cell.strip() for cell in cells]
        if not any(cells) or cells[0].startswith("#"):
            continue
        place = Place(file, line)
        if header is None:
            header = [cell.lower() for cell in cells]
            if not _header_good(header, place, report):
                return []
        elif len(cells) != len(header):
            code = "short-row" if len(cells) < len(header) else "long-row"
            said = f"The row has {len(cells)} cells, the header {len(header)}; leave cells empty, not out."
            report.add(code, place, said)
        else:
            by_column = dict(zip(header, cells, strict=True))

            def get(column: str, row: dict[str, str] = by_column, place: Place = place) -> tuple[str, Place]:
                return row.get(column, ""), place

            rows.append(_Row(f"wire {short(by_column['wire'])}", place, get))
    if header is None and not rows:
        report.add(
            "csv-header", Place(file, 1), f"The wire list is empty; its first row is {','.join(COLUMNS)}."
        )
    return rows


def _header_good(header: list[str], place: Place, report: Report) -> bool:
    """Note columns that are unknown, doubled or missing."""
    good = True
    for number, column in enumerate(header):
        if column not in COLUMNS:
            said = f'The column "{short(column)}" is not one of {", ".join(COLUMNS)}.'
            report.add("unknown-column", place, said, near(column, COLUMNS))
            good = False
        elif column in header[:number]:
            report.add("unknown-column", place, f'The column "{column}" stands twice.')
            good = False
    for column in NEEDED_COLUMNS:
        if column not in header:
            report.add("csv-header", place, f'The header lacks the column "{column}".', column)
            good = False
    return good


def _wire(report: Report, row: _Row, number: int) -> Wire:
    assumed = set()
    wire_id, id_place = row.get("wire")
    if wire_id:
        check_identifier(report, wire_id, id_place, "wire")
    else:
        wire_id = f"W{number}"
        assumed.add("id")
    what = f"wire {short(wire_id)}"
    size, length = row.get("size"), row.get("length")
    area_m2 = length_m = None
    if size[0]:
        area_m2 = read_quantity(report, Text(*size), "area", f"{what}, size", "size", within=AREA_LIMITS)
    if length[0]:
        said = f"{what}, length"
        length_m = read_quantity(report, Text(*length), "length", said, "length", within=LENGTH_LIMITS)
    run, run_place = row.get("run")
    if run:
        report.refer("run", run, what, run_place)
    if area_m2 is None:
        assumed.add("area_m2")
    if length_m is None:
        assumed.add("length_m")
    return Wire(
        id=wire_id,
        circuit=row.get("circuit")[0],
        a=_end(report, row, "from", what),
        b=_end(report, row, "to", what),
        area_m2=DEFAULT_AREA_M2 if area_m2 is None else area_m2,
        length_m=DEFAULT_LENGTH_M if length_m is None else length_m,
        colour=row.get("colour")[0],
        run=run or None,
        assumed=frozenset(assumed),
        place=row.place,
    )


def _end(report: Report, row: _Row, column: str, what: str) -> Endpoint:
    text, place = row.get(column)
    if not text:
        report.add("wire-end-missing", place, f'{what} has nothing under "{column}".', key=column)
        return Endpoint("")
    try:
        return parse_point(text)
    except PointError as error:
        report.add("point-syntax", place, f"{what}, {column}: {error.message}", key=column)
        return Endpoint("")
