"""Work in a process beside this one, and state tables made that way."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from halfsplit.diagnosis.hunt import Bench
from halfsplit.faults import signatures
from halfsplit.faults.parted import KeptParted
from halfsplit.faults.signatures import Kept, Signatures, StateTable, worked_out
from halfsplit.machine.reading import load_machine
from halfsplit.service import beside
from halfsplit.service.beside import Beside, Processes, Standby, can_split

CART = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"


class Remembering:
    """A store that keeps in memory what is put in."""

    def __init__(self) -> None:
        self.held: dict[str, Kept] = {}
        self.parted: dict[str, KeptParted] = {}

    def get(self, key: str) -> Kept | None:
        return self.held.get(key)

    def put(self, key: str, kept: Kept) -> None:
        self.held[key] = kept

    def get_parted(self, key: str) -> KeptParted | None:
        return self.parted.get(key)

    def put_parted(self, key: str, kept: KeptParted) -> None:
        self.parted[key] = kept


def test_the_work_comes_back() -> None:
    assert Beside(lambda: "done").result(str) == "done"


def test_something_else_than_asked_for_is_nothing() -> None:
    assert Beside(lambda: 3).result(str) is None


def test_work_that_fails_is_nothing_and_says_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    def fail() -> str:
        raise RuntimeError("not here")

    assert Beside(fail).result(str) is None
    assert capfd.readouterr().err == ""


def test_work_whose_process_dies_is_nothing() -> None:
    assert Beside(lambda: os._exit(9)).result(str) is None


def test_with_other_threads_running_no_process_is_split_off() -> None:
    go = threading.Event()
    waiting = threading.Thread(target=go.wait)
    waiting.start()
    try:
        assert not can_split()
    finally:
        go.set()
        waiting.join()


def test_tables_made_beside_are_those_made_here(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(load_machine(CART))
    states = tuple(bench.machine.states)
    assert len(states) > 1
    here = {name: StateTable(bench.machine, name, bench.signatures.effects) for name in states}
    for split in (True, False):
        monkeypatch.setattr(beside, "can_split", lambda split=split: split)
        monkeypatch.setattr(beside, "processors", lambda: len(states))
        store = Remembering()
        made = Signatures(bench.machine, bench.signatures.effects, store)
        made.prepare(states, Processes().begin)
        assert len(store.held) == len(states)
        again = Signatures(bench.machine, bench.signatures.effects, store)
        again.prepare(states)
        for name in states:
            for table in (made.state(name), again.state(name)):
                assert np.array_equal(table.lines.volts, here[name].lines.volts)
                assert np.array_equal(table.lines.levels, here[name].lines.levels)
            assert not again.state(name).made_anew


def dies(*_: object) -> Kept:
    os._exit(1)


def test_a_table_whose_process_died_is_made_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "can_split", lambda: True)
    monkeypatch.setattr(beside, "processors", lambda: 9)
    monkeypatch.setattr(signatures, "worked_out", dies)
    bench = Bench(load_machine(CART))
    states = tuple(bench.machine.states)
    bench.signatures.prepare(states, Processes().begin)
    assert all(bench.signatures.state(name).made_anew for name in states)


def test_one_processor_splits_nothing_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "processors", lambda: 1)
    assert not can_split()


@pytest.fixture
def standby(monkeypatch: pytest.MonkeyPatch) -> Iterator[Standby]:
    """A process standing by, split off although the test runner may have threads: none of them holds a lock here."""
    monkeypatch.setattr(beside, "can_split", lambda: True)
    found = Standby()
    yield found
    found.close()


def test_a_process_standing_by_makes_tables_while_there_are_threads(standby: Standby) -> None:
    bench = Bench(load_machine(CART))
    states = tuple(bench.machine.states)
    here = {name: StateTable(bench.machine, name, bench.signatures.effects) for name in states}
    go = threading.Event()
    waiting = threading.Thread(target=go.wait)
    waiting.start()
    try:
        bench.signatures.prepare(states, standby.begin)
    finally:
        go.set()
        waiting.join()
    # The first is made here and the second beside; for the third there is no room, so it is made here too.
    assert [bench.signatures.state(name).made_anew for name in states] == [True, False, *[True] * (len(states) - 2)]
    for name in states:
        assert np.array_equal(bench.signatures.state(name).lines.volts, here[name].lines.volts)


def test_a_process_standing_by_takes_one_piece_at_a_time_and_the_next_after_it(standby: Standby) -> None:
    machine = load_machine(CART)
    effects = Bench(machine).signatures.effects
    work = partial(worked_out, machine, effects, next(iter(machine.states)))
    for _ in range(2):
        fetch = standby.begin(work)
        assert fetch is not None
        assert standby.begin(work) is None
        assert isinstance(fetch(), Kept)


def test_work_that_dies_with_the_process_standing_by_is_nothing(standby: Standby) -> None:
    fetch = standby.begin(partial(dies, 1))
    assert fetch is not None
    assert fetch() is None
    standby.close()
    assert standby.begin(partial(dies, 1)) is None


def test_work_that_cannot_be_sent_is_done_here(standby: Standby) -> None:
    def here() -> Kept:
        return dies()

    assert standby.begin(here) is None
    assert standby.begin(partial(dies, 1)) is not None


def test_nothing_stands_by_where_no_process_may_be_split_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside, "can_split", lambda: False)
    nobody = Standby()
    assert nobody.begin(partial(dies, 1)) is None
    nobody.close()
