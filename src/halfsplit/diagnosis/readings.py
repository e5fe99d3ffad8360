"""Voltage readings weighed together, because they share the machine's own tolerances.

Two points on one wire read high together when the battery is fresh. Read one by one they would count as two
proofs; together they count as what they are. The joint error is Gaussian: meter errors on their own, tolerances
through the spread of every part (``circuit.spread``), and for each hypothesis the unknown severity along the
line from one grid severity to the next. One reading of a block may also be an outlier (wrong pin), spread evenly,
or all of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis import likelihood
from halfsplit.diagnosis.compiled_weighing import weighed_lines
from halfsplit.diagnosis.scatter import Precisions
from halfsplit.diagnosis.space import Space
from halfsplit.faults.signatures import Signatures
from halfsplit.observations import Reading, wrong_pin_chance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Machines differ more than their stated tolerances now and then: share and width of the wide part; from memory.
WIDE_SHARE = 0.15
WIDE = 3.0
#: What a fault does scales with this machine's own supply and parts: one deviation of the change it makes; from
#: memory (battery and generator voltage scatter by one to two percent, loads by more).
CHANGE_SHARE = 0.03
#: Numbers of lines and readings worked on at one time; as many as stay near the processor, no source.
AT_ONCE = 30_000

_NO_LINES: Ints = np.zeros(0, dtype=np.int64)


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

    def some(self, lines: slice) -> _Parts:
        """The same for some of the lines."""
        of_each = self.diagonal.ndim == 2
        return _Parts(
            self.weighed[lines], self.towards[lines], self.along_along[lines], self.off_along[lines],
            self.off_off[lines], self.diagonal[lines] if of_each else self.diagonal,
            self.log_determinant[lines] if isinstance(self.log_determinant, np.ndarray) else self.log_determinant,
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Block:
    """Readings ``[n]`` with the precision matrix of their shared errors.

    ``stray_v`` ``[n]`` is the width of wrong ones in V, ``wrong`` ``[n]`` the chance that one is wrong.
    """

    readings: tuple[Reading, ...]
    value: Floats
    covariance: Floats
    precision: Floats
    log_determinant: float
    stray_v: Floats
    wrong: Floats

    def some(self, at: Ints) -> Block:
        """The block of some of the readings, by number."""
        if len(at) == len(self.readings):
            return self
        kept = tuple(self.readings[number] for number in at.tolist())
        square = self.covariance[np.ix_(at, at)]
        return _block(kept, self.value[at], square, self.stray_v[at], self.wrong[at])

    @property
    def least(self) -> float:
        """Log density when all readings are wrong, which no line falls below."""
        return float(np.log(self.wrong / self.stray_v).sum())

    def most_of(self, others: Ints) -> float:
        """What ``others`` can add to the log density of the rest at most with one wrong or none, whatever is predicted.

        No error is smaller than the meter's own, so none of them is likelier than one in the middle of that, or than a
        wrong one where those are likelier still; and one of them may be the wrong one in place of one of the rest.
        """
        peak = 1.0 / (likelihood.meter_v(self.value[others]) * math.sqrt(2.0 * math.pi))
        wrong = self.wrong[others]
        stray = wrong / (1.0 - wrong) / self.stray_v[others]
        return float(np.log((1.0 - wrong) * np.maximum(peak, stray)).sum() + np.log1p((stray / peak).sum()))

    def log_likelihood(self, predicted: Floats, along: Floats, own: Iterable[Precisions] = ()) -> Floats:
        """Log density of all readings for predictions ``[N, n]`` with unknown severity along ``along [N, n]``.

        Some of the N lines may have errors of their ``own``.
        """
        return np.logaddexp(self.one_wrong_at_most(predicted, along, own), self.least)

    def one_wrong_at_most(self, predicted: Floats, along: Floats, own: Iterable[Precisions] = ()) -> Floats:
        """The same without the part in which all readings are wrong, which is ``least`` for every line."""
        result, plain = np.empty(len(predicted)), np.ones(len(predicted), dtype=np.bool_)
        for some in own:
            plain[some.lines] = False
            result[some.lines] = self._weighed(predicted[some.lines], along[some.lines], some)
        if plain.all():
            return self._weighed(predicted, along, None)
        result[plain] = self._weighed(predicted[plain], along[plain], None)
        return result

    def _weighed(self, predicted: Floats, along: Floats, own: Precisions | None) -> Floats:
        """Lines that all have the errors of the block, or each its ``own``."""
        errors = own or Precisions(_NO_LINES, _NO_LINES, self.precision[None], np.array([self.log_determinant]))
        found = weighed_lines(
            self.value, predicted, along, None if own is None else own.choice, errors.precision,
            errors.log_determinant, self._odds_astray, self._none_astray, (WIDE_SHARE, WIDE),
        )  # fmt: skip
        if found is not None:
            return found
        off = self.value - predicted
        return self._mixed(self._with_shared(off, along) if own is None else _with_own(off, along, own))

    @property
    def _odds_astray(self) -> Floats:
        """Odds of each reading to be wrong, over the width of wrong ones, in units of a Gaussian's peak, ``[n]``."""
        result: Floats = self.wrong / (1.0 - self.wrong) / self.stray_v * math.sqrt(2.0 * math.pi)
        return result

    @property
    def _none_astray(self) -> float:
        return float(np.log1p(-self.wrong).sum())

    def _with_shared(self, off: Floats, along: Floats) -> _Parts:
        diagonal = np.diagonal(self.precision)
        return _parts(off, along, off @ self.precision, along @ self.precision, diagonal, self.log_determinant)

    def _mixed(self, parts: _Parts) -> Floats:
        result = np.empty(len(parts.off_off))
        step = max(1, AT_ONCE // len(self.value))
        for start in range(0, len(result), step):
            lines = slice(start, start + step)
            some = parts.some(lines)
            normal, wide = self._log(some, 1.0), self._log(some, WIDE)
            result[lines] = np.logaddexp(np.log1p(-WIDE_SHARE) + normal, np.log(WIDE_SHARE) + wide)
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
        # Each reading given the others, to let it be an outlier: how much likelier it is as one, by way of logarithms
        # as far as exp(lean ** 2 / own / 2) may be too large to be written as a number.
        towards = parts.towards
        own = np.maximum((parts.diagonal - towards**2 / (square * stretch)[:, None]) / square, 1e-12)
        lean = (parts.weighed - towards * (shared / stretch)[:, None]) / square
        lean *= lean
        lean /= own
        lean *= 0.5
        largest = lean.max(axis=1)
        lean -= largest[:, None]
        odds = np.exp(lean, out=lean)
        odds /= np.sqrt(own, out=own)
        one_wrong = np.logaddexp(0.0, largest + np.log(odds @ self._odds_astray))
        result: Floats = log + self._none_astray + one_wrong
        return result


def _parts(
    off: Floats, along: Floats, weighed: Floats, towards: Floats, diagonal: Floats, log_determinant: float | Floats
) -> _Parts:
    return _Parts(
        weighed, towards, np.einsum("ij,ij->i", along, towards), np.einsum("ij,ij->i", off, towards),
        np.einsum("ij,ij->i", off, weighed), diagonal, log_determinant,
    )  # fmt: skip


def _with_own(off: Floats, along: Floats, own: Precisions) -> _Parts:
    """The products of lines with the precisions that each of them has."""
    weighed, towards = np.empty_like(off), np.empty_like(along)
    order = np.argsort(own.choice, kind="stable")
    edge = np.searchsorted(own.choice[order], np.arange(len(own.precision) + 1))
    for at, precision in enumerate(own.precision):
        lines = order[edge[at] : edge[at + 1]]
        weighed[lines], towards[lines] = off[lines] @ precision, along[lines] @ precision
    diagonal = np.diagonal(own.precision, axis1=1, axis2=2)[own.choice]
    return _parts(off, along, weighed, towards, diagonal, own.log_determinant[own.choice])


def block(signatures: Signatures, readings: Sequence[Reading]) -> Block:
    """The block of voltage readings, in any states of one machine."""
    rows = []
    for reading in readings:
        table = signatures.state(reading.state)
        rows.append(table.spread_row(reading.plus, reading.minus or table.netlist.reference))
    value = np.array([reading.value for reading in readings])
    shared = np.array(rows)
    covariance = shared @ shared.T + np.diag(likelihood.meter_v(value) ** 2)
    stray = [likelihood.stray_width(signatures.state(reading.state), reading) for reading in readings]
    wrong = [wrong_pin_chance(reading) for reading in readings]
    return _block(tuple(readings), value, covariance, np.array(stray), np.array(wrong))


def _block(readings: tuple[Reading, ...], value: Floats, covariance: Floats, stray: Floats, wrong: Floats) -> Block:
    _, log_determinant = np.linalg.slogdet(covariance)
    precision = np.linalg.inv(covariance).astype(np.float64)
    return Block(readings, value, covariance, precision, float(log_determinant), stray, wrong)


def predicted(signatures: Signatures, space: Space, reading: Reading) -> tuple[Floats, Floats]:
    """Prediction and severity direction of every row and the healthy machine for one reading, ``[rows + 1]`` each."""
    table = signatures.state(reading.state)
    value = likelihood.volts_of(table, table.lines, reading.plus, reading.minus or table.netlist.reference)
    return value, likelihood.severity_direction(value, likelihood.beside(table, space))
