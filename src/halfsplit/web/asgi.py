"""What the plain ASGI layers in front of the application share: their types, and a refusal without it."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, MutableMapping, Sequence
from typing import Any

from halfsplit.service.results import to_data
from halfsplit.web.failures import Failure, Refused
from halfsplit.web.languages import told

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]


async def refuse(send: Send, status: int, failure: Failure, more: Sequence[tuple[bytes, bytes]] = ()) -> None:
    """Answers a request with a failure in the one shape, before the application saw it."""
    body = json.dumps(to_data(told(Refused(failure)))).encode("utf-8")
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode("ascii")), *more]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
