"""The ASGI application: the interface under /api, and the app's built files beside it."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI
from fastapi.responses import FileResponse
from fastapi.staticfiles import StaticFiles
from starlette.middleware.gzip import GZipMiddleware

from halfsplit import __version__
from halfsplit.errors import InternalError, UserError
from halfsplit.service.paperwork import largest_attachment
from halfsplit.web import failures, news, papers, signing, units
from halfsplit.web.addresses import router
from halfsplit.web.gate import Gate
from halfsplit.web.hunts import Hunts
from halfsplit.web.languages import Speaking
from halfsplit.web.protection import LOOPBACK, Protection
from halfsplit.web.signing import Door
from halfsplit.web.turns import Turns

CODES: dict[str, str] = {
    "client-missing": "The web app's files were not built when halfsplit was installed.",
}

#: The app as it was built; scripts/client_build.py writes it.
BUILT = Path(__file__).resolve().parent / "built"


def create_app(
    hunts: Hunts, *, hosts: frozenset[str] = LOOPBACK, built: Path | None = BUILT, door: Door | None = None
) -> FastAPI:
    """The application over ``hunts``; ``built`` None serves the interface alone.

    With a ``door`` only people who signed in there are answered; for other ``hosts`` than the loopback there must be
    one. Raises UserError: "client-missing", or "setting-size" for the largest attachment.
    """
    if built is not None and not (built / "index.html").is_file():
        raise UserError(
            "client-missing", "The web app's files are not there.", "Install halfsplit again with Node or a network."
        )
    if door is None and not hosts <= LOOPBACK:
        raise InternalError("The app was to be served to the network without anybody signing in.")
    app = FastAPI(
        title="halfsplit",
        version=__version__,
        description="Working a job from complaint to cause. Everything that writes carries a `sending`, an id made by "
        "the client, and is written down once however often it is sent. Every failure has one shape.",
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        separate_input_output_schemas=False,
    )
    app.state.hunts = hunts
    app.state.door = door
    failures.install(app)
    app.include_router(router)
    app.include_router(papers.router)
    app.include_router(news.router)
    app.include_router(units.router)
    app.include_router(signing.router)
    if built is not None:
        page = built / "index.html"

        def index() -> FileResponse:
            return FileResponse(page, media_type="text/html")

        def worker() -> FileResponse:
            # Not under /files: a service worker looks after the addresses below its own.
            return FileResponse(built / "worker.js", media_type="text/javascript")

        app.add_api_route("/", index, include_in_schema=False, methods=["GET", "HEAD"])
        app.add_api_route("/worker.js", worker, include_in_schema=False, methods=["GET", "HEAD"])
        app.mount("/files", StaticFiles(directory=built / "files"))
    app.add_middleware(GZipMiddleware, minimum_size=1000)
    if door is not None:
        app.add_middleware(Gate, roster=door.roster, now=lambda: hunts.desk().now(), clock=door.clock)
    app.add_middleware(Turns)
    app.add_middleware(Protection, hosts=hosts, largest_file=largest_attachment())
    app.add_middleware(Speaking)
    return app
