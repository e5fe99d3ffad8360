"""What stands before every request: the right host, no other site's writes, no large bodies, strict headers.

Written as plain ASGI, so that nothing is read or answered before these checks.
"""

from __future__ import annotations

import logging
import re
from collections.abc import MutableMapping
from typing import Any
from urllib.parse import urlsplit

from halfsplit.reports.sections import size_words
from halfsplit.web.asgi import App, Receive, Scope, Send, refuse
from halfsplit.web.failures import OURS, Failure, plain
from halfsplit.web.gate import SAFE

CODES: dict[str, str] = {
    "host-refused": "A request names a host this server does not answer for.",
    "site-refused": "A request that would write comes from another site.",
    "request-too-large": "A request is larger than this server takes.",
    "request-type": "A request that writes is not sent as JSON.",
}

#: Names under which a server that listens on the loopback alone may be asked for. RFC 6761 reserves localhost.
LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})
#: The largest body taken; a note of a page has about 3 kB. Invented limit.
LARGEST_BODY = 64 * 1024
#: Where a file's content is taken as it is, up to what may be attached. A form of another site cannot send this type
#: without being asked first (Fetch, CORS-safelisted request headers), and nobody is given leave.
FILES = re.compile(r"/api/jobs/[^/]+/attachments")
FILE_TYPE = "application/octet-stream"

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode("ascii")),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=()"),
)

log = logging.getLogger("halfsplit.web")


class Protection:
    """Lets a request through to ``app`` when it comes from this host and, if it writes, from this site.

    A browser names the site a request comes from (``Origin``, ``Sec-Fetch-Site``); a program that is no browser
    names none, and is let through, since nobody else's page is behind it.
    """

    def __init__(self, app: App, hosts: frozenset[str] = LOOPBACK, largest_file: int = LARGEST_BODY) -> None:
        self.app = app
        self.hosts = hosts
        self.largest_file = largest_file

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun = False
        largest = self.largest_file if FILES.fullmatch(scope["path"]) else LARGEST_BODY
        body = _Body(receive, largest)

        async def guarded(message: MutableMapping[str, Any]) -> None:
            nonlocal begun
            if body.too_large and not begun:
                return  # what the application says of a body that was cut off is not the reason
            if message["type"] == "http.response.start":
                begun = True
                message["headers"] = _with_headers(scope, message.get("headers", ()))
            await send(message)

        refusal = self._refusal(scope, largest)
        if refusal is not None:
            await refuse(guarded, *refusal)
            return
        try:
            await self.app(scope, body.receive, guarded)
        except Exception:
            if not body.too_large:
                log.exception("%s %s failed", scope["method"], scope["path"])
                if begun:
                    raise
                await refuse(guarded, 500, plain("internal", OURS))
        if body.too_large and not begun:
            body.too_large = False
            await refuse(guarded, 413, _too_large(largest))

    def _refusal(self, scope: Scope, largest: int) -> tuple[int, Failure] | None:
        """Status and reason when the request is not to be answered."""
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        host = headers.get("host", "")
        if _name_of(host) not in self.hosts:
            return 403, plain("host-refused", "This server does not answer for that host.", "Use the address it gave.")
        if scope["method"] in SAFE:
            return None
        origin = headers.get("origin")
        foreign = headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none")
        if foreign or (origin is not None and _site_of(origin) != (scope["scheme"], host.lower())):
            return 403, plain("site-refused", "Another site may not write here.")
        wanted = FILE_TYPE if FILES.fullmatch(scope["path"]) else "application/json"
        if headers.get("content-type", "").partition(";")[0].strip().lower() != wanted:
            return 415, plain("request-type", f"What writes here must be sent as {wanted}.")
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > largest:
            return 413, _too_large(largest)
        return None


class _Body:
    """The body of one request, cut off at ``largest`` bytes, for those that do not say their length."""

    def __init__(self, receive: Receive, largest: int) -> None:
        self._receive = receive
        self._largest = largest
        self._read = 0
        self.too_large = False

    async def receive(self) -> MutableMapping[str, Any]:
        """The next piece; none after the limit."""
        message = await self._receive()
        self._read += len(message.get("body", b""))
        if self._read > self._largest:
            self.too_large = True
            return {"type": "http.disconnect"}
        return message


def _too_large(largest: int) -> Failure:
    return plain("request-too-large", f"More than {size_words(largest)} are not taken in one request.")


def _name_of(host: str) -> str:
    """A Host header without its port; "" for one that cannot be read."""
    try:
        parts = urlsplit(f"//{host}")
        _ = parts.port
    except ValueError:
        return ""
    if parts.username is not None or parts.path or parts.query or parts.fragment:
        return ""
    return (parts.hostname or "").rstrip(".")


def _site_of(origin: str) -> tuple[str, str]:
    """Scheme, and host with port, of an Origin header (RFC 6454, 7); empty for one that cannot be read."""
    try:
        parts = urlsplit(origin)
    except ValueError:
        return "", ""
    return parts.scheme.lower(), parts.netloc.lower()


def _with_headers(scope: Scope, given: Any) -> list[tuple[bytes, bytes]]:
    headers = [*given, *HEADERS]
    if not any(name.lower() == b"cache-control" for name, _ in headers):
        # Files are named by their content, so they never change; everything else is asked for each time.
        kept = scope["path"].startswith("/files/")
        headers.append((b"cache-control", b"public, max-age=31536000, immutable" if kept else b"no-store"))
    return headers
