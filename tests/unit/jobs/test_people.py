"""People as the store keeps them: one change at a time, folded, with no password and no token in it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfsplit.errors import NotFound, UserError
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.people import (
    ROLES,
    Change,
    People,
    added,
    folded,
    given_password,
    given_role,
    read_people,
    removed,
    signed_in,
    signed_out,
    write_change,
)
from halfsplit.jobs.store import Document, JobStore

NOW = datetime(2031, 4, 2, 7, tzinfo=UTC)
WHEN = "2031-04-02T07:00:00Z"


@pytest.fixture(params=["memory", "file"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[JobStore]:
    with MemoryStore() if request.param == "memory" else open_store(tmp_path / "jobs.sqlite3") as found:
        yield found


def change(store: JobStore, make: Callable[[People], Change], when: str = WHEN) -> People:
    return write_change(store, People(), make, when=when, by="Ola")


def begins(name: str, digest: str, until: datetime) -> Callable[[People], Change]:
    return lambda people: signed_in(people.person(name), digest, until)


def test_changes_are_folded_in_their_order_whoever_reads_them(store: JobStore) -> None:
    change(store, lambda people: added(people, "  Ana   Berg ", "technician", "hash-1"))
    change(store, lambda people: added(people, "Bo", "read-only", "hash-2"))
    early = read_people(store)
    change(store, lambda people: given_role(people, "ANA BERG", "lead"))
    change(store, lambda people: given_password(people, "ana berg", "hash-3"))
    change(store, lambda people: removed(people, "bo"))
    found = read_people(store)
    assert [(one.name, one.role, one.secret) for one in found.persons.values()] == [("Ana Berg", "lead", "hash-3")]
    assert read_people(store, early) == found
    assert [one.by for one in store.documents("people")] == ["Ola"] * 5


@pytest.mark.parametrize("again", ["Ana", "ana", " ANA ", "Ａｎａ"])
def test_nobody_takes_a_name_that_looks_the_same(store: JobStore, again: str) -> None:
    change(store, lambda people: added(people, "Ana", "lead", "hash"))
    with pytest.raises(UserError, match="already") as caught:
        change(store, lambda people: added(people, again, "technician", "hash"))
    assert caught.value.code == "person-there"
    assert read_people(store).number == 1


@pytest.mark.parametrize("name", ["", "   ", "a" * 61, "A\x1b[2J", "A\nB\x00", "\u202eanA"])
def test_a_name_that_cannot_stand_beside_an_entry_is_refused(name: str) -> None:
    with pytest.raises(UserError) as caught:
        added(People(), name, "lead", "hash")
    assert caught.value.code == "person-name"


@given(st.text(max_size=30))
def test_a_name_kept_is_found_again_by_itself(name: str) -> None:
    try:
        kept = added(People(), name, "lead", "hash")["name"]
    except UserError:
        return
    assert folded(kept) == folded(name)


def test_somebody_who_is_not_there_is_not_changed(store: JobStore) -> None:
    change(store, lambda people: added(people, "Ana", "lead", "hash"))
    for make in (
        lambda people: given_role(people, "Anna", "lead"),
        lambda people: given_password(people, "Anna", "hash"),
        lambda people: removed(people, "Anna"),
    ):
        with pytest.raises(NotFound) as caught:
            change(store, make)
        assert caught.value.suggestion == "Ana"
    assert read_people(store).number == 1


def test_a_session_ends_when_it_is_over_or_signed_out_or_the_password_changes_or_the_person_goes(
    store: JobStore,
) -> None:
    for name in ("Ana", "Bo"):
        change(store, partial(added, name=name, role="lead", secret="hash"))
    until = NOW + timedelta(days=30)
    for digest, name in (("d1", "Ana"), ("d2", "Ana"), ("d3", "Bo"), ("d4", "Bo")):
        change(store, begins(name, digest, until))
    people = read_people(store)
    ana = people.signed_in("d1", NOW)
    assert ana is not None
    assert (ana.name, ana.last_sign_in) == ("Ana", WHEN)
    assert people.signed_in("d1", NOW + timedelta(days=30)) is None
    assert people.signed_in("d9", NOW) is None
    people = change(store, lambda _: signed_out("d4"))
    assert [people.signed_in(one, NOW) is not None for one in ("d1", "d2", "d3", "d4")] == [True, True, True, False]
    people = change(store, lambda people: given_password(people, "Ana", "other"))
    assert [people.signed_in(one, NOW) is not None for one in ("d1", "d2", "d3")] == [False, False, True]
    people = change(store, lambda people: removed(people, "Bo"))
    assert people.signed_in("d3", NOW) is None
    # Somebody of the same name who is added later has none of the sessions of before.
    people = change(store, lambda people: added(people, "Bo", "lead", "hash"))
    assert people.signed_in("d3", NOW) is None


def test_sessions_that_are_over_are_forgotten(store: JobStore) -> None:
    change(store, lambda people: added(people, "Ana", "lead", "hash"))
    change(store, lambda people: signed_in(people.person("Ana"), "old", NOW + timedelta(days=1)))
    people = change(
        store, lambda people: signed_in(people.person("Ana"), "new", NOW + timedelta(days=40)), "2031-04-05T07:00:00Z"
    )
    assert list(people.sessions) == ["new"]


def test_changes_made_at_once_by_several_all_count(tmp_path: Path) -> None:
    with open_store(tmp_path / "jobs.sqlite3") as store:
        names = [f"Person {number}" for number in range(12)]

        def add(name: str) -> None:
            write_change(
                store, People(), lambda people: added(people, name, "technician", "hash"), when=WHEN, by=""
            )

        threads = [threading.Thread(target=add, args=(name,)) for name in names]
        for one in threads:
            one.start()
        for one in threads:
            one.join()
        assert sorted(one.name for one in read_people(store).persons.values()) == sorted(names)


@pytest.mark.parametrize(
    "body",
    [
        "", "{}", "[]", '{"v":2,"did":"add"}', '{"v":1,"did":"dance","name":"A"}', '{"v":1,"did":"remove","name":"A"}',
        '{"v":1,"did":"add","name":"A","role":"king","secret":""}', '{"v":1,"did":"add","name":7,"role":"lead"}',
    ],
)  # fmt: skip
def test_what_cannot_be_read_lets_nobody_in(body: str) -> None:
    store = MemoryStore()
    store.put_document(Document("people", 1, WHEN, "", body))
    with pytest.raises(UserError) as caught:
        read_people(store)
    assert caught.value.code == "people-kept"


def test_the_command_line_names_the_roles_there_are() -> None:
    from halfsplit.cli.people import ROLES as SAID

    assert tuple(SAID) == ROLES
