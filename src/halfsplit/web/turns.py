"""The order of requests: findings are written one after another, and before anybody is told a next step.

An acknowledgement takes some milliseconds, a next step many times that. Of twenty findings sent in the same moment and
worked on side by side all would be acknowledged when the last one is; one after another half of them are by half of
that time. Plain ASGI: what waits here holds no thread.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Awaitable, Callable, MutableMapping
from contextlib import suppress
from typing import Any

from halfsplit.web.asgi import App, Receive, Scope, Send

#: Longest that a question about a job waits for findings that are being written down, s. Invented limit.
GIVEN_WAY_S = 0.3
#: Findings written at the same time: while one waits for the disk, another is read.
SIDE_BY_SIDE = 2
#: After so long a finding no longer holds up those behind it, s: it has come to a job whose belief is built first.
#: Several times what writing takes as a rule. Invented.
HELD_S = 0.05
#: What writes a finding and answers before the next step is worked out.
WRITES = re.compile(r"/api/jobs/[^/]+/written")
#: Questions that take a belief to answer.
ASKS = re.compile(r"/api/jobs/[^/]+/(next|suspects|why|where|path|table|found)")


class Turns:
    """Lets findings go one after another, in the order they came in whole, and questions after them."""

    def __init__(self, app: App) -> None:
        self._app = app
        self._loop: asyncio.AbstractEventLoop | None = None
        self._queue = _Queue()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
        elif scope["method"] == "POST" and WRITES.fullmatch(scope["path"]):
            queue = self._here()
            queue.come()
            try:
                body = await _whole(receive)  # or one whose body comes slowly would hold up all others
                await _in_place(queue, lambda: self._app(scope, body.receive, send))
            finally:
                queue.go()
        else:
            if ASKS.fullmatch(scope["path"]):
                with suppress(TimeoutError):
                    await asyncio.wait_for(self._here().empty.wait(), GIVEN_WAY_S)
            await self._app(scope, receive, send)

    def _here(self) -> _Queue:
        """The queue of the running loop; a server has one loop."""
        loop = asyncio.get_running_loop()
        if loop is not self._loop:
            self._loop, self._queue = loop, _Queue()
        return self._queue


class _Queue:
    """Findings on their way."""

    def __init__(self) -> None:
        self.places = asyncio.Semaphore(SIDE_BY_SIDE)
        self.empty = asyncio.Event()
        self.empty.set()
        self._count = 0

    def come(self) -> None:
        self._count += 1
        self.empty.clear()

    def go(self) -> None:
        self._count -= 1
        if not self._count:
            self.empty.set()


async def _in_place(queue: _Queue, work: Callable[[], Awaitable[None]]) -> None:
    """Does the work when its turn has come."""
    async with queue.places:
        going = asyncio.ensure_future(work())
        try:
            await asyncio.wait({going}, timeout=HELD_S)
        except asyncio.CancelledError:
            going.cancel()
            raise
    await going


class _Body:
    """A body that was read before, given piece by piece as it came; then what comes after it."""

    def __init__(self, pieces: list[MutableMapping[str, Any]], receive: Receive) -> None:
        self._pieces = pieces
        self._receive = receive

    async def receive(self) -> MutableMapping[str, Any]:
        return self._pieces.pop(0) if self._pieces else await self._receive()


async def _whole(receive: Receive) -> _Body:
    """The body of a request, once all of it is there; how large it may be was looked at before."""
    pieces = [await receive()]
    while pieces[-1]["type"] == "http.request" and pieces[-1].get("more_body", False):
        pieces.append(await receive())
    return _Body(pieces, receive)
