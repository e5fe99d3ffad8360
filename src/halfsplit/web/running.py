"""Running the application on this computer's loopback."""

from __future__ import annotations

import contextlib
import logging
import socket
from collections.abc import Callable

import uvicorn
from fastapi import FastAPI

from halfsplit.errors import UserError

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


def run(app: FastAPI, where: socket.socket, ready: Callable[[str], None]) -> None:
    """Serves until interrupted; ``ready`` hears the app's address once requests are taken."""
    logging.basicConfig(format="%(asctime)s %(name)s %(levelname)s %(message)s")
    address = f"http://{LOOPBACK_ADDRESS}:{where.getsockname()[1]}/"

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            if self.started:
                ready(address)

    config = uvicorn.Config(app, log_level="warning", log_config=None, server_header=False, lifespan="off")
    # The server ends its work on an interrupt and then raises it again; for whoever pressed Ctrl-C that is the end.
    with contextlib.suppress(KeyboardInterrupt):
        Server(config).run(sockets=[where])
