"""How much current a wet connector lets through: from contact size, spacing and the water.

Formula: two parallel round pins in conducting water, ``R = acosh(d / (2 r)) / (pi sigma L)``, from the
shunt conductance of a two-wire line with conductivity in place of permittivity
(``water_conductivity.csv``, status published). Walls near the pins raise R, so this is the wettest case.
"""

from __future__ import annotations

import csv
import math
from functools import cache
from importlib.resources import files

from halfsplit.machine.model import Family


@cache
def waters() -> dict[str, float]:
    """Conductivity in S/m of each water the catalogue uses, by name."""
    with files("halfsplit.faults").joinpath("water.csv").open(encoding="utf-8") as lines:
        return {row["water"]: float(row["conductivity_s_per_m"]) for row in csv.DictReader(lines)}


def pin_to_pin_ohm(
    contact_diameter_m: float, pitch_m: float, wetted_length_m: float, conductivity_s_per_m: float
) -> float:
    """Resistance in ohm between two wetted neighbouring pins.

    All lengths in m, conductivity in S/m, all above zero and the pitch larger than the diameter;
    ValueError otherwise.
    """
    values = (contact_diameter_m, pitch_m, wetted_length_m, conductivity_s_per_m)
    if not all(math.isfinite(value) and value > 0 for value in values):
        raise ValueError("lengths and conductivity must be above zero")
    if pitch_m <= contact_diameter_m:
        raise ValueError("the pitch must be larger than the contact's diameter")
    return math.acosh(pitch_m / contact_diameter_m) / (math.pi * conductivity_s_per_m * wetted_length_m)


def leak_ohm(family: Family, water: str) -> float:
    """Resistance in ohm between neighbouring pins of ``family`` filled with ``water``."""
    return pin_to_pin_ohm(family.contact_diameter_m, family.pitch_m, family.engaged_length_m, waters()[water])
