"""The way of the current through a suspect, and the volts along it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

from halfsplit.diagnosis.hunt import Bench
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.found import record
from halfsplit.service.tracing import LIFTS_V, circuit_path
from halfsplit.service.working import open_job

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
COMPLAINTS = {
    "hand-cart-generator": Symptom("starter", "start", "off", 0.96, "yes"),
    "orchard-platform": Symptom("pump", "up", "off", 0.96, "yes"),
}


@cache
def bench(name: str) -> tuple[str, Bench]:
    return fingerprint_of(machine_files(EXAMPLES / name)), Bench(load_machine(EXAMPLES / name))


@pytest.fixture
def at_work() -> Callable[[str], Desk]:
    """A desk with a job just opened on a shipped machine."""

    def made(name: str) -> Desk:
        desk = Desk(MemoryStore(), lambda: datetime(2031, 4, 2, tzinfo=UTC), benches=dict([bench(name)]))
        open_job(desk, EXAMPLES / name, Complaint((COMPLAINTS[name],)))
        return desk

    return made


def test_a_blown_fuse_is_live_before_and_dead_behind(at_work: Callable[[str], Desk]) -> None:
    path = circuit_path(at_work("hand-cart-generator"), "F1")
    words = [one.words for one in path.points]
    assert words[0] == "the positive post of BAT"
    assert words[-1] == "the negative clamp of BAT"
    assert "pin 1 of K1 (Starter solenoid)" in words
    at = next(number for number, one in enumerate(path.points) if one.next_suspect)
    assert (words[at], words[at + 1]) == ("pin 1 of F1", "pin 2 of F1")
    assert all(one.suspect_v > 12 for one in path.points[: at + 1])
    assert all(abs(one.suspect_v) < 0.01 for one in path.points[at + 1 :])
    # A sound machine loses little up to the load, and all the rest in it.
    assert path.points[at + 1].sound_v > 12
    assert path.points[-1].sound_v == pytest.approx(0.0, abs=0.01)


def test_a_reading_stands_at_its_point_in_its_state(at_work: Callable[[str], Desk]) -> None:
    desk = at_work("hand-cart-generator")
    standing = desk.standing(desk.job())
    check = next(
        one for one in standing.hunt.planner.checks
        if one.kind == "volts" and one.plus == "S1.3" and one.state == "start"
    )  # fmt: skip
    record(desk, "0.3 V", check_id=check.id)
    path = circuit_path(desk, "S1")
    seen = {one.words: [each.volts for each in one.found] for one in path.points if one.found}
    assert seen == {"pin 3 of S1 (Start switch)": [0.3]}
    assert path.state == "start"


@pytest.mark.parametrize("name", COMPLAINTS)
def test_every_way_goes_down_from_a_supply_and_never_twice_through_a_point(
    at_work: Callable[[str], Desk], name: str
) -> None:
    desk = at_work(name)
    standing = desk.standing(desk.job())
    drawn = 0
    for group in standing.hunt.bench.space.groups:
        path = circuit_path(desk, group.id)
        assert path.group == group.id
        if not path.points:
            continue
        drawn += 1
        nodes = [one.node for one in path.points]
        assert len(set(nodes)) == len(nodes), group.id
        volts = [one.sound_v for one in path.points]
        assert all(after <= before + LIFTS_V for before, after in pairwise(volts)), group.id
        assert all(one.next_words for one in path.points[:-1])
        assert not path.points[-1].next_words
    assert drawn >= len(standing.hunt.bench.space.groups) // 2


def test_a_suspected_source_stands_at_the_head_of_its_way(at_work: Callable[[str], Desk]) -> None:
    path = circuit_path(at_work("hand-cart-generator"), "BAT")
    assert path.points[0].suspect
    assert path.points[0].words == "the positive post of BAT"
    assert not any(one.next_suspect for one in path.points)


def test_what_carries_no_current_has_no_way(at_work: Callable[[str], Desk], monkeypatch: pytest.MonkeyPatch) -> None:
    desk = at_work("hand-cart-generator")
    monkeypatch.setattr("halfsplit.service.tracing.LEAST_A", 1e6)
    path = circuit_path(desk, "F1")
    assert path.points == ()
    assert path.repair == "replace fuse F1"
