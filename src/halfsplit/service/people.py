"""People who may sign in: added, listed, given a role or a password, removed; signing in and out."""

from __future__ import annotations

import hashlib
import secrets
import threading
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache

from halfsplit.errors import UserError
from halfsplit.jobs import people as kept
from halfsplit.jobs.events import Event, utc_text
from halfsplit.jobs.people import People, Person, Role, clean_name, folded
from halfsplit.jobs.store import JobStore
from halfsplit.service.desk import Desk

CODES: dict[str, str] = {
    "password-weak": "A password is too short, too long, or too easily guessed.",
    "sign-in-refused": "Name and password do not belong together.",
    "role-others": "Somebody wants to end or open again a job on which only others worked, and is no lead.",
}

#: Shortest and longest password in characters. NIST SP 800-63B (revision 3), 5.1.1.2 asks for at least 8 and wants at
#: least 64 to be taken; longer ones only cost time.
SHORTEST, LONGEST = 10, 200
#: Fewer different characters than this are easily guessed; ours.
DIFFERENT = 5
#: How long somebody stays signed in: at most 30 days, OWASP ASVS 4.0, 3.3.2, level 1 (from memory).
SIGNED_IN_FOR = timedelta(days=30)
#: Bytes of a session's token: 256 bits cannot be guessed, so a plain SHA-256 is enough to keep it by.
TOKEN_BYTES = 32


class Forbidden(UserError):
    """What was asked is fine, but not for this person."""


@dataclass(frozen=True, slots=True)
class PersonLine:
    """One person who may sign in; times are UTC, ``last_sign_in`` "" when it never happened."""

    name: str
    role: Role
    since: str
    last_sign_in: str


@dataclass(frozen=True, slots=True)
class PeopleList:
    """Everybody who may sign in, by name."""

    people: tuple[PersonLine, ...]


class Roster:
    """The people of a store, read again at each question, so that another process's changes count at once."""

    def __init__(self, store: JobStore) -> None:
        self._store = store
        self._known = People()
        self._guard = threading.Lock()
        self._begun = 0

    def people(self) -> People:
        """Everybody, now. Of many who ask at once one reads, and all that had asked before it began are answered."""
        asked = self._begun
        with self._guard:
            if self._begun <= asked:
                self._begun += 1
                try:
                    self._known = kept.read_people(self._store, self._known)
                except BaseException:
                    self._begun -= 1  # nobody was answered by it
                    raise
            return self._known

    def who(self, token: str, now: datetime) -> Person | None:
        """Whose session a token is; None when it is nobody's."""
        if not token:
            return None
        return self.people().signed_in(_digest(token), now)

    def known(self, token: str, now: datetime) -> Person | None:
        """The same by what was read last."""
        return self._known.signed_in(_digest(token), now) if token else None

    def sign_in(self, name: str, password: str, now: datetime) -> tuple[Person, str]:
        """Begins a session: the person and the session's token. Raises UserError("sign-in-refused").

        Takes as long for a name that is not there, so that names cannot be found out.
        """
        person = self.people().persons.get(folded(name))
        right = _checks(person.secret if person else _nobodys(), password)
        if person is None or not right:
            raise UserError("sign-in-refused", "Name and password do not belong together.", "Type both again.")
        token = secrets.token_urlsafe(TOKEN_BYTES)

        def begun(people: People) -> kept.Change:
            # The password may have been changed, or the person removed, since it was checked.
            if people.persons.get(folded(name)) is None or people.person(name).secret != person.secret:
                raise UserError("sign-in-refused", "Name and password do not belong together.", "Type both again.")
            return kept.signed_in(person, _digest(token), now + SIGNED_IN_FOR)

        with self._guard:
            self._known = kept.write_change(
                self._store, self._known, begun, when=utc_text(now), by=person.name
            )
        return person, token

    def sign_out(self, token: str, now: datetime) -> None:
        """Ends a session; one that is over already stays so."""
        person = self.who(token, now)
        if person is not None:
            with self._guard:
                self._known = kept.write_change(
                    self._store, self._known, lambda _: kept.signed_out(_digest(token)),
                    when=utc_text(now), by=person.name,
                )  # fmt: skip


def people_list(desk: Desk) -> PeopleList:
    """Everybody who may sign in."""
    people = kept.read_people(desk.store)
    return PeopleList(tuple(_line(one) for _, one in sorted(people.persons.items())))


def known_person(desk: Desk, name: str) -> PersonLine:
    """The person of that name. Raises NotFound."""
    return _line(kept.read_people(desk.store).person(name))


def add_person(desk: Desk, name: str, role: Role, password: str) -> PersonLine:
    """Adds a person. Raises UserError with person-name, person-there or password-weak."""
    kept.added(kept.read_people(desk.store), name, role, "")  # says what is wrong before any work is done
    secret = hashed(password, name)
    return _keep(desk, lambda people: kept.added(people, name, role, secret), name)


def give_role(desk: Desk, name: str, role: Role) -> PersonLine:
    """Gives a person another role, which counts at once. Raises NotFound."""
    return _keep(desk, lambda people: kept.given_role(people, name, role), name)


def give_password(desk: Desk, name: str, password: str) -> PersonLine:
    """Gives a person another password and signs that person out everywhere. Raises NotFound, UserError."""
    person = kept.read_people(desk.store).person(name)
    secret = hashed(password, person.name)
    return _keep(desk, lambda people: kept.given_password(people, name, secret), name)


def change_own_password(desk: Desk, name: str, old: str, new: str) -> PersonLine:
    """Changes a password that is known, and signs out everywhere. Raises NotFound, UserError."""
    person = kept.read_people(desk.store).person(name)
    if not _checks(person.secret, old):
        raise UserError("sign-in-refused", "The old password is not that.", "Type it again.")
    return give_password(desk, name, new)


def remove_person(desk: Desk, name: str) -> PersonLine:
    """Removes a person, who is signed out at once; what the person wrote down stays. Raises NotFound."""
    before = _line(kept.read_people(desk.store).person(name))
    kept.write_change(
        desk.store, People(), lambda people: kept.removed(people, name), when=desk.when(), by=desk.by
    )
    return before


def may_end(events: tuple[Event, ...], name: str, role: Role) -> None:
    """Whether a person may close a job or open it again: a lead any, others one they wrote something into.

    Raises Forbidden("role-others").
    """
    if role != "lead" and all(folded(one.by) != folded(name) for one in events):
        raise Forbidden(
            "role-others", "Only others worked on this job, so a lead closes it or opens it again.", "Ask a lead."
        )


def hashed(password: str, name: str) -> str:
    """The argon2 hash of a password (RFC 9106). Raises UserError("password-weak")."""
    clean = _normal(password)
    if not SHORTEST <= len(clean) <= LONGEST:
        said = f"A password has {SHORTEST} to {LONGEST} characters."
        raise UserError("password-weak", said, "Three or four words make a good one.")
    core = folded(clean).replace(" ", "").strip("0123456789!.")
    if len(set(core)) < DIFFERENT or core == folded(clean_name(name)).replace(" ", ""):
        said = "This password is easily guessed."
        raise UserError("password-weak", said, "Three or four words that do not belong together make a good one.")
    from argon2 import PasswordHasher

    return PasswordHasher().hash(clean)


def _checks(secret: str, password: str) -> bool:
    from argon2 import PasswordHasher
    from argon2.exceptions import VerificationError

    try:
        return PasswordHasher().verify(secret, _normal(password)[: LONGEST + 1])
    except VerificationError:
        return False


@cache
def _nobodys() -> str:
    """A hash that nothing fits, made as others are so that checking it takes as long."""
    from argon2 import PasswordHasher

    return PasswordHasher().hash(secrets.token_urlsafe(TOKEN_BYTES))


def _normal(password: str) -> str:
    """The same password from every keyboard: NFKC, as NIST SP 800-63B, 5.1.1.2 advises."""
    return unicodedata.normalize("NFKC", password)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def _keep(desk: Desk, make: Callable[[People], kept.Change], name: str) -> PersonLine:
    people = kept.write_change(desk.store, People(), make, when=desk.when(), by=desk.by)
    return _line(people.person(name))


def _line(person: Person) -> PersonLine:
    return PersonLine(person.name, person.role, person.since, person.last_sign_in)
