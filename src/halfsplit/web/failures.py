"""The one shape in which every refused request is answered, and the status that goes with it.

A person's mistake carries the code and the words it has on the command line. A mistake of ours is answered with a
fixed sentence; what happened goes to the server's log and never to the client.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from halfsplit.errors import Conflict, NotFound, ProblemsError, UserError
from halfsplit.service.people import Forbidden
from halfsplit.service.results import to_data
from halfsplit.web.languages import told
from halfsplit.web.patience import NobodyWaitsError
from halfsplit.web.rates import whole_seconds

CODES: dict[str, str] = {
    "address-unknown": "Nothing stands under the address that was asked for.",
    "method-refused": "The address is there and does not take this kind of request.",
    "nobody-waits": "Whoever asked stopped waiting, so the work was left.",
    "request-shape": "A request lacks a field, has one too many, or one of the wrong type.",
}

#: What a client is told of a mistake of ours.
OURS = "Something is wrong in halfsplit itself; what you did was right. The server's log says more."

#: The status of a person's mistake by its kind; 422 for all others.
STATUSES: dict[type[UserError], int] = {NotFound: 404, Conflict: 409, Forbidden: 403}

log = logging.getLogger("halfsplit.web")


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with what was sent: its code, the field it is in, what is wrong, what would be near."""

    code: str
    field: str
    what: str
    nearest: str


@dataclass(frozen=True, slots=True)
class Failure:
    """Why a request was refused.

    ``what`` says it in one sentence, ``hint`` what to do about it, ``nearest`` is the nearest good spelling; both may
    be "". ``faults`` lists every single thing wrong where there are several.
    """

    code: str
    what: str
    hint: str
    nearest: str
    faults: tuple[Fault, ...]


@dataclass(frozen=True, slots=True)
class Refused:
    """The body of every answer with a status of 400 or more."""

    error: Failure


#: What to do on the screen, where the hint names a command.
ON_THE_SCREEN = {
    "proof-no-repair": "Write the repair down first, on the correction sheet of what was mended.",
    "unit-machine": "Choose that machine, or write another unit.",
    "job-none-open": "Open one.",
}

#: For the description: what every address may answer besides what it is for.
RESPONSES: dict[int | str, dict[str, Any]] = {
    401: {"model": Refused, "description": "Nobody is signed in where somebody must be."},
    403: {"model": Refused, "description": "It came from another site, or is not for whoever is signed in."},
    404: {"model": Refused, "description": "There is no such thing."},
    409: {"model": Refused, "description": "The job has gone on meanwhile."},
    413: {"model": Refused, "description": "It is too large."},
    415: {"model": Refused, "description": "It is no JSON."},
    422: {"model": Refused, "description": "What was sent does not fit; the code says why."},
    429: {"model": Refused, "description": "It came too often."},
    500: {"model": Refused, "description": "A mistake in halfsplit itself."},
}


def answer(status: int, failure: Failure, headers: Mapping[str, str] | None = None) -> JSONResponse:
    """The answer to a refused request."""
    return JSONResponse(to_data(told(Refused(failure))), status, headers)


def plain(code: str, what: str, hint: str = "") -> Failure:
    """A failure that is one thing."""
    return Failure(code, what, hint, "", ())


def too_often(wait_s: float, what: str, hint: str) -> JSONResponse:
    """The answer to what was done too often; it may be done again in ``wait_s`` seconds."""
    return answer(429, plain("too-often", what, hint), {"retry-after": whole_seconds(wait_s)})


def of_user_error(error: UserError) -> tuple[int, Failure]:
    """Status and failure of a person's mistake."""
    if isinstance(error, ProblemsError):
        faults = tuple(
            Fault(one.code, one.field or "", one.what, one.suggestion or "") for one in error.problems
        )
        what = faults[0].what if len(faults) == 1 else f"{len(faults)} things do not fit."
        nearest = faults[0].nearest if len(faults) == 1 else ""
        return 422, Failure(error.code, what, f"Did you mean {nearest}?" if nearest else "", nearest, faults)
    nearest = (error.suggestion or "") if isinstance(error, NotFound) else _meant(error.hint)
    status = next((found for kind, found in STATUSES.items() if isinstance(error, kind)), 422)
    return status, Failure(error.code, error.message, without_commands(error.code, error.hint), nearest, ())


def without_commands(code: str, hint: str) -> str:
    """A hint as somebody with a screen can follow it: no sentence in it names a command."""
    if code in ON_THE_SCREEN:
        return ON_THE_SCREEN[code]
    sentences = re.split(r"(?<=[.?!]) (?=[A-Z])", hint)
    return " ".join(one for one in sentences if not re.search(r"\bhalfsplit [a-z]+ [a-z]+", one))


def _meant(hint: str) -> str:
    said = re.match(r'Did you mean "?(.+?)"?\?', hint)
    return said.group(1) if said else ""


def of_validation(errors: Sequence[Mapping[str, Any]]) -> Failure:
    """The failure for a request that is not of the described shape, with every field that is wrong."""
    faults = []
    for one in errors:
        place = ".".join(str(part) for part in one.get("loc", ())[1:])
        faults.append(Fault("request-shape", place, str(one.get("msg", "")), ""))
    named = ", ".join(dict.fromkeys(one.field for one in faults if one.field))
    what = f"The request does not fit: {named}." if named else "The request does not fit its description."
    return Failure("request-shape", what, "See /api/openapi.json for what is taken.", "", tuple(faults))


def install(app: FastAPI) -> None:
    """Makes the application answer every failure in the one shape."""

    async def user(_request: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, UserError)  # registered for this kind alone
        status, failure = of_user_error(error)
        return answer(status, failure)

    async def shape(_request: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, RequestValidationError)  # registered for this kind alone
        return answer(422, of_validation(error.errors()))

    async def status(_request: Request, error: Exception) -> JSONResponse:
        assert isinstance(error, HTTPException)  # registered for this kind alone
        if error.status_code == 405:
            return answer(405, plain("method-refused", "This address takes no such request."), error.headers)
        if error.status_code == 404:
            return answer(404, plain("address-unknown", "There is nothing under this address."))
        # The framework says 400 of a body that is no JSON in UTF-8; here it is one more thing that does not fit.
        found = 422 if error.status_code == 400 else error.status_code
        return answer(found, plain("request-shape", "The request cannot be read."), error.headers)

    async def nobody(_request: Request, _error: Exception) -> JSONResponse:
        return answer(408, plain("nobody-waits", "Nobody waited for this any more."))

    app.add_exception_handler(NobodyWaitsError, nobody)
    app.add_exception_handler(UserError, user)
    app.add_exception_handler(RequestValidationError, shape)
    app.add_exception_handler(HTTPException, status)
