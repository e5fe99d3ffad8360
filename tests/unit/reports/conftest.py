"""Practice jobs on the shipped machines, each played once for all tests of reports."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import pytest

from halfsplit.cli import demo
from halfsplit.jobs.attachments import MemoryShelf
from halfsplit.jobs.events import AttachmentAdded, Role
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.recording import load_job, record
from halfsplit.machine.reading import load_machine
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk
from halfsplit.service.examples import find_machine
from halfsplit.service.keeping import close_job
from halfsplit.service.practising import play_out, set_up, set_up_told

WHEN = "2031-04-02T12:00:00Z"


@dataclass(frozen=True)
class Played:
    """A played job: the desk it lies on and its id."""

    desk: Desk
    job: str


def png(width: int, height: int, shade: int = 90) -> bytes:
    """A small grey picture."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    rows = b"".join(b"\0" + bytes((shade + x + y) % 256 for x in range(width)) for y in range(height))
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def _ended(desk: Desk, job: str, kind: str) -> Played:
    close_job(desk, "" if kind in ("finish", "not found") else "not found", job)
    return Played(desk, job)


@cache
def _sweeper() -> Played:
    path = find_machine(demo.MACHINE)
    complaint = complaint_of(load_machine(path), [demo.COMPLAINT], ["rain"], words=demo.WORDS)
    rig = set_up_told(MemoryStore(), path, demo.FAULT, complaint, demo.SEED)
    rig.desk.by = "Ása Þórs"
    last = play_out(rig, lambda _: None, lambda _, __: None)
    return _ended(rig.desk, rig.job, last.kind)


@cache
def _drawn(machine: str, seed: int) -> Played:
    rig = set_up(MemoryStore(), find_machine(machine), seed)
    rig.desk.by = "Tomás"
    last = play_out(rig, lambda _: None, lambda _, __: None)
    return _ended(rig.desk, rig.job, last.kind)


def _copied(played: Played) -> Played:
    """The same job in a store of its own, so that one test cannot write into another's."""
    store = MemoryStore()
    events = played.desk.store.events(played.job)
    store.put_machine(load_job(played.desk.store, played.job).fingerprint, played.desk.store.get_machine(
        load_job(played.desk.store, played.job).fingerprint))  # fmt: skip
    store.create_job(events[0], events[1:])
    return Played(replace(played.desk, store=store, shelf=MemoryShelf(), standings={}), played.job)


@pytest.fixture
def sweeper() -> Played:
    """The demo's job on the sweeper, closed."""
    return _copied(_sweeper())


@pytest.fixture(params=[("hand-cart-generator", 3), ("orchard-platform", 2)], ids=lambda one: str(one[0]))
def drawn(request: pytest.FixtureRequest) -> Played:
    """A job with a drawn fault on one of the other machines, closed."""
    return _copied(_drawn(*request.param))


@pytest.fixture
def attach_content() -> Callable[..., str]:
    """Keeps a content with a job as an attachment and gives its SHA-256."""

    def attach(played: Played, content: bytes, media: str, name: str = "photo", caption: str = "",
               role: Role = "picture") -> str:  # fmt: skip
        sha256 = played.desk.shelf.put(content)
        event = AttachmentAdded(sha256, name, media, len(content), caption, role)
        job = load_job(played.desk.store, played.job)
        record(played.desk.store, job, event, when=WHEN, by="Tomás")
        return sha256

    return attach


@pytest.fixture
def picture() -> Callable[..., bytes]:
    """Makes a small PNG of a width and height."""
    return png
