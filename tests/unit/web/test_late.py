"""What comes in later than it was found: weighed where it belongs, taken back by its message, contradictions shown."""

from __future__ import annotations

import gzip
import json
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from halfsplit.diagnosis.hunt import Bench
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk, machine_files
from halfsplit.web.app import create_app
from halfsplit.web.hunts import Hunts

CART = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"
NUMBERS = count(1)
AT = "volts S1.3 in start"


@cache
def bench() -> tuple[str, Bench]:
    return fingerprint_of(machine_files(CART)), Bench(load_machine(CART))


class Clock:
    """A clock that stands until it is moved on."""

    def __init__(self) -> None:
        self.now = datetime(2031, 4, 2, 7, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def on(self, minutes: float) -> None:
        self.now += timedelta(minutes=minutes)


class Client:
    """A client with a job on the small machine, an hour old."""

    def __init__(self, **complaint: Any) -> None:
        self.clock = Clock()
        self.desk = Desk(MemoryStore(), self.clock, "", dict([bench()]))
        app = create_app(Hunts(self.desk, Board((CART,), with_shipped=False)), built=None)
        self.http = TestClient(app, base_url="http://127.0.0.1")
        told = [{"function": "starter", "state": "start", "level": "dead"}]
        self.job = self.post("", machine="hand-cart-generator", told=told, **complaint)["next"]["head"]["job"]
        self.clock.on(60)

    def post(self, path: str, **content: Any) -> Any:
        where = f"/api/jobs/{self.job}/{path}" if path else "/api/jobs"
        found = self.http.post(where, json={"sending": f"sending-{next(NUMBERS):04}", **content})
        assert found.status_code in (200, 201), found.text
        return found.json()

    def find(self, check: str, answer: str, **more: Any) -> Any:
        return self.post("findings", check=check, answer=answer, **more)

    def odds(self) -> dict[str, float]:
        found = self.http.get(f"/api/jobs/{self.job}/suspects").json()
        return {one["group"]: one["odds"] for one in found["suspects"]}


@pytest.fixture
def client() -> Client:
    return Client()


def mended(client: Client) -> str:
    table = client.http.get(f"/api/jobs/{client.job}/suspects").json()
    return str(table["suspects"][0]["group"])


def test_a_reading_from_before_a_repair_that_comes_after_it_is_weighed_as_before_it() -> None:
    in_order, late = Client(), Client()
    group = mended(in_order)
    in_order.find(AT, "0.2 V", by="Ben")
    in_order.clock.on(5)
    in_order.post("findings", repair=group, answer="mended", by="Ana")
    late.clock.on(5)
    late.post("findings", repair=group, answer="mended", by="Ana")
    late.clock.on(1)
    late.find(AT, "0.2 V", by="Ben", late_s=360.0)
    assert late.odds() == in_order.odds()
    entries = late.desk.job(late.job).entries
    assert entries[-1].by == "Ben"
    assert entries[-1].when == "2031-04-02T08:00:00Z"
    # One that was found after the repair is another matter.
    after = Client()
    after.post("findings", repair=group, answer="mended", by="Ana")
    after.clock.on(1)
    after.find(AT, "0.2 V", by="Ben")
    assert after.odds() != late.odds()


def test_nothing_is_older_than_its_job(client: Client) -> None:
    client.find(AT, "0.2 V", late_s=86_400.0)
    [entry] = client.desk.job(client.job).entries
    assert entry.when == client.desk.job(client.job).opened


def test_what_came_in_one_message_is_taken_back_whoever_wrote_what_since(client: Client) -> None:
    client.post("findings", check=AT, answer="0.2 V", by="Ana", sending="of-ana-0001")
    client.find("operate starter in start", "dead", by="Ben")
    found = client.post("undo", of="of-ana-0001", by="Ana")
    assert found["recorded"][0].startswith("taken back:")
    assert [entry.by for entry in client.desk.job(client.job).entries if entry.undone] == ["Ana"]
    again = client.http.post(
        f"/api/jobs/{client.job}/undo", json={"sending": "of-ana-0002", "of": "of-ana-0001"}
    )
    assert again.json()["error"]["code"] == "undo-no-entry"


def test_two_people_who_read_the_same_point_otherwise_are_both_kept_and_named(client: Client) -> None:
    assert client.find(AT, "0.2 V", by="Ana")["contradictions"] == []
    client.clock.on(2)
    [found] = client.find(AT, "12.3 V", by="Ben")["contradictions"]
    assert (found["one"]["by"], found["other"]["by"]) == ("Ana", "Ben")
    assert "200 mV" in found["one"]["words"]
    assert "12.3 V" in found["other"]["words"]
    assert [entry.undone for entry in client.desk.job(client.job).entries] == [False, False]
    # It is settled by whoever takes one back, by a piece of work, or by a third look that agrees with the second.
    assert client.find(AT, "12.2 V", by="Ana")["contradictions"] == []
    client.find(AT, "0.1 V", by="Ben")
    group = mended(client)
    assert client.post("findings", repair=group, answer="not mended")["contradictions"] == []


def test_what_one_person_reads_again_contradicts_nothing(client: Client) -> None:
    client.find(AT, "0.2 V", by="Ana")
    assert client.find(AT, "12.3 V", by="Ana")["contradictions"] == []
    assert client.find("operate starter in start", "dead", by="Ben")["contradictions"] == []
    [found] = client.find("operate starter in start", "pulls", by="Ana")["contradictions"]
    assert found["one"]["by"] == "Ben"


def test_seeing_a_fault_that_comes_and_goes_only_now_and_then_is_no_contradiction() -> None:
    client = Client(comes_and_goes=True)
    client.find("operate starter in start", "dead", by="Ana")
    assert client.find("operate starter in start", "pulls", by="Ben")["contradictions"] == []
    client.find(AT, "0.2 V, showing", by="Ana")
    assert client.find(AT, "12.3 V, away", by="Ben")["contradictions"] == []
    assert client.find(AT, "12.3 V, showing", by="Ben")["contradictions"]


def test_a_phone_gets_what_was_found_and_an_open_circuit_is_no_trouble(client: Client) -> None:
    table = json.loads(gzip.decompress(client.http.get(f"/api/jobs/{client.job}/table").content))
    ohms = next(one["id"] for one in table["checks"] if one["kind"] == "ohms")
    client.find(ohms, "OL")
    found = client.http.get(f"/api/jobs/{client.job}/found").json()
    values = [one["observation"]["value"] for one in found["found"] if one["observation"]["kind"] == "reading"]
    assert values == ["Infinity"]
    assert len(found["numbers"]) == len(found["found"])
    assert found["entries"] == len(client.desk.job(client.job).entries)
    again = json.loads(gzip.decompress(client.http.get(f"/api/jobs/{client.job}/table").content))
    assert again["found"] == found["found"]


def test_every_check_of_a_table_is_told_in_words_with_its_cautions_first(client: Client) -> None:
    table = json.loads(gzip.decompress(client.http.get(f"/api/jobs/{client.job}/table").content))
    said = table["said"]
    assert {one["id"] for one in table["checks"]} == set(said["checks"])
    assert {one["id"] for one in table["groups"]} == set(said["repairs"])
    for told in (*said["checks"].values(), *said["repairs"].values()):
        assert told["step"]["cautions"]
        assert told["step"]["steps"]
        assert told["asked"]["kind"] in ("words", "reading", "round", "repair")
