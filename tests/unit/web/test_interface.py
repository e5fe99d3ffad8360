"""The HTTP interface over a store in memory: jobs, findings, once and once only, and the one shape of failures."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from fastapi.testclient import TestClient

from halfsplit.diagnosis.hunt import Bench
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import JobStore, fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.service import keeping
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk, machine_files
from halfsplit.web.app import create_app
from halfsplit.web.failures import OURS
from halfsplit.web.hunts import Hunts

SKETCH = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"
NUMBERS = count(1)
STARTER = {"function": "starter", "state": "start", "level": "dead"}


@cache
def bench() -> tuple[str, Bench]:
    return fingerprint_of(machine_files(SKETCH)), Bench(load_machine(SKETCH))


def ticking() -> Iterator[datetime]:
    moment = datetime(2031, 4, 2, 7, tzinfo=UTC)
    while True:
        moment += timedelta(minutes=1)
        yield moment


def hunts_on(store: JobStore, most_kept: int = 12) -> Hunts:
    moments = ticking()
    desk = Desk(store, lambda: next(moments), "tester", dict([bench()]))
    return Hunts(desk, Board((SKETCH,), with_shipped=False), most_kept)


class Client:
    """A client that makes its own ids and gives status and body."""

    def __init__(self, hunts: Hunts) -> None:
        self.http = TestClient(create_app(hunts, built=None), base_url="http://127.0.0.1")

    def get(self, path: str) -> tuple[int, Any]:
        found = self.http.get(f"/api/{path}")
        return found.status_code, found.json()

    def post(self, path: str, **content: Any) -> tuple[int, Any]:
        found = self.http.post(f"/api/{path}", json={"sending": f"sending-{next(NUMBERS)}", **content})
        return found.status_code, found.json()

    def open(self, **more: Any) -> str:
        status, found = self.post("jobs", machine="hand-cart-generator", told=[STARTER], **more)
        assert status == 201, found
        job: str = found["next"]["head"]["job"]
        return job


@pytest.fixture
def store() -> MemoryStore:
    return MemoryStore()


@pytest.fixture
def hunts(store: MemoryStore) -> Hunts:
    return hunts_on(store)


@pytest.fixture
def client(hunts: Hunts) -> Client:
    return Client(hunts)


def test_machines_and_what_can_fail_on_one_are_listed(client: Client) -> None:
    assert [one["machine"] for one in client.get("machines")[1]["machines"]] == ["hand-cart-generator"]
    form = client.get("machines/hand-cart-generator")[1]
    starter = next(one for one in form["functions"] if one["function"] == "starter")
    assert {"text": "dead", "label": "dead", "tone": "amiss"} in starter["states"][0]["amiss"]
    assert "rain" in form["conditions"]


def test_a_job_is_opened_listed_and_asks_its_first_step(client: Client) -> None:
    job = client.open(unit="7", conditions=["rain"], words="It just clicks.")
    status, found = client.get(f"jobs/{job}/next")
    assert status == 200
    assert found["next"]["step"]["cautions"]
    assert found["asked"]["kind"] in ("words", "reading", "round", "repair")
    card = client.get("jobs?state=open")[1]["jobs"][0]
    assert (card["job"], card["unit"], card["state"]) == (job, "7", "open")
    assert "starter" in card["complaint"][0].casefold()


def test_everything_wrong_with_an_opening_is_said_at_once(client: Client) -> None:
    told = [{"function": "startr", "state": "start", "level": "dead"}, {**STARTER, "state": "strat"}]
    status, found = client.post("jobs", machine="hand-cart-generator", told=told, conditions=["rian"])
    assert status == 422
    assert [one["code"] for one in found["error"]["faults"]] == [
        "complaint-unknown", "condition-unknown", "state-unknown"
    ]  # fmt: skip
    assert {one["nearest"] for one in found["error"]["faults"]} >= {"starter", "start"}
    assert client.get("jobs")[1]["jobs"] == []


def answers(found: Any) -> dict[str, str]:
    """A finding that the step asked takes, from what is offered for it."""
    step, asked = found["next"]["step"], found["asked"]
    text = f"12.1 {asked['units'][0]['text']}" if asked["units"] else asked["choices"][0]["text"]
    return {"repair" if step["kind"] == "repair" else "check": step["id"], "answer": text}


def test_what_is_offered_for_a_step_is_taken_and_the_next_step_follows(client: Client) -> None:
    job = client.open()
    found = client.get(f"jobs/{job}/next")[1]
    for _ in range(4):
        if found["next"]["step"] is None:
            break
        status, found = client.post(f"jobs/{job}/findings", **answers(found))
        assert status == 200, found
        assert found["recorded"]
    assert len(client.get(f"jobs/{job}/log")[1]["lines"]) >= 2


def test_a_finding_sent_again_is_written_down_once_even_by_another_process(client: Client, store: MemoryStore) -> None:
    job = client.open()
    finding = {**answers(client.get(f"jobs/{job}/next")[1]), "sending": "the-same-one"}
    first = client.post(f"jobs/{job}/findings", **finding)[1]
    written = len(store.events(job))
    again = client.post(f"jobs/{job}/findings", **finding)[1]
    elsewhere = Client(hunts_on(store)).post(f"jobs/{job}/findings", **finding)[1]
    assert (first["repeated"], again["repeated"], elsewhere["repeated"]) == (False, True, True)
    assert again["next"] == elsewhere["next"] == first["next"]
    assert len(store.events(job)) == written


def test_an_opening_sent_again_opens_one_job(client: Client) -> None:
    first, second = client.open(sending="opened-once"), client.open(sending="another-one")
    status, found = client.post("jobs", machine="hand-cart-generator", told=[STARTER], sending="opened-once")
    assert (status, found["repeated"], found["next"]["head"]["job"]) == (200, True, first)
    assert {one["job"] for one in client.get("jobs")[1]["jobs"]} == {first, second}


@pytest.mark.parametrize("path", ["undo", "restore", "notes", "reopen", "close"])
def test_whatever_writes_writes_once(client: Client, store: MemoryStore, path: str) -> None:
    job = client.open()
    client.post(f"jobs/{job}/notes", text="first")
    if path == "restore":
        client.post(f"jobs/{job}/undo")
    if path == "reopen":
        client.post(f"jobs/{job}/close", cause="not found")
    content = {"notes": {"text": "second"}, "close": {"cause": "not found"}}.get(path, {})
    counts = []
    for _ in range(2):
        status, found = client.post(f"jobs/{job}/{path}", sending="sent-twice", **content)
        assert status == 200, found
        counts.append(len(store.events(job)))
    assert counts[0] == counts[1]


def test_undo_takes_back_and_the_log_says_so(client: Client) -> None:
    job = client.open()
    before = client.get(f"jobs/{job}/next")[1]["next"]
    client.post(f"jobs/{job}/findings", **answers(client.get(f"jobs/{job}/next")[1]))
    after = client.post(f"jobs/{job}/undo")[1]["next"]
    assert after["step"] == before["step"]
    assert any(line["undone"] for line in client.get(f"jobs/{job}/log")[1]["lines"])


def test_what_another_process_wrote_is_seen(client: Client, store: MemoryStore) -> None:
    job = client.open()
    assert client.get(f"jobs/{job}/next")[1]["next"]["head"]["entries"] == 0
    Client(hunts_on(store)).post(f"jobs/{job}/notes", text="from the other phone", by="Ida")
    line = client.get(f"jobs/{job}/log")[1]["lines"][-1]
    assert (line["words"], line["by"]) == ("note: from the other phone", "Ida")


def test_a_function_nobody_asked_for_can_be_reported(client: Client) -> None:
    job = client.open()
    finding = {"function": "panel-lamp", "state": "start", "answer": "lit"}
    assert client.post(f"jobs/{job}/findings", **finding)[1]["recorded"] == ["panel-lamp [start]: lit"]


def test_suspects_why_and_report_are_given(client: Client) -> None:
    job = client.open()
    suspects = client.get(f"jobs/{job}/suspects")[1]
    assert suspects["suspects"][0]["odds"] >= suspects["suspects"][1]["odds"]
    case = client.get(f"jobs/{job}/why?suspect={suspects['suspects'][1]['group']}")[1]
    assert case["group"] == suspects["suspects"][1]["group"]
    report = client.http.get(f"/api/jobs/{job}/report.pdf?face=customer")
    assert report.content.startswith(b"%PDF-")
    assert f"{job}-customer.pdf" in report.headers["content-disposition"]
    assert "halfsplit-unprinted" not in report.headers


def test_a_report_names_the_signs_that_no_font_prints(client: Client) -> None:
    job = client.open()
    client.post(f"jobs/{job}/notes", text="read by Юрий, then by 山田", by="山田")
    report = client.http.get(f"/api/jobs/{job}/report.pdf?face=technician")
    assert unquote(report.headers["halfsplit-unprinted"]) == "山 田"
    page = client.http.get(f"/api/jobs/{job}/report.html?face=technician")
    assert "halfsplit-unprinted" not in page.headers
    assert "山田" in page.text


def test_of_many_signs_the_first_are_named(client: Client) -> None:
    job = client.open()
    signs = "".join(chr(0x4E00 + at) for at in range(25))
    client.post(f"jobs/{job}/notes", text=signs)
    named = unquote(client.http.get(f"/api/jobs/{job}/report.pdf").headers["halfsplit-unprinted"])
    assert named == " ".join(signs[:20]) + " ..."


def test_the_map_and_the_circuit_path_are_given(client: Client) -> None:
    job = client.open()
    _, found = client.get(f"jobs/{job}/where")
    assert [one["row"] for one in found["zones"]] == [0]
    _, path = client.get(f"jobs/{job}/path?suspect=F1")
    assert path["repair"] == "replace fuse F1"
    assert [one["words"] for one in path["points"] if one["next_suspect"]] == ["pin 1 of F1"]


def test_a_job_is_closed_and_opened_again(client: Client) -> None:
    job = client.open()
    closed = client.post(f"jobs/{job}/close", cause="not found")[1]
    assert (closed["head"]["state"], closed["cause"]) == ("closed", "not found")
    status, found = client.post(f"jobs/{job}/findings", check="x", answer="12 V")
    assert status == 422
    assert set(found["error"]) == {"code", "what", "hint", "nearest", "faults"}
    assert client.post(f"jobs/{job}/reopen")[1]["next"]["head"]["state"] == "open"


def test_a_return_is_evidence_and_a_job_closed_by_mistake_is_not(client: Client, store: MemoryStore) -> None:
    job = client.open()
    client.post(f"jobs/{job}/findings", repair="replace-part:K1", answer="mended")
    status, found = client.post(f"jobs/{job}/close")
    assert (status, found["error"]["code"]) == (422, "close-undecided")
    for by_mistake, written in ((True, ["job-reopened"]), (False, ["job-reopened", "observation-recorded"])):
        status, found = client.post(f"jobs/{job}/close", cause="replace-part:K1")
        assert (status, found["cause"]) == (200, "replace K1")
        before = len(store.events(job))
        client.post(f"jobs/{job}/reopen", by_mistake=by_mistake)
        assert [one.what.KIND for one in store.events(job)[before:]] == written


def test_a_job_list_is_answered_while_a_job_is_being_worked_out(client: Client, hunts: Hunts) -> None:
    job = client.open()
    with hunts.at(job):
        assert client.get("jobs")[0] == 200
        assert client.get("about")[0] == 200


def test_only_so_many_beliefs_are_kept(store: MemoryStore) -> None:
    hunts = hunts_on(store, most_kept=1)
    client = Client(hunts)
    first, second = client.open(), client.open()
    for job in (first, second, first):
        assert client.get(f"jobs/{job}/next")[0] == 200
        assert list(hunts.desk().standings) == [job]


@pytest.mark.parametrize(
    ("path", "status", "code"),
    [
        ("jobs/no-such-job/next", 404, "not-found"),
        ("jobs/JOB/why?suspect=x99", 422, "suspect-unknown"),
        ("jobs/JOB/next?other=-1", 422, "request-shape"),
        ("jobs/JOB/report.doc", 422, "request-shape"),
        ("jobs/JOB/report.pdf?face=owner", 422, "request-shape"),
        ("machines/hand-cart", 404, "not-found"),
        ("nothing-here", 404, "address-unknown"),
        ("jobs/JOB/undo", 405, "method-refused"),
    ],
)
def test_every_failure_has_the_one_shape(client: Client, path: str, status: int, code: str) -> None:
    job = client.open()
    got, found = client.get(path.replace("JOB", job))
    assert (got, found["error"]["code"]) == (status, code)
    assert set(found) == {"error"}
    assert set(found["error"]) == {"code", "what", "hint", "nearest", "faults"}
    assert found["error"]["what"]


def test_a_near_spelling_is_given_by_itself(client: Client) -> None:
    assert client.get("machines/hand-cart-generater")[1]["error"]["nearest"] == "hand-cart-generator"
    job = client.open()
    found = client.post(f"jobs/{job}/findings", function="starter", state="start", answer="deat")[1]
    assert (found["error"]["code"], found["error"]["nearest"]) == ("answer-unknown", "dead")


@pytest.mark.parametrize(
    "content",
    [
        {"answer": "lit"},
        {"answer": "lit", "check": "a", "repair": "b"},
        {"answer": "", "check": "a"},
        {"answer": "lit", "check": "a", "minutes": -1},
        {"answer": "lit", "check": "a", "sending": "short"},
        {"answer": "lit", "check": "a", "unknown": 1},
        {"check": "a"},
    ],
)
def test_a_finding_of_the_wrong_shape_writes_nothing(client: Client, store: MemoryStore, content: Any) -> None:
    job = client.open()
    status, found = client.post(f"jobs/{job}/findings", **content)
    assert status == 422
    assert found["error"]["code"] in ("request-shape", "finding-subject")
    assert len(store.events(job)) == 1


def test_our_own_mistake_is_told_without_what_happened(
    client: Client, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> None:
        raise ValueError("/secret/place")

    monkeypatch.setattr(keeping, "log", broken)
    status, found = client.get(f"jobs/{client.open()}/log")
    assert (status, found["error"]["code"], found["error"]["what"]) == (500, "internal", OURS)
    assert "secret" not in str(found)
    assert "/secret/place" in caplog.text


def test_the_description_names_every_address_and_the_failure_shape(client: Client) -> None:
    described = client.http.get("/api/openapi.json").json()
    assert "/api/jobs/{job}/findings" in described["paths"]
    for path in described["paths"].values():
        for operation in path.values():
            assert operation["operationId"]
            answer = operation["responses"]["422"]["content"]["application/json"]["schema"]
            assert answer == {"$ref": "#/components/schemas/Refused"}


def test_a_phone_gets_the_table_of_a_job_with_what_was_found_in_it() -> None:
    client = Client(hunts_on(MemoryStore()))
    _, opened = client.post("jobs", machine="hand-cart-generator", told=[STARTER])
    job, step = opened["next"]["head"]["job"], opened["next"]["step"]["id"]
    client.post(f"jobs/{job}/findings", check=step, answer="can't reach")
    answer = client.http.get(f"/api/jobs/{job}/table")
    assert answer.headers["content-type"] == "application/gzip"
    table = json.loads(gzip.decompress(answer.content))
    assert table["format"] == "halfsplit-phone-table/2"
    assert table["job"] == job
    assert [one["observation"]["kind"] for one in table["found"]] == ["out-of-reach"]
    assert table["found"][0]["check"]["id"] == step
    assert {"start"} <= set(table["states"])
    assert client.get("jobs/J-0000/table")[0] == 404


def test_a_finding_is_written_down_before_the_next_step_is_worked_out_and_the_step_follows_as_ever(
    client: Client, store: MemoryStore
) -> None:
    one, other = client.open(), client.open()
    for _ in range(4):
        found = client.get(f"jobs/{one}/next")[1]
        assert client.get(f"jobs/{other}/next")[1]["next"]["step"] == found["next"]["step"]
        if found["next"]["step"] is None:
            break
        status, kept = client.post(f"jobs/{one}/written", **answers(found))
        assert status == 200, kept
        whole = client.post(f"jobs/{other}/findings", **answers(found))[1]
        assert kept == {"recorded": whole["recorded"], "number": store.events(one)[-1].number, "repeated": False}
    assert [event.what for event in store.events(one)] == [event.what for event in store.events(other)]


def test_a_finding_of_which_the_server_lost_sight_is_written_down_once_all_the_same(store: MemoryStore) -> None:
    client = Client(hunts_on(store))
    job = client.open()
    finding = {**answers(client.get(f"jobs/{job}/next")[1]), "sending": "the-same-one"}
    client.post(f"jobs/{job}/notes", text="behind by one entry")
    for anew in (False, True, False):
        client = Client(hunts_on(store)) if anew else client
        status, found = client.post(f"jobs/{job}/written", **finding)
        assert status == 200, found
    assert found["repeated"]
    assert sum(event.sending == "the-same-one" and event.number == found["number"] for event in store.events(job)) == 1
    assert client.post("jobs/none/written", **finding)[0] == 404
    assert client.post(f"jobs/{job}/written", check="no such check", answer="dry")[0] == 422


def test_a_finding_waits_for_nobody_who_works_out_another_job(
    hunts: Hunts, client: Client, store: MemoryStore
) -> None:
    job, other = client.open(), client.open()
    finding = answers(client.get(f"jobs/{job}/next")[1])
    with hunts.at(other):  # somebody else's belief is being worked out, for as long as this takes
        assert client.post(f"jobs/{job}/written", **finding)[0] == 200
    assert len(store.events(job)) > 1
