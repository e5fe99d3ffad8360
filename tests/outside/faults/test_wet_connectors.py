"""Leakage between wet contacts against the worked values of the water table."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from tests.outside.machines.drawn import SWEEPER, machine

from halfsplit.faults.wetness import leak_ohm, pin_to_pin_ohm, waters
from halfsplit.machine.model import Family

TABLE = Path(__file__).resolve().parents[2] / "data" / "water-conductivity" / "water_conductivity.csv"
GEOMETRY = re.compile(r"r ([0-9.]+) mm, d ([0-9.]+) mm, L ([0-9.]+) mm")
CURRENT = re.compile(r"([0-9.]+) mA at ([0-9.]+) V")
WORKED = re.compile(r"worked value (\w+) ([0-9.]+) S/m")


@cache
def rows() -> tuple[dict[str, str], ...]:
    with TABLE.open(encoding="utf-8", newline="") as lines:
        return tuple(csv.DictReader(lines))


@pytest.mark.outside(
    what="resistance between two wet pins, and the current it lets through at 12 V and 24 V",
    against="values worked from the formula of two parallel pins in conducting water, rain to brine",
    source="tests/data/water-conductivity/water_conductivity.csv",
    status="published",
    tolerance="5e-5 of the resistance, 5e-4 of the current: half of the last digit printed",
)
def test_wet_pins_conduct_as_worked(record_property: Callable[..., None]) -> None:
    worst, count = 0.0, 0
    for row in rows():
        named = WORKED.fullmatch(row["water"])
        if named is None:
            continue
        geometry = GEOMETRY.fullmatch(row["condition"])
        assert geometry is not None, row
        radius, pitch, length = (1e-3 * float(value) for value in geometry.groups())
        ohm = pin_to_pin_ohm(2 * radius, pitch, length, float(named.group(2)))
        off = abs(ohm / float(row["value"]) - 1.0)
        assert off <= 5e-5, row
        currents = CURRENT.findall(row["note"])
        assert len(currents) == 2
        for milliamps, volts in currents:
            assert float(volts) / ohm == pytest.approx(1e-3 * float(milliamps), rel=5e-4), row
        worst, count = max(worst, off), count + 1
    record_property("largest_deviation", f"{worst:.1e}")
    assert count == 7


#: Which rows of the table bound each water of the catalogue.
BOUNDS = {
    "tap water": ("tap", "low", "tap", "legal limit"),
    "puddle": ("puddle or mud", "low", "puddle or mud", "high"),
    "winter road spray": ("road spray, winter", "low", "road spray, winter", "high"),
    "sea water": ("sea", "low", "sea", "high"),
    "brine": ("road brine NaCl", "10 % by mass", "road brine NaCl", "saturated"),
}


@pytest.mark.outside(
    what="conductivities of the waters the fault catalogue uses",
    against="ranges collected from public tables and standards",
    source="tests/data/water-conductivity/water_conductivity.csv",
    status="published",
    tolerance="within the range",
)
def test_every_water_of_the_catalogue_lies_within_its_published_range(record_property: Callable[..., None]) -> None:
    value: dict[tuple[str, str], float] = {}
    for row in rows():
        if row["unit"] == "S/m":
            value.setdefault((row["water"], row["quantity"]), float(row["value"]))
    assert set(waters()) == set(BOUNDS)
    shares = []
    for water, conductivity in waters().items():
        low, at_low, high, at_high = BOUNDS[water]
        least, most = value[(low, at_low)], value[(high, at_high)]
        assert least <= conductivity <= most, water
        shares.append((conductivity - least) / (most - least))
    record_property("largest_deviation", f"{min(shares):.0%} to {max(shares):.0%} of the way through the range")


def test_saltier_water_leaks_more_and_wider_pitch_less() -> None:
    family = next(iter(machine(SWEEPER).connectors.values())).family
    by_conductivity = sorted(waters(), key=lambda water: waters()[water])
    leaks = [leak_ohm(family, water) for water in by_conductivity]
    assert leaks == sorted(leaks, reverse=True)
    assert isinstance(family, Family)
    near = pin_to_pin_ohm(1.6e-3, 4e-3, 5e-3, 5.0)
    assert near < pin_to_pin_ohm(1.6e-3, 5e-3, 5e-3, 5.0)
    assert near == pytest.approx(2.0 * pin_to_pin_ohm(1.6e-3, 4e-3, 10e-3, 5.0))


@pytest.mark.parametrize(
    "values", [(0.0, 5e-3, 5e-3, 1.0), (1e-3, 5e-3, -5e-3, 1.0), (1e-3, 5e-3, 5e-3, 0.0), (5e-3, 5e-3, 5e-3, 1.0)]
)
def test_pins_that_cannot_be_are_refused(values: tuple[float, float, float, float]) -> None:
    with pytest.raises(ValueError, match="must be"):
        pin_to_pin_ohm(*values)
