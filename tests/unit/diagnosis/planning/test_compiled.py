"""The compiled pieces of the ranking give what the same worked out in arrays gives, to the last digit or two."""

from __future__ import annotations

import numpy as np
import pytest

from halfsplit.circuit import native
from halfsplit.diagnosis import compiled
from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.living import Live
from halfsplit.diagnosis.offers import told_before
from halfsplit.diagnosis.telling import ByClass, Plain, Sorted

ROWS, CHECKS = 90, 40
SAME = 1e-13
#: Larger than any of these groups can have, so that no information ends at zero.
ENTROPY = 9.0


def sorted_checks(seed: int, groups: int, share: float, *, asleep: bool) -> ByClass:
    """Checks in classes over random rows, some of which come twice in different groups, some without any mass."""
    rng = np.random.default_rng(seed)
    away = np.where(rng.random((ROWS, CHECKS)) < share, rng.normal(0.0, 30.0, (ROWS, CHECKS)), 0.0)
    row = np.sort(rng.integers(ROWS, size=60))
    group = rng.integers(groups, size=60)
    mass, sleeping = rng.dirichlet(np.full(120, 0.2)).reshape(2, 60)
    mass[::7] = 0.0
    by_group = np.bincount(group, weights=mass, minlength=groups).astype(np.float64)
    off = np.bincount(group, weights=sleeping, minlength=groups).astype(np.float64)
    return ByClass(
        Sorted(ROWS, CHECKS, lambda rows: away[rows].astype(np.float32)),
        [Check(f"c{n}", "volts", "X1", "", (), 1.0) for n in range(CHECKS)], np.arange(CHECKS),
        row=row, group=group, mass=mass, usual=by_group if asleep else by_group + off,
        asleep=off if asleep else None, misread=0.03,
    )  # fmt: skip


@pytest.mark.parametrize("asleep", [False, True])
@pytest.mark.parametrize(("groups", "share"), [(3, 0.02), (7, 0.3), (50, 0.1), (50, 1.0), (200, 0.1)])
def test_checks_in_classes(groups: int, share: float, asleep: bool) -> None:
    assert native.available()
    found = sorted_checks(groups, groups, share, asleep=asleep)
    information = found.information(ENTROPY)
    with native.left_aside():
        wanted = sorted_checks(groups, groups, share, asleep=asleep)
        known = wanted.information(ENTROPY)
    assert np.array_equal(found.numbers, wanted.numbers)
    assert information == pytest.approx(known, rel=0.0, abs=SAME)
    assert information.max() > 0.01
    some = list(range(0, len(wanted.checks), 2))
    with native.left_aside():
        masses = wanted.masses(some)
    assert found.masses(some) == pytest.approx(masses, rel=0.0, abs=SAME)


@pytest.mark.parametrize("misread", [0.0, 0.03])
@pytest.mark.parametrize(("outcomes", "groups"), [(2, 5), (4, 50), (9, 20), (15, 130)])
def test_masses_in_one_array(outcomes: int, groups: int, misread: float) -> None:
    rng = np.random.default_rng([outcomes, groups])
    joint = rng.dirichlet(np.full(outcomes * groups, 0.1), size=12).reshape(12, outcomes, groups)
    joint[joint < 1e-4] = 0.0
    joint[3:6, 1] = 0.0
    told = Plain([], joint, misread)
    found = told.information(ENTROPY)
    with native.left_aside():
        assert found == pytest.approx(told.information(ENTROPY), rel=0.0, abs=SAME)
    assert found.max() > 0.0


def test_a_ranking_without_live_rows_tells_nothing() -> None:
    none = np.zeros(0)
    known = Sorted(ROWS, CHECKS, lambda rows: np.zeros((len(rows), CHECKS), dtype=np.float32))
    told = ByClass(
        known, [], np.zeros(0, dtype=np.int64), row=none.astype(np.int64), group=none.astype(np.int64), mass=none,
        usual=np.ones(1), asleep=None, misread=0.03,
    )  # fmt: skip
    assert len(told.information(0.0)) == 0
    assert len(told.numbers) == 0


def test_sums_by_group() -> None:
    rng = np.random.default_rng(3)
    awake, group = rng.dirichlet(np.full(80, 0.3)), rng.integers(9, size=80)
    awake[::5] = 0.0
    now = Live(np.arange(80), awake, np.zeros(80), group, tuple(range(9)), 0.0)
    line, values = rng.integers(30, size=80), rng.random((30, 21))
    found = now.awake_by_group(line, values)
    with native.left_aside():
        assert found == pytest.approx(now.awake_by_group(line, values), rel=0.0, abs=SAME)


def test_readings_told_before_are_the_same_ones() -> None:
    made = sorted_checks(5, 7, 0.1, asleep=True)
    rate = made.information(ENTROPY)
    count = len(rate)
    used = np.arange(count) % 4 == 0
    asked = [made], [count], np.ones(count, dtype=np.bool_), used, ~used, rate
    found = told_before(*asked)
    with native.left_aside():
        assert np.array_equal(found, told_before(*asked))
    assert 0 < found.sum() < count


def test_looks_at_places() -> None:
    rng = np.random.default_rng(8)
    faults, places, groups = 30, 12, 6
    given = {
        "row": rng.integers(60, size=25), "group": rng.integers(groups, size=25), "awake": rng.random(25),
        "asleep": rng.random(25), "fault_of": rng.integers(faults, size=60),
        "place": np.sort(rng.integers(places, size=80)), "fault": rng.integers(faults, size=80),
        "chance": rng.random(80), "moves": rng.random(places) < 0.4, "false_find": np.full(places, 0.05),
        "prior": rng.random(groups),
    }  # fmt: skip
    found = compiled.seen_at_places(places, faults, 0.4, **given)
    assert found is not None
    at, joint = found
    wanted: dict[int, np.ndarray] = {}
    mass, sleeping = np.zeros(faults), np.zeros(faults)
    of = np.zeros(faults, dtype=np.int64)
    for row, group, awake, asleep in zip(*(given[name] for name in ("row", "group", "awake", "asleep")), strict=True):
        fault = given["fault_of"][row]
        mass[fault] += awake + asleep
        sleeping[fault] += asleep
        of[fault] = group
    for place, fault, chance in zip(given["place"], given["fault"], given["chance"], strict=True):
        if mass[fault] <= 0.4:
            continue
        seen = wanted.setdefault(int(place), 0.05 * given["prior"])
        eager = 0.25 + 0.75 * min(1.0, 2.0 * sleeping[fault] / mass[fault]) if given["moves"][place] else 1.0
        seen[of[fault]] += mass[fault] * (eager * chance - 0.05)
    assert at.tolist() == sorted(wanted)
    for place, masses in zip(at.tolist(), joint, strict=True):
        assert masses[1] == pytest.approx(wanted[place], rel=1e-12)
        assert masses.sum(axis=0) == pytest.approx(given["prior"], rel=1e-12)


def test_without_the_library_the_compiled_pieces_give_nothing() -> None:
    with native.left_aside():
        assert compiled.plain_information(np.ones((1, 2, 3)), 0.0, 0.0) is None
        assert compiled.least_apart(np.ones((1, 2)), np.ones((1, 2))) is None
