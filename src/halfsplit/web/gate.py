"""Who is let in where the server can be reached from the network: people who signed in, to what their role may do.

Everything needs a person who signed in but what is listed in ``OPEN``, and everything that writes needs a role that
may write: an address that is added later is closed until somebody opens it here. Plain ASGI, so that nothing of a
request is read before.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import anyio
from starlette.requests import HTTPConnection

from halfsplit.jobs.people import Role, folded
from halfsplit.service.people import Forbidden, Roster
from halfsplit.web.asgi import App, Receive, Scope, Send, refuse
from halfsplit.web.failures import plain, too_often
from halfsplit.web.rates import WRITES_OF_A_PERSON, Meter

CODES: dict[str, str] = {
    "sign-in-needed": "Nobody is signed in, or the sign-in is over, and the server is reached from the network.",
    "role-refused": "The role of who is signed in does not allow this.",
    "by-another": "What is sent says that somebody else wrote it than the person who is signed in.",
    "too-often": "Something was done too often in a short time.",
}

#: The cookie of a session. A browser takes the prefix only with Secure, for this host alone and the whole of it, so
#: that no other host can set it (RFC 6265bis, 4.1.3.2).
COOKIE = "__Host-halfsplit"
#: Methods that change nothing; RFC 9110, 9.2.1.
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
#: What anybody may ask for: the app itself, which holds nothing of anybody, which program answers, and signing in.
OPEN = frozenset({"/", "/worker.js", "/api/about", "/api/session", "/api/session/end"})
OPEN_FOLDERS = ("/files/",)
#: For a lead alone, whatever the method.
FOR_LEADS = ("/api/people",)
#: What somebody who only looks on may send all the same: their own password.
FOR_ALL = frozenset({"/api/session/password"})
#: Questions to the store about who it is that are asked side by side; apart from those about jobs, which may wait.
SIDE_BY_SIDE = 4


@dataclass(frozen=True, slots=True)
class Signed:
    """Who is signed in, and whether that still holds.

    ``still`` asks the store when it is given True, and else what was read there last.
    """

    name: str
    role: Role
    still: Callable[[bool], bool]

    def writes_as(self, by: str) -> str:
        """The name that is written down, whatever was sent. Raises Forbidden("by-another") for another's."""
        if by and folded(by) != folded(self.name):
            raise Forbidden(
                "by-another", f"This was written by {by}, and {self.name} is signed in.", f"Sign in as {by} to send it."
            )
        return self.name


class Gate:
    """Lets a request through to ``app`` when it is for anybody, or comes from somebody who may do it."""

    def __init__(
        self, app: App, roster: Roster, now: Callable[[], datetime], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.app = app
        self.roster = roster
        self.now = now
        self.writes = Meter(WRITES_OF_A_PERSON, clock)
        self._asking: anyio.CapacityLimiter | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http" or _is_open(scope["path"]):
            await self.app(scope, receive, send)
            return
        token = HTTPConnection(scope).cookies.get(COOKIE, "")
        self._asking = self._asking or anyio.CapacityLimiter(SIDE_BY_SIDE)
        person = await anyio.to_thread.run_sync(self.roster.who, token, self.now(), limiter=self._asking)
        if person is None:
            await refuse(send, 401, plain("sign-in-needed", "Nobody is signed in.", "Sign in."))
            return
        if not may(person.role, scope["method"], scope["path"]):
            said = "Who only looks on writes nothing." if person.role == "read-only" else "Only a lead may do this."
            await refuse(send, 403, plain("role-refused", said, "Ask a lead."))
            return
        if scope["method"] not in SAFE:
            wait = self.writes.wait_s(folded(person.name))
            if wait:
                busy = too_often(wait, "Too much was sent in a short time.", "Wait a moment and send it again.")
                await busy(scope, receive, send)
                return

        def still(fresh: bool) -> bool:
            found = (self.roster.who if fresh else self.roster.known)(token, self.now())
            return found is not None and folded(found.name) == folded(person.name)

        scope.setdefault("state", {})["signed"] = Signed(person.name, person.role, still)
        await self.app(scope, receive, send)


def may(role: Role, method: str, path: str) -> bool:
    """Whether a role may ask for a path; which jobs somebody may end is looked at where a job is at hand."""
    if any(path == one or path.startswith(f"{one}/") for one in FOR_LEADS):
        return role == "lead"
    return role != "read-only" or method in SAFE or path in FOR_ALL


def _is_open(path: str) -> bool:
    return path in OPEN or path.startswith(OPEN_FOLDERS)
