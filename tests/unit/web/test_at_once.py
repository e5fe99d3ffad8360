"""Several at once: who writes goes first, and small answers leave at once."""

from __future__ import annotations

import asyncio
import socket
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from halfsplit.jobs.memory import MemoryStore
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk
from halfsplit.web import hunts as hunts_module
from halfsplit.web.app import create_app
from halfsplit.web.hunts import Hunts
from halfsplit.web.running import listen

CART = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"
TOLD = [{"function": "starter", "state": "start", "level": "dead"}]


@pytest.fixture
def hunts() -> Hunts:
    return Hunts(Desk(MemoryStore(), lambda: datetime(2031, 4, 2, tzinfo=UTC)), Board((CART,), with_shipped=False))


@pytest.fixture
def client(hunts: Hunts) -> TestClient:
    return TestClient(create_app(hunts, built=None), base_url="http://127.0.0.1")


def opened(client: TestClient, sending: str) -> str:
    found = client.post("/api/jobs", json={"sending": sending, "machine": "hand-cart-generator", "told": TOLD})
    assert found.status_code == 201, found.text
    job: str = found.json()["next"]["head"]["job"]
    return job


def test_a_question_waits_for_what_is_being_written(
    hunts: Hunts, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hunts_module, "GIVEN_WAY_S", 60.0)
    job, other = opened(client, "first-one"), opened(client, "second-one")
    answered = threading.Event()

    def ask() -> None:
        assert client.get(f"/api/jobs/{other}/next").status_code == 200
        answered.set()

    thread = threading.Thread(target=ask)
    with hunts.writing(job, "", "third-one"):
        thread.start()
        assert not answered.wait(0.1)
    assert answered.wait(20)
    thread.join(20)


def test_a_question_does_not_wait_for_ever(hunts: Hunts, client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hunts_module, "GIVEN_WAY_S", 0.01)
    job, other = opened(client, "first-one"), opened(client, "second-one")
    with hunts.writing(job, "", "third-one"):
        assert client.get(f"/api/jobs/{other}/next").status_code == 200


def test_small_answers_are_not_gathered_before_they_leave() -> None:
    found: list[int] = []

    async def look(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        found.append(writer.get_extra_info("socket").getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
        writer.close()

    async def connect() -> None:
        where = listen(0)
        async with await asyncio.start_server(look, sock=where):
            reader, writer = await asyncio.open_connection(*where.getsockname())
            await reader.read()
            writer.close()

    # In a thread of its own: whoever ran before may have left a loop in this one.
    with ThreadPoolExecutor(1) as alone:
        alone.submit(asyncio.run, connect()).result()
    assert found
    assert found[0] != 0
