"""How voltage readings scatter together where the fault itself changes how they scatter.

A line (a row, or two rows at once) has for each reading the spread of the sound machine or that of a row whose fault
parts a battery or a body from the rest. Lines with the same choice for every reading share one precision matrix, so
each choice is worked out once, some at a time.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from halfsplit.diagnosis import likelihood
from halfsplit.diagnosis.compiled_weighing import alike, inverted
from halfsplit.faults.signatures import Signatures
from halfsplit.observations import Reading

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: The sound machine's spread, in place of a row's number.
SOUND = -1
#: An element that moves no reading by more than this (V) is left out: its products are smaller than a meter's error
#: squared by more than eleven powers of ten.
MOVES_NOTHING_V = 1e-8
#: Numbers of precisions worked on at one time; as many as stay near the processor, no source.
AT_ONCE = 1_000_000
#: Readings from which on each matrix is inverted on its own, by way of its Cholesky factor.
SINGLY = 32
#: So many times as many products are worked out for all spreads at one time as for each choice alone, when that is
#: quicker; measured.
FEW = 4


@dataclass(frozen=True, eq=False)
class Spread:
    """What one deviation of each element does to one reading, V: in the sound machine, and with some ``rows`` there.

    ``sound`` and ``most`` (the largest size anywhere) ``[elements]``, ``rows`` ``[k]`` rising, ``own`` of these.
    """

    sound: Floats
    most: Floats
    rows: Ints
    own: Floats


def spread_of(signatures: Signatures, reading: Reading) -> Spread:
    """The spread of one reading."""
    table = signatures.state(reading.state)
    pair = reading.plus, reading.minus or table.netlist.reference
    sound = table.spread_row(*pair)
    rows, own, _ = table.parted_spread(*pair)
    most = np.maximum(np.abs(own).max(axis=0, initial=0.0), np.abs(sound))
    return Spread(sound, most, rows, own)


def in_charge(spreads: Sequence[Spread], rows: Ints, awake: Bools | None = None) -> Ints:
    """Whose spread each reading has with each of some rows there, ``[rows, n]``: the row's number, or ``SOUND``.

    While a row is not ``awake`` ``[rows, n]`` it is the sound machine's.
    """
    found = np.full((len(rows), len(spreads)), SOUND, dtype=np.int64)
    parted = np.flatnonzero(np.isin(rows, np.concatenate([one.rows for one in spreads])))
    mine = rows[parted]
    kept: dict[bytes, Bools] = {}  # readings in one state have the same rows
    for at, spread in enumerate(spreads):
        name = spread.rows.tobytes()
        if name not in kept:
            kept[name] = np.isin(mine, spread.rows)
        own = kept[name]
        if awake is not None:
            own = own & awake[parted, at]
        found[parted[own], at] = mine[own]
    return found


@dataclass(frozen=True, eq=False)
class Precisions:
    """Precision matrices ``[choices, n, n]`` with the logarithms of their covariances' determinants ``[choices]``.

    ``lines`` are those that scatter so, and ``choice`` ``[lines]`` says which each of them has.
    """

    lines: Ints
    choice: Ints
    precision: Floats
    log_determinant: Floats


def precisions(spreads: Sequence[Spread], value: Floats, whose: Ints) -> Iterator[Precisions]:
    """How the lines scatter whose readings of ``value`` ``[n]`` do not all have the sound machine's spread.

    ``whose`` ``[lines, n]`` as :func:`in_charge` gives it.
    """
    lines = np.flatnonzero((whose != SOUND).any(axis=1))
    if not len(lines):
        return
    first, choice = alike(whose[lines])
    choices = whose[lines[first]]
    products = _Products(spreads)
    meter = likelihood.meter_v(value) ** 2
    step = max(1, AT_ONCE // (len(value) * (len(value) if len(value) >= SINGLY else products.elements)))
    order = np.argsort(choice, kind="stable")
    edge = np.searchsorted(choice[order], np.arange(0, len(choices) + step, step))
    for number, start in enumerate(range(0, len(choices), step)):
        some, inside = choices[start : start + step], order[edge[number] : edge[number + 1]]
        products.take(np.unique(some).tolist())
        if len(value) < SINGLY:
            inverted = _inverted_together(products.together(some), meter)
        else:
            inverted = _inverted((products.of(one) for one in some), len(some), meter)
        yield Precisions(lines[inside], choice[inside] - start, *inverted)


class _Products:
    """Products of the spreads of readings, kept by whose they are."""

    def __init__(self, spreads: Sequence[Spread]) -> None:
        self._spreads = spreads
        self._moving = np.flatnonzero(np.max([one.most for one in spreads], axis=0) > MOVES_NOTHING_V)
        self._sound = np.array([one.sound[self._moving] for one in spreads])
        self._shared: dict[int, Floats] = {SOUND: self._sound}
        self._parts: dict[int, Bools] = {}
        self._squares: dict[int, Floats] = {}
        self._beside: dict[int, Floats] = {}

    @property
    def elements(self) -> int:
        """Elements that move any of the readings."""
        return max(1, len(self._moving))

    def together(self, choices: Ints) -> Floats:
        """The covariances of readings with ``choices`` ``[choices, n]``, for few readings, ``[choices, n, n]``."""
        who, kind = np.unique(choices, return_inverse=True)
        kind = kind.reshape(choices.shape)
        self.take(who.tolist())
        every, at = np.array([self._shared[row] for row in who.tolist()]), np.arange(choices.shape[1])
        if len(who) ** 2 > FEW * len(choices):
            shared = every[kind, at]
            covariance: Floats = shared @ shared.transpose(0, 2, 1)
            return covariance
        flat = every.reshape(len(who) * len(at), len(self._moving))
        place = kind * len(at) + at
        found: Floats = (flat @ flat.T).take(place[:, :, None] * len(flat) + place[:, None, :])
        return found

    def of(self, choice: Ints) -> Floats:
        """The covariance of readings whose spreads are those of ``choice`` ``[n]``, ``[n, n]``."""
        own = choice[choice != SOUND]
        one, other = int(own.min()), int(own.max())
        if one == other:
            return self._or_sound(one, choice == one)
        if (choice == SOUND).any():
            whole: Floats = self.together(choice[None])[0]
            return whole
        mine, theirs = np.flatnonzero(choice == one), np.flatnonzero(choice == other)
        found = np.empty((len(choice), len(choice)))
        across = self._of(one)[mine] @ self._of(other)[theirs].T
        found[mine[:, None], mine] = self._square(one)[mine[:, None], mine]
        found[theirs[:, None], theirs] = self._square(other)[theirs[:, None], theirs]
        found[mine[:, None], theirs] = across
        found[theirs[:, None], mine] = across.T
        return found

    def _or_sound(self, row: int, own: Bools) -> Floats:
        """The covariance of readings with the row's spread where they are its ``own`` ``[n]``, else the sound one."""
        self.take([row])
        if (own == self._parts[row]).all():
            same: Floats = self._square(row).copy()
            return same
        count = len(own)
        if row not in self._beside:
            shared = np.concatenate([self._sound, self._shared[row]])
            self._beside[row] = shared @ shared.T
        at = np.arange(count) + count * own
        found: Floats = self._beside[row].take(at[:, None] * (2 * count) + at)
        return found

    def _square(self, row: int) -> Floats:
        if row not in self._squares:
            self._squares[row] = self._of(row) @ self._of(row).T
        return self._squares[row]

    def _of(self, row: int) -> Floats:
        """The spreads of all readings with a row there, ``[n, elements]``; the sound one where it parts nothing."""
        self.take([row])
        return self._shared[row]

    def take(self, rows: Sequence[int]) -> None:
        """Gets the spreads with some rows there ready, quicker together than one by one."""
        new = np.array([row for row in rows if row not in self._shared], dtype=np.int64)
        if not len(new):
            return
        shared = np.repeat(self._sound[None], len(new), axis=0)
        parts = np.zeros((len(new), len(self._sound)), dtype=np.bool_)
        for at, one in enumerate(self._spreads):
            where = np.minimum(np.searchsorted(one.rows, new), max(0, len(one.rows) - 1))
            own = np.flatnonzero(one.rows[where] == new) if len(one.rows) else where[:0]
            parts[own, at] = True
            shared[own, at] = one.own[where[own][:, None], self._moving]
        for row, spread, part in zip(new.tolist(), shared, parts, strict=True):
            self._shared[row], self._parts[row] = spread, part


def _inverted_together(covariance: Floats, meter: Floats) -> tuple[Floats, Floats]:
    """Precisions of a few readings with ``covariance`` ``[choices, n, n]`` and meter errors ``[n]``, V squared."""
    found = inverted(covariance, meter)
    if found is not None:
        return found
    diagonal = np.arange(len(meter))
    covariance[:, diagonal, diagonal] += meter
    _, log_determinant = np.linalg.slogdet(covariance)
    return np.linalg.inv(covariance).astype(np.float64), log_determinant.astype(np.float64)


def _inverted(covariances: Iterable[Floats], choices: int, meter: Floats) -> tuple[Floats, Floats]:
    """The same one by one, by way of the Cholesky factor."""
    count = len(meter)
    diagonal = np.arange(count)
    below = diagonal[:, None] >= diagonal
    precision, log_determinant = np.empty((choices, count, count)), np.empty(choices)
    for at, covariance in enumerate(covariances):
        covariance[diagonal, diagonal] += meter
        factor, _ = lapack.dpotrf(covariance.T, lower=1, overwrite_a=1)
        log_determinant[at] = 2.0 * np.log(factor[diagonal, diagonal]).sum()
        half, _ = lapack.dpotri(factor, lower=1, overwrite_c=1)
        precision[at] = np.where(below, half, half.T)
    return precision, log_determinant
