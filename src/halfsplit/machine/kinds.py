"""The kinds of part and the connector families, read once from the tables that lie beside this module.

A table row holds attribute, type, unit, default, meaning, range and source; the same rows feed the loader,
the manual and the forms. In a machine file an attribute is written without its unit suffix: ``rating_a`` is
``rating``.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from halfsplit.errors import InternalError
from halfsplit.machine.model import Family, Value
from halfsplit.quantities import QUANTITIES, QuantityError

_SUFFIX = re.compile(r"_(?:ohm|a|v|w|m|m2)$")
#: Sealing codes of IEC 60529 with the additions of ISO 20653 (6K, 9K), or "open" for an unsealed housing.
SEALING = re.compile(r"open|IP[0-6X]K?[0-9X]K?")


@dataclass(frozen=True, slots=True)
class Attribute:
    """One row of the table: ``name`` as in ``Part.values``, ``key`` as written in a machine file.

    ``type`` is a word of ``QUANTITIES``, or contacts, words, yesno, choice or body. ``low`` and ``high``
    bound a quantity in SI units, ``choices`` a choice.
    """

    name: str
    key: str
    type: str
    unit: str
    default: str
    meaning: str
    range_text: str
    low: float | None
    high: float | None
    choices: tuple[str, ...]
    source: str

    @property
    def is_quantity(self) -> bool:
        """Whether the value is a number with a unit."""
        return self.type in QUANTITIES


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of part: its attributes by file spelling, and its fixed pins (empty: named by its contents)."""

    name: str
    attributes: Mapping[str, Attribute]
    pins: tuple[str, ...]
    pins_meaning: str


def _rows(name: str) -> list[dict[str, str]]:
    text = resources.files("halfsplit.machine").joinpath(name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def _limits(row: Mapping[str, str]) -> tuple[float | None, float | None]:
    kind_of_quantity, text = row["type"], row["range"]
    if kind_of_quantity not in QUANTITIES or not text:
        return None, None
    low, _, high = text.partition("..")

    def value(written: str) -> float:
        try:
            return float(written)
        except ValueError:
            return QUANTITIES[kind_of_quantity].parse(written)

    return value(low), value(high)


def _key(row: Mapping[str, str], taken: set[str]) -> str:
    """Spelling in the file: no unit; where that is taken, the quantity's word (suppression_resistance)."""
    short = _SUFFIX.sub("", row["attribute"])
    return f"{short}_{row['type']}" if short != row["attribute"] and short in taken else short


@cache
def kinds() -> Mapping[str, Kind]:
    """Every kind of part by name, in the table's order. Raises InternalError when the tables are wrong."""
    attributes: dict[str, dict[str, Attribute]] = {}
    for row in _rows("kinds.csv"):
        table = attributes.setdefault(row["kind"], {})
        low, high = _limits(row)
        choices = tuple(row["range"].split("|")) if row["type"] == "choice" else ()
        key = _key(row, set(table))
        if key in table:
            raise InternalError(f"kinds.csv: {row['kind']} has two attributes written {key}.")
        table[key] = Attribute(
            row["attribute"], key, row["type"], row["unit"], row["default"], row["meaning"], row["range"],
            low, high, choices, row["source"],
        )  # fmt: skip
    found: dict[str, Kind] = {}
    for row in _rows("pins.csv"):
        found[row["kind"]] = Kind(
            row["kind"], attributes.get(row["kind"], {}), tuple(row["pins"].split()), row["meaning"] or ""
        )
    if set(attributes) - set(found):
        raise InternalError(f"pins.csv lacks {sorted(set(attributes) - set(found))}.")
    return found


@cache
def families() -> Mapping[str, Family]:
    """The connector families that come with halfsplit, by id."""
    found: dict[str, Family] = {}
    for row in _rows("families.csv"):
        if not SEALING.fullmatch(row["sealing"]):
            raise InternalError(f"families.csv: {row['family']} has sealing {row['sealing']}.")
        found[row["family"]] = Family(
            id=row["family"],
            contact_diameter_m=QUANTITIES["length"].parse(row["contact_diameter"]),
            pitch_m=QUANTITIES["length"].parse(row["pitch"]),
            engaged_length_m=QUANTITIES["length"].parse(row["engaged_length"]),
            sealing=row["sealing"],
            contact_resistance_ohm=QUANTITIES["resistance"].parse(row["contact_resistance"]),
            current_a=QUANTITIES["current"].parse(row["current"]),
            source=row["source"],
        )
    return found


def default_value(attribute: Attribute, system_v: float, values: Mapping[str, Value]) -> Value:
    """What ``attribute`` is when nobody said, in SI; ``values`` holds what is already known of the part.

    Defaults are plain text, or ``system*k``, ``rated:I`` (system voltage divided by that current) or
    ``rating:V`` (that voltage divided by the part's rating). Raises InternalError for a table row that
    cannot be read.
    """
    text = attribute.default
    if not attribute.is_quantity:
        return text == "yes" if attribute.type == "yesno" else text
    try:
        if text.startswith("system*"):
            return system_v * float(text.removeprefix("system*"))
        if text.startswith("rated:"):
            return system_v / QUANTITIES["current"].parse(text.removeprefix("rated:"))
        if text.startswith("rating:"):
            return float(text.removeprefix("rating:")) / float(values["rating_a"])
        return QUANTITIES[attribute.type].parse(text)
    except (QuantityError, ValueError, KeyError) as error:
        raise InternalError(
            f"kinds.csv: the default {text} of {attribute.name} cannot be read ({error})."
        ) from error
