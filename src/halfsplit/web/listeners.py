"""Who waits for news of a job, and how a thread that wrote something wakes them."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager, suppress

from fastapi.concurrency import run_in_threadpool


class Listeners:
    """Who is to be woken when something is written into a job, from any thread."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._waiting: dict[str, set[tuple[asyncio.AbstractEventLoop, asyncio.Event]]] = {}
        self._numbers: Mapping[str, int] = {}
        self._looked_s = float("-inf")
        self._looking = False
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
                if not self._waiting[job]:
                    del self._waiting[job]

    async def number(
        self, job: str, look: Callable[[Collection[str]], Mapping[str, int]], at_most_s: float
    ) -> int:
        """The number of a job's last event, as it was at most ``at_most_s`` ago; 0 when it was not looked for.

        ``look`` reads the numbers of all jobs that are listened to, once for all listeners: twenty that each ask the
        store every second cost more than a finding that is written.
        """
        if not self._looking and time.monotonic() - self._looked_s >= at_most_s:
            self._looking = True
            try:
                with self._guard:
                    jobs = tuple(self._waiting)
                begun_s = time.monotonic()
                self._numbers = await run_in_threadpool(look, jobs)
                self._looked_s = begun_s
            finally:
                self._looking = False
        return self._numbers.get(job, 0)

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
