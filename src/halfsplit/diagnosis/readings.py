"""Voltage readings weighed together, because they share the machine's own tolerances.

Two points on one wire read high together when the battery is fresh. Read one by one they would count as two
proofs; together they count as what they are. The joint error is Gaussian: meter errors on their own, tolerances
through the spread of every part (``circuit.spread``), and for each hypothesis the unknown severity along the
line from one grid severity to the next. One reading of a block may also be an outlier (wrong pin), spread evenly,
or all of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis import likelihood
from halfsplit.diagnosis.space import Space
from halfsplit.faults.signatures import Lines, Signatures
from halfsplit.observations import Reading, wrong_pin_chance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Machines differ more than their stated tolerances now and then: share and width of the wide part; from memory.
WIDE_SHARE = 0.15
WIDE = 3.0
#: What a fault does scales with this machine's own supply and parts: one deviation of the change it makes; from
#: memory (battery and generator voltage scatter by one to two percent, loads by more).
CHANGE_SHARE = 0.03
#: Unknown severity of a pair's members, as a share of what they change; from memory.
PAIR_GRADE = 0.15


@dataclass(frozen=True, eq=False)
class Own:
    """Errors of rows whose fault changes how readings scatter: ``precision`` ``[rows, n, n]``, see :class:`Block`."""

    rows: Ints
    precision: Floats
    log_determinant: Floats


@dataclass(frozen=True, eq=False)
class _Parts:
    """Products of deviations ``off`` and severity directions ``along`` ``[N, n]`` with the precision matrix.

    ``weighed`` ``off P`` and ``towards`` ``along P`` ``[N, n]``, the three forms ``[N]``, and P's own diagonal.
    """

    weighed: Floats
    towards: Floats
    along_along: Floats
    off_along: Floats
    off_off: Floats
    diagonal: Floats
    log_determinant: float | Floats


@dataclass(frozen=True, eq=False)
class Block:
    """Readings ``[n]`` with the precision matrix of their shared errors.

    ``stray_v`` ``[n]`` is the width of wrong ones in V, ``wrong`` ``[n]`` the chance that one is wrong.
    """

    readings: tuple[Reading, ...]
    value: Floats
    precision: Floats
    log_determinant: float
    stray_v: Floats
    wrong: Floats

    def log_likelihood(self, predicted: Floats, along: Floats, own: Own | None = None) -> Floats:
        """Log density of all readings for predictions ``[N, n]`` with unknown severity along ``along [N, n]``.

        With ``own`` some of the N have errors of their own.
        """
        result = self._mixed(predicted, along, self.precision, self.log_determinant)
        if own is not None and len(own.rows):
            result[own.rows] = self._mixed(predicted[own.rows], along[own.rows], own.precision, own.log_determinant)
        return result

    def _mixed(
        self, predicted: Floats, along: Floats, precision: Floats, log_determinant: float | Floats
    ) -> Floats:
        off = self.value - predicted
        weighed = (off[:, None] @ precision)[:, 0] if precision.ndim == 3 else off @ precision
        towards = (along[:, None] @ precision)[:, 0] if precision.ndim == 3 else along @ precision
        parts = _Parts(
            weighed,
            towards,
            np.einsum("ij,ij->i", along, towards),
            np.einsum("ij,ij->i", off, towards),
            np.einsum("ij,ij->i", off, weighed),
            np.diagonal(precision, axis1=-2, axis2=-1),
            log_determinant,
        )
        normal, wide = self._log(parts, 1.0), self._log(parts, WIDE)
        result: Floats = np.logaddexp(np.log1p(-WIDE_SHARE) + normal, np.log(WIDE_SHARE) + wide)
        return result

    def _log(self, parts: _Parts, scale: float) -> Floats:
        """Log density with errors ``scale`` times as wide: every product with the precision falls with its square."""
        count, square = len(self.value), scale**2
        stretch = 1.0 + parts.along_along / square
        shared = parts.off_along / square
        distance = parts.off_off / square - shared**2 / stretch
        log = -0.5 * (
            distance + np.log(stretch) + parts.log_determinant + 2.0 * count * math.log(scale)
            + count * math.log(2.0 * math.pi)
        )  # fmt: skip
        # Each reading given the others, to let it be an outlier.
        towards = parts.towards / square
        own = np.maximum(parts.diagonal / square - towards**2 / stretch[:, None], 1e-12)
        lean = parts.weighed / square - towards * (shared / stretch)[:, None]
        alone = -0.5 * lean**2 / own + 0.5 * np.log(own / (2.0 * math.pi))
        odds = np.log(self.wrong / (1.0 - self.wrong) / self.stray_v) - alone
        one_wrong = np.logaddexp(0.0, np.logaddexp.reduce(odds, axis=1))
        some_wrong = log + float(np.log1p(-self.wrong).sum()) + one_wrong
        all_wrong = float(np.log(self.wrong / self.stray_v).sum())
        result: Floats = np.logaddexp(some_wrong, all_wrong)
        return result


def block(signatures: Signatures, readings: Sequence[Reading]) -> Block:
    """The block of voltage readings, in any states of one machine."""
    rows = []
    for reading in readings:
        table = signatures.state(reading.state)
        rows.append(table.spread_row(reading.plus, reading.minus or table.netlist.reference))
    value = np.array([reading.value for reading in readings])
    shared = np.array(rows)
    covariance = shared @ shared.T + np.diag(likelihood.meter_v(value) ** 2)
    _, log_determinant = np.linalg.slogdet(covariance)
    return Block(
        tuple(readings),
        value,
        np.linalg.inv(covariance).astype(np.float64),
        float(log_determinant),
        np.array([likelihood.stray_width(signatures.state(reading.state), reading) for reading in readings]),
        np.array([wrong_pin_chance(reading) for reading in readings]),
    )


def own_errors(signatures: Signatures, readings: Sequence[Reading], asleep: Sequence[bool]) -> Own:
    """The errors of the same readings for rows whose fault lets them scatter otherwise than in a sound machine.

    A reading during which a fault that sleeps was ``asleep`` scatters as in the sound machine.
    """
    sound, changed = shared_errors(signatures, readings)
    awake = [one for one, sleeps in zip(changed, asleep, strict=True) if not sleeps]
    rows = np.unique(np.concatenate([np.zeros(0, dtype=np.int64), *(parted for parted, _ in awake)]))
    shared = np.repeat(sound[None], len(rows), axis=0)
    for at, ((parted, own), sleeps) in enumerate(zip(changed, asleep, strict=True)):
        if not sleeps and len(parted):
            shared[np.searchsorted(rows, parted), at] = own
    return _own(rows, readings, shared @ shared.transpose(0, 2, 1))


def shared_errors(signatures: Signatures, readings: Sequence[Reading]) -> tuple[Floats, list[tuple[Ints, Floats]]]:
    """What one deviation of each element does to each reading, V: in the sound machine ``[n, elements]``, and after.

    Per reading the rows that have a spread of their own, and theirs ``[rows, elements]``.
    """
    pairs = [
        (signatures.state(one.state), one.plus, one.minus or signatures.state(one.state).netlist.reference)
        for one in readings
    ]
    sound = np.array([table.spread_row(plus, minus) for table, plus, minus in pairs])
    return sound, [table.parted_spread(plus, minus) for table, plus, minus in pairs]


def errors_of(readings: Sequence[Reading], shared: Floats, whose: Ints) -> Own:
    """The errors of lines of which each reading scatters in one of several ways.

    ``shared`` ``[kinds, n, elements]`` in V, number 0 the sound machine's; ``whose`` ``[lines, n]`` names the kind.
    """
    kinds, count, elements = shared.shape
    rows = np.flatnonzero((whose > 0).any(axis=1))
    flat = shared.reshape(kinds * count, elements)
    products = flat @ flat.T
    at = whose[rows] * count + np.arange(count)
    return _own(rows, readings, products[at[:, :, None], at[:, None, :]])


def _own(rows: Ints, readings: Sequence[Reading], shared: Floats) -> Own:
    value = np.array([reading.value for reading in readings])
    covariance = shared + np.diag(likelihood.meter_v(value) ** 2)
    _, log_determinant = np.linalg.slogdet(covariance)
    return Own(rows, np.linalg.inv(covariance).astype(np.float64), np.asarray(log_determinant, dtype=np.float64))


def predicted(signatures: Signatures, space: Space, readings: Sequence[Reading]) -> tuple[Floats, Floats]:
    """Predictions and severity directions of every row and the healthy machine, ``[rows + 1, n]`` each."""
    values, along = [], []
    steps = np.maximum(
        (space.row_after != np.arange(space.rows)).astype(np.float64)
        + (space.row_before != np.arange(space.rows)),
        1.0,
    )
    for reading in readings:
        table = signatures.state(reading.state)
        minus = reading.minus or table.netlist.reference
        value = likelihood.volts_of(table, table.lines, reading.plus, minus)
        way = np.zeros_like(value)
        way[:-1] = likelihood.GRADE_SHARE * (value[space.row_after] - value[space.row_before]) / steps
        values.append(value)
        along.append(way)
    predictions, direction = np.stack(values, axis=1), np.stack(along, axis=1)
    change = predictions - predictions[-1]
    sign = np.where(np.einsum("ij,ij->i", direction, change) < 0.0, -1.0, 1.0)
    return predictions, direction + CHANGE_SHARE * sign[:, None] * change


def predicted_lines(
    signatures: Signatures, readings: Sequence[Reading], lines: Sequence[Lines]
) -> tuple[Floats, Floats]:
    """The same for given lines (one set of lines for each reading's state, in the order of the readings)."""
    values, along = [], []
    for reading, own in zip(readings, lines, strict=True):
        table = signatures.state(reading.state)
        minus = reading.minus or table.netlist.reference
        value = likelihood.volts_of(table, own, reading.plus, minus)
        healthy = likelihood.volts_of(table, table.lines, reading.plus, minus)[-1]
        values.append(value)
        along.append(PAIR_GRADE * (value - healthy))
    return np.stack(values, axis=1), np.stack(along, axis=1)
