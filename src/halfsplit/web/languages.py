"""The language of an answer: what the app asks for in its cookie, or the browser in its Accept-Language header.

Everything below the interface makes English sentences. Those that a person reads are put into the other language
where answers leave the program (:func:`told`), by the catalogue of that language; ids, and texts that come back as an
answer, stay as they are.
"""

from __future__ import annotations

from contextvars import ContextVar
from dataclasses import fields, is_dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from halfsplit.web.catalogue import Catalogue, rows_in
from halfsplit.web.wording import WORDS

#: The cookie in which the app keeps what was chosen on the phone.
COOKIE = "halfsplit-language"
#: Besides English; each has its catalogue in the folder texts.
LANGUAGES = ("es",)
ENGLISH = "en"

_spoken: ContextVar[str] = ContextVar("language", default=ENGLISH)


@cache
def catalogue(language: str) -> Catalogue:
    """The catalogue of a language, read once."""
    return Catalogue(rows_in(files("halfsplit.web").joinpath("texts", f"{language}.csv").read_text("utf-8")))


def spoken() -> str:
    """The language of the request at hand."""
    return _spoken.get()


def told(value: Any) -> Any:
    """A result, or a sentence, in the language of the request at hand; what has no words in it stays as it is."""
    language = spoken()
    return value if language == ENGLISH else _told(value, catalogue(language))


def _told(value: Any, words: Catalogue) -> Any:
    if isinstance(value, str):
        return words.of(value)
    if isinstance(value, tuple | list):
        return tuple(_inside(one, words) for one in value)
    return _inside(value, words)


def _inside(value: Any, words: Catalogue) -> Any:
    """The same for what stands in a result, where a text is words only if its field says so."""
    if isinstance(value, tuple | list):
        return tuple(_inside(one, words) for one in value)
    if not is_dataclass(value) or isinstance(value, type):
        return value
    spelled = {name for kind in type(value).__mro__ for name in WORDS.get(kind.__name__, ())}
    changed = {}
    for item in fields(value):
        before = getattr(value, item.name)
        if item.name not in spelled:
            after = _inside(before, words)
        elif isinstance(before, str):
            after = words.of(before)
        else:
            after = tuple(words.of(one) for one in before)
        if after is not before and after != before:
            changed[item.name] = after
    return replace(value, **changed) if changed else value


def wanted(headers: Headers) -> str:
    """The language that a request asks for: the cookie's, else the best known one of Accept-Language (RFC 9110)."""
    chosen = cookie_parser(headers.get("cookie", "")).get(COOKIE, "")
    if chosen in (ENGLISH, *LANGUAGES):
        return chosen
    weighed = []
    for at, piece in enumerate(headers.get("accept-language", "").split(",")[:20]):
        name, _, weight = piece.partition(";")
        try:
            share = float(weight.strip().removeprefix("q=")) if weight else 1.0
        except ValueError:
            continue
        weighed.append((-share, at, name.strip().lower()[:2]))
    known = (name for share, _, name in sorted(weighed) if share < 0 and name in (ENGLISH, *LANGUAGES))
    return next(known, ENGLISH)


class Speaking:
    """Sets the language for everything that answers a request, and says it in Content-Language."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answers one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        language = wanted(Headers(scope=scope))
        before = _spoken.set(language)

        async def spoken_send(message: Message) -> None:
            if message["type"] == "http.response.start" and scope["path"].startswith("/api/"):
                headers = MutableHeaders(scope=message)
                headers["content-language"] = language
                headers.add_vary_header("Accept-Language, Cookie")
            await send(message)

        try:
            await self._app(scope, receive, spoken_send)
        finally:
            _spoken.reset(before)
