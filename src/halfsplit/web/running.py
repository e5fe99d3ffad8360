"""Running the application on this computer's loopback."""

from __future__ import annotations

import contextlib
import logging
import socket
from collections.abc import Callable

import uvicorn
from fastapi import FastAPI

from halfsplit.errors import UserError
from halfsplit.web.listeners import Listeners

CODES: dict[str, str] = {
    "port-taken": "The server cannot listen on the port it was given.",
}

LOOPBACK_ADDRESS = "127.0.0.1"


def listen(port: int) -> socket.socket:
    """A socket on the loopback; port 0 takes a free one. Raises UserError("port-taken")."""
    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((LOOPBACK_ADDRESS, port))
    except (OSError, OverflowError) as error:
        found.close()
        said = (getattr(error, "strerror", None) or str(error)).rstrip(".")
        raise UserError(
            "port-taken", f"Port {port} cannot be used: {said}.", "Give another one, or 0 for any that is free."
        ) from None
    return found


class Server(uvicorn.Server):
    """A server that says when it is ready, and ends the streams of news before it waits for its last answers."""

    def __init__(self, app: FastAPI, ready: Callable[[], None] = lambda: None) -> None:
        config = uvicorn.Config(app, log_level="warning", log_config=None, server_header=False, lifespan="off")
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


def run(app: FastAPI, where: socket.socket, ready: Callable[[str], None]) -> None:
    """Serves until interrupted; ``ready`` hears the app's address once requests are taken."""
    logging.basicConfig(format="%(asctime)s %(name)s %(levelname)s %(message)s")
    address = f"http://{LOOPBACK_ADDRESS}:{where.getsockname()[1]}/"
    # The server ends its work on an interrupt and then raises it again; for whoever pressed Ctrl-C that is the end.
    with contextlib.suppress(KeyboardInterrupt):
        Server(app, lambda: ready(address)).run(sockets=[where])
