"""The earlier jobs of a unit through the interface, and hints without commands."""

from __future__ import annotations

from collections.abc import Iterator
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
from halfsplit.web.failures import without_commands
from halfsplit.web.hunts import Hunts

CART = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"
NUMBERS = count(1)


@cache
def bench() -> tuple[str, Bench]:
    return fingerprint_of(machine_files(CART)), Bench(load_machine(CART))


def ticking() -> Iterator[datetime]:
    moment = datetime(2031, 4, 2, 7, tzinfo=UTC)
    while True:
        moment += timedelta(minutes=1)
        yield moment


class Client:
    """A client on the small machine."""

    def __init__(self) -> None:
        moments = ticking()
        desk = Desk(MemoryStore(), lambda: next(moments), "tester", dict([bench()]))
        app = create_app(Hunts(desk, Board((CART,), with_shipped=False)), built=None)
        self.http = TestClient(app, base_url="http://127.0.0.1")

    def open(self, unit: str) -> str:
        told = [{"function": "starter", "state": "start", "level": "dead"}]
        sent = {"sending": f"sending-{next(NUMBERS):04}", "machine": "hand-cart-generator", "told": told, "unit": unit}
        found = self.http.post("/api/jobs", json=sent)
        assert found.status_code == 201, found.text
        return str(found.json()["next"]["head"]["job"])

    def get(self, path: str, **asked: str) -> Any:
        found = self.http.get(f"/api/{path}", params=asked)
        assert found.status_code == 200, found.text
        return found.json()


@pytest.fixture
def client() -> Client:
    return Client()


def test_the_earlier_jobs_of_a_unit_are_told_before_another_is_opened(client: Client) -> None:
    asked = {"machine": "hand-cart-generator", "unit": "GEN-12"}
    assert client.get("earlier", **asked)["earlier"] == []
    first = client.open("GEN-12")
    [line] = client.get("earlier", **asked)["earlier"]
    assert (line["job"], line["state"]) == (first, "open")
    assert client.get("earlier", machine="hand-cart-generator", unit="GEN-1Z")["near"] == "GEN-12"
    client.open("GEN-77")
    assert [one["job"] for one in client.get("earlier", **asked)["earlier"]] == [first]


def test_a_job_tells_what_there_was_on_its_unit_and_names_no_command(client: Client) -> None:
    first = client.open("GEN-12")
    second = client.open("GEN-12")
    found = client.get(f"jobs/{second}/unit")
    assert [one["job"] for one in found["earlier"]] == [first]
    assert found["still_open"] == first
    assert "halfsplit" not in str(found)
    before = client.get(f"jobs/{first}/unit")
    assert before["earlier"] == []  # what came later is not earlier, and two open jobs do not point at each other
    assert before["still_open"] == ""
    assert client.get(f"jobs/{client.open('')}/unit")["unit"] == ""


def test_hints_of_the_interface_name_no_command(client: Client) -> None:
    job = client.open("")
    sent = {"sending": "sending-run1", "amount": "8 h"}
    refused = client.http.post(f"/api/jobs/{job}/runs", json=sent).json()["error"]
    assert refused["code"] == "proof-no-repair"
    assert "correction sheet" in refused["hint"]
    assert "halfsplit" not in refused["hint"]
    assert without_commands("x", "Look again. Say halfsplit job next. Then go on.") == "Look again. Then go on."
    assert without_commands("x", "Write it like 80 %.") == "Write it like 80 %."
