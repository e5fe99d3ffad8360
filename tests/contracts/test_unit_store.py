"""What every store promises about units, run on each store there is."""

from __future__ import annotations

import itertools
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from halfsplit.errors import InternalError, UserError
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.store import JobStore, Overtaken
from halfsplit.jobs.units import UnitEntryUndone, UnitEvent, UnitNoted, fold_unit

WHEN = "2031-04-02T07:15:00Z"


def noted(unit: str, number: int, text: str = "a note") -> UnitEvent:
    return UnitEvent(unit, number, WHEN, "fitter", UnitNoted(text=text))


def test_what_is_noted_of_units_comes_back_equal_and_in_order(store: JobStore) -> None:
    assert store.units() == ()
    assert store.unit_events("no. 7") == ()
    events = [
        UnitEvent("no. 7", 1, WHEN, "Ω", UnitNoted("invented-sweeper", "Ü & Söhne", 1240.5, "2031-04-02", False, "雨")),
        UnitEvent("no. 7", 2, WHEN, "", UnitNoted(hours=3.0, read_on="2031-05-02", meter_changed=True)),
        UnitEvent("no. 7", 3, WHEN, "", UnitEntryUndone(2, "it was the sister's")),
    ]
    for event in events:
        store.append_unit(event.number - 1, event)
    store.append_unit(0, noted("Ünit 'ß'", 1))
    assert store.unit_events("no. 7") == tuple(events)
    assert store.units() == ("no. 7", "Ünit 'ß'")
    assert [one.hours for one in fold_unit("no. 7", store.unit_events("no. 7")).readings] == [1240.5]
    assert store.jobs() == ()


def test_the_second_of_two_who_note_a_unit_is_told_both_numbers_and_writes_nothing(store: JobStore) -> None:
    store.append_unit(0, noted("no. 7", 1, "first"))
    for expected in (0, 5):
        with pytest.raises(Overtaken) as caught:
            store.append_unit(expected, noted("no. 7", expected + 1, "late"))
        assert (caught.value.expected, caught.value.found) == (expected, 1)
        assert "Unit no. 7" in str(caught.value)
    assert store.unit_events("no. 7") == (noted("no. 7", 1, "first"),)


def test_a_note_that_no_store_can_keep_is_refused_by_each(store: JobStore) -> None:
    for event in (noted("no. 7", 1, "code zero \0"), noted("", 1), noted("x" * 65, 1)):
        with pytest.raises(UserError):
            store.append_unit(0, event)
    with pytest.raises(InternalError):
        store.append_unit(0, noted("no. 7", 2))
    assert store.units() == ()


def test_threads_that_note_the_same_unit_at_once_share_out_every_number_once(store: JobStore) -> None:
    start = threading.Barrier(4)

    def write(writer: int) -> list[int]:
        kept: list[int] = []
        start.wait()
        last = 0
        while len(kept) < 10:
            try:
                store.append_unit(last, noted("no. 7", last + 1, f"writer {writer}"))
            except Overtaken as error:
                last = error.found
            else:
                last += 1
                kept.append(last)
        return kept

    with ThreadPoolExecutor(4) as pool:
        results = list(pool.map(write, range(4)))
    assert sorted(itertools.chain.from_iterable(results)) == list(range(1, 41))
    assert [event.number for event in store.unit_events("no. 7")] == list(range(1, 41))


def test_what_is_noted_of_units_outlives_the_store_that_wrote_it(lasting_address: str) -> None:
    with open_store(lasting_address) as one, open_store(lasting_address) as other:
        one.append_unit(0, noted("no. 7", 1))
        other.append_unit(1, noted("no. 7", 2))
        assert one.unit_events("no. 7") == other.unit_events("no. 7")
    with open_store(lasting_address) as again:
        assert again.unit_events("no. 7") == (noted("no. 7", 1), noted("no. 7", 2))
