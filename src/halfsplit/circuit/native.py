"""The compiled pieces of the circuit computation, where they are there: ``kernel/*.c`` in one shared library.

They give what the array code of this package gives, sooner; where the library is missing everything works without it.
The library is made by ``scripts/build-kernel`` and comes with the wheels.
"""

from __future__ import annotations

import ctypes
import hashlib
import weakref
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit.stamps import Compiled, Floats, Ints, Targets
from halfsplit.errors import InternalError

FOLDER = Path(__file__).with_name("kernel")
SOURCES = (
    "kernel.h", "elimination.h", "looking.h", "ports.h", "dense.h", "laws.h", "telling.h", "sums.h", "weighing.h",
    "base_order.h", "elimination.c", "looking.c", "dense.c", "ports.c", "newton.c", "work.c", "following.c",
    "telling.c", "weighing.c", "base_order.c",
)  # fmt: skip
LIBRARY = FOLDER / "halfsplit-kernel.so"

_left_aside: ContextVar[bool] = ContextVar("kernel_left_aside", default=False)


def digest() -> str | None:
    """What the sources are, SHA-256; None where the package came without them."""
    if not all((FOLDER / name).is_file() for name in SOURCES):
        return None
    return hashlib.sha256(b"".join((FOLDER / name).read_bytes() for name in SOURCES)).hexdigest()


@lru_cache(maxsize=1)
def _loaded() -> ctypes.CDLL | None:
    try:
        library = ctypes.CDLL(str(LIBRARY))
        made_of = library.halfsplit_sources
    except (OSError, AttributeError):
        return None
    made_of.restype = ctypes.c_char_p
    if digest() not in (None, made_of().decode()):
        return None
    library.halfsplit_pattern_new.restype = ctypes.c_void_p
    library.halfsplit_columns.restype = ctypes.c_int64
    library.halfsplit_look_elements.restype = ctypes.c_int64
    library.halfsplit_follow.restype = ctypes.c_int64
    library.halfsplit_classes.restype = ctypes.c_int64
    library.halfsplit_plain.restype = ctypes.c_int64
    library.halfsplit_least_apart.restype = ctypes.c_int64
    library.halfsplit_places.restype = ctypes.c_int64
    library.halfsplit_weighing.restype = ctypes.c_int64
    library.halfsplit_inverted.restype = ctypes.c_int64
    library.halfsplit_alike.restype = ctypes.c_int64
    library.halfsplit_moment.restype = ctypes.c_double
    library.halfsplit_beside.restype = ctypes.c_int64
    library.halfsplit_base_order.restype = ctypes.c_int64
    library.halfsplit_free.argtypes = [ctypes.c_void_p]
    library.halfsplit_pattern_free.argtypes = [ctypes.c_void_p]
    return library


def available() -> bool:
    """Is the library there, made of these sources, and not left aside?"""
    return not _left_aside.get() and _loaded() is not None


@contextmanager
def left_aside() -> Iterator[None]:
    """Within this everything is computed without the library."""
    token = _left_aside.set(True)
    try:
        yield
    finally:
        _left_aside.reset(token)


def library() -> ctypes.CDLL:
    """The library; :func:`available` says whether there is one."""
    loaded = _loaded()
    if loaded is None:
        raise InternalError("the compiled pieces of the circuit computation are not there")
    return loaded


class Pattern:
    """The order in which the nodes of circuits with the same branches are eliminated."""

    def __init__(self, nodes: int, reference: int, a: Ints, b: Ints) -> None:
        loaded = library()
        self.at = loaded.halfsplit_pattern_new(
            *(ctypes.c_int64(value) for value in (nodes, len(a), reference)), pointer(a), pointer(b)
        )
        if not self.at:
            raise MemoryError
        weakref.finalize(self, loaded.halfsplit_pattern_free, self.at).atexit = False


@lru_cache(maxsize=8)
def _pattern(nodes: int, reference: int, a: bytes, b: bytes) -> Pattern:
    return Pattern(nodes, reference, np.frombuffer(a, dtype=np.int64), np.frombuffer(b, dtype=np.int64))


def pattern(c: Compiled) -> Pattern:
    """The order of elimination of a circuit; kept for circuits with the same branches."""
    return _pattern(c.n, c.reference, c.a.tobytes(), c.b.tobytes())


def looks(c: Compiled, laws: Targets, elements: Ints, plus: Ints, minus: Ints) -> Floats | None:
    """What a unit force in each of ``elements`` does to ``x[plus] - x[minus]``, ``[elements, pairs]``.

    None where this way of elimination cannot be gone. Unknowns are those of :func:`columns`.
    """
    result = np.empty((len(elements), len(plus)))
    order = pattern(c)
    held = [np.ascontiguousarray(part) for part in (laws.rho, laws.sigma, elements, plus, minus)]
    rho, sigma, acting, to, against = (pointer(part) for part in held)
    done = library().halfsplit_look_elements(
        ctypes.c_void_p(order.at), rho, sigma, ctypes.c_double(c.netlist.leak_siemens),
        ctypes.c_int64(len(elements)), acting, ctypes.c_int64(len(plus)), to, against, pointer(result),
    )  # fmt: skip
    return result if done else None


def columns(c: Compiled, laws: Targets, unknowns: Ints) -> Floats | None:
    """Columns of the inverse as rows ``[unknowns, c.size]``; None where this way of elimination cannot be gone.

    ``laws`` are those of the ``c.m`` elements. Every entry that a change's own answer is made of keeps its digits,
    however weak the leaks are that feed a place.
    """
    result = np.empty((len(unknowns), c.size))
    order, every = pattern(c), np.arange(c.size)
    rho, sigma, asked = (np.ascontiguousarray(part) for part in (laws.rho, laws.sigma, unknowns))
    done = library().halfsplit_columns(
        ctypes.c_void_p(order.at), pointer(rho), pointer(sigma), ctypes.c_double(c.netlist.leak_siemens),
        ctypes.c_int64(len(asked)), pointer(asked), ctypes.c_int64(len(every)), pointer(every),
        ctypes.c_int64(result.shape[1]), pointer(result),
    )  # fmt: skip
    return result if done else None


class Pinned:
    """An array that is handed to the compiled code again and again: where its numbers stand is found out once."""

    __slots__ = ("array", "at")

    def __init__(self, array: NDArray[Any]) -> None:
        self.array = array
        self.at = pointer(array).value


def pointer(array: NDArray[Any]) -> ctypes.c_void_p:
    """Where an array's numbers stand; they must be in row order, and the array must outlive the call."""
    if not array.flags.c_contiguous:
        raise InternalError("an array handed to the compiled code is not in row order")
    try:
        first = ctypes.c_char.from_buffer(array)  # type: ignore[arg-type] # arrays are buffers from Python 3.12 on
        return ctypes.c_void_p(ctypes.addressof(first))
    except (TypeError, ValueError):  # read-only, or nothing in it
        return ctypes.c_void_p(array.ctypes.data)


def filled(structure: type[ctypes.Structure], values: dict[str, Any]) -> tuple[ctypes.Structure, Sequence[object]]:
    """A structure with its numbers and arrays, and the arrays that must outlive it; types are those of its fields."""
    made, held = structure(), []
    for name, kind, *_ in structure._fields_:
        value = values.pop(name)
        if kind is ctypes.c_void_p and value is not None:
            held.append(value)
            value = value.at if isinstance(value, Pattern | Pinned) else pointer(value)
        setattr(made, name, value)
    if values:
        raise InternalError(f"the compiled code knows nothing of {', '.join(values)}")
    return made, held
