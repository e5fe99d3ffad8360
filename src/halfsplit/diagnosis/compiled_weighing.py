"""Voltage readings and pairs of faults weighed by the compiled pieces (``circuit/kernel/weighing.c``).

Each gives what the array code in the modules that call it gives, or None where the library is left aside (``alike``
has its arrays here). Logarithms of many readings agree to about 1e-13 of their size, all else to the last digit.
"""

from __future__ import annotations

import ctypes

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit import native

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Readings up to which each line is weighed by itself here; the products of more are quicker in linear algebra.
FEW_READINGS = 24


def _pointers(*names: str) -> list[tuple[str, type[ctypes.c_void_p]]]:
    return [(name, ctypes.c_void_p) for name in names]


def _counts(*names: str) -> list[tuple[str, type[ctypes.c_int64]]]:
    return [(name, ctypes.c_int64) for name in names]


class _Weighing(ctypes.Structure):
    """See ``weighing.h``."""

    _fields_ = (
        *_counts("lines", "readings"),
        *_pointers("value", "predicted", "along", "choice", "precision", "log_determinant", "stray"),
        ("sure", ctypes.c_double),
        ("wide_share", ctypes.c_double),
        ("wide", ctypes.c_double),
    )


class _Both(ctypes.Structure):
    """See ``weighing.h``."""

    _fields_ = (
        *_counts("pairs", "classes", "readings", "all"),
        *_pointers("one", "two", "first", "second", "value", "along", "strays", "kind", "at"),
    )


def weighed_lines(
    value: Floats, predicted: Floats, along: Floats, choice: Ints | None, precision: Floats, log_determinant: Floats,
    stray: Floats, sure: float, wide: tuple[float, float],
) -> Floats | None:
    """Log densities ``[lines]`` with one reading wrong at most, see ``readings.Block``.

    ``predicted`` and ``along`` ``[lines, n]``; ``choice`` ``[lines]`` says which of the precisions ``[choices, n, n]``
    each line has, the first where None. ``wide`` is the share and the width of the wide part.
    """
    if len(value) > FEW_READINGS or not native.available():
        return None
    found = np.empty(len(predicted))
    made, held = native.filled(_Weighing, {
        "lines": len(predicted), "readings": len(value), "value": value, "predicted": np.ascontiguousarray(predicted),
        "along": np.ascontiguousarray(along), "choice": choice, "precision": np.ascontiguousarray(precision),
        "log_determinant": log_determinant, "stray": stray, "sure": sure, "wide_share": wide[0], "wide": wide[1],
    })  # fmt: skip
    done = native.library().halfsplit_weighing(ctypes.byref(made), native.pointer(found))
    del held
    return None if done < 0 else found


def inverted(covariance: Floats, meter: Floats) -> tuple[Floats, Floats] | None:
    """Inverses of ``covariance`` ``[choices, n, n]`` with ``meter`` ``[n]`` added along their diagonals.

    With the logarithms of their determinants ``[choices]``. None where one of them is not positive definite.
    """
    if not native.available():
        return None
    precision, log_determinant = np.array(covariance, dtype=np.float64), np.empty(len(covariance))
    meter = np.ascontiguousarray(meter)
    done = native.library().halfsplit_inverted(
        ctypes.c_int64(len(precision)), ctypes.c_int64(len(meter)), native.pointer(meter), native.pointer(precision),
        native.pointer(log_determinant),
    )  # fmt: skip
    return (precision, log_determinant) if done else None


def both_shown(
    one: Ints, two: Ints, first: Bools, second: Bools, value: Floats, along: Floats, strays: Floats, kind: Ints,
    at: Ints,
) -> tuple[Floats, Floats, Ints] | None:
    """What every two classes show together, ``[pairs, at]`` each: predictions, directions, and whose scatter it has."""
    if not native.available():
        return None
    shape = len(one), len(at)
    found, way, whose = np.empty(shape), np.empty(shape), np.empty(shape, dtype=np.int64)
    made, held = native.filled(_Both, {
        "pairs": len(one), "classes": len(kind), "readings": len(at), "all": value.shape[1], "one": one, "two": two,
        "first": np.ascontiguousarray(first), "second": np.ascontiguousarray(second), "value": value, "along": along,
        "strays": strays, "kind": kind, "at": at,
    })  # fmt: skip
    native.library().halfsplit_both(
        ctypes.byref(made), native.pointer(found), native.pointer(way), native.pointer(whose)
    )
    del held
    return found, way, whose


def alike(lines: Ints) -> tuple[Ints, Ints]:
    """Which of some ``lines`` ``[n, width]`` are the same: the first of each, and the number of each line ``[n]``.

    Lines are numbered as they come, or in arrays in an order of their own.
    """
    lines = np.ascontiguousarray(lines)
    if not native.available():
        return _alike_in_arrays(lines)
    number, first = np.empty(len(lines), dtype=np.int64), np.empty(len(lines), dtype=np.int64)
    count = native.library().halfsplit_alike(
        ctypes.c_int64(len(lines)), ctypes.c_int64(lines.shape[1]), native.pointer(lines), native.pointer(number),
        native.pointer(first),
    )  # fmt: skip
    return _alike_in_arrays(lines) if count < 0 else (first[:count], number)


def _alike_in_arrays(lines: Ints) -> tuple[Ints, Ints]:
    """The same in arrays: each line as one value."""
    names = lines.view(np.dtype((np.void, lines.dtype.itemsize * lines.shape[1]))).ravel()
    return np.unique(names, return_index=True, return_inverse=True)[1:]


def moment(on: Floats, off: Floats, far: Floats, near: Floats, least: float) -> tuple[Floats, float] | None:
    """Likelihoods of what is seen at one moment ``[3, classes, classes]``, and the least of them; see ``pairs``.

    ``on``, ``off``, ``far`` and ``near`` ``[observations, classes]``.
    """
    if not native.available():
        return None
    count, size = on.shape
    found = np.empty((3, size, size))
    lowest = native.library().halfsplit_moment(
        ctypes.c_int64(count), ctypes.c_int64(size), ctypes.c_double(least),
        *map(native.pointer, (on, off, far, near)), *map(native.pointer, found),
    )  # fmt: skip
    return found, float(lowest)


def take_moment(
    seen: Floats, chance: Floats, guess: bool, rounding: float, product: Floats | None, full: Floats, once: Floats,
    times: Floats,
) -> bool:
    """Takes a moment into the products of ``pairs``; says whether that was done."""
    if not native.available():
        return False
    native.library().halfsplit_moment_taken(
        ctypes.c_int64(len(chance)), *map(native.pointer, seen), native.pointer(chance), ctypes.c_int64(guess),
        ctypes.c_double(rounding), None if product is None else native.pointer(product), native.pointer(full),
        native.pointer(once), native.pointer(times),
    )  # fmt: skip
    return True


def beside(shared: Floats, own: Floats) -> Floats | None:
    """For each class the weight of all others beside it ``[2, classes]``, see ``pairs.Followed``."""
    if not native.available():
        return None
    found, shared, own = np.empty(own.shape), np.ascontiguousarray(shared), np.ascontiguousarray(own)
    done = native.library().halfsplit_beside(
        ctypes.c_int64(own.shape[1]), native.pointer(shared), native.pointer(own), native.pointer(found)
    )
    return None if done < 0 else found
