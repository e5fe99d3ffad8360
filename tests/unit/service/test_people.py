"""Passwords and signing in: what is taken, what is kept, and what does not tell one refusal from another."""

from __future__ import annotations

import itertools
import threading
from datetime import UTC, datetime, timedelta

import pytest

from halfsplit.errors import NotFound, UserError
from halfsplit.jobs import people as kept
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.people import People
from halfsplit.service.desk import Desk
from halfsplit.service.people import (
    Roster,
    add_person,
    change_own_password,
    give_password,
    give_role,
    people_list,
    remove_person,
)

NOW = datetime(2031, 4, 2, 7, tzinfo=UTC)
GOOD = "four brown boots"


@pytest.fixture
def desk() -> Desk:
    return Desk(MemoryStore(), lambda: NOW, "Ola")


@pytest.mark.parametrize(
    "password",
    ["", "short", "a" * 201, "aaaaaaaaaaaa", "1234567890", "Ana Bergstroem", "anabergstroem2031!", "abababababab"],
)
def test_a_password_that_is_easily_guessed_is_refused(desk: Desk, password: str) -> None:
    with pytest.raises(UserError) as caught:
        add_person(desk, "Ana Bergstroem", "lead", password)
    assert caught.value.code == "password-weak"
    if password:
        assert password not in str(caught.value)
    assert people_list(desk).people == ()


def test_who_types_name_and_password_is_signed_in_until_the_session_is_over(desk: Desk) -> None:
    add_person(desk, "Ana", "technician", GOOD)
    roster = Roster(desk.store)
    person, token = roster.sign_in("  ANA ", "four brown boots", NOW)
    assert person.name == "Ana"
    for later, in_ in ((0, True), (29, True), (30, False)):
        found = roster.who(token, NOW + timedelta(days=later))
        assert (found is not None) == in_
    assert roster.who("", NOW) is None
    assert roster.who(token[:-1], NOW) is None
    roster.sign_out(token, NOW)
    assert roster.who(token, NOW) is None


def test_a_wrong_name_and_a_wrong_password_are_refused_with_the_same_words(desk: Desk) -> None:
    add_person(desk, "Ana", "technician", GOOD)
    said = set()
    for name, password in (("Ana", "four brown boot"), ("Bo", GOOD), ("", ""), ("Ana", ""), ("Ana", "x" * 1000)):
        with pytest.raises(UserError) as caught:
            Roster(desk.store).sign_in(name, password, NOW)
        said.add((caught.value.code, str(caught.value)))
    assert len(said) == 1


def test_a_password_typed_on_another_keyboard_is_the_same(desk: Desk) -> None:
    add_person(desk, "Ana", "technician", "Fünf braune Stiefel")
    assert Roster(desk.store).sign_in("Ana", "Fu\u0308nf braune Stiefel", NOW)[0].name == "Ana"


def test_nothing_that_is_kept_or_shown_holds_a_password_or_a_token(desk: Desk) -> None:
    line = add_person(desk, "Ana", "technician", GOOD)
    person, token = Roster(desk.store).sign_in("Ana", GOOD, NOW)
    kept = repr([one.body for one in desk.store.documents("people")])
    assert "$argon2id$" in kept
    for text in (kept, repr(line), repr(person), repr(people_list(desk))):
        assert GOOD not in text
        assert token not in text
    assert "argon2" not in repr(person)


def test_a_new_password_a_new_role_and_leaving_count_at_once(desk: Desk) -> None:
    add_person(desk, "Ana", "technician", GOOD)
    roster = Roster(desk.store)
    token = roster.sign_in("Ana", GOOD, NOW)[1]
    give_role(desk, "ana", "lead")
    found = roster.who(token, NOW)
    assert found is not None
    assert found.role == "lead"
    with pytest.raises(UserError, match="old password"):
        change_own_password(desk, "Ana", "four brown cats", "seven grey horses")
    assert roster.who(token, NOW) is not None
    change_own_password(desk, "Ana", GOOD, "seven grey horses")
    assert roster.who(token, NOW) is None
    with pytest.raises(UserError):
        roster.sign_in("Ana", GOOD, NOW)
    token = roster.sign_in("Ana", "seven grey horses", NOW)[1]
    remove_person(desk, "Ana")
    assert roster.who(token, NOW) is None
    with pytest.raises(UserError):
        roster.sign_in("Ana", "seven grey horses", NOW)
    with pytest.raises(NotFound):
        give_password(desk, "Ana", GOOD)


def test_who_is_removed_while_the_password_is_checked_is_not_let_in(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_person(desk, "Ana", "technician", GOOD)
    from halfsplit.service import people

    def slow(_secret: str, _password: str) -> bool:
        remove_person(desk, "Ana")
        return True

    monkeypatch.setattr(people, "_checks", slow)
    with pytest.raises(UserError) as caught:
        Roster(desk.store).sign_in("Ana", GOOD, NOW)
    assert caught.value.code == "sign-in-refused"


def test_who_asks_is_told_by_a_read_that_began_after_the_question(monkeypatch: pytest.MonkeyPatch) -> None:
    roster = Roster(MemoryStore())
    begun = itertools.count(1)
    seen: list[tuple[int, People]] = []
    read: dict[int, int] = {}
    kept_alive: list[People] = []

    def counted(*_: object) -> People:
        found = People()
        read[id(found)] = next(begun)
        kept_alive.append(found)
        return found

    monkeypatch.setattr(kept, "read_people", counted)

    def ask() -> None:
        for _ in range(50):
            before = len(kept_alive)
            seen.append((before, roster.people()))

    asking = [threading.Thread(target=ask) for _ in range(8)]
    for one in asking:
        one.start()
    for one in asking:
        one.join()
    assert len(seen) == 400
    assert all(read[id(found)] > before for before, found in seen)


def test_a_read_that_failed_answers_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    roster = Roster(MemoryStore())
    answers: list[People | Exception] = [OSError("the disk is gone"), People()]

    def read(*_: object) -> People:
        found = answers.pop(0)
        if isinstance(found, Exception):
            raise found
        return found

    monkeypatch.setattr(kept, "read_people", read)
    with pytest.raises(OSError, match="disk"):
        roster.people()
    assert roster.people() == People()
    assert not answers
