"""What checks tell, worked out by the compiled pieces (``circuit/kernel/telling.c``) where they are there.

Each gives to the last digit what the array code in the modules that call it gives, or None where the library is left
aside.
"""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit import native

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class _Classes(ctypes.Structure):
    """See ``telling.h``."""

    _fields_ = (
        *((name, ctypes.c_int64) for name in ("rows", "checks", "groups")),
        *(
            (name, ctypes.c_void_p)
            for name in ("row", "group", "mass", "first", "count", "check", "kind", "class_of", "usual", "asleep")
        ),
        ("misread", ctypes.c_double),
    )


class _Sights(ctypes.Structure):
    """See ``telling.h``."""

    _fields_ = (
        *((name, ctypes.c_int64) for name in ("rows", "faults", "groups", "pairs")),
        *(
            (name, ctypes.c_void_p)
            for name in (
                "row", "group", "awake", "asleep", "fault_of", "place", "fault", "chance", "moves", "false_find",
                "prior",
            )
        ),
        ("least", ctypes.c_double),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Stays:
    """The pairs that ``telling.Sorted`` keeps.

    ``first`` and ``count`` ``[lines]`` say where a line's pairs stand, ``check`` and ``kind`` ``[pairs]`` which they
    are, ``class_of`` ``[kinds]`` the class of each kind.
    """

    first: native.Pinned
    count: native.Pinned
    check: native.Pinned
    kind: native.Pinned
    class_of: native.Pinned


@dataclass(frozen=True, eq=False)
class ByPair:
    """Rows awake ``[rows]`` with their group and mass, and the pairs kept of them.

    ``usual`` and ``asleep`` ``[groups]`` as in ``telling.ByClass``.
    """

    checks: int
    row: Ints
    group: Ints
    mass: Floats
    stays: Stays
    usual: Floats
    asleep: Floats | None
    misread: float

    def information(self, prior_entropy: float) -> tuple[Ints, Floats] | None:
        """The checks that a row moves, in order, and the information of each in nats."""
        made, held = self._filled
        at, information = np.empty(self.checks, dtype=np.int64), np.empty(self.checks)
        here = native.library().halfsplit_classes(
            ctypes.byref(made), ctypes.c_double(prior_entropy), native.pointer(at), native.pointer(information)
        )
        del held
        return None if here < 0 else (at[:here], information[:here])

    def masses(self, where: Ints, asked: int, classes: int) -> Floats:
        """Joint masses ``[asked, classes, groups]``; ``where`` ``[checks]`` says which of them each check is, or -1."""
        made, held = self._filled
        joint = np.zeros((asked, classes, len(self.usual)))
        native.library().halfsplit_class_masses(ctypes.byref(made), native.pointer(where), native.pointer(joint))
        del held
        return joint

    @cached_property
    def _filled(self) -> tuple[ctypes.Structure, Sequence[object]]:
        names = ("checks", "row", "group", "mass", "usual", "asleep", "misread")
        values = {name: getattr(self, name) for name in names}
        values |= {name: getattr(self.stays, name) for name in Stays.__slots__}
        return native.filled(_Classes, {**values, "rows": len(self.row), "groups": len(self.usual)})


def plain_information(joint: Floats, misread: float, prior_entropy: float) -> Floats | None:
    """The information ``[checks]`` in masses ``[checks, outcomes, groups]``, misreadings included."""
    if not native.available():
        return None
    checks, outcomes, groups = joint.shape
    joint, found = np.ascontiguousarray(joint), np.empty(checks)
    done = native.library().halfsplit_plain(
        ctypes.c_int64(checks), ctypes.c_int64(outcomes), ctypes.c_int64(groups), native.pointer(joint),
        ctypes.c_double(misread), ctypes.c_double(prior_entropy), native.pointer(found),
    )  # fmt: skip
    return None if done < 0 else found


def weighed(groups: int, group: Ints, weight: Floats, line: Ints, values: Floats) -> Floats | None:
    """Sums ``[groups, things]`` of ``values`` ``[lines, things]``: of rows with their group, weight and line."""
    if not native.available():
        return None
    values = np.ascontiguousarray(values)
    found = np.zeros((groups, values.shape[1]))
    native.library().halfsplit_weighed(
        ctypes.c_int64(len(group)), ctypes.c_int64(values.shape[1]), native.pointer(group), native.pointer(weight),
        native.pointer(line), native.pointer(values), native.pointer(found),
    )  # fmt: skip
    return found


def least_apart(joint: Floats, taken: Floats) -> Floats | None:
    """The least share of mass of each ``joint`` ``[asked, ...]`` that lies elsewhere in a ``taken`` ``[made, ...]``.

    Infinite where nothing is taken.
    """
    if not native.available():
        return None
    joint, taken, found = np.ascontiguousarray(joint), np.ascontiguousarray(taken), np.empty(len(joint))
    done = native.library().halfsplit_least_apart(
        ctypes.c_int64(len(joint)), ctypes.c_int64(len(taken)), ctypes.c_int64(joint[0].size if len(joint) else 0),
        native.pointer(joint), native.pointer(taken), native.pointer(found),
    )  # fmt: skip
    return None if done < 0 else found


def seen_at_places(
    places: int, faults: int, least: float, **given: NDArray[Any] | native.Pinned
) -> tuple[Ints, Floats] | None:
    """The places where a live fault may be seen, and masses ``[places, 2, groups]`` of nothing and something seen.

    ``given`` are the arrays of ``Sights`` in ``telling.h``.
    """
    if not native.available():
        return None
    counted = (given["row"], given["prior"], given["place"])
    rows, groups, pairs = (len(one.array if isinstance(one, native.Pinned) else one) for one in counted)
    sizes = {"rows": rows, "faults": faults, "groups": groups, "pairs": pairs}
    made, held = native.filled(_Sights, {**given, **sizes, "least": least})
    at, joint = np.empty(places, dtype=np.int64), np.empty((places, 2, groups))
    here = native.library().halfsplit_places(ctypes.byref(made), native.pointer(at), native.pointer(joint))
    del held
    return None if here < 0 else (at[:here], joint[:here])
