"""Who waits for news of a job, and how a thread that wrote something wakes them."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress


class Listeners:
    """Who is to be woken when something is written into a job, from any thread."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._waiting: dict[str, set[tuple[asyncio.AbstractEventLoop, asyncio.Event]]] = {}
        self.ended = False

    @contextmanager
    def on(self, job: str) -> Iterator[asyncio.Event]:
        """An event of the running loop that is set at each ``tell`` of the job."""
        mine = asyncio.get_running_loop(), asyncio.Event()
        with self._guard:
            self._waiting.setdefault(job, set()).add(mine)
        try:
            yield mine[1]
        finally:
            with self._guard:
                self._waiting[job].discard(mine)

    def tell(self, job: str) -> None:
        """Wakes who listens to the job."""
        with self._guard:
            waiting = list(self._waiting.get(job, ()))
        for loop, event in waiting:
            with suppress(RuntimeError):  # its loop is over, and so is whoever listened
                loop.call_soon_threadsafe(event.set)

    def end(self) -> None:
        """Ends every stream: the server stops."""
        self.ended = True
        for job in list(self._waiting):
            self.tell(job)
