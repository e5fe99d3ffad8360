"""Predictions of voltage readings for every row, kept reading by reading, so that one more reading adds one column."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis import readings
from halfsplit.diagnosis.scatter import Spread, spread_of
from halfsplit.diagnosis.space import Space
from halfsplit.faults.signatures import Signatures
from halfsplit.observations import Reading

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Weights by which columns are summed to tell rows apart: fractions of multiples of the golden ratio, all different.
GOLDEN = 0.6180339887498949


@dataclass(frozen=True, eq=False)
class Column:
    """One reading: predictions and severity directions of all rows and the sound machine ``[rows + 1]``, and more.

    ``agrees`` ``[rows + 1]`` is the product of the direction and what each row changes, by its own line in that state.
    """

    value: Floats
    way: Floats
    agrees: Floats
    spread: Spread


@dataclass(frozen=True, eq=False)
class Voltages:
    """The columns of some readings; ``sign`` ``[rows + 1]`` for each says which way along its direction a row lies."""

    columns: Sequence[Column]
    sign: Sequence[Floats]

    def of(self, lines: Ints, at: Sequence[int] | Ints) -> tuple[Floats, Floats]:
        """Predictions and severity directions of some lines for some of the readings, ``[lines, at]`` each.

        ``lines`` ``[lines]``, or ``[lines, at]`` where it differs from reading to reading.
        """
        value, along = np.empty((len(at), len(lines))), np.empty((len(at), len(lines)))
        for number, one in enumerate(at):
            column, mine = self.columns[one], lines if lines.ndim == 1 else lines[:, number]
            value[number] = column.value[mine]
            along[number] = (value[number] - column.value[-1]) * self.sign[one][mine] + column.way[mine]
        return np.ascontiguousarray(value.T), np.ascontiguousarray(along.T)

    def names(self) -> Floats:
        """A number for each line ``[rows + 1]``, the same for lines that predict the same everywhere.

        Where two that differ have the same, they differ by no more than numbers are exact to.
        """
        found = np.zeros(len(self.columns[0].value))
        for number, (column, sign) in enumerate(zip(self.columns, self.sign, strict=True), start=1):
            found += (1.0 + number * GOLDEN % 1.0) * column.value
            found += (1.0 + number * GOLDEN**2 % 1.0) * (column.way + sign)
        return found


class Columns:
    """The columns of all readings of a job. ``carried`` gives the line that tells what a row looks like in a state."""

    def __init__(self, signatures: Signatures, space: Space, carried: Callable[[str], Ints]) -> None:
        self.signatures = signatures
        self.space = space
        self._carried = carried
        self._kept: dict[tuple[str, str, str], Column] = {}

    def column(self, reading: Reading) -> Column:
        """What is known of one reading, whatever was read."""
        key = (reading.state, reading.plus, reading.minus)
        if key not in self._kept:
            value, way = readings.predicted(self.signatures, self.space, reading)
            line = self._carried(reading.state)
            agrees = way * (value - value[-1])
            self._kept[key] = Column(value[line], way[line], agrees, spread_of(self.signatures, reading))
        return self._kept[key]

    def of(self, chosen: Sequence[Reading]) -> Voltages:
        """The columns of some readings together."""
        columns = [self.column(reading) for reading in chosen]
        agrees = np.zeros(self.space.rows + 1)
        for column in columns:
            agrees += column.agrees
        sign = np.where(agrees < 0.0, -readings.CHANGE_SHARE, readings.CHANGE_SHARE)
        by_state = {state: sign[self._carried(state)] for state in {reading.state for reading in chosen}}
        return Voltages(columns, [by_state[reading.state] for reading in chosen])
