"""Running the application: on this computer's loopback, or for phones in the same network."""

from __future__ import annotations

import contextlib
import logging
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import uvicorn
from fastapi import FastAPI

from halfsplit.errors import InternalError, UserError
from halfsplit.web.asgi import App
from halfsplit.web.listeners import Listeners

CODES: dict[str, str] = {
    "port-taken": "The server cannot listen on the port it was given.",
}

LOOPBACK_ADDRESS = "127.0.0.1"
#: How long a connection on which nothing is asked stays open, s: a technician may read that long before the answer is
#: tapped, and opening one anew with TLS costs some round trips. Common practice of web servers, no source.
KEPT_OPEN_S = 75
#: How long the thread of the page to join may take to end, s.
PATIENCE_S = 5.0


def listen(port: int, address: str = LOOPBACK_ADDRESS) -> socket.socket:
    """A socket on the loopback or another address of this computer; port 0 takes a free one.

    Raises UserError("port-taken").
    """
    # Named as TCP, or the event loop would not switch off its gathering of small packets: 40 ms on each answer, seen.
    kind = socket.AF_INET6 if ":" in address else socket.AF_INET
    found = socket.socket(kind, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((address, port))
    except (OSError, OverflowError) as error:
        found.close()
        said = (getattr(error, "strerror", None) or str(error)).rstrip(".")
        where = "" if address == LOOPBACK_ADDRESS else f" of {address}"
        raise UserError(
            "port-taken", f"Port {port}{where} cannot be used: {said}.", "Give another one, or 0 for any that is free."
        ) from None
    return found


class Server(uvicorn.Server):
    """A server that says when it is ready, and ends the streams of news before it waits for its last answers.

    With a ``certificate``, a file with key and certificate, it speaks TLS.
    """

    def __init__(
        self, app: FastAPI, ready: Callable[[], None] = lambda: None, certificate: Path | None = None
    ) -> None:
        config = uvicorn.Config(
            app, log_level="warning", log_config=None, server_header=False, lifespan="off", proxy_headers=False,
            ssl_certfile=certificate, timeout_keep_alive=KEPT_OPEN_S,
        )  # fmt: skip
        config.load()
        if config.ssl is not None:
            config.ssl.minimum_version = ssl.TLSVersion.TLSv1_2  # RFC 9325, 3.1.1
        super().__init__(config)
        self._listeners: Listeners = app.state.hunts.listeners
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begins to take requests."""
        await super().startup(sockets)
        if self.started:
            self._ready()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Ends what would never end by itself, then everything."""
        self._listeners.end()
        await super().shutdown(sockets)


def address_of(where: socket.socket, scheme: str) -> str:
    """The address of what listens there."""
    host, port = where.getsockname()[:2]
    return f"{scheme}://[{host}]:{port}/" if ":" in host else f"{scheme}://{host}:{port}/"


def run(
    app: FastAPI, where: socket.socket, ready: Callable[[str], None], certificate: Path | None = None
) -> None:
    """Serves until interrupted; ``ready`` hears the app's address once requests are taken.

    What others can reach is served with TLS and to people who signed in, or not at all.
    """
    if where.getsockname()[0] != LOOPBACK_ADDRESS and (certificate is None or app.state.door is None):
        raise InternalError("The app was to be served to the network without a certificate or without signing in.")
    logging.basicConfig(format="%(asctime)s %(name)s %(levelname)s %(message)s")
    address = address_of(where, "http" if certificate is None else "https")
    # The server ends its work on an interrupt and then raises it again; for whoever pressed Ctrl-C that is the end.
    with contextlib.suppress(KeyboardInterrupt):
        Server(app, lambda: ready(address), certificate).run(sockets=[where])


@contextmanager
def beside(app: App, where: socket.socket) -> Iterator[None]:
    """Serves a small application of its own from a thread while the block runs."""
    config = uvicorn.Config(app, log_level="warning", log_config=None, server_header=False, lifespan="off")
    where.listen()  # who comes before the thread has begun waits here
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [where]}, daemon=True)
    thread.start()
    try:
        yield
    finally:
        server.should_exit = True
        thread.join(PATIENCE_S)
