"""The map of a machine by zone: laid out from its wires, with odds, what is open, and where water stays."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from halfsplit.jobs.memory import MemoryStore
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom
from halfsplit.service import keeping
from halfsplit.service.desk import Desk
from halfsplit.service.examples import shipped
from halfsplit.service.working import open_job
from halfsplit.service.zone_map import COLUMNS, laid_out, strongest, zone_map

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"


@pytest.mark.parametrize("name", shipped())
def test_every_zone_has_a_place_of_its_own_and_hangs_on_another(name: str) -> None:
    machine = load_machine(EXAMPLES / name)
    links = strongest(machine)
    places = laid_out(machine, links)
    assert set(places) == set(machine.zones)
    assert len(set(places.values())) == len(places)
    assert all(0 <= column < COLUMNS for _, column in places.values())
    assert max(row for row, _ in places.values()) == (len(places) - 1) // COLUMNS
    # A forest has one link fewer than zones; every link is really wired.
    assert len(links) <= len(places) - 1
    assert all(one.wires > 0 and one.a != one.b for one in links)
    assert laid_out(load_machine(EXAMPLES / name), links) == places


def test_links_are_the_strongest_and_short() -> None:
    machine = load_machine(EXAMPLES / "saltmarsh-sweeper")
    links = strongest(machine)
    assert len(links) == len(machine.zones) - 1
    assert ("side-box", "belly-pan") in {(one.a, one.b) for one in links}
    places = laid_out(machine, links)
    near = [abs(places[one.a][0] - places[one.b][0]) + abs(places[one.a][1] - places[one.b][1]) for one in links]
    assert np.mean(near) < 2.5


def test_the_odds_of_the_zones_are_those_of_the_suspects_and_opening_shows() -> None:
    machine = EXAMPLES / "orchard-platform"
    desk = Desk(MemoryStore(), lambda: datetime(2031, 4, 2, tzinfo=UTC))
    open_job(desk, machine, Complaint((Symptom("pump", "up", "off", 0.96, "yes"),)))
    found = zone_map(desk)
    odds = desk.standing(desk.job()).hunt.belief.group_odds()
    assert sum(one.odds for one in found.zones) == pytest.approx(float(odds.sum()))
    closed = next(one for one in found.zones if one.to_open)
    step = next(
        one for one in desk.standing(desk.job()).machine.steps_for_zone(closed.zone)
    )  # fmt: skip
    keeping.open_access(desk, step)
    again = next(one for one in zone_map(desk).zones if one.zone == closed.zone)
    assert len(again.to_open) == len(closed.to_open) - 1
    assert again.open_min < closed.open_min
    wet = {one.id for one in desk.standing(desk.job()).machine.connectors.values() if one.low_point}
    assert {name for one in found.zones for name in one.low_points} == wet
