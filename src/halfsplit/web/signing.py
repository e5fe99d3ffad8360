"""The addresses for signing in and out, and for the people who may."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Literal

import anyio
from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field, SecretStr

from halfsplit.errors import UserError
from halfsplit.jobs.people import Role, folded
from halfsplit.service import people as persons
from halfsplit.service.people import PeopleList, PersonLine, Roster
from halfsplit.web.addresses import At
from halfsplit.web.bodies import Name, body
from halfsplit.web.failures import RESPONSES, too_often
from halfsplit.web.gate import COOKIE, Signed
from halfsplit.web.rates import SIGN_IN_FROM_AN_ADDRESS, SIGN_IN_OF_A_NAME, Meter

CODES: dict[str, str] = {
    "sign-in-not-here": "Signing in was tried where the server serves this computer alone and nobody signs in.",
}

router = APIRouter(prefix="/api", responses=RESPONSES)

#: What somebody hears who tried too many passwords, and what to do.
TRIED_TOO_OFTEN = ("This was tried too often.", "Wait a few minutes.")
#: Passwords checked side by side; each takes 64 MB and a processor for a good tenth of a second (RFC 9106, 4).
CHECKED_SIDE_BY_SIDE = 2

Typed = Annotated[SecretStr, Field(max_length=1000)]


class SignIn(BaseModel):
    """Who wants to sign in."""

    model_config = ConfigDict(extra="forbid")

    name: Name
    password: Typed


class OwnPassword(BaseModel):
    """Somebody's own password, to be changed."""

    model_config = ConfigDict(extra="forbid")

    old: Typed
    new: Typed


class Newcomer(BaseModel):
    """Somebody who may sign in from now on."""

    model_config = ConfigDict(extra="forbid")

    name: Name
    role: Role = "technician"
    password: Typed


class RoleGiven(BaseModel):
    """Another role."""

    model_config = ConfigDict(extra="forbid")

    role: Role


class PasswordGiven(BaseModel):
    """Another password."""

    model_config = ConfigDict(extra="forbid")

    password: Typed


class Nothing(BaseModel):
    """Nothing needs to be said."""

    model_config = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True)
class Session:
    """Who is signed in: ``name`` is "" when nobody is, and then signing in is ``needed`` or not."""

    needed: bool
    name: str
    role: Role | Literal[""]


class Door:
    """Where people sign in: the roster, and how often it may be tried. ``clock`` gives seconds that only go forward."""

    def __init__(self, roster: Roster, clock: Callable[[], float] = time.monotonic) -> None:
        self.roster = roster
        self.clock = clock
        self.of_name = Meter(SIGN_IN_OF_A_NAME, clock)
        self.of_address = Meter(SIGN_IN_FROM_AN_ADDRESS, clock)
        self._checking: anyio.CapacityLimiter | None = None

    @property
    def checking(self) -> anyio.CapacityLimiter:
        """Room for checking passwords; made where a loop runs."""
        self._checking = self._checking or anyio.CapacityLimiter(CHECKED_SIDE_BY_SIDE)
        return self._checking


def _door(request: Request) -> Door:
    door = request.app.state.door
    if not isinstance(door, Door):
        raise UserError("sign-in-not-here", "Nobody signs in here: only this computer can reach the server.")
    return door


@router.get("/session", operation_id="session", response_model=Session)
async def session(request: Request, hunts: At) -> JSONResponse:
    """Who is signed in, and whether anybody needs to be."""
    if request.app.state.door is None:
        return body(Session(needed=False, name="", role=""))
    token = request.cookies.get(COOKIE, "")
    person = await anyio.to_thread.run_sync(_door(request).roster.who, token, hunts.desk().now())
    return body(Session(True, person.name, person.role) if person else Session(needed=True, name="", role=""))


@router.post("/session", operation_id="signIn", response_model=Session)
async def sign_in(request: Request, hunts: At, sent: SignIn) -> JSONResponse:
    """Signs in: the answer sets the cookie of the session."""
    door = _door(request)
    address = request.client.host if request.client else ""
    wait = max(door.of_address.wait_s(address), door.of_name.wait_s(folded(sent.name)))
    if wait:
        return too_often(wait, *TRIED_TOO_OFTEN)
    person, token = await anyio.to_thread.run_sync(
        door.roster.sign_in, sent.name, sent.password.get_secret_value(), hunts.desk().now(), limiter=door.checking
    )
    door.of_name.forget(folded(sent.name))
    found = body(Session(needed=True, name=person.name, role=person.role))
    lasting = int(persons.SIGNED_IN_FOR.total_seconds())
    found.set_cookie(COOKIE, token, max_age=lasting, path="/", secure=True, httponly=True, samesite="strict")
    return found


@router.post("/session/end", operation_id="signOut", response_model=Session)
async def sign_out(request: Request, hunts: At, _sent: Nothing) -> JSONResponse:
    """Signs out."""
    door = _door(request)
    await anyio.to_thread.run_sync(door.roster.sign_out, request.cookies.get(COOKIE, ""), hunts.desk().now())
    found = body(Session(needed=True, name="", role=""))
    found.delete_cookie(COOKIE, path="/", secure=True, httponly=True, samesite="strict")
    return found


@router.post("/session/password", operation_id="changePassword", response_model=PersonLine)
async def change_password(request: Request, hunts: At, sent: OwnPassword) -> JSONResponse:
    """Changes one's own password, and signs out everywhere."""
    door, signed = _door(request), request.state.signed
    assert isinstance(signed, Signed)  # the gate lets nobody else through to here
    wait = door.of_name.wait_s(folded(signed.name))
    if wait:
        return too_often(wait, *TRIED_TOO_OFTEN)
    old, new = sent.old.get_secret_value(), sent.new.get_secret_value()
    return body(
        await anyio.to_thread.run_sync(
            persons.change_own_password, hunts.desk(), signed.name, old, new, limiter=door.checking
        )
    )


@router.get("/people", operation_id="people", response_model=PeopleList)
def people(hunts: At) -> JSONResponse:
    """Everybody who may sign in; for a lead."""
    return body(persons.people_list(hunts.desk()))


@router.post("/people", operation_id="addPerson", response_model=PersonLine, status_code=201)
def add_person(hunts: At, sent: Newcomer) -> JSONResponse:
    """Adds a person; for a lead."""
    return body(persons.add_person(hunts.desk(), sent.name, sent.role, sent.password.get_secret_value()), 201)


@router.post("/people/{name}/role", operation_id="giveRole", response_model=PersonLine)
def give_role(hunts: At, name: str, sent: RoleGiven) -> JSONResponse:
    """Gives a person another role; for a lead."""
    return body(persons.give_role(hunts.desk(), name, sent.role))


@router.post("/people/{name}/password", operation_id="givePassword", response_model=PersonLine)
def give_password(hunts: At, name: str, sent: PasswordGiven) -> JSONResponse:
    """Gives a person another password, and signs that person out everywhere; for a lead."""
    return body(persons.give_password(hunts.desk(), name, sent.password.get_secret_value()))


@router.post("/people/{name}/remove", operation_id="removePerson", response_model=PersonLine)
def remove_person(hunts: At, name: str, _sent: Nothing) -> JSONResponse:
    """Removes a person, who is signed out at once; for a lead."""
    return body(persons.remove_person(hunts.desk(), name))
