"""Several at once: who writes goes first, and small answers leave at once."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Coroutine, MutableMapping
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from halfsplit.jobs.memory import MemoryStore
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk
from halfsplit.web import turns as turns_module
from halfsplit.web.app import create_app
from halfsplit.web.asgi import Receive, Scope, Send
from halfsplit.web.hunts import Hunts
from halfsplit.web.running import listen
from halfsplit.web.turns import Turns

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


class Kitchen:
    """An application that takes as long as it is told, and remembers the order."""

    def __init__(self) -> None:
        self.order: list[str] = []
        self.inside = 0
        self.most = 0
        self.open = asyncio.Event()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        while (await receive()).get("more_body"):
            pass
        self.order.append(f"begin {scope['path'].split('/')[3]}")
        if scope["method"] == "POST":
            self.inside += 1
            self.most = max(self.most, self.inside)
            await self.open.wait()
            self.inside -= 1
        self.order.append(f"end {scope['path'].split('/')[3]}")
        await send({})


async def sent(
    turns: Turns, path: str, method: str = "POST", pieces: int = 1, whole: asyncio.Event | None = None
) -> None:
    left = [{"type": "http.request", "body": b"x", "more_body": at < pieces - 1} for at in range(pieces)]

    async def receive() -> MutableMapping[str, Any]:
        if len(left) == 1 and whole is not None:
            await whole.wait()
        return left.pop(0)

    async def send(_: MutableMapping[str, Any]) -> None:
        pass

    await turns({"type": "http", "method": method, "path": path}, receive, send)


async def settled() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


def alone(work: Coroutine[Any, Any, None]) -> None:
    # In a thread of its own: whoever ran before may have left a loop in this one.
    with ThreadPoolExecutor(1) as one:
        one.submit(asyncio.run, work).result()


def test_findings_are_written_in_their_order_and_questions_come_after_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(turns_module, "GIVEN_WAY_S", 60.0)
    monkeypatch.setattr(turns_module, "HELD_S", 60.0)

    async def work() -> None:
        kitchen = Kitchen()
        turns = Turns(kitchen)
        findings = [asyncio.ensure_future(sent(turns, f"/api/jobs/{name}/written")) for name in "abcd"]
        await settled()
        question = asyncio.ensure_future(sent(turns, "/api/jobs/q/next", "GET"))
        await settled()
        assert kitchen.order == ["begin a", "begin b"]
        kitchen.open.set()
        await asyncio.gather(question, *findings)
        begun = [one for one in kitchen.order if one.startswith("begin")]
        assert begun == ["begin a", "begin b", "begin c", "begin d", "begin q"]
        assert kitchen.order.index("begin q") > kitchen.order.index("end d")
        assert kitchen.most == turns_module.SIDE_BY_SIDE

    alone(work())


def test_a_question_does_not_wait_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(turns_module, "GIVEN_WAY_S", 0.01)

    async def work() -> None:
        kitchen = Kitchen()
        turns = Turns(kitchen)
        finding = asyncio.ensure_future(sent(turns, "/api/jobs/a/written"))
        await settled()
        await sent(turns, "/api/jobs/q/next", "GET")
        assert kitchen.order == ["begin a", "begin q", "end q"]
        kitchen.open.set()
        await finding

    alone(work())


def test_a_finding_that_takes_long_to_write_lets_the_others_go_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(turns_module, "HELD_S", 0.01)

    async def work() -> None:
        kitchen = Kitchen()
        turns = Turns(kitchen)
        findings = [asyncio.ensure_future(sent(turns, f"/api/jobs/{name}/written")) for name in "abc"]
        while len(kitchen.order) < len(findings):
            await asyncio.sleep(0.001)
        assert kitchen.order == ["begin a", "begin b", "begin c"]
        kitchen.open.set()
        await asyncio.gather(*findings)

    alone(work())


def test_a_finding_that_comes_in_slowly_holds_up_no_other() -> None:
    async def work() -> None:
        kitchen = Kitchen()
        kitchen.open.set()
        turns, whole = Turns(kitchen), asyncio.Event()
        slow = [
            asyncio.ensure_future(sent(turns, f"/api/jobs/{name}/written", pieces=2, whole=whole)) for name in "xyz"
        ]
        await settled()
        await sent(turns, "/api/jobs/a/written")
        assert kitchen.order == ["begin a", "end a"]
        whole.set()
        await asyncio.gather(*slow)
        assert len(kitchen.order) == 8

    alone(work())


def test_a_finding_is_written_through_the_whole_application(client: TestClient) -> None:
    job = opened(client, "first-one")
    content = {"sending": "second-one", "function": "starter", "answer": "dead"}
    found = client.post(f"/api/jobs/{job}/written", json=content)
    assert found.status_code == 200, found.text
    assert client.get(f"/api/jobs/{job}/next").status_code == 200


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

    alone(connect())
    assert found
    assert found[0] != 0
