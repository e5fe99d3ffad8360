"""Work done in processes beside this one while it does its own share.

A process is split off (POSIX ``fork``), so it starts with everything this one holds, in a few milliseconds. Where
that cannot be done safely (another system, other threads running, one processor), nothing is: the caller then does
the work itself, and nothing but the time differs. A server, which has threads all its life, splits one off before it
begins them: :class:`Standby`.
"""

from __future__ import annotations

import contextlib
import mmap
import multiprocessing
import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from itertools import accumulate
from multiprocessing.connection import Connection
from typing import TypeVar

from halfsplit.faults.signatures import Kept

Result = TypeVar("Result")

#: Arrays begin at multiples of this many bytes, a cache line of common processors.
ALIGNED = 64


def processors() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def can_split() -> bool:
    """Whether a process may be split off here and now."""
    return (
        sys.platform == "linux"
        and threading.active_count() == 1
        and not multiprocessing.current_process().daemon
        and processors() > 1
    )


class Beside:
    """One piece of work in a process beside this one: begun when made, fetched once by :meth:`result`.

    What it gives is pickled, arrays apart from the rest (PEP 574) and in memory that both processes see, since they
    may be large.
    """

    def __init__(self, work: Callable[[], object]) -> None:
        context = multiprocessing.get_context("fork")
        self._mine, theirs = context.Pipe(duplex=False)
        self._sheet = os.memfd_create("halfsplit")
        self._process = context.Process(target=_send, args=(work, self._mine, theirs, self._sheet))
        self._process.start()
        theirs.close()

    def result(self, kind: type[Result]) -> Result | None:
        """What the work gave; None when it failed or gave something else than ``kind``: then it must be done here."""
        sent = None
        with contextlib.suppress(EOFError, OSError):
            whole, sizes = self._mine.recv()
            sent = pickle.loads(whole, buffers=_pieces(self._sheet, sizes))  # noqa: S301 - our own process wrote it
        self._mine.close()
        os.close(self._sheet)
        self._process.join()
        return sent if isinstance(sent, kind) else None


class Processes:
    """Room for pieces of work beside this process: one for each further processor."""

    def __init__(self) -> None:
        self._running = 0

    def begin(self, work: Callable[[], Kept]) -> Callable[[], Kept | None] | None:
        """Begins a piece of work, see :data:`halfsplit.faults.signatures.Begin`; None where there is no room."""
        if not can_split() or self._running + 1 >= processors():
            return None
        one = Beside(work)
        self._running += 1

        def fetch() -> Kept | None:
            self._running -= 1
            return one.result(Kept)

        return fetch


class Standby:
    """A process split off now to do pieces of work later, one at a time: for a program that will begin threads.

    The work and what it gives are pickled. Where no process can be split off, there is never room in it.
    """

    def __init__(self) -> None:
        self._free = threading.Lock()
        self._mine: Connection | None = None
        if not can_split():
            return
        context = multiprocessing.get_context("fork")
        mine, theirs = context.Pipe()
        self._process = context.Process(target=_stand_by, args=(mine, theirs), daemon=True)
        self._process.start()
        theirs.close()
        self._mine = mine

    def begin(self, work: Callable[[], Kept]) -> Callable[[], Kept | None] | None:
        """Begins a piece of work that can be pickled; None where there is no room for it. From any thread."""
        pipe = self._mine
        if pipe is None or not self._free.acquire(blocking=False):
            return None
        try:
            pipe.send(work)
        except (OSError, ValueError, pickle.PicklingError, AttributeError):
            self._free.release()
            return None

        def fetch() -> Kept | None:
            found = None
            try:
                with contextlib.suppress(EOFError, OSError):
                    found = pipe.recv()
            finally:
                self._free.release()
            return found if isinstance(found, Kept) else None

        return fetch

    def close(self) -> None:
        """Ends the process; what it was doing is lost."""
        if self._mine is not None:
            self._mine.close()
            self._mine = None
            self._process.terminate()
            self._process.join()


def _stand_by(unused: Connection, pipe: Connection) -> None:
    unused.close()  # or the pipe would stay open when the other end is gone
    # An interrupt from the keyboard is for the one that this one works for; that one's end ends the pipe.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(EOFError, OSError):
        while True:
            work = pipe.recv()
            found = None
            # As above, a failure is not told of here.
            with contextlib.suppress(Exception):
                found = work()
            pipe.send(found)


def _pieces(sheet: int, sizes: Sequence[int]) -> list[memoryview]:
    """The arrays on the shared sheet, as memory that may be read."""
    starts = [0, *accumulate(size + -size % ALIGNED for size in sizes)]
    if not starts[-1]:
        return []
    seen = memoryview(mmap.mmap(sheet, starts[-1], access=mmap.ACCESS_READ))
    return [seen[start : start + size] for start, size in zip(starts, sizes, strict=False)]


def _send(work: Callable[[], object], unused: Connection, back: Connection, sheet: int) -> None:
    unused.close()
    # A failure is not told of here: it comes again where the work is then done, with its own words.
    with contextlib.suppress(Exception), back, open(sheet, "wb", closefd=False) as file:
        apart: list[pickle.PickleBuffer] = []
        whole = pickle.dumps(work(), protocol=5, buffer_callback=apart.append)
        for one in apart:
            with one.raw() as piece:
                file.write(piece)
                file.write(bytes(-piece.nbytes % ALIGNED))
        file.flush()
        back.send((whole, [one.raw().nbytes for one in apart]))
