"""Repairing down the block-merged order by the compiled piece (``circuit/kernel/base_order.c``)."""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING

import numpy as np

from halfsplit.circuit import native

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Counts = NDArray[np.intp]


class _Orders(ctypes.Structure):
    """See ``base_order.h``."""

    _fields_ = (
        *((name, ctypes.c_int64) for name in ("rows", "steps", "repairs")),
        *((name, ctypes.c_void_p) for name in ("parent", "length", "chance", "open", "left")),
        ("can_hand_over", ctypes.c_int64),
        ("hand_over", ctypes.c_double),
        ("free_minutes", ctypes.c_double),
    )


def base_order(
    parent: Counts, length: Floats, chance: Floats, is_open: Flags, repairs_left: Flags, hand_over: float | None,
    free_minutes: float,
) -> tuple[Floats, Counts] | None:
    """Minutes and first thing done of each belief ``[rows]``, to the last digit what ``repair_problem`` has.

    ``length`` and ``chance`` ``[rows, items]`` are worked on. None where the library is left aside.
    """
    if not native.available():
        return None
    rows, steps = is_open.shape
    minutes, first = np.empty(rows), np.empty(rows, dtype=np.int64)
    made, held = native.filled(_Orders, {
        "rows": rows, "steps": steps, "repairs": repairs_left.shape[1], "parent": parent.astype(np.int64),
        "length": length, "chance": chance, "open": np.ascontiguousarray(is_open),
        "left": np.ascontiguousarray(repairs_left), "can_hand_over": hand_over is not None,
        "hand_over": hand_over or 0.0, "free_minutes": free_minutes,
    })  # fmt: skip
    done = native.library().halfsplit_base_order(ctypes.byref(made), native.pointer(minutes), native.pointer(first))
    del held
    return None if done < 0 else (minutes, first.astype(np.intp, copy=False))
