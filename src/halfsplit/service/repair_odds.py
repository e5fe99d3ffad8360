"""From a job's odds and tables to what proving needs: did the work hit, and what a sound machine shows."""

from __future__ import annotations

import math

import numpy as np

from halfsplit.diagnosis.naming import volts_words
from halfsplit.diagnosis.ohms import OVER_RANGE_OHM
from halfsplit.observations import Reading
from halfsplit.proving.checklist import Expected, point
from halfsplit.proving.disturbance import Disturbance, disturbance, worked_on
from halfsplit.quantities import format_amps, format_ohm
from halfsplit.service.desk import Standing
from halfsplit.service.healthy import sound_ohm, sound_volts

#: A sound machine's readings lie within this many standard deviations; 2 holds 95 in 100 (normal distribution).
DEVIATIONS = 2.0


def repair_disturbance(standing: Standing) -> Disturbance | None:
    """Whether the corrections of a job hit the cause and what may be hidden; None while there was no correction."""
    bench, belief = standing.hunt.bench, standing.hunt.belief
    cured = worked_on(standing.machine, bench.faults, standing.observations)
    if not cured:
        return None
    space = bench.space
    gone = np.bincount(space.row_fault[space.hyp_row], weights=belief.gone, minlength=len(space.faults))
    left = max(0.0, 1.0 - belief.mended)
    if gone.sum() + left <= 0.0:
        return None
    return disturbance(bench.faults, gone.tolist(), left, cured)


def healthy_ranges(standing: Standing) -> dict[Reading, Expected]:
    """The range of a sound machine at every point of the job that was read and can be predicted."""
    found = {}
    for one in standing.observations:
        if isinstance(one, Reading) and point(one) not in found:
            expected = _expected(standing, point(one))
            if expected is not None:
                found[point(one)] = expected
    return found


def _expected(standing: Standing, reading: Reading) -> Expected | None:
    if reading.quantity == "ohms":
        _, low, high = sound_ohm(standing.hunt, reading, DEVIATIONS)
        return Expected(low, math.inf if high >= OVER_RANGE_OHM else high)
    if reading.quantity != "volts" or reading.unplugged:
        return None
    volts, sigma = sound_volts(standing.hunt, reading)
    return Expected(volts - DEVIATIONS * sigma, volts + DEVIATIONS * sigma)


def value_words(quantity: str, value: float) -> str:
    """A reading with its unit."""
    if quantity == "ohms":
        return "OL" if math.isinf(value) else format_ohm(value)
    if quantity == "lamp":
        return ("dark", "dim", "lit")[min(2, max(0, round(value)))]
    return volts_words(value) if quantity == "volts" else format_amps(value)


def range_words(quantity: str, expected: Expected | None) -> str:
    """A range with its unit, "" where there is none."""
    if expected is None:
        return ""
    if math.isinf(expected.high):
        return f"above {value_words(quantity, expected.low)}, OL"
    return f"{value_words(quantity, expected.low)} to {value_words(quantity, expected.high)}"
