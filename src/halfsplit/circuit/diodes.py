"""The exponential junction: its law, its tangent, and the step limit that tames Newton's method.

All functions take arrays of any one shape and give the same shape back.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# kT/q from the exact SI values of the Boltzmann constant and the elementary charge (SI brochure, 9th
# edition).
BOLTZMANN_J_PER_K = 1.380649e-23
CHARGE_C = 1.602176634e-19
ZERO_CELSIUS_K = 273.15

# exp() of more than this is beyond any current a vehicle carries; it only keeps the arithmetic finite.
_LARGEST_EXPONENT = 80.0


def thermal_v(emission: float, temperature_c: float) -> float:
    """Emission coefficient times kT/q, in volts."""
    return emission * BOLTZMANN_J_PER_K * (temperature_c + ZERO_CELSIUS_K) / CHARGE_C


def current_a(junction_v: Floats, saturation_a: Floats, slope_v: Floats) -> Floats:
    """Current of the junction, positive from anode to cathode; ``slope_v`` is :func:`thermal_v`."""
    exponent = np.minimum(junction_v / slope_v, _LARGEST_EXPONENT)
    result: Floats = saturation_a * np.expm1(exponent)
    return result


def tangent(junction_v: Floats, saturation_a: Floats, slope_v: Floats) -> tuple[Floats, Floats]:
    """Conductance (S) and offset (A) of the line ``i = g v + c`` that touches the law at ``junction_v``."""
    exponent = np.minimum(junction_v / slope_v, _LARGEST_EXPONENT)
    conductance: Floats = saturation_a / slope_v * np.exp(exponent)
    offset: Floats = saturation_a * np.expm1(exponent) - conductance * junction_v
    return conductance, offset


def limited(new_v: Floats, old_v: Floats, saturation_a: Floats, slope_v: Floats) -> Floats:
    """The voltage to linearise at next, given what the last line predicted.

    Above the knee a Newton step in voltage overshoots on the way up and crawls on the way down; there the
    step is taken in the logarithm of the current instead: the line's current, put back on the law. Upwards
    this is the junction limiting of the circuit simulation textbooks (Nagel 1975, SPICE2); downwards the
    change of variable of alternate-basis iteration.
    """
    knee = slope_v * np.log(slope_v / (math.sqrt(2.0) * saturation_a))
    growth = 1.0 + (new_v - old_v) / slope_v
    rising = (new_v > knee) & (new_v - old_v > 2.0 * slope_v)
    from_on = old_v + slope_v * np.log(np.maximum(growth, 1e-300))
    from_off = slope_v * np.log(np.maximum(new_v / slope_v, 1e-300))
    falling = (old_v > 4.0 * slope_v) & (new_v < old_v)
    exponential = np.exp(np.minimum(old_v / slope_v, _LARGEST_EXPONENT))
    line_over_saturation = exponential * growth - 1.0
    fallen = slope_v * np.log1p(np.maximum(line_over_saturation, -0.99))
    return np.where(rising, np.where(old_v > 0.0, from_on, from_off), np.where(falling, fallen, new_v))
