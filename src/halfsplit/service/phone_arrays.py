"""Arrays as they travel to a phone: JSON objects with the kind, the shape and the bytes, exact to the last bit.

``{"kind": "f8" | "i4", "shape": [...], "bytes": "<base64, little-endian>"}``. Two further kinds are made
small before they are packed: ``x4`` are single precision numbers of which each line mostly says the same as the last
one of its line, ``pick`` are lines of doubles of which few differ.
"""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
from numpy.typing import NDArray

Data = dict[str, Any]


def doubles(values: NDArray[Any]) -> Data:
    """Doubles, any shape."""
    return _packed("f8", values, "<f8")


def whole(values: NDArray[Any]) -> Data:
    """Whole numbers of 32 bits, any shape."""
    return _packed("i4", values, "<i4")


def alike(values: NDArray[np.float32]) -> Data:
    """Single precision numbers ``[lines, rows]``, most of a line near its last one (``x4``).

    Their bits are compared with the last of the line (exclusive or) and laid down byte by byte, the first bytes of all
    first: what is alike becomes zeros, which pack well.
    """
    bits = np.ascontiguousarray(values, dtype="<f4").view("<u4").reshape(values.shape)
    last = bits[:, -1:].copy()
    changed = np.ascontiguousarray(bits ^ last).view(np.uint8).reshape(*values.shape, 4)
    planes = np.ascontiguousarray(np.moveaxis(changed, 2, 0))
    return {
        "kind": "x4", "shape": list(values.shape), "bytes": _text(planes.tobytes()),
        "last": _text(last.astype("<u4").tobytes()),
    }  # fmt: skip


def picked(values: NDArray[np.float64]) -> Data:
    """Doubles ``[rows]`` or ``[rows, n]`` of which few lines differ (``pick``): those, and which each row has."""
    lines = np.ascontiguousarray(values.reshape(len(values), -1))
    # As texts of bytes lines sort ten times as fast as they do as rows of numbers.
    as_bytes = lines.view(f"V{lines.shape[1] * lines.itemsize}").ravel()
    _, first, which = np.unique(as_bytes, return_index=True, return_inverse=True)
    return {"kind": "pick", "shape": list(values.shape), "lines": doubles(lines[first]), "which": whole(which)}


def _packed(kind: str, values: NDArray[Any], stored: str) -> Data:
    return {
        "kind": kind, "shape": list(values.shape),
        "bytes": _text(np.ascontiguousarray(values, dtype=stored).tobytes()),
    }  # fmt: skip


def _text(content: bytes) -> str:
    return base64.b64encode(content).decode("ascii")
