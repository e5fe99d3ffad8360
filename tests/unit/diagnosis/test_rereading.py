"""Readings of one point taken again: what they come to, and that no repair hangs on one of them alone."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from tests.outside.machines.drawn import SWEEPER, machine

from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.repeats import settled
from halfsplit.observations import Complaint, Reading, Reread, Symptom, wrong_pin_chance

VOLTS = Reading("volts", "F1.2", "", "sweep", 0.0)
LAMP = Reading("lamp", "F1.2", "", "sweep", 0.0)
OHMS = Reading("ohms", "M7.+", "M7.-", "sweep", 0.0)
FUSE_WIRE = "volts W178@F32.2 in water-still"
FUSE = "volts F32.2 in water-still"
PUMP = "volts X102.1 in water-still"


@pytest.mark.parametrize(
    ("values", "value", "times"),
    [
        ([12.3], 12.3, 1), ([12.3, 12.5], 12.4, 2), ([12.3, 0.0, 12.5], 12.4, 2), ([0.0, 12.3, 0.02, 0.01], 0.01, 3),
        ([0.0, 12.3], None, 0), ([0.0, 12.3, 6.0], None, 0), ([0.0, 0.0, 12.3, 12.3], None, 0),
        ([0.1, 0.2, 0.3], 0.2, 3),
    ],
)  # fmt: skip
def test_volts_that_agree_count_and_others_wait_for_a_further_one(
    values: list[float], value: float | None, times: int
) -> None:
    found = settled({VOLTS: values})
    assert found == settled({VOLTS: values[::-1]})
    if value is None:
        assert found == []
        return
    (one,) = found
    assert one.value == pytest.approx(value)
    assert (one.times if isinstance(one, Reread) else 1) == times
    assert wrong_pin_chance(one) == pytest.approx(0.02**times)


def test_of_ohms_the_mean_counts_and_of_lamps_what_was_seen_most_often() -> None:
    assert settled({OHMS: [10.0, 20.0]}) == [replace(OHMS, value=15.0)]
    assert settled({LAMP: [2.0, 0.0, 2.0]}) == [replace(LAMP, value=2.0)]
    assert settled({LAMP: [2.0, 0.0]}) == [LAMP]


@cache
def bench() -> Bench:
    return Bench(machine(SWEEPER))


def hunt() -> Hunt:
    return Hunt(bench(), Complaint((Symptom("spray-pump", "water-still", "off", 0.96, "yes"),)))


def check_of(it: Hunt, name: str) -> Check:
    return next(check for check in it.planner.checks if check.id == name)


def read(it: Hunt, name: str, value: float) -> None:
    check = check_of(it, name)
    it.record(Reading("volts", check.plus, check.minus, check.state, value, (), "yes"), check)


def odds(it: Hunt, group: str) -> float:
    return float(it.belief.group_odds()[[one.id for one in bench().space.groups].index(group)])


def test_the_leads_go_on_once_more_before_a_repair_that_hangs_on_one_reading() -> None:
    it = hunt()
    for function in machine(SWEEPER).functions.values():
        if function.id != "spray-pump" and "water-still" in function.expected:
            it.record(Symptom(function.id, "water-still", function.expected["water-still"]))  # type: ignore[arg-type] # these are levels
    shown = {PUMP: 0.0, FUSE: 12.4, FUSE_WIRE: 0.02}
    for name, value in shown.items():
        read(it, name, value)
    before = odds(it, "renew-terminal:W178@F32.2")
    assert before > 0.9
    again: list[str] = []
    while len(again) < 3 and (asked := it.next()).kind == "check":
        assert asked.best is not None
        assert asked.best.check is not None
        assert "once more" in asked.reason
        again.append(asked.best.check.id)
        read(it, again[-1], shown[again[-1]] + 0.01)
    assert again
    assert set(again) <= set(shown)
    assert len(set(again)) == len(again)
    assert odds(it, "renew-terminal:W178@F32.2") > before
    mend = it.next()
    assert mend.kind == "repair"
    assert mend.best is not None
    assert mend.best.repair is not None
    assert mend.best.repair.id == "renew-terminal:W178@F32.2"


def test_two_readings_that_do_not_agree_say_nothing_and_a_third_may_be_taken() -> None:
    it = hunt()
    read(it, PUMP, 0.0)
    before = odds(it, "renew-terminal:W178@F32.2")
    read(it, FUSE_WIRE, 0.02)
    read(it, FUSE_WIRE, 12.4)
    assert odds(it, "renew-terminal:W178@F32.2") == pytest.approx(before, rel=1e-6)
    assert it.situation.done[FUSE_WIRE] == 0
    read(it, FUSE_WIRE, 12.45)
    assert odds(it, "renew-terminal:W178@F32.2") < 0.2 * before
