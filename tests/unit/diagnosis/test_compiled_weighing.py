"""The compiled weighing of readings, pairs and the base order gives what the same worked out in arrays gives."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from halfsplit.circuit import native
from halfsplit.diagnosis import compiled_weighing, pairs
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.practice import Clock, hide, play
from halfsplit.diagnosis.readings import Block
from halfsplit.diagnosis.repair_problem import AccessStep, Repair, RepairProblem, base_minutes
from halfsplit.diagnosis.scatter import Precisions
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Reading

#: Of their size, for logarithms of many readings; odds must agree to 1e-9.
SAME = 1e-12
CLASSES = 23


def precision_of(rng: np.random.Generator, count: int, readings: int) -> tuple[np.ndarray, np.ndarray]:
    spread = rng.normal(0.0, 0.3, (count, readings, 5))
    covariance = spread @ spread.transpose(0, 2, 1) + 0.01 * np.eye(readings)
    return np.linalg.inv(covariance), np.linalg.slogdet(covariance)[1]


@pytest.mark.parametrize("readings", [1, 2, 5, 24, 25])
def test_lines_weighed_by_readings(readings: int) -> None:
    rng = np.random.default_rng(readings)
    value = rng.normal(12.0, 1.0, readings)
    shared, determinant = precision_of(rng, 1, readings)
    block = Block(
        tuple(Reading("volts", "a", "b", "on", float(one)) for one in value), value, np.linalg.inv(shared[0]),
        shared[0], float(determinant[0]), rng.uniform(5.0, 30.0, readings), rng.uniform(0.01, 0.03, readings),
    )  # fmt: skip
    predicted = rng.normal(12.0, 3.0, (60, readings))
    predicted[:5] = value
    along = rng.normal(0.0, 0.5, (60, readings)) * (rng.random((60, 1)) < 0.7)
    own = [Precisions(np.arange(4, 44, 2), rng.integers(3, size=20), *precision_of(rng, 3, readings))]
    for some in ([], own):
        found = block.one_wrong_at_most(predicted, along, some)
        with native.left_aside():
            wanted = block.one_wrong_at_most(predicted, along, some)
        assert found == pytest.approx(wanted, rel=SAME, abs=SAME)
        assert np.ptp(found) > 1.0


def test_lines_that_are_alike_have_one_number() -> None:
    rng = np.random.default_rng(4)
    lines = rng.integers(3, size=(500, 4)) - 1
    first, number = compiled_weighing.alike(lines)
    assert np.array_equal(lines[first][number], lines)
    assert len(first) == len(np.unique(lines, axis=0))
    assert (first[number] <= np.arange(500)).all()


def test_whose_scatter_is_the_same_either_way() -> None:
    whose = np.random.default_rng(5).integers(-1, 3, size=(200, 3))
    first, choice = compiled_weighing.alike(whose)
    with native.left_aside():
        other_first, other = compiled_weighing.alike(whose)
    assert np.array_equal(whose[first][choice], whose[other_first][other])
    assert len(first) == len(other_first)


@pytest.mark.parametrize("guess", [False, True])
@pytest.mark.parametrize("steady", [False, True])
def test_moments_of_two_faults_are_the_same_to_the_last_digit(steady: bool, guess: bool) -> None:
    rng = np.random.default_rng([steady, guess])
    strays = np.round(rng.random((2, 3, CLASSES)), 1)  # many alike

    def seen() -> np.ndarray:
        whole = pairs._Seen(CLASSES)
        chance = np.random.default_rng(1).choice([0.0, 0.3, 1.0], CLASSES)
        for turn in range(4):
            likely = np.random.default_rng(turn).uniform(1e-4, 1.0, (2, 3, CLASSES)) ** 3
            whole.take(*pairs._at_once(likely, strays), -2.0, pairs.Awake(chance, guess, steady))
        return whole.total()

    found = seen()
    with native.left_aside():
        assert np.array_equal(found, seen())
    assert np.ptp(found[1, 1]) > 1.0


def test_what_stands_beside_each_class() -> None:
    rng = np.random.default_rng(6)
    shared, own = rng.normal(0.0, 40.0, (2, 2, CLASSES, CLASSES)), rng.normal(0.0, 9.0, (2, CLASSES))
    shared[0, :, 3], shared[1, 1, :, 5], own[0, 7] = -np.inf, -np.inf, -np.inf
    followed = pairs.Followed.__new__(pairs.Followed)
    followed.pairs = type("Some", (), {"__len__": lambda _: CLASSES})()
    found = followed._beside(shared, own)
    with native.left_aside():
        wanted = followed._beside(shared, own)
    assert found[0, 3] == wanted[0, 3] == -np.inf
    finite = np.isfinite(wanted)
    assert finite.sum() == 2 * CLASSES - 1
    assert found[finite] == pytest.approx(wanted[finite], rel=SAME, abs=SAME)


@pytest.mark.parametrize("hand_over", [None, 25.0])
def test_the_base_order_is_the_same_to_the_last_digit(hand_over: float | None) -> None:
    rng = np.random.default_rng(9)
    steps = [AccessStep("a", 3.0, 1.0), AccessStep("b", 2.0, 2.0, frozenset({"a"})), AccessStep("c", 8.0)]
    needs = [frozenset(), frozenset({"a"}), frozenset({"b"}), frozenset({"c"}), frozenset({"b", "c"}), frozenset()]
    repairs = [Repair(f"g{n}", 5.0 + n, 0.9, 3.0, one) for n, one in enumerate(needs)]
    names = tuple(f"g{n}" for n in range(len(needs)))
    problem = RepairProblem(
        names, (1.0 / len(names),) * len(names), (), tuple(repairs), tuple(steps), frozenset(), hand_over
    )
    belief = rng.dirichlet(np.full(len(names), 0.4), size=300)
    opened = np.array([problem.tables.closed_up([]), problem.tables.closed_up(["b"])])[rng.integers(2, size=300)]
    left = rng.random((300, len(names))) < 0.8
    minutes, first = base_minutes(problem, belief, opened, left)
    with native.left_aside():
        wanted, wanted_first = base_minutes(problem, belief, opened, left)
    assert np.array_equal(minutes, wanted)
    assert np.array_equal(first, wanted_first)
    assert len(np.unique(first)) > 3


@pytest.mark.parametrize("faults", [1, 2])
def test_a_job_goes_the_same_way_without_the_compiled_pieces(repository: Path, faults: int) -> None:
    bench = Bench(load_machine(repository / "examples" / "hand-cart-generator"))

    def worked() -> list[tuple[list[str], np.ndarray]]:
        steps: list[tuple[list[str], np.ndarray]] = []
        world, complaint = hide(bench, np.random.default_rng([71, faults]), faults)
        hunt = Hunt(bench, complaint)

        def tell(what: str, *_: object) -> None:
            if what != "verify":
                options = hunt.planner.rank(hunt.belief, hunt.evidence, hunt.situation)[:6]
                names = [one.check.id if one.check else one.repair.id if one.repair else "" for one in options]
                steps.append(([what, *names], hunt.belief.group_odds()))

        play(bench, world, complaint, tell=tell, begun=(hunt, Clock(world)))
        return steps

    found = worked()
    with native.left_aside():
        wanted = worked()
    assert len(found) > 2
    assert [names for names, _ in found] == [names for names, _ in wanted]
    for (_, mine), (_, other) in zip(found, wanted, strict=True):
        assert mine == pytest.approx(other, rel=0.0, abs=1e-11)


@pytest.mark.parametrize("readings", [1, 2, 7, 31])
def test_errors_of_readings_are_inverted(readings: int) -> None:
    rng = np.random.default_rng(readings)
    spread, meter = rng.normal(0.0, 0.3, (40, readings, 5)), rng.uniform(1e-4, 1e-2, readings)
    covariance = spread @ spread.transpose(0, 2, 1)
    kept = covariance.copy()
    found = compiled_weighing.inverted(covariance, meter)
    assert np.array_equal(covariance, kept)
    if not native.available():
        assert found is None
        return
    assert found is not None
    precision, log_determinant = found
    whole = covariance + np.diag(meter)
    assert precision @ whole == pytest.approx(np.broadcast_to(np.eye(readings), whole.shape), abs=1e-9)
    assert log_determinant == pytest.approx(np.linalg.slogdet(whole)[1], rel=1e-10, abs=1e-10)
    # With less than nothing on the diagonal there is no such inverse.
    assert compiled_weighing.inverted(covariance, np.full(readings, -100.0)) is None
