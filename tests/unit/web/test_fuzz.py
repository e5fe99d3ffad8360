"""The interface against its own description: whatever is sent, nothing fails inside, and each answer is as described.

A quarter of what is sent has values drawn from the description alone; the rest has most that mean something: the job,
its check, functions and states of the machine, answers as they are typed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache, partial
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher
from fastapi import FastAPI
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.openapi import from_dict
from schemathesis.python import asgi
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from halfsplit.diagnosis.hunt import Bench
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.people import People, added, write_change
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom
from halfsplit.service import keeping, paperwork, people, working
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.found import record
from halfsplit.service.people import Roster
from halfsplit.web.app import create_app
from halfsplit.web.describing import description
from halfsplit.web.hunts import Hunts
from halfsplit.web.signing import Door

SKETCH = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"
NOW = datetime(2031, 4, 2, 7, tzinfo=UTC)
PASSWORD = "four brown boots"
LAN = "192.168.1.20"
#: What is tried at each address; the whole takes less than a minute of a processor.
TRIES = 9
#: Seconds that an answer may take on the busiest computer.
PATIENCE_S = 300
#: What random values seldom fit all at once is sent well once before.
GOOD: dict[str, dict[str, Any]] = {
    "openJob": {
        "machine": "hand-cart-generator", "told": [{"function": "starter", "state": "start", "level": "dead"}],
        "sending": "sent-well",
    },
    "recordFinding": {"function": "starter", "state": "start", "answer": "dead", "sending": "sent-well"},
    "writeFinding": {"function": "starter", "state": "start", "answer": "dead", "sending": "sent-well"},
    "takeBack": {"sending": "sent-well"},
    "earlierJobs": {"machine": "hand-cart-generator", "unit": "HC-1"},
    "partUsed": {"text": "heat-shrink sleeve", "sending": "sent-well"},
    "stateHistory": {"events": 3, "amount": "40 h", "sending": "sent-well"},
    "attach": {"sending": "sent-well", "name": "hello.txt"},
    "changePassword": {"old": PASSWORD, "new": "green paper lamps"},
    "addPerson": {"name": "Eve", "password": PASSWORD},
    "givePassword": {"password": "green paper lamps"},
    "giveRole": {"role": "lead"},
    "removePerson": {},
}  # fmt: skip
#: What takes more than is at hand: a repair that can be proved, or told to have gone half; something to open.
NEEDS_MORE = frozenset({"halfDone", "recordRun", "setAccess"})
QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)

#: The description as it is served, so that its answers are held to it too.
SCHEMA: Any = from_dict(description())
OPERATIONS = {one.ok().definition.raw["operationId"]: one.ok() for one in SCHEMA.get_all_operations()}
CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]


@cache
def bench() -> tuple[str, Bench]:
    return fingerprint_of(machine_files(SKETCH)), Bench(load_machine(SKETCH))


class Ticking:
    """Seconds of which each question takes a thousand, so that nothing is asked too often."""

    def __init__(self) -> None:
        self._numbers = count()

    def __call__(self) -> float:
        return 1000.0 * next(self._numbers)


@cache
def for_the_loopback() -> FastAPI:
    """The application made once, since that takes longer than all that is sent to one address."""
    desk = Desk(MemoryStore(), lambda: NOW)
    return create_app(Hunts(desk, Board(with_shipped=False)), built=None)


def shop(folder: Path, *, network: bool, closed: bool) -> tuple[FastAPI, str, str, str]:
    """An application with a job, the job, the check it asks, and the SHA-256 of a file of it."""
    store = MemoryStore()
    for person in ("Lea", "Bo"):
        change = partial(added, name=person, role="lead", secret=QUICK.hash(PASSWORD))
        write_change(store, People(), change, when="2031-04-02T06:00:00Z", by="")
    desk = Desk(store, lambda: NOW, "tester", dict([bench()]))
    step = working.open_job(desk, SKETCH, Complaint((Symptom("starter", "start", "off"),)))
    job = step.head.job
    record(desk, "starter: dead", job)
    keeping.undo(desk, job)
    keeping.note(desk, "seen", job)
    file = folder / "content"
    file.write_bytes(b"hello")
    paperwork.attach(desk, file, job, name="hello.txt")
    sha256 = paperwork.papers(desk, job).attachments[0].sha256
    if closed:
        keeping.close_job(desk, "not found", job)
    hunts = Hunts(desk, Board((SKETCH,), with_shipped=False))
    hunts.listeners.end()  # or a stream of news would never end
    if network:
        app = create_app(hunts, built=None, door=Door(Roster(store), Ticking()), hosts=frozenset({LAN}))
    else:
        app = for_the_loopback()
        app.state.hunts = hunts
    return app, job, step.step.id if step.step else "", sha256


def meant(job: str, check: str, sha256: str) -> dict[str, st.SearchStrategy[Any]]:
    """For the names of fields: values that mean something on this machine and job."""
    machine = bench()[1].machine
    return {
        "job": st.just(job),
        "sha256": st.just(sha256),
        "now": st.sampled_from(["open", "closed"]),
        "sending": st.from_regex(r"[A-Za-z0-9-]{8,64}", fullmatch=True),
        "machine": st.just(machine.id),
        "check": st.sampled_from([check, "", "operate starter in start", "watch starter in start, X1 out"]),
        "function": st.sampled_from([*machine.functions, ""]),
        "state": st.sampled_from([*machine.states, ""]),
        "repair": st.sampled_from([*(one.id for one in bench()[1].space.groups[:5]), ""]),
        "suspect": st.sampled_from(["1", "2", *machine.parts]),
        "answer": st.sampled_from([
            "12.1 V", "0 V", "-3 mV", "OL", "dead", "all right", "dry", "can't reach", "1e308 V", "nan V", "inf ohm",
            "9" * 400 + " V", "starter dead", "nothing changes", "mended", "partly", "24 V 3 V", "\u2126", "10 µV",
        ]),
        "level": st.sampled_from(["off", "dead", "weak", "comes-and-goes"]),
        "cause": st.sampled_from(["not found", "1", ""]),
        "step": st.sampled_from([*machine.access, ""]),
        "amount": st.sampled_from(["8 h", "25 starts", "0 h", "-1 h", "1e400 h", "99999999999 h", "3 washes"]),
        "minutes": st.sampled_from(["35 min", "1.5 h", "0 min", "1e9 h"]),
        "distance": st.sampled_from(["42 km", "", "1e308 km"]),
        "next_inspection": st.sampled_from(["2031-05-01", "", "31.2.2031", "0000-00-00"]),
        "quantity": st.sampled_from(["1", "2 m", "0", "1e400"]),
        "price": st.sampled_from(["4.80 EUR", "", "1e999 EUR", "1 \u20ac"]),
        "name": st.sampled_from(["Lea", "lea", "Bo", "../../x", "a\u0000b", "CON"]),
        "password": st.sampled_from([PASSWORD, "green paper lamps"]),
        "old": st.just(PASSWORD),
        "ending": st.sampled_from(["pdf", "html"]),
        "entry": st.integers(1, 5),
        "unit": st.sampled_from(["HC-1", "", "\u0000"]),
        "conditions": st.sampled_from([["rain"], ["rain", "rain"], []]),
        "told": st.just([{"function": "starter", "state": "start", "level": "dead"}]),
        "worked_on": st.lists(st.sampled_from([*machine.connectors, "X99"]), max_size=2),
    }  # fmt: skip


def filled(draw: st.DataObject, values: dict[str, st.SearchStrategy[Any]], given_: Any) -> None:
    """Puts values that mean something in the place of most of those that were drawn."""
    if not isinstance(given_, dict):
        return
    for key in list(given_):
        fits = key in values and not (key == "minutes" and isinstance(given_[key], int | float | type(None)))
        if fits and draw.draw(st.integers(0, 7)):
            given_[key] = draw.draw(values[key])


@contextmanager
def client(app: FastAPI, address: str) -> Iterator[Any]:
    program: Any = app  # the two say the same of what a program is in different words
    with asgi.get_client(program) as found:
        found.headers["host"] = address
        yield found


def sent_well(session: Any, base: str, operation: Any, job: str) -> int:
    """Sends what must be taken, signed in where somebody must be; gives the status."""
    signed = session.post(f"{base}/api/session", json={"name": "Bo", "password": PASSWORD})
    cookie = {"cookie": signed.headers.get("set-cookie", "").partition(";")[0]}
    content = GOOD[operation.definition.raw["operationId"]]
    path = operation.path.replace("{job}", job).replace("{name}", "Bo")
    if operation.method.upper() == "GET":
        found = session.get(f"{base}{path}", params=content, headers=cookie, timeout=PATIENCE_S)
    elif path.endswith("/attachments"):
        kind = {"content-type": "application/octet-stream"}
        found = session.post(f"{base}{path}", params=content, data=b"hello", headers=kind, timeout=PATIENCE_S)
    else:
        found = session.post(f"{base}{path}", json=content, headers=cookie, timeout=PATIENCE_S)
    return int(found.status_code)


@pytest.mark.parametrize("name", sorted(OPERATIONS))
def test_nothing_that_is_sent_fails_inside_and_each_answer_is_as_described(
    name: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    operation = OPERATIONS[name]
    network = operation.path.startswith(("/api/session", "/api/people"))
    monkeypatch.setattr(people, "_nobodys", lambda: QUICK.hash(PASSWORD))
    app, job, check, sha256 = shop(tmp_path, network=network, closed=name == "reopenJob")
    values = meant(job, check, sha256)
    base = f"https://{LAN}" if network else "http://127.0.0.1"
    answered: set[int] = set()
    with client(app, base.partition("//")[2]) as session:
        headers: dict[str, str] = {}

        @given(draw=st.data())
        @settings(
            max_examples=TRIES, deadline=None, derandomize=True, database=None, phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        def tried(draw: st.DataObject) -> None:
            mode = draw.draw(st.sampled_from(list(GenerationMode)))
            case = draw.draw(operation.as_strategy(generation_mode=mode))
            if draw.draw(st.integers(0, 3)):
                if isinstance(case.body, bytes):
                    case.body = b"hello"
                for part in (case.path_parameters, case.query, case.body):
                    filled(draw, values, part)
            if network and draw.draw(st.integers(0, 3)):
                sent = {"name": "Lea", "password": PASSWORD}
                signed = session.post(f"{base}/api/session", json=sent)
                headers["cookie"] = signed.headers.get("set-cookie", "").partition(";")[0]
            found = case.call(session=session, base_url=base, headers=headers, timeout=PATIENCE_S)
            answered.add(found.status_code)
            case.validate_response(found, checks=CHECKS)

        if name in GOOD:
            answered.add(sent_well(session, base, operation, job))
        tried()
    # Were everything refused before it is looked at, this would show little.
    assert answered & {200, 201} or name in NEEDS_MORE, answered
