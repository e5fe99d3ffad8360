"""Logs of the bus bench: made from a hidden machine's own circuit, read back, and taken as evidence."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from bus_jobs import best_possible, judged, meant, rank_of, shows_on_bus, taken
from bus_minutes import kinds_in_log
from bus_recordings import LENGTH_S, Recording

from halfsplit.buslog.reading import open_log
from halfsplit.buslog.speakers import speaker
from halfsplit.buslog.survey import Survey, survey
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.practice import Clock, hide, play
from halfsplit.diagnosis.world import Hidden, World
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import CodeSeen
from halfsplit.service.desk import machine_files
from halfsplit.service.kept_tables import tables

PLATFORM = Path(__file__).resolve().parents[3] / "examples/orchard-platform"
ECU2, ECU3, ECU4 = 12, 13, 14


@cache
def bench() -> Bench:
    return Bench(load_machine(PLATFORM), tables())


def hidden(fault: str, grade: int, *, sleeps: bool) -> World:
    """A machine with a fault at a severity of the tables."""
    at = next(number for number, one in enumerate(bench().faults) if one.id == fault)
    effects = bench().faults[at].severities[grade].effects
    one = Hidden(at, effects, sleeps, 0.5, "as in the tables")
    return World(bench().machine, bench().faults, [one], np.random.default_rng(5), bench().drawings)


def recorded(world: World, tmp_path: Path) -> Survey:
    file = tmp_path / "drive.log"
    Recording(world, "ECU1", "key-on", np.random.default_rng(8)).write(file)
    found = survey(open_log(file))
    assert found.unreadable == 0
    return found


def sources(found: Survey) -> set[int | None]:
    return {speaker(one.key).source for one in found.speakers}


def test_a_sound_machine_speaks_in_the_periods_of_its_file_and_nobody_falls_silent(tmp_path: Path) -> None:
    found = recorded(hidden("X33.1/contact-resistance", 0, sleeps=False), tmp_path)
    assert sources(found) == {11, ECU2, ECU3, ECU4}
    assert found.joint == ()
    assert found.length_s == pytest.approx(LENGTH_S, abs=1.0)
    periods = [one.period_s for one in found.speakers]
    assert all(one is not None and one < 0.06 for one in periods)


def test_a_feed_open_silences_its_controller_alone(tmp_path: Path) -> None:
    for fault, silent in (("X34.1/contact-open", ECU3), ("X33.1/contact-open", ECU4)):
        found = recorded(hidden(fault, 0, sleeps=False), tmp_path)
        assert sources(found) == {11, ECU2, ECU3, ECU4} - {silent}, fault


def test_a_feed_that_comes_and_goes_gives_silences_of_its_controller_and_the_codes_of_others(tmp_path: Path) -> None:
    found = recorded(hidden("X34.1/contact-open", 0, sleeps=True), tmp_path)
    assert {speaker(one.key).source for event in found.joint for one in event.silences} == {ECU3}
    missing = {one.source for one in found.codes if one.fmi == 9}  # besides, a code may stand for no reason
    assert 11 in missing
    assert ECU3 not in missing


def test_the_log_goes_through_the_job_and_points_to_the_set_it_cannot_tell_apart(tmp_path: Path) -> None:
    world = hidden("X34.1/contact-open", 0, sleeps=True)
    complaint = world.complaint()
    assert complaint is not None
    fingerprint = fingerprint_of(machine_files(PLATFORM))
    rng = np.random.default_rng(3)
    desk, seen = taken(
        bench(), PLATFORM, fingerprint, world, complaint, tmp_path / "x.log", rng, "ECU1", "key-on"
    )
    assert any(isinstance(one, CodeSeen) and one.controller == "ECU3" and one.active for one in seen)
    log = judged(bench(), world, complaint, desk, seen)
    assert log.silent == ("ECU3",)
    assert log.place <= 2
    assert log.alike > 2
    assert log.with_complaint < 40


def test_only_bus_feed_and_ground_faults_that_the_bus_notices_are_meant() -> None:
    machine = bench().machine
    by_id = {fault.id: fault for fault in bench().faults}
    assert meant(machine, by_id["W138/wire-open"])
    assert not meant(machine, next(one for one in bench().faults if one.owner == "ECU3"))
    assert shows_on_bus(hidden("X34.1/contact-open", 0, sleeps=False), "ECU1", "key-on")
    assert not shows_on_bus(hidden("X33.1/contact-resistance", 0, sleeps=False), "ECU1", "key-on")


def test_the_most_that_anybody_could_reach_grows_to_all_with_the_number_named() -> None:
    shares = [best_possible(bench(), "ECU1", "key-on", first) for first in (1, 2, 10, 1000)]
    assert shares == sorted(shares)
    assert 0.1 < shares[1] < 0.5
    assert shares[-1] == pytest.approx(1.0)


def test_logs_look_the_same_for_faults_of_one_feed_and_differ_for_its_bus_lines() -> None:
    kind = kinds_in_log(bench(), "ECU1", "key-on")
    space = bench().space

    def of(fault: str) -> int:
        return int(kind[[bench().faults[at].id for at in space.row_fault].index(fault)])

    assert of("X34.1/contact-open") == of("X15.1/contact-open")
    assert of("X34.1/contact-open") != of("X32.19/contact-open")  # its errors are in the log
    assert of("X32.19/contact-open") == of("X32.20/contact-open")
    assert of("X92.1/contact-open") == int(kind[-1])  # a terminator upsets nobody


def test_ranks_count_from_one_in_the_order_listed() -> None:
    assert [rank_of(np.array([0.1, 0.4, 0.4, 0.1]), at) for at in range(4)] == [3, 1, 2, 4]


def test_a_hunt_that_has_begun_goes_on_from_what_it_knows() -> None:
    cart = Bench(load_machine(PLATFORM.parent / "hand-cart-generator"))
    world, complaint = hide(cart, np.random.default_rng(2))
    plain = play(cart, world.fresh(np.random.default_rng(4)), complaint)
    clock = Clock(world.fresh(np.random.default_rng(4)), minutes=7.0)
    begun = play(cart, clock.world, complaint, begun=(Hunt(cart, complaint), clock))
    assert begun.minutes == pytest.approx(plain.minutes + 7.0)
