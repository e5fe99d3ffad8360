"""The tables of failure modes, categories and corrections, read once from the CSV files beside this one.

Each row names its source; what is remembered and not published says so there.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from halfsplit import quantities


@dataclass(frozen=True, slots=True)
class Grade:
    """One severity of a mode.

    ``kind`` is "open", "ohm" (value in ohm), "factor" (of the part's own resistance), "volt" (change of
    the source) or "water" (``label`` names the water). ``weight`` is its share within the mode.
    """

    label: str
    kind: str
    value: float
    weight: float


@dataclass(frozen=True, slots=True)
class Mode:
    """A way in which a place can fail.

    ``share`` is its part of the place's failures, ``sleeps`` the chance that it comes and goes, ``duty`` the
    share of time it is then there, ``looks`` the chance for each kind of look to see it, given that it can be
    seen at all; ``hidden`` the chance that it cannot.
    """

    id: str
    applies: str
    text: str
    category: str
    weight: float
    share: float
    grades: tuple[Grade, ...]
    sleeps: float
    duty: float
    exposures: tuple[str, ...]
    looks: Mapping[str, float]
    hidden: float
    correction: str
    source: str


@dataclass(frozen=True, slots=True)
class Correction:
    """Work that cures a cause: minutes for one person, chance of success, what it uses, which caution."""

    id: str
    text: str
    minutes: float
    success: float
    material: str
    source: str
    caution: str


def _rows(name: str) -> list[dict[str, str]]:
    with files("halfsplit.faults").joinpath(name).open(encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def _grade(text: str) -> Grade:
    label, _, weight = text.rpartition(":")
    label = label.strip()
    share = float(weight)
    if label == "open":
        return Grade("open", "open", float("inf"), share)
    if label.startswith("x"):
        return Grade(label, "factor", float(label[1:]), share)
    if label.endswith("hm"):
        return Grade(label, "ohm", quantities.resistance_ohm(label), share)
    if label.endswith(" V"):
        return Grade(label, "volt", float(label[:-2]), share)
    return Grade(label, "water", 0.0, share)


@cache
def modes() -> tuple[Mode, ...]:
    """Every failure mode of the catalogue, in table order."""
    found = []
    for row in _rows("modes.csv"):
        looks = {}
        for item in row["looks"].split(";"):
            kind, _, chance = item.strip().rpartition(" ")
            looks[kind] = float(chance)
        found.append(
            Mode(
                id=row["mode"],
                applies=row["applies"],
                text=row["text"],
                category=row["category"],
                weight=float(row["weight"]),
                share=float(row["share"]),
                grades=tuple(_grade(item) for item in row["grid"].split(";")),
                sleeps=float(row["sleeps"]),
                duty=float(row["duty"]),
                exposures=tuple(row["exposure"].split()),
                looks=looks,
                hidden=float(row["hidden"]),
                correction=row["correction"],
                source=row["share_source"],
            )
        )
    return tuple(found)


@cache
def modes_for(applies: str) -> tuple[Mode, ...]:
    """The modes that fit one kind of place, such as "contact" or "wire"."""
    return tuple(mode for mode in modes() if mode.applies == applies)


@cache
def categories() -> dict[str, float]:
    """Share of each category among the causes of an electrical complaint; they sum to one."""
    return {row["category"]: float(row["share"]) for row in _rows("categories.csv")}


@cache
def corrections() -> dict[str, Correction]:
    """Every correction by id."""
    return {
        row["correction"]: Correction(
            id=row["correction"],
            text=row["text"],
            minutes=float(row["minutes"]),
            success=float(row["success"]),
            material=row["material"],
            source=row["source"],
            caution=row["caution"],
        )
        for row in _rows("corrections.csv")
    }


@cache
def replace_minutes() -> dict[str, float]:
    """Minutes to replace a part, by kind."""
    return {row["kind"]: float(row["replace_minutes"]) for row in _rows("parts.csv")}
