"""Many small port systems at once: places, coefficients and their batched solution."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from halfsplit.circuit.stamps import Bools, Floats, Ints
from halfsplit.circuit.system import Places

# Groups of port systems are padded to these sizes, so that each group is one stacked solve.
_SIZES = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192, 256, 384, 512)
_A_CALL = 3_000  # numbers of padding that take about as long as one more stacked solve, measured
_MOST_NUMBERS = 4_000_000  # of one stack, so that memory stays below about 200 MB


@dataclass(frozen=True, eq=False)
class Ports:
    """Port systems of ``F`` circuits with up to ``K`` ports each; all arrays ``[F, K]``.

    ``used`` tells real ports from padding. ``element`` is the element a port belongs to, -1 for a shunt.
    """

    place: Places
    alpha: Floats
    beta: Floats
    gamma: Floats
    element: Ints
    used: Bools

    def take(self, rows: Ints, width: int) -> Ports:
        """The port systems of some circuits, cut to ``width`` ports."""
        place = self.place
        cut = (rows[:, None], np.arange(width))
        return Ports(
            Places(place.in_plus[cut], place.in_minus[cut], place.out_plus[cut], place.out_minus[cut]),
            self.alpha[cut],
            self.beta[cut],
            self.gamma[cut],
            self.element[cut],
            self.used[cut],
        )


def packed(ports: Ports) -> Ports:
    """The same systems with the real ports first and no more width than the widest needs."""
    order = np.argsort(~ports.used, axis=1, kind="stable")
    width = int(ports.used.sum(axis=1).max(initial=0))
    order = order[:, :width]
    rows = np.arange(len(order))[:, None]
    place = ports.place
    return Ports(
        Places(
            place.in_plus[rows, order],
            place.in_minus[rows, order],
            place.out_plus[rows, order],
            place.out_minus[rows, order],
        ),
        ports.alpha[rows, order],
        ports.beta[rows, order],
        ports.gamma[rows, order],
        ports.element[rows, order],
        ports.used[rows, order],
    )


def joined(first: Ports, second: Ports) -> Ports:
    """Two sets of ports of the same circuits, side by side."""

    def beside(a: Ints, b: Ints) -> Ints:
        return np.concatenate([a, b], axis=1)

    def along(a: Floats, b: Floats) -> Floats:
        return np.concatenate([a, b], axis=1)

    one, two = first.place, second.place
    return Ports(
        Places(
            beside(one.in_plus, two.in_plus),
            beside(one.in_minus, two.in_minus),
            beside(one.out_plus, two.out_plus),
            beside(one.out_minus, two.out_minus),
        ),
        along(first.alpha, second.alpha),
        along(first.beta, second.beta),
        along(first.gamma, second.gamma),
        beside(first.element, second.element),
        np.concatenate([first.used, second.used], axis=1),
    )


def groups(ports: Ports) -> Iterator[tuple[Ints, int]]:
    """Rows of circuits with about as many ports, and that number; circuits without ports are left out."""
    count = ports.used.sum(axis=1)
    sizes = np.array([*_SIZES, max(ports.used.shape[1], _SIZES[-1] + 1)])
    bucket = np.searchsorted(sizes, count)
    found: list[tuple[Ints, int]] = []
    for which in np.unique(bucket[count > 0]):
        rows = np.flatnonzero((bucket == which) & (count > 0))
        width = int(count[rows].max())
        if found and len(found[-1][0]) * (width**2 - found[-1][1] ** 2) <= _A_CALL:
            rows = np.concatenate([found.pop()[0], rows])
        found.append((rows, width))
    for rows, width in found:
        step = max(1, _MOST_NUMBERS // (width * width))
        for start in range(0, len(rows), step):
            yield rows[start : start + step], width


def impedance(ports: Ports, columns: Floats) -> Floats:
    """Z of each port system, ``[F, K, K]``: what port i answers to a unit force in port j, unchanged."""
    place = ports.place
    out_plus, out_minus = place.out_plus[:, :, None], place.out_minus[:, :, None]
    in_plus, in_minus = place.in_plus[:, None, :], place.in_minus[:, None, :]
    z: Floats = columns[in_plus, out_plus] - columns[in_plus, out_minus]
    z -= columns[in_minus, out_plus]
    z += columns[in_minus, out_minus]
    return z


def system_matrix(ports: Ports, z: Floats) -> Floats:
    """``diag(alpha) + diag(beta) Z`` of each port system, identity on padding; ``z`` is their :func:`impedance`.

    Shape ``[F, K, K]``.
    """
    matrix = ports.beta[:, :, None] * z
    matrix[~ports.used] = 0.0
    matrix *= ports.used[:, None, :]
    diagonal = np.arange(matrix.shape[1])
    matrix[:, diagonal, diagonal] += np.where(ports.used, ports.alpha, 1.0)
    return matrix


def scaled_solve(matrix: Floats, sides: Floats) -> Floats:
    """Solves stacked systems ``[F, K, K]`` with right sides ``[F, K, S]``.

    Rows are scaled to size one first: a row of leaks beside a row of shorts would else lose its digits to the
    choice of pivots.
    """
    scale = np.maximum(np.abs(matrix).max(axis=2, keepdims=True), 1e-300)
    return np.asarray(np.linalg.solve(matrix / scale, sides / scale), dtype=np.float64)


def solve_forces(ports: Ports, columns: Floats, before: Floats, probes: Floats) -> tuple[Floats, Floats]:
    """Forces of every port, ``[F, K]``, and for each probe source, ``[F, K, S]``.

    ``before`` is what each port answers to before the change, ``[F, K]``; ``probes`` holds the right sides
    of the probe sources, ``[F, K, S]``.
    """
    sides = np.where(ports.used, ports.beta * before + ports.gamma, 0.0)[:, :, None]
    sides = np.concatenate([sides, probes * ports.used[:, :, None]], axis=2)
    z = impedance(ports, columns)
    if ports.used.shape[1] == 1:
        divisor = np.where(ports.used, ports.alpha + ports.beta * z[:, :, 0], 1.0)
        forces: Floats = sides / divisor[:, :, None]
    else:
        forces = scaled_solve(system_matrix(ports, z), sides)
    return forces[:, :, 0], forces[:, :, 1:]
