"""Work done in processes beside this one while it does its own share.

A process is split off (POSIX ``fork``), so it starts with everything this one holds, in a few milliseconds. Where
that cannot be done safely (another system, other threads running, one processor), nothing is: the caller then does
the work itself, and nothing but the time differs.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import sys
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import TypeVar

Result = TypeVar("Result")


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
    """One piece of work in a process beside this one: begun when made, fetched once by :meth:`result`."""

    def __init__(self, work: Callable[[], object]) -> None:
        context = multiprocessing.get_context("fork")
        self._mine, theirs = context.Pipe(duplex=False)
        self._process = context.Process(target=_send, args=(work, self._mine, theirs))
        self._process.start()
        theirs.close()

    def result(self, kind: type[Result]) -> Result | None:
        """What the work gave; None when it failed or gave something else than ``kind``: then it must be done here."""
        try:
            sent = self._mine.recv()
        except (EOFError, OSError):
            sent = None
        self._mine.close()
        self._process.join()
        return sent if isinstance(sent, kind) else None


def _send(work: Callable[[], object], unused: Connection, back: Connection) -> None:
    unused.close()
    # A failure is not told of here: it comes again where the work is then done, with its own words.
    with contextlib.suppress(Exception), back:
        back.send(work())
