"""The tables behind the correction sheet, read once from the CSV files beside this one.

Each row fits a correction and, where its ``fits`` column names some, only certain modes or kinds of part. Every row
names its source; values carry a status: published, common practice or from memory.
"""

from __future__ import annotations

import csv
from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Literal, get_args

from halfsplit.errors import InternalError

Status = Literal["published", "common practice", "from memory"]
Sort = Literal["part", "consumable", "tool"]


@dataclass(frozen=True, slots=True)
class StepRow:
    """A caution or a step of a correction, with places to fill in braces."""

    kind: str
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class MaterialRow:
    """A part, consumable or tool; ``amount`` as a person would say it, "" when it goes without saying.

    ``needed`` is the share 0..1 of such corrections that cannot be finished without it: a seal that is sound stays.
    All of these shares are from memory; ``source`` is that of item and amount.
    """

    sort: Sort
    item: str
    amount: str
    source: str
    needed: float


@dataclass(frozen=True, slots=True)
class ValueRow:
    """A torque or limit: at least ``low``, at most ``high`` (None: no such bound) in ``unit``.

    ``system_v`` is the system it holds for, None for all.
    """

    item: str
    low: float | None
    high: float | None
    unit: str
    condition: str
    source: str
    status: Status
    system_v: float | None


@dataclass(frozen=True, slots=True)
class ClosingRow:
    """How the reason behind a mode is closed; ``what`` is that reason in one word."""

    what: str
    text: str
    source: str


def steps_of(correction: str, fitting: Collection[str]) -> tuple[StepRow, ...]:
    """Cautions and steps of a correction in order; ``fitting`` names the mode and the kind of part."""
    return tuple(
        StepRow(row["kind"], row["text"], row["source"])
        for row in _rows("correction_steps.csv")
        if row["correction"] == correction and _fits(row["fits"], fitting)
    )


def materials_of(correction: str, fitting: Collection[str]) -> tuple[MaterialRow, ...]:
    """What a correction uses."""
    return tuple(
        MaterialRow(row["sort"], row["item"], row["amount"], row["source"], float(row["needed"]))  # type: ignore[arg-type] # a test holds the file to it
        for row in _rows("correction_materials.csv")
        if row["correction"] == correction and _fits(row["fits"], fitting)
    )


def values_of(correction: str, fitting: Collection[str], system_v: float) -> tuple[ValueRow, ...]:
    """Torques and limits of a correction on a 12 V or 24 V machine."""
    return tuple(
        value
        for row in _rows("correction_values.csv")
        if row["correction"] == correction and _fits(row["fits"], fitting)
        for value in (_value(row),)
        if value.system_v is None or value.system_v == system_v
    )


def closings_of(mode: str) -> tuple[ClosingRow, ...]:
    """What closes the way in of water, the rubbing, the pull or the heat behind a mode."""
    return tuple(
        ClosingRow(row["what"], row["text"], row["source"])
        for row in _rows("correction_closing.csv")
        if mode in row["modes"].split()
    )


def _value(row: dict[str, str]) -> ValueRow:
    status = row["status"]
    if status not in get_args(Status):
        raise InternalError(f"correction_values.csv has a value of status {status!r}.")
    return ValueRow(
        row["item"],
        float(row["low"]) if row["low"] else None,
        float(row["high"]) if row["high"] else None,
        row["unit"],
        row["condition"],
        row["source"],
        status,  # type: ignore[arg-type] # the line above saw to it
        float(row["system_v"]) if row["system_v"] else None,
    )


def _fits(fits: str, fitting: Collection[str]) -> bool:
    return not fits or any(one in fitting for one in fits.split())


@cache
def _rows(name: str) -> tuple[dict[str, str], ...]:
    with files("halfsplit.faults").joinpath(name).open(encoding="utf-8") as lines:
        return tuple(csv.DictReader(lines))
