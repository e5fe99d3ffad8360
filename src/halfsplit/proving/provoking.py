"""How a fault is brought out on purpose after the repair, by the condition it was reported in."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import get_args

from halfsplit.errors import InternalError
from halfsplit.observations import Measure


@dataclass(frozen=True, slots=True)
class Provocation:
    """A way to bring a fault out: the condition, what it is counted in, the caution before the words, the source."""

    condition: str
    measure: Measure
    caution: str
    how: str
    source: str


@cache
def provocations() -> dict[str, Provocation]:
    """Every way by its condition, read once from provoking.csv."""
    found = {}
    with files("halfsplit.proving").joinpath("provoking.csv").open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            measure = row["measure"]
            if measure not in get_args(Measure):
                raise InternalError(f"provoking.csv counts {row['condition']} in {measure!r}.")
            found[row["condition"]] = Provocation(
                row["condition"],
                measure,  # type: ignore[arg-type] # the line above saw to it
                row["caution"],
                row["how"],
                row["source"],
            )
    return found


def ways_to_provoke(condition: str, conditions: Sequence[str]) -> tuple[Provocation, ...]:
    """The ways for the history's own ``condition`` first, then for those of the complaint, each once."""
    known = provocations()
    return tuple(known[one] for one in dict.fromkeys((condition, *conditions)) if one in known)
