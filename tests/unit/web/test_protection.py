"""Who may ask, who may write, how much, and what every answer carries."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient

from halfsplit.jobs.memory import MemoryStore
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk
from halfsplit.web.app import create_app
from halfsplit.web.hunts import Hunts
from halfsplit.web.protection import LARGEST_BODY

NOTE = {"sending": "sending-1", "text": "x"}


@pytest.fixture
def http() -> TestClient:
    desk = Desk(MemoryStore(), lambda: (_ for _ in ()).throw(AssertionError("no clock is read")))
    return TestClient(
        create_app(Hunts(desk, Board(with_shipped=False)), built=None), base_url="http://127.0.0.1:8000"
    )


def code(found: Any) -> tuple[int, str]:
    return found.status_code, found.json()["error"]["code"]


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8000", "localhost", "LOCALHOST:1", "[::1]:80"])
def test_the_loopback_is_answered_by_each_of_its_names(http: TestClient, host: str) -> None:
    assert http.get("/api/about", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["", "evil.example", "127.0.0.1.evil.example", "evil.example:127", "127.0.0.1@evil.example", "localhost:x", "::1"],
)
def test_any_other_host_is_refused_whatever_it_looks_like(http: TestClient, host: str) -> None:
    assert code(http.get("/api/about", headers={"host": host})) == (403, "host-refused")


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "http://127.0.0.1:8000", "sec-fetch-site": "cross-site"},
    ],
)
def test_another_site_may_not_write(http: TestClient, headers: dict[str, str]) -> None:
    assert code(http.post("/api/jobs/a/notes", json=NOTE, headers=headers)) == (403, "site-refused")


@pytest.mark.parametrize("headers", [{}, {"origin": "http://127.0.0.1:8000", "sec-fetch-site": "same-origin"}])
def test_the_apps_own_page_and_plain_programs_may_write(http: TestClient, headers: dict[str, str]) -> None:
    assert code(http.post("/api/jobs/a/notes", json=NOTE, headers=headers)) == (404, "not-found")


@pytest.mark.parametrize("kind", ["", "text/plain", "application/x-www-form-urlencoded", "multipart/form-data"])
def test_what_a_form_of_another_site_can_send_is_not_taken(http: TestClient, kind: str) -> None:
    sent = http.post("/api/jobs/a/notes", content=b"{}", headers={"content-type": kind})
    assert code(sent) == (415, "request-type")


def test_large_bodies_are_refused_whether_they_say_their_length_or_not(http: TestClient) -> None:
    kind = {"content-type": "application/json"}
    assert code(http.post("/api/jobs/a/notes", content=b" " * (LARGEST_BODY + 1), headers=kind)) == (
        413, "request-too-large",
    )  # fmt: skip

    def pieces() -> Iterator[bytes]:
        for _ in range(LARGEST_BODY // 1024 + 1):
            yield b" " * 1024

    assert code(http.post("/api/jobs/a/notes", content=pieces(), headers=kind)) == (413, "request-too-large")


@pytest.mark.parametrize(("path", "host"), [("/api/about", "127.0.0.1"), ("/nothing", "127.0.0.1"), ("/", "evil")])
def test_every_answer_carries_the_strict_headers(http: TestClient, path: str, host: str) -> None:
    headers = http.get(path, headers={"host": host}).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"
    assert headers["referrer-policy"] == "no-referrer"


def test_no_other_site_is_ever_given_leave_to_read(http: TestClient) -> None:
    asked = http.options(
        "/api/jobs", headers={"origin": "https://evil.example", "access-control-request-method": "POST"}
    )
    assert "access-control-allow-origin" not in asked.headers
