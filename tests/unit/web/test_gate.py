"""Served to the network: nobody reads or writes what they may not, and nobody writes under another's name."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher
from fastapi import FastAPI
from fastapi.testclient import TestClient

from halfsplit.diagnosis.hunt import Bench
from halfsplit.errors import InternalError
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.people import Change, People, Role, added, write_change
from halfsplit.jobs.store import JobStore, fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.service import people
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.people import Roster, give_password, give_role, remove_person
from halfsplit.web import gate, news, running
from halfsplit.web.app import create_app
from halfsplit.web.gate import COOKIE, FOR_ALL, OPEN
from halfsplit.web.hunts import Hunts
from halfsplit.web.rates import SIGN_IN_FROM_AN_ADDRESS, SIGN_IN_OF_A_NAME, WRITES_OF_A_PERSON, Meter, Rate
from halfsplit.web.signing import Door

SKETCH = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"
ADDRESS = "192.168.1.20"
NOW = datetime(2031, 4, 2, 7, tzinfo=UTC)
PASSWORD = "four brown boots"
#: As little work as argon2 does, for tests that are about something else.
QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
NUMBERS = count(1)
STARTER = {"function": "starter", "state": "start", "level": "dead"}
PEOPLE: dict[str, Role] = {"Ana": "technician", "Bo": "technician", "Lea": "lead", "Ron": "read-only"}


@cache
def bench() -> tuple[str, Bench]:
    return fingerprint_of(machine_files(SKETCH)), Bench(load_machine(SKETCH))


@cache
def secret() -> str:
    return QUICK.hash(PASSWORD)


def newcomer(name: str, role: Role) -> Callable[[People], Change]:
    return lambda known: added(known, name, role, secret())


class Clock:
    """Seconds that go on when a test says so."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


class Shop:
    """A server for the network with four people, and clients of each."""

    def __init__(self) -> None:
        self.store: JobStore = MemoryStore()
        for name, role in PEOPLE.items():
            write_change(self.store, People(), newcomer(name, role), when="2031-04-02T06:00:00Z", by="")
        self.desk = Desk(self.store, lambda: NOW, "the server", dict([bench()]))
        self.clock = Clock()
        self.app: FastAPI = create_app(
            Hunts(self.desk, Board((SKETCH,), with_shipped=False)), built=None, hosts=frozenset({ADDRESS}),
            door=Door(Roster(self.store), self.clock),
        )  # fmt: skip

    def nobody(self) -> TestClient:
        return TestClient(self.app, base_url=f"https://{ADDRESS}:49240")

    def signed(self, name: str) -> TestClient:
        client = self.nobody()
        found = client.post("/api/session", json={"name": name, "password": PASSWORD})
        assert found.status_code == 200, found.text
        return client

    def written(self) -> int:
        """How much stands in the store's jobs and people."""
        return sum(line.last_number for line in self.store.jobs()) + len(self.store.documents("people"))


@pytest.fixture
def shop() -> Shop:
    return Shop()


def code(found: Any) -> tuple[int, str]:
    return found.status_code, found.json()["error"]["code"]


def opened(client: TestClient, **more: Any) -> str:
    sent = {"sending": f"sending-{next(NUMBERS)}", "machine": "hand-cart-generator", "told": [STARTER], **more}
    found = client.post("/api/jobs", json=sent)
    assert found.status_code == 201, found.text
    return str(found.json()["next"]["head"]["job"])


def noted(client: TestClient, job: str, text: str = "seen", **more: Any) -> Any:
    return client.post(f"/api/jobs/{job}/notes", json={"sending": f"sending-{next(NUMBERS)}", "text": text, **more})


def addresses(app: FastAPI) -> Iterator[tuple[str, str]]:
    """Method and path of everything that is described, with something for each part of the path."""
    for path, methods in app.openapi()["paths"].items():
        for method in methods:
            yield method.upper(), path.format(job="job", machine="m", sha256="0" * 64, name="Ana", ending="pdf")


def asked(client: TestClient, method: str, path: str) -> Any:
    kind = "application/octet-stream" if path.endswith("/attachments") else "application/json"
    return client.request(method, path, content=b"{}" if method == "POST" else None, headers={"content-type": kind})


def test_nothing_is_answered_to_who_is_not_signed_in_but_what_is_for_anybody(shop: Shop) -> None:
    client = shop.nobody()
    before = shop.written()
    tried = [(method, path) for method, path in addresses(shop.app) if path not in OPEN]
    assert len(tried) > 30
    for method, path in [*tried, ("GET", "/api/openapi.json"), ("GET", "/api/nothing"), ("GET", "/anything")]:
        assert code(asked(client, method, path)) == (401, "sign-in-needed"), (method, path)
    assert shop.written() == before


def test_who_only_looks_on_can_send_nothing_that_writes(shop: Shop) -> None:
    job = opened(shop.signed("Ana"))
    client = shop.signed("Ron")
    before = shop.written()
    tried = [one for one in addresses(shop.app) if one[0] != "GET" and one[1] not in OPEN | FOR_ALL]
    assert len(tried) > 15
    for method, path in tried:
        for there in (path, path.replace("/job/", f"/{job}/")):
            assert code(asked(client, method, there)) == (403, "role-refused"), (method, there)
    for method in ("PUT", "PATCH", "DELETE"):
        assert client.request(method, f"/api/jobs/{job}/notes", json={}).status_code == 403
    assert shop.written() == before


def test_who_only_looks_on_reads_everything_of_a_job_and_leaves_no_trace(shop: Shop) -> None:
    job = opened(shop.signed("Ana"))
    client = shop.signed("Ron")
    before = shop.written()
    parts = ("next", "suspects", "why", "where", "path", "log", "correction", "papers")
    for part in parts:
        assert client.get(f"/api/jobs/{job}/{part}").status_code == 200, part
    assert client.get(f"/api/jobs/{job}/report.html").status_code == 200
    assert client.get("/api/jobs").status_code == client.get("/api/machines").status_code == 200
    assert shop.written() == before


def test_the_name_written_down_is_of_who_signed_in_and_of_nobody_else(shop: Shop) -> None:
    ana, bo = shop.signed("Ana"), shop.signed("Bo")
    job = opened(ana)
    assert noted(bo, job, by="bo").status_code == 200
    assert code(noted(bo, job, by="Ana")) == (403, "by-another")
    assert code(noted(bo, job, by="Lea")) == (403, "by-another")
    file = bo.post(
        f"/api/jobs/{job}/attachments?sending=sending-file&name=a.txt&by=Ana", content=b"hello",
        headers={"content-type": "application/octet-stream"},
    )  # fmt: skip
    assert code(file) == (403, "by-another")
    assert [one.by for one in shop.store.events(job)] == ["Ana", "Bo"]


def test_only_a_lead_ends_a_job_on_which_others_worked(shop: Shop) -> None:
    ana, bo, lea = (shop.signed(name) for name in ("Ana", "Bo", "Lea"))
    job = opened(ana)

    def ended(client: TestClient, how: str, **more: Any) -> Any:
        return client.post(f"/api/jobs/{job}/{how}", json={"sending": f"sending-{next(NUMBERS)}", **more})

    assert code(ended(bo, "close", cause="not found")) == (403, "role-others")
    assert ended(lea, "close", cause="not found").status_code == 200
    assert code(ended(bo, "reopen", by_mistake=True)) == (403, "role-others")
    assert ended(ana, "reopen", by_mistake=True).status_code == 200
    assert noted(bo, job).status_code == 200
    assert ended(bo, "close", cause="not found").status_code == 200
    assert code(bo.post("/api/jobs/none/close", json={"sending": "sending-none"})) == (404, "not-found")


def test_only_a_lead_sees_and_changes_people(shop: Shop) -> None:
    eve = {"name": "Eve", "role": "lead", "password": "green paper lamps"}
    for name in ("Ana", "Ron"):
        client = shop.signed(name)
        assert code(client.get("/api/people")) == (403, "role-refused")
        for path, sent in (
            ("", eve),
            (f"/{name}/role", {"role": "lead"}),
            ("/Lea/password", {"password": "green paper lamps"}),
            ("/Lea/remove", {}),
        ):
            assert code(client.post(f"/api/people{path}", json=sent)) == (403, "role-refused")
    lea = shop.signed("Lea")
    assert lea.post("/api/people", json=eve).status_code == 201
    assert code(lea.post("/api/people", json=eve)) == (422, "person-there")
    assert lea.post("/api/people/eve/role", json={"role": "read-only"}).json()["role"] == "read-only"
    names = {one["name"]: one["role"] for one in lea.get("/api/people").json()["people"]}
    assert names == {**PEOPLE, "Eve": "read-only"}
    assert lea.post("/api/people/eve/remove", json={}).status_code == 200
    assert code(lea.post("/api/people/eve/remove", json={})) == (404, "not-found")
    assert {one.by for one in shop.store.documents("people")[-3:]} == {"Lea"}


@pytest.mark.parametrize(
    ("what", "then"),
    [
        (lambda desk: remove_person(desk, "Ana"), 401),
        (lambda desk: give_password(desk, "Ana", "green paper lamps"), 401),
        (lambda desk: give_role(desk, "Ana", "read-only"), 403),
    ],
    ids=["removed", "new password", "new role"],
)
def test_what_is_changed_at_the_computer_counts_at_the_next_request(
    shop: Shop, what: Callable[[Desk], object], then: int
) -> None:
    ana = shop.signed("Ana")
    job = opened(ana)
    what(shop.desk)
    assert noted(ana, job).status_code == then


def test_the_cookie_is_for_this_host_over_tls_alone_and_out_of_reach_of_scripts(shop: Shop) -> None:
    found = shop.nobody().post("/api/session", json={"name": "Ana", "password": PASSWORD})
    parts = [one.strip() for one in found.headers["set-cookie"].split(";")]
    assert parts[0].startswith("__Host-halfsplit=")
    assert {one.casefold() for one in parts[1:]} >= {"secure", "httponly", "samesite=strict", "path=/"}
    assert not any(one.casefold().startswith("domain") for one in parts)
    assert found.json() == {"needed": True, "name": "Ana", "role": "technician"}
    token = parts[0].partition("=")[2]
    assert len(token) >= 43  # 256 bits
    assert token not in repr([one.body for one in shop.store.documents("people")])


def test_signing_out_ends_the_session_even_for_who_kept_the_cookie(shop: Shop) -> None:
    ana = shop.signed("Ana")
    token = ana.cookies[COOKIE]
    assert ana.get("/api/session").json()["name"] == "Ana"
    assert ana.post("/api/session/end", json={}).json() == {"needed": True, "name": "", "role": ""}
    again = shop.nobody()
    again.cookies.set(COOKIE, token)
    assert code(again.get("/api/jobs")) == (401, "sign-in-needed")
    assert again.get("/api/session").json()["name"] == ""


def test_a_password_can_be_changed_by_who_knows_it_and_everybody_may(shop: Shop) -> None:
    ron = shop.signed("Ron")
    wrong = {"old": "no such thing at all", "new": "green paper lamps"}
    assert code(ron.post("/api/session/password", json=wrong)) == (422, "sign-in-refused")
    assert ron.post("/api/session/password", json={**wrong, "old": PASSWORD}).status_code == 200
    assert code(ron.get("/api/jobs")) == (401, "sign-in-needed")
    sent = {"name": "Ron", "password": "green paper lamps"}
    assert shop.nobody().post("/api/session", json=sent).status_code == 200


@pytest.mark.parametrize(
    "cookie",
    ["", "x", "x" * 5000, "é", '"', "a=b; __Host-halfsplit=x", "../../etc/passwd", "\x00", "' OR 1=1 --"],
)
def test_a_cookie_that_nobody_was_given_lets_nobody_in(shop: Shop, cookie: str) -> None:
    sent = [(b"cookie", f"{COOKIE}={cookie}".encode())]
    found = shop.nobody().get("/api/jobs", headers=sent)
    assert code(found) == (401, "sign-in-needed")


FOREIGN: tuple[dict[str, str], ...] = (
    {"origin": "https://evil.example"}, {"origin": "null"}, {"origin": f"http://{ADDRESS}:49240"},
    {"origin": f"https://{ADDRESS}:49241"}, {"origin": f"https://{ADDRESS}"}, {"origin": "https://[bad"},
    {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}, {"content-type": "text/plain"},
    {"content-type": "application/x-www-form-urlencoded"},
)  # fmt: skip


def test_another_site_writes_nothing_with_the_cookie_of_who_is_signed_in(shop: Shop) -> None:
    ana = shop.signed("Ana")
    job = opened(ana)
    before = shop.written()
    sent, kind = json.dumps({"sending": "sending-evil", "text": "x"}), {"content-type": "application/json"}
    for headers in FOREIGN:
        for path in (f"/api/jobs/{job}/notes", "/api/session", "/api/session/end", "/api/session/password"):
            found = ana.post(path, content=sent, headers={**kind, **headers})
            assert found.status_code in (403, 415), (headers, path)
    assert shop.written() == before
    own = {"origin": f"https://{ADDRESS}:49240", "sec-fetch-site": "same-origin", **kind}
    assert ana.post(f"/api/jobs/{job}/notes", content=sent, headers=own).is_success


def test_passwords_are_tried_only_so_often_for_a_name_and_from_an_address(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(people, "_nobodys", secret)  # as little work for names that are not there
    client = shop.nobody()
    right, wrong = {"name": "Ana", "password": PASSWORD}, {"name": "ANA ", "password": "a wrong password"}
    for _ in range(SIGN_IN_OF_A_NAME.at_once):
        assert code(client.post("/api/session", json=wrong)) == (422, "sign-in-refused")
    found = client.post("/api/session", json=right)
    assert code(found) == (429, "too-often")
    assert int(found.headers["retry-after"]) == SIGN_IN_OF_A_NAME.each_s
    shop.clock.now_s += SIGN_IN_OF_A_NAME.each_s
    assert client.post("/api/session", json=right).status_code == 200
    assert client.post("/api/session", json=wrong).status_code == 422  # who was right begins anew
    tried = 0
    while client.post("/api/session", json={"name": f"name {tried}", "password": "x"}).status_code == 422:
        tried += 1
        assert tried < 2 * SIGN_IN_FROM_AN_ADDRESS.at_once
    assert tried > 5
    assert code(client.post("/api/session", json={"name": "Bo", "password": PASSWORD})) == (429, "too-often")


def test_one_person_writes_only_so_fast_and_others_are_not_held_up(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert WRITES_OF_A_PERSON.at_once >= 200  # what a phone may hold that was away all day
    monkeypatch.setattr(gate, "WRITES_OF_A_PERSON", Rate(5, 0.5))
    ana, bo = shop.signed("Ana"), shop.signed("Bo")
    for _ in range(5):
        assert noted(ana, "none").status_code == 404
    found = noted(ana, "none")
    assert code(found) == (429, "too-often")
    assert int(found.headers["retry-after"]) >= 1
    assert ana.get("/api/jobs").status_code == 200
    assert noted(bo, "none").status_code == 404
    shop.clock.now_s += 1.0
    assert noted(ana, "none").status_code == 404


def test_a_meter_lets_through_what_its_rate_says() -> None:
    clock = Clock()
    meter = Meter(SIGN_IN_OF_A_NAME, clock)
    passed = 0
    for second in range(3600):
        clock.now_s = float(second)
        passed += meter.wait_s("a") == 0.0
    assert passed == SIGN_IN_OF_A_NAME.at_once + 3599 // 60


def test_what_is_typed_as_a_password_stands_in_no_log_and_no_answer(
    shop: Shop, caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    caplog.set_level(logging.DEBUG)
    client = shop.nobody()
    said = "unmistakable umbrella"
    for sent in (
        {"name": "Ana", "password": said},
        {"name": "Ana", "password": [said]},
        {"name": "Ana", "password": said * 100},
        {"name": "Ana", "password": said, "more": said},
        {"name": ["x"], "password": said},
    ):
        found = client.post("/api/session", json=sent)
        assert found.status_code == 422
        assert said not in found.text
    lea = shop.signed("Lea")
    assert lea.post("/api/people", json={"name": "Eve", "password": said}).status_code == 201
    written = capfd.readouterr()
    assert said not in caplog.text + written.out + written.err


def test_nobody_listens_on_after_being_signed_out(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(news, "ASKED_EVERY_S", 0.01)
    ron, ana = shop.signed("Ron"), shop.signed("Ana")
    job = opened(ana)
    ended = threading.Event()

    def listen() -> None:
        ron.get(f"/api/jobs/{job}/news")  # comes back when the stream ends, and only then
        ended.set()

    thread = threading.Thread(target=listen, daemon=True)
    thread.start()
    assert not ended.wait(0.1)
    remove_person(shop.desk, "Ron")
    assert ended.wait(20)
    thread.join(20)


def test_without_people_to_sign_in_the_network_is_not_served(shop: Shop) -> None:
    hunts = Hunts(shop.desk, Board(with_shipped=False))
    with pytest.raises(InternalError):
        create_app(hunts, built=None, hosts=frozenset({"192.168.1.20"}))
    with running.listen(0, "127.0.0.2") as where, pytest.raises(InternalError):
        running.run(create_app(hunts, built=None), where, lambda _: None)


def test_on_the_loopback_nobody_signs_in(shop: Shop) -> None:
    app = create_app(Hunts(shop.desk, Board((SKETCH,), with_shipped=False)), built=None)
    client = TestClient(app, base_url="http://127.0.0.1")
    assert client.get("/api/session").json() == {"needed": False, "name": "", "role": ""}
    assert code(client.post("/api/session", json={"name": "Ana", "password": PASSWORD})) == (422, "sign-in-not-here")
    job = opened(client, by="anybody")
    assert shop.store.events(job)[0].by == "anybody"
