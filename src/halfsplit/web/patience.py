"""Whether somebody still waits for an answer: what nobody waits for any more is not worked out to its end."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from starlette.requests import Request


class NobodyWaitsError(Exception):
    """Whoever asked stopped waiting or is out of reach; nobody hears the answer."""


class Patience:
    """Of one request: whether it is still waited for."""

    def __init__(self) -> None:
        self._gone = threading.Event()

    def end(self) -> None:
        """Says that nobody waits any more; from any thread."""
        self._gone.set()

    def go_on(self) -> None:
        """Raises NobodyWaitsError when nobody waits any more."""
        if self._gone.is_set():
            raise NobodyWaitsError


@asynccontextmanager
async def patience_of(request: Request) -> AsyncIterator[Patience]:
    """Watches the connection of a request whose body is read, while it is worked on."""
    found = Patience()
    read = request.method == "GET" or hasattr(request, "_body")  # or the watch would take the body away
    watching = asyncio.ensure_future(_watch(request, found)) if read else None
    try:
        yield found
    finally:
        if watching is not None:
            watching.cancel()


async def _watch(request: Request, found: Patience) -> None:
    while (await request.receive())["type"] != "http.disconnect":
        pass
    found.end()
