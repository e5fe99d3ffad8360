"""How a phone finds its way in: the address in the network, the code to scan, and the page it leads to.

That page is plain HTTP, because a phone that does not know our authority yet can be shown nothing else without a
warning. It gives the authority's certificate and nothing of any job, and says to compare the fingerprint.
"""

from __future__ import annotations

import io
import socket
from functools import cache
from pathlib import Path

from starlette.datastructures import Headers

from halfsplit.errors import UserError
from halfsplit.web.asgi import App, Receive, Scope, Send
from halfsplit.web.languages import ENGLISH, wanted

CODES: dict[str, str] = {
    "no-network": "The app was to be served to the network, and this computer is in none.",
}

PAGES = Path(__file__).resolve().parent / "pages"
#: An address that nobody has (RFC 5737): the system is asked how it would get there, and nothing is sent.
ELSEWHERE = ("203.0.113.1", 9)
PLAIN = b"text/plain; charset=utf-8"
HEADERS = (
    (b"content-security-policy", b"default-src 'none'; style-src 'self'; base-uri 'none'; frame-ancestors 'none'"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cache-control", b"no-store"),
    (b"vary", b"Accept-Language, Cookie"),
)


def network_address() -> str:
    """The address by which others in the network reach this computer. Raises UserError("no-network")."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(ELSEWHERE)
            found = str(asked.getsockname()[0])
        except OSError:
            found = "0.0.0.0"  # noqa: S104 - it means none here
    if found in ("0.0.0.0", "127.0.0.1"):  # noqa: S104 - the same
        hint = "Join one, or name an address of it: --address 192.168.1.20."
        raise UserError("no-network", "This computer is in no network.", hint)
    return found


def code(address: str) -> str:
    """The address as a QR code (ISO/IEC 18004) of block characters, for a terminal."""
    import segno

    out = io.StringIO()
    segno.make(address, error="m", micro=False).terminal(out, compact=True, border=2)
    return out.getvalue()


def join_app(address: str, fingerprint: str, authority: bytes) -> App:
    """The page to join: how to trust ``authority`` (DER), and the way to the app at ``address``."""
    found = {
        "/": (b"text/html; charset=utf-8", b""),
        "/join.css": (b"text/css; charset=utf-8", (PAGES / "join.css").read_bytes()),
        "/halfsplit.crt": (b"application/x-x509-ca-cert", authority),
    }

    async def app(scope: Scope, _receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        kind, content = found.get(scope["path"], (PLAIN, b"There is nothing under this address.\n"))
        if scope["path"] == "/":
            content = _page(address, fingerprint, wanted(Headers(scope=scope)))
        status = 200 if scope["path"] in found else 404
        if scope["method"] not in ("GET", "HEAD"):
            status, kind, content = 405, PLAIN, b"This page takes nothing.\n"
        headers = [(b"content-type", kind), (b"content-length", str(len(content)).encode("ascii")), *HEADERS]
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else content})

    return app


@cache
def _page(address: str, fingerprint: str, language: str) -> bytes:
    import jinja2

    file = PAGES / ("join.html" if language == ENGLISH else f"join.{language}.html")
    template = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined).from_string(
        file.read_text("utf-8")
    )
    return template.render(address=address, fingerprint=fingerprint).encode("utf-8")
