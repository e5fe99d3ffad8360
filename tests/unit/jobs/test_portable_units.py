"""Files of units: read as they were written, and refused whole when anything in them is wrong."""

from __future__ import annotations

import contextlib
import hashlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfsplit.errors import ProblemsError, UserError
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.portable_units import FORMAT, import_units, read_units, write_units
from halfsplit.jobs.units import UnitEntryUndone, UnitEvent, UnitNoted, unit_to_json

WHEN = "2031-04-02T07:15:00Z"
EVENTS = (
    UnitEvent("HC 1", 1, WHEN, "Ω", UnitNoted("invented-cart", "Ü & Söhne", 1240.5, "2031-04-02", False, "雨\x1b[2J")),
    UnitEvent("HC 1", 2, WHEN, "", UnitEntryUndone(1, "of the sister")),
    UnitEvent("HC 2", 1, WHEN, "", UnitNoted(hours=3.0, read_on="2031-05-02")),
)


def file_of(lines: list[str], **head: object) -> bytes:
    """A file with any lines, its sum right."""
    body = "".join(line + "\n" for line in lines).encode()
    told = {"format": FORMAT, "entries": len(lines), "sha256": hashlib.sha256(body).hexdigest(), **head}
    return json.dumps(told).encode() + b"\n" + body


def codes(data: bytes) -> list[str]:
    with pytest.raises(UserError) as caught:
        read_units(data)
    error = caught.value
    return [one.code for one in error.problems] if isinstance(error, ProblemsError) else [error.code]


def test_entries_come_back_equal_and_the_order_given_does_not_matter() -> None:
    assert read_units(write_units(EVENTS)) == EVENTS
    assert write_units(EVENTS[::-1]) == write_units(EVENTS)
    assert read_units(write_units([])) == ()


@given(st.integers(0, 10_000), st.integers(0, 255))
def test_a_byte_changed_anywhere_or_a_file_cut_short_is_refused_or_means_the_same(at: int, byte: int) -> None:
    good = write_units(EVENTS)
    at %= len(good)
    for torn in (good[:at], good[:at] + bytes([byte]) + good[at + 1 :], good[:at] + good[at + 1 :]):
        with contextlib.suppress(UserError):  # the only way in which it may be refused
            assert read_units(torn) == EVENTS


def test_what_is_wrong_is_named_with_its_line() -> None:
    good = [unit_to_json(event) for event in EVENTS]
    assert codes(b"") == codes(b"\xff\xfe") == codes(b"PK\x03\x04 a job file") == codes(b"[]\n") == ["unit-file-torn"]
    assert codes(file_of(good, format="halfsplit-units/2")) == ["unit-file-newer"]
    assert codes(file_of(good, entries=7)) == codes(file_of(good, sha256="0" * 64)) == ["unit-file-tampered"]
    assert codes(file_of(good, more=1)) == codes(file_of(good, entries=True)) == ["unit-file-tampered"]
    assert codes(file_of([good[1], good[2]])) == ["unit-file-line"]
    assert codes(file_of([good[0], "{}", "no JSON", good[2]])) == ["event-shape", "event-json"]
    with pytest.raises(ProblemsError) as caught:
        read_units(file_of([good[0], "{}", "no JSON", good[2]]))
    assert [one.line for one in caught.value.problems] == [3, 4]


def test_a_meter_that_runs_back_is_refused_and_nothing_is_taken_in() -> None:
    back = UnitEvent("HC 2", 2, WHEN, "", UnitNoted(hours=1.0, read_on="2031-06-02"))
    data = file_of([unit_to_json(event) for event in (*EVENTS, back)])
    assert codes(data) == ["unit-hours"]
    store = MemoryStore()
    with pytest.raises(ProblemsError):
        import_units(store, data)
    assert store.units() == ()


def test_a_file_too_large_is_refused_before_it_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("halfsplit.jobs.portable_units.LARGEST_FILE_BYTES", 100)
    assert codes(write_units(EVENTS)) == ["unit-file-too-large"]
