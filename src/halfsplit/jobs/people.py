"""Who may sign in: people with a role and what their password is checked against, and who is signed in where.

Kept as documents of the store, one for each change, in one transaction each; the present state is folded from them.
Passwords and session tokens are never kept, only what they are checked against: an argon2 hash, and a SHA-256 of a
token that is random and long enough not to be guessed.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal, get_args

from halfsplit.errors import NotFound, UserError
from halfsplit.jobs.events import utc_text, utc_time
from halfsplit.jobs.store import Document, DocumentOvertaken, JobStore

CODES: dict[str, str] = {
    "people-kept": "What the store keeps of people is not what this version can read.",
    "person-name": "A person's name is empty, too long, or has a character that cannot be printed.",
    "person-there": "A person of that name is there already; letter case and blanks do not count.",
}

#: The kind of document that a change of people is.
KIND = "people"
FORM = 1
Role = Literal["technician", "lead", "read-only"]
ROLES: tuple[Role, ...] = get_args(Role)
#: Longest name in characters; ours.
LONGEST_NAME = 60

Change = dict[str, str]


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may sign in; ``secret`` is the argon2 hash of the password, ``since`` when the name was added."""

    name: str
    role: Role
    secret: str = field(repr=False)
    since: str
    last_sign_in: str = ""


@dataclass(frozen=True, slots=True)
class Session:
    """One sign-in that was not signed out of: whose (the name folded), and until when (UTC)."""

    person: str
    until: str


@dataclass(frozen=True, slots=True)
class People:
    """Everybody, by folded name, and every session, by the digest of its token, after ``number`` changes."""

    number: int = 0
    persons: Mapping[str, Person] = field(default_factory=dict)
    sessions: Mapping[str, Session] = field(default_factory=dict)

    def person(self, name: str) -> Person:
        """The person of that name. Raises NotFound."""
        found = self.persons.get(folded(name))
        if found is None:
            raise NotFound("person", name, [one.name for one in self.persons.values()])
        return found

    def signed_in(self, digest: str, now: datetime) -> Person | None:
        """Whose session has this digest; None when there is none, or it is over."""
        session = self.sessions.get(digest)
        if session is None or utc_time(session.until) <= now:
            return None
        return self.persons.get(session.person)


def folded(name: str) -> str:
    """A name as two names are compared: blanks, letter case and ways of writing a letter (NFKC) do not count."""
    return " ".join(unicodedata.normalize("NFKC", name).split()).casefold()


def clean_name(name: str) -> str:
    """The name as it is kept and shown. Raises UserError("person-name")."""
    clean = " ".join(unicodedata.normalize("NFKC", name).split())
    if not clean or len(clean) > LONGEST_NAME or not clean.isprintable():
        raise UserError("person-name", f"A name has 1 to {LONGEST_NAME} characters that can be printed.")
    return clean


def added(people: People, name: str, role: Role, secret: str) -> Change:
    """The change that adds a person. Raises UserError."""
    clean = clean_name(name)
    if folded(clean) in people.persons:
        raise UserError("person-there", f'There is "{people.persons[folded(clean)].name}" already.')
    return {"did": "add", "name": clean, "role": role, "secret": secret}


def given_role(people: People, name: str, role: Role) -> Change:
    """The change that gives a person another role. Raises NotFound."""
    return {"did": "role", "name": people.person(name).name, "role": role}


def given_password(people: People, name: str, secret: str) -> Change:
    """The change of a person's password, which ends all of that person's sessions. Raises NotFound."""
    return {"did": "password", "name": people.person(name).name, "secret": secret}


def removed(people: People, name: str) -> Change:
    """The change by which a person can no longer sign in, and is signed out everywhere. Raises NotFound."""
    return {"did": "remove", "name": people.person(name).name}


def signed_in(person: Person, digest: str, until: datetime) -> Change:
    """The change that begins a session."""
    return {"did": "sign-in", "name": person.name, "session": digest, "until": utc_text(until)}


def signed_out(digest: str) -> Change:
    """The change that ends a session."""
    return {"did": "sign-out", "session": digest}


def read_people(store: JobStore, known: People | None = None) -> People:
    """Everybody as the store has it, going on from what is known. Raises UserError("people-kept")."""
    people = known or People()
    for document in store.documents(KIND, people.number):
        people = _after(people, document)
    return people


def write_change(
    store: JobStore, known: People, make: Callable[[People], Change], *, when: str, by: str
) -> People:
    """Keeps one change, made from the newest state, and gives the state after it.

    ``make`` is asked again when another process changed something meanwhile. Raises what ``make`` raises.
    """
    while True:
        people = read_people(store, known)
        body = json.dumps({"v": FORM, **make(people)}, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        document = Document(KIND, people.number + 1, when, by, body)
        try:
            store.put_document(document)
        except DocumentOvertaken:
            known = people
            continue
        return _after(people, document)


def _after(people: People, document: Document) -> People:
    """The state after one more change."""
    try:
        data: Any = json.loads(document.body)
        if data["v"] != FORM:
            raise ValueError(f"it has form {data['v']}")
        persons, sessions = _changed(dict(people.persons), dict(people.sessions), data, document.when)
    except (ValueError, TypeError, KeyError) as error:
        raise UserError(
            "people-kept",
            f"Change {document.number} of people cannot be read: {error!r}.",
            "It was written by another version of halfsplit.",
        ) from None
    return People(document.number, persons, sessions)


def _changed(
    persons: dict[str, Person], sessions: dict[str, Session], data: Mapping[str, str], when: str
) -> tuple[dict[str, Person], dict[str, Session]]:
    did, key = data["did"], folded(data.get("name", ""))
    if did == "add":
        persons[key] = Person(data["name"], _role(data["role"]), data["secret"], when)
    elif did == "role":
        persons[key] = replace(persons[key], role=_role(data["role"]))
    elif did == "password":
        persons[key] = replace(persons[key], secret=data["secret"])
    elif did == "remove":
        del persons[key]
    elif did == "sign-in":
        persons[key] = replace(persons[key], last_sign_in=when)
        sessions[data["session"]] = Session(key, data["until"])
    elif did == "sign-out":
        sessions.pop(data["session"], None)
    else:
        raise ValueError(f"nothing is known of {did!r}")
    gone = key if did in ("password", "remove") else None
    now = utc_time(when)
    return persons, {
        digest: one for digest, one in sessions.items() if one.person != gone and utc_time(one.until) > now
    }


def _role(word: str) -> Role:
    for role in ROLES:
        if role == word:
            return role
    raise ValueError(f"{word!r} is no role")
