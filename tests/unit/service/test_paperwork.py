"""Attachments, material, travel and advice written down through the service."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from halfsplit.errors import NotFound, UserError
from halfsplit.jobs.events import JobClosed, JobOpened
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.recording import load_job, open_job, record
from halfsplit.observations import Complaint, Symptom
from halfsplit.service.desk import Desk
from halfsplit.service.paperwork import advise, attach, largest_attachment, part_used, travel

WHEN = "2031-04-02T07:15:00Z"
OPENED = JobOpened("m", "f", "7", Complaint((Symptom("horn", "key-on", "off"),)))


@pytest.fixture
def desk() -> Desk:
    store = MemoryStore()
    open_job(store, "job-1", OPENED, when=WHEN)
    return Desk(store, lambda: datetime(2031, 4, 2, 8, tzinfo=UTC), "tester")


def events(desk: Desk) -> int:
    return len(desk.store.events("job-1"))


def test_an_attachment_is_an_entry_with_who_and_when_and_its_content_is_kept(desk: Desk, tmp_path: Path) -> None:
    file = tmp_path / "trace.jpg"
    file.write_text("0.0 can0 18FEF100#00\n")
    found = attach(desk, file, caption="before")
    assert (found.media, found.role, found.known) == ("text", "log", False)
    entry = load_job(desk.store, "job-1").entries[-1]
    assert (entry.by, entry.when) == ("tester", "2031-04-02T08:00:00Z")
    assert desk.shelf.get(found.sha256) == file.read_bytes()
    assert attach(desk, file).known


def test_paperwork_goes_into_a_closed_job(desk: Desk, tmp_path: Path) -> None:
    record(desk.store, load_job(desk.store, "job-1"), JobClosed("not found"), when=WHEN)
    (tmp_path / "note.txt").write_text("x")
    attach(desk, tmp_path / "note.txt", "job-1")
    part_used(desk, "contact", "job-1")
    travel(desk, "35 min", "job-1")
    advise(desk, "rinse", "job-1")
    job = load_job(desk.store, "job-1")
    assert job.state == "closed"
    assert job.minutes == 0.0  # a drive is no work


def test_a_file_that_is_refused_leaves_nothing_behind(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HALFSPLIT_LARGEST_ATTACHMENT", "1 kB")
    (tmp_path / "large.txt").write_bytes(b"x" * 1001)
    (tmp_path / "torn.png").write_bytes(b"\x89PNG\r\n\x1a\n\0\0")
    (tmp_path / "program").write_bytes(b"\x7fELF\0\0")
    (tmp_path / "empty").write_bytes(b"")
    (tmp_path / "words.txt").write_bytes(b"words")
    before = events(desk)
    for name, role, code in (
        ("large.txt", "", "attachment-too-large"),
        ("torn.png", "", "attachment-torn"),
        ("program", "", "attachment-kind"),
        ("empty", "", "attachment-empty"),
        (".", "", "attachment-unreadable"),
        ("words.txt", "customer-signature", "attachment-role"),
        ("words.txt", "foto", "attachment-role"),
    ):
        with pytest.raises(UserError) as caught:
            attach(desk, tmp_path / name, role=role)
        assert caught.value.code == code
    with pytest.raises(NotFound):
        attach(desk, tmp_path / "nowhere")
    assert events(desk) == before
    (tmp_path / "fits.txt").write_bytes(b"x" * 1000)
    assert attach(desk, tmp_path / "fits.txt").size_bytes == 1000


def test_the_size_setting_is_read_with_its_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    assert largest_attachment() == 25_000_000
    monkeypatch.setenv("HALFSPLIT_LARGEST_ATTACHMENT", "1.5 mb")
    assert largest_attachment() == 1_500_000
    monkeypatch.setenv("HALFSPLIT_LARGEST_ATTACHMENT", "25")
    with pytest.raises(UserError) as caught:
        largest_attachment()
    assert caught.value.code == "setting-size"


@pytest.mark.parametrize(
    ("quantity", "price", "code"),
    [("0", "", "quantity-used"), ("-1", "", "quantity-used"), ("many", "", "quantity-used"),
     ("1", "4.20", "price-currency"), ("1", "dear", "price-shape"), ("1", "4 SEK", "price-currency")],
)  # fmt: skip
def test_material_with_an_odd_quantity_or_price_is_refused(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, quantity: str, price: str, code: str
) -> None:
    monkeypatch.setenv("HALFSPLIT_CURRENCY", "EUR")
    before = events(desk)
    with pytest.raises(UserError) as caught:
        part_used(desk, "contact", quantity=quantity, price=price)
    assert caught.value.code == code
    assert events(desk) == before


@pytest.mark.parametrize(
    ("time", "far"), [("35", ""), ("soon", ""), ("-5 min", ""), ("35 min", "42"), ("35 min", "far")]
)
def test_a_drive_needs_its_units(desk: Desk, time: str, far: str) -> None:
    with pytest.raises(UserError) as caught:
        travel(desk, time, distance=far)
    assert caught.value.code == "travel-time"


def test_material_drives_and_advice_are_told_in_words(desk: Desk) -> None:
    used = part_used(desk, "seal", number="S-1", quantity="0,5", price="EUR 2")
    assert used.words == "used: 0.5 x seal (S-1), 2 EUR each"
    assert travel(desk, "1.5 h", distance="42 km").words == "travel: 1 h 30 min, 42 km"
    assert advise(desk, "Rinse", next_inspection="250 h").words == "advice: Rinse; next inspection: 250 h"
    last = desk.job().last_number
    for when in ("2031-02-30", "2031-4-5", "1999-01-01"):
        with pytest.raises(UserError) as caught:
            advise(desk, "Rinse", next_inspection=when)
        assert caught.value.code == "inspection-date"
    assert desk.job().last_number == last
    assert advise(desk, "Rinse", next_inspection="2999-01-01").words.endswith("2999-01-01")
