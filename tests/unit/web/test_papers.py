"""What comes after the cause: the correction sheet, the proof, and files and papers kept with a job."""

from __future__ import annotations

import struct
import zlib
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
from halfsplit.web.hunts import Hunts

CART = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"
NUMBERS = count(1)
FILE = {"content-type": "application/octet-stream"}


@cache
def bench() -> tuple[str, Bench]:
    return fingerprint_of(machine_files(CART)), Bench(load_machine(CART))


def ticking() -> Iterator[datetime]:
    moment = datetime(2031, 4, 2, 7, tzinfo=UTC)
    while True:
        yield moment
        moment += timedelta(minutes=1)


def png(width: int = 2) -> bytes:
    """A whole grey picture (ISO/IEC 15948)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, 1, 8, 0, 0, 0, 0)
    rows = zlib.compress(b"\0" + b"\x80" * width)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


class Client:
    """A client with a job on the small machine."""

    def __init__(self) -> None:
        moments = ticking()
        desk = Desk(MemoryStore(), lambda: next(moments), "tester", dict([bench()]))
        app = create_app(Hunts(desk, Board((CART,), with_shipped=False)), built=None)
        self.http = TestClient(app, base_url="http://127.0.0.1")
        self.store = desk.store
        told = [{"function": "starter", "state": "start", "level": "off"}]
        self.job = ""
        status, found = self.post("jobs", machine="hand-cart-generator", told=told)
        assert status == 201, found
        self.job = found["next"]["head"]["job"]

    def post(self, path: str, **content: Any) -> tuple[int, Any]:
        where = f"/api/jobs/{self.job}/{path}" if self.job else f"/api/{path}"
        found = self.http.post(where, json={"sending": f"sending-{next(NUMBERS):04}", **content})
        return found.status_code, found.json()

    def get(self, path: str) -> Any:
        found = self.http.get(f"/api/jobs/{self.job}/{path}")
        assert found.status_code == 200, found.text
        return found.json()

    def file(self, content: bytes, **about: str) -> tuple[int, Any]:
        given = {"sending": f"sending-{next(NUMBERS):04}", "name": "photo.png", **about}
        found = self.http.post(f"/api/jobs/{self.job}/attachments", params=given, content=content, headers=FILE)
        return found.status_code, found.json()


@pytest.fixture
def client() -> Client:
    return Client()


def test_the_correction_sheet_says_cautions_material_and_steps(client: Client) -> None:
    found = client.get("correction?suspect=replace-part:K1")
    assert found["group"] == "replace-part:K1"
    assert found["cautions"]
    assert found["materials"]
    assert found["steps"]


def test_a_correction_done_in_part_is_written_down_once_and_does_not_mend(client: Client) -> None:
    sent = {"suspect": "repair-wire:W4", "went": "partly", "why": "no splice left", "sending": "one-and-the-same"}
    _, found = client.post("corrections", **sent)
    assert any("no splice left" in one for one in found["recorded"])
    _, again = client.post("corrections", **sent)
    assert again["repeated"]
    assert again["next"]["head"]["entries"] == found["next"]["head"]["entries"]
    status, found = client.post("corrections", **{**sent, "went": "well", "sending": "another-message"})
    assert (status, found["error"]["code"]) == (422, "request-shape")


def test_a_repair_is_proven_by_running_and_a_return_opens_the_hunt_again(client: Client) -> None:
    client.post("findings", repair="replace-part:K1", answer="mended")
    before = client.get("proof")
    assert before["repairs"] == ["replace K1"]
    status, found = client.post("history", events=4, amount="40 h")
    assert status == 200
    assert found["history"].startswith("failed 4 times in 40 h")
    sent = {"amount": "8 h", "sending": "the-same-run"}
    _, ran = client.post("runs", **sent)
    assert ran["confidence"] > before["confidence"]
    _, again = client.post("runs", **sent)
    assert again["runs"] == ran["runs"]
    assert len(again["runs"]) == 1
    _, back = client.post("runs", amount="1 h", came_back=True)
    assert back["returned"]
    assert client.get("next")["next"]["step"] is not None


def test_a_run_that_cannot_be_is_refused_in_words(client: Client) -> None:
    status, found = client.post("runs", amount="8 h")
    assert (status, found["error"]["code"]) == (422, "proof-no-repair")
    client.post("findings", repair="replace-part:K1", answer="mended")
    status, found = client.post("runs", amount="8 lengths")
    assert (status, found["error"]["code"]) == (422, "amount-unread")


def test_material_drives_and_advice_are_listed_once_each(client: Client) -> None:
    client.post("used", text="solenoid", number="HCG 7", quantity="1", sending="used-once-only")
    _, found = client.post("used", text="solenoid", number="HCG 7", quantity="1", sending="used-once-only")
    client.post("travel", minutes="35 min", distance="42 km")
    _, found = client.post("advice", text="keep the plug dry", next_inspection="spring")
    assert [one["words"] for one in found["lines"]] == [
        "used: 1 x solenoid (HCG 7)", "travel: 35 min, 42 km", "advice: keep the plug dry; next inspection: spring",
    ]  # fmt: skip
    status, found = client.post("used", text="wire", quantity="much")
    assert (status, found["error"]["code"]) == (422, "quantity-used")


def test_a_photo_is_kept_once_shown_and_named_as_it_was(client: Client) -> None:
    photo = png()
    status, found = client.file(photo, caption="green contact", sending="photo-sent-twice")
    assert status == 201
    _, found = client.file(photo, caption="green contact", sending="photo-sent-twice")
    (one,) = found["attachments"]
    assert (one["name"], one["media"], one["role"], one["caption"]) == ("photo.png", "png", "picture", "green contact")
    assert one["picture"]
    given = client.http.get(f"/api/jobs/{client.job}/attachments/{one['sha256']}")
    assert given.content == photo
    assert given.headers["content-type"] == "image/png"
    assert given.headers["x-content-type-options"] == "nosniff"


def test_a_voice_note_is_handed_out_as_a_file(client: Client) -> None:
    _, found = client.file(b"OggS\0\x02" + bytes(40), name="note.ogg")
    (one,) = found["attachments"]
    assert (one["role"], one["picture"]) == ("voice", False)
    given = client.http.get(f"/api/jobs/{client.job}/attachments/{one['sha256']}")
    assert given.headers["content-type"] == "application/octet-stream"
    assert given.headers["content-disposition"].startswith("attachment")


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "attachment-empty"),
        (b"\x1f\x8b\x08\0", "attachment-kind"),
        (b"<html><script>alert(1)</script>\x01", "attachment-kind"),
        (png()[:-6], "attachment-torn"),
    ],
)
def test_what_is_no_attachment_is_refused_and_nothing_is_kept(client: Client, content: bytes, code: str) -> None:
    status, found = client.file(content)
    assert (status, found["error"]["code"]) == (422, code)
    assert client.get("papers")["attachments"] == []


def test_a_page_that_is_attached_is_never_shown_as_one(client: Client) -> None:
    _, found = client.file(b"<html><script>alert(1)</script></html>", name="../../etc/page.html")
    (one,) = found["attachments"]
    given = client.http.get(f"/api/jobs/{client.job}/attachments/{one['sha256']}")
    assert given.headers["content-type"] == "application/octet-stream"
    assert given.headers["content-disposition"].startswith("attachment")
    assert ".." not in given.headers["content-disposition"]


@pytest.mark.parametrize("name", ["..%2f..%2fetc%2fpasswd", "0" * 64, "x"])
def test_what_is_no_attachment_of_the_job_is_not_given(client: Client, name: str) -> None:
    assert client.http.get(f"/api/jobs/{client.job}/attachments/{name}").status_code == 404


def test_files_come_from_this_site_in_their_own_type_and_not_too_large(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("HALFSPLIT_LARGEST_ATTACHMENT", "100 kB")
    client = Client()
    where = f"/api/jobs/{client.job}/attachments?sending=sending-elsewhere&name=a.png"
    for headers in ({"content-type": "image/png"}, {"content-type": "multipart/form-data; boundary=x"}, {}):
        assert client.http.post(where, content=png(), headers=headers).status_code == 415
    foreign = {**FILE, "origin": "http://evil.example", "sec-fetch-site": "cross-site"}
    assert client.http.post(where, content=png(), headers=foreign).status_code == 403
    assert client.http.post(where, content=bytes(100_001), headers=FILE).status_code == 413
    # Only files may be as large as that.
    assert client.post("notes", text="x" * 70_000)[0] == 413
    assert client.get("papers")["attachments"] == []
