"""What one phone writes is told to the others on the same job."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Coroutine
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import pytest
from fastapi.testclient import TestClient

from halfsplit.jobs.memory import MemoryStore
from halfsplit.observations import Complaint, Symptom
from halfsplit.service import keeping, working
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk
from halfsplit.web import news
from halfsplit.web.app import create_app
from halfsplit.web.hunts import Hunts

CART = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"
PATIENCE_S = 60
Result = TypeVar("Result")


@pytest.fixture
def hunts() -> Hunts:
    """A server's hunts with one job on the small machine."""
    desk = Desk(MemoryStore(), lambda: datetime(2031, 4, 2, 7, tzinfo=UTC))
    working.open_job(desk, CART, Complaint((Symptom("starter", "start", "off", 0.96, "yes"),)), job_id="cart")
    return Hunts(desk, Board((CART,), with_shipped=False))


def alone(coroutine: Coroutine[Any, Any, Result]) -> Result:
    """What the coroutine gives, run in a thread of its own: browser tests leave a loop running in the first one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, coroutine).result()


async def heard(stream: AsyncIterator[str]) -> Any:
    """The next thing told that is not mere sign of life."""
    while True:
        text = await asyncio.wait_for(anext(stream), PATIENCE_S)
        if text.startswith("id: "):
            number, _, data = text.removeprefix("id: ").partition("\ndata: ")
            found = json.loads(data)
            assert found["number"] == int(number)
            assert text.endswith("\n\n")
            return found


def write(hunts: Hunts, text: str, by: str, sending: str) -> None:
    with hunts.at("cart", by, sending) as desk:
        keeping.note(desk, text, "cart")


def test_a_note_is_told_with_who_wrote_it_in_which_message(hunts: Hunts, monkeypatch: pytest.MonkeyPatch) -> None:
    # The store is not asked again in this test: what comes was told.
    monkeypatch.setattr(news, "ASKED_EVERY_S", 10 * PATIENCE_S)

    async def run() -> tuple[Any, Any]:
        stream = news._stream(hunts, "cart", 1)
        first = await heard(stream)
        waiting = asyncio.ensure_future(heard(stream))
        await asyncio.sleep(0)
        await asyncio.to_thread(write, hunts, "green pin", "Ana", "message-0001")
        return first, await waiting

    first, then = alone(run())
    assert first == {"number": 1, "lines": []}
    (line,) = then["lines"]
    assert (line["words"], line["by"], line["sending"]) == ("note: green pin", "Ana", "message-0001")
    assert line["when"] == "2031-04-02T07:00:00Z"


def test_what_another_process_wrote_is_found_in_the_store(hunts: Hunts, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(news, "ASKED_EVERY_S", 0.01)

    async def run() -> Any:
        stream = news._stream(hunts, "cart", 1)
        await heard(stream)
        await asyncio.to_thread(keeping.note, hunts.desk("Ben"), "from the bench", "cart")
        return await heard(stream)

    assert [one["words"] for one in alone(run())["lines"]] == ["note: from the bench"]


def test_a_phone_that_was_away_hears_what_it_missed(hunts: Hunts) -> None:
    write(hunts, "one", "Ana", "message-0001")
    write(hunts, "two", "Ana", "message-0002")

    async def run() -> Any:
        stream = news._stream(hunts, "cart", 2)
        assert (await heard(stream))["lines"] == []
        return await heard(stream)

    found = alone(run())
    assert [one["words"] for one in found["lines"]] == ["note: two"]


def test_an_undo_is_told_although_it_is_no_line_of_the_log(hunts: Hunts) -> None:
    write(hunts, "one", "Ana", "message-0001")
    with hunts.at("cart", "Ana", "message-0002") as desk:
        keeping.undo(desk, "cart")
    found = keeping.news(hunts.desk(), "cart", 2)
    assert [(one.words, one.sending) for one in found.lines] == [("", "message-0002")]
    assert keeping.news(hunts.desk(), "cart", found.number).lines == ()


def test_the_end_of_the_server_ends_every_stream(hunts: Hunts, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(news, "ASKED_EVERY_S", 10 * PATIENCE_S)

    async def run() -> None:
        stream = news._stream(hunts, "cart", 1)
        await heard(stream)
        waiting = asyncio.ensure_future(anext(stream, None))
        await asyncio.sleep(0)
        await asyncio.to_thread(hunts.listeners.end)
        assert await asyncio.wait_for(waiting, PATIENCE_S) is None

    alone(run())


def test_a_stream_is_of_its_own_type_and_of_a_job_that_is_there(hunts: Hunts) -> None:
    hunts.listeners.end()
    client = TestClient(create_app(hunts, built=None), base_url="http://127.0.0.1")
    found = client.get("/api/jobs/cart/news")
    assert found.headers["content-type"].startswith("text/event-stream")
    assert found.headers["cache-control"] == "no-store"
    assert 'data: {"number": 1, "lines": []}' in found.text
    assert client.get("/api/jobs/none/news").status_code == 404
