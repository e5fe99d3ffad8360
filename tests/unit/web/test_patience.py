"""Work that nobody waits for any more ends early and leaves nothing half done."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import pytest

from halfsplit.diagnosis.hunt import Bench
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom
from halfsplit.service import working
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.found import record
from halfsplit.web.app import create_app
from halfsplit.web.hunts import Hunts
from halfsplit.web.patience import NobodyWaitsError, Patience
from halfsplit.web.running import Server, listen

CART = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"
DEAD = Complaint((Symptom("starter", "start", "off"),))


@cache
def bench() -> tuple[str, Bench]:
    return fingerprint_of(machine_files(CART)), Bench(load_machine(CART))


@pytest.fixture
def desk() -> Desk:
    return Desk(MemoryStore(), lambda: datetime(2031, 4, 2, 7, tzinfo=UTC), "", dict([bench()]))


class EnoughError(Exception):
    """Nobody waits any more."""


def after(calls: int) -> Callable[[], None]:
    """Is content so many times."""
    left = iter(range(calls))

    def go_on() -> None:
        if next(left, None) is None:
            raise EnoughError

    return go_on


def job_with_findings(desk: Desk) -> str:
    job = working.open_job(desk, CART, DEAD).head.job
    record(desk, "12.4 V", job, check_id="volts S1.3 in start")
    record(desk, "starter: dead", job)
    return job


def test_what_was_worked_through_before_the_end_is_gone_on_with(desk: Desk) -> None:
    job = desk.job(job_with_findings(desk))
    whole = desk.standings.pop(job.id)
    with pytest.raises(EnoughError):
        replace(desk, go_on=after(1)).standing(job)
    half = desk.standings[job.id]
    assert half.entries == whole.entries[:1]
    assert desk.standing(job) is half
    assert half.entries == whole.entries
    assert half.hunt.belief.group_odds() == pytest.approx(whole.hunt.belief.group_odds(), abs=1e-12)


def test_a_job_that_nobody_waits_for_is_not_opened(desk: Desk) -> None:
    with pytest.raises(EnoughError):
        working.open_job(replace(desk, go_on=after(0)), CART, DEAD)
    assert desk.store.jobs() == ()


def test_who_stopped_waiting_leaves_the_queue(desk: Desk) -> None:
    job = working.open_job(desk, CART, DEAD).head.job
    hunts = Hunts(desk, Board((CART,), with_shipped=False))
    patience = Patience()
    left = threading.Event()

    def ask() -> None:
        with pytest.raises(NobodyWaitsError), hunts.waited_for(patience).at(job):
            raise AssertionError("it was let in")
        left.set()

    thread = threading.Thread(target=ask)
    with hunts.at(job):
        thread.start()
        assert not left.wait(0.1)
        patience.end()
        assert left.wait(20)
    thread.join(20)


def test_a_connection_that_is_closed_ends_the_work(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    job = working.open_job(desk, CART, DEAD).head.job
    hunts = Hunts(desk, Board((CART,), with_shipped=False))
    asked, ended = threading.Event(), threading.Event()

    def waits_for_ever(desk: Desk, *_: object) -> None:
        asked.set()
        while True:
            try:
                desk.go_on()
            except NobodyWaitsError:
                ended.set()
                raise

    monkeypatch.setattr(working, "next_step", waits_for_ever)
    with listen(0) as where:
        where.listen()
        server = Server(create_app(hunts, built=None))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [where]})
        thread.start()
        with socket.create_connection(where.getsockname()) as phone:
            phone.sendall(f"GET /api/jobs/{job}/next HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode("ascii"))
            assert asked.wait(20)
            assert not ended.is_set()
        assert ended.wait(20)
        server.should_exit = True
        thread.join(20)
    assert not thread.is_alive()
