"""What every store promises about units, run on each store there is."""

from __future__ import annotations

import itertools
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from halfsplit.errors import InternalError, UserError
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.portable_units import UnitsDiverged, import_units, write_units
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


def test_notes_of_several_units_are_kept_in_one_step_or_not_at_all(store: JobStore) -> None:
    store.append_unit(0, noted("no. 7", 1))
    new = [noted("no. 9", 1), noted("no. 7", 2), noted("no. 9", 2), noted("no. 7", 3)]
    with pytest.raises(Overtaken) as caught:
        store.append_units({"no. 7": 2, "no. 9": 0}, [noted("no. 9", 1), noted("no. 7", 3)])
    assert (caught.value.expected, caught.value.found) == (2, 1)
    assert store.units() == ("no. 7",)
    with pytest.raises(UserError):
        store.append_units({"no. 7": 1, "no. 9": 0}, [*new, noted("no. 7", 4, "code zero \0")])
    for expected in ({"no. 7": 1}, {"no. 7": 0, "no. 9": 0}):
        with pytest.raises(InternalError):
            store.append_units(expected, new)
    assert (len(store.unit_events("no. 7")), store.unit_events("no. 9")) == (1, ())
    store.append_units({"no. 7": 1, "no. 9": 0}, new)
    assert [one.number for one in store.unit_events("no. 7")] == [1, 2, 3]
    assert store.unit_events("no. 9") == (noted("no. 9", 1), noted("no. 9", 2))
    store.append_units({}, [])
    assert store.units() == ("no. 7", "no. 9")


def test_threads_that_bring_the_same_units_in_at_once_bring_them_in_once(store: JobStore) -> None:
    names = [f"no. {n}" for n in range(5)]
    start = threading.Barrier(4)

    def bring(writer: int) -> bool:
        order = names if writer % 2 else names[::-1]
        start.wait()
        try:
            store.append_units(dict.fromkeys(names, 0), [noted(unit, 1, f"writer {writer}") for unit in order])
        except Overtaken:
            return False
        return True

    with ThreadPoolExecutor(4) as pool:
        won = list(pool.map(bring, range(4)))
    assert won.count(True) == 1
    assert {store.unit_events(unit) for unit in names} == {
        (noted(unit, 1, f"writer {won.index(True)}"),) for unit in names
    }


def test_units_travel_from_every_store_to_every_other_as_the_same_bytes(store: JobStore) -> None:
    there = MemoryStore()
    there.append_units({"no. 7": 0, "Ünit 'ß'": 0}, [noted("no. 7", 1), noted("Ünit 'ß'", 1, "雨"), noted("no. 7", 2)])
    store.append_unit(0, noted("no. 7", 1))
    file = write_units([event for unit in there.units() for event in there.unit_events(unit)])
    assert [(one.unit, one.entries, one.added) for one in import_units(store, file)] == [
        ("no. 7", 2, 1), ("Ünit 'ß'", 1, 1),
    ]  # fmt: skip
    assert write_units([event for unit in store.units() for event in store.unit_events(unit)]) == file
    assert {one.added for one in import_units(store, file)} == {0}
    store.append_unit(2, noted("no. 7", 3, "here"))
    assert {one.added for one in import_units(store, file)} == {0}
    there.append_units({"no. 7": 2, "no. 9": 0}, [noted("no. 7", 3, "there"), noted("no. 9", 1)])
    with pytest.raises(UnitsDiverged) as caught:
        import_units(store, write_units([event for unit in there.units() for event in there.unit_events(unit)]))
    assert caught.value.units == (("no. 7", 2, 3, 3),)
    assert "no. 9" not in store.units()
