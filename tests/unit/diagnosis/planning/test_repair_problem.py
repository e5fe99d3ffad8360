"""What the small planner charges, refuses and puts first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from halfsplit.diagnosis.exact import TooLargeError, best_plan, exact
from halfsplit.diagnosis.lookahead import (
    AccessStep,
    Check,
    Repair,
    RepairProblem,
    after,
    base_value,
    by_information,
    lower_bound,
    rollout,
    two_step,
)
from halfsplit.errors import InternalError

SURE = np.array([[1.0, 0.0], [0.0, 1.0]])


def two_groups() -> RepairProblem:
    """A guard in front of one of two groups, and a check that tells them apart."""
    return RepairProblem(
        ("ground", "splice"),
        (0.5, 0.5),
        (Check("drop", 3.0, ("high", "low"), SURE, frozenset({"guard"})),),
        (Repair("ground", 10.0, verify_minutes=2.0), Repair("splice", 40.0, access=frozenset({"floor"}))),
        (AccessStep("guard", 4.0, 1.0), AccessStep("floor", 6.0, 2.0, frozenset({"guard"}))),
    )


def test_minutes_hold_opening_closing_verification_and_what_comes_first() -> None:
    now = {c.name: c for c in rollout(two_groups()).choices}
    assert now["drop"].minutes_now == pytest.approx(3 + 4 + 1)
    assert now["ground"].minutes_now == pytest.approx(12)
    assert now["splice"].minutes_now == pytest.approx(40 + 6 + 2 + 4 + 1)
    assert now["splice"].opens == ("guard", "floor")
    assert base_value(two_groups()) == pytest.approx(12 + 0.5 * 53)
    assert lower_bound(two_groups()) == pytest.approx(0.5 * 12 + 0.5 * 53)


def test_a_step_is_paid_once() -> None:
    problem = two_groups()
    choice = next(c for c in rollout(problem).choices if c.name == "drop")
    low = next(b for b in choice.branches if b.outcome == "low")
    then = after(problem, problem.situation(), choice, low)
    left = rollout(problem, then)
    assert [c.name for c in left.choices if c.kind == "check"] == []
    assert left.best.minutes_now == pytest.approx(40 + 6 + 2)
    assert low.minutes == pytest.approx(48)
    assert (low.next_kind, low.next_name) == ("repair", "splice")


def test_an_open_step_counts_what_it_needed_as_open() -> None:
    problem = replace(two_groups(), open_steps=frozenset({"floor"}))
    now = {c.name: c.minutes_now for c in rollout(problem).choices}
    assert (now["drop"], now["splice"]) == (3.0, 40.0)


def test_a_check_that_may_repeat_stays_possible() -> None:
    noisy = Check("look", 1.0, ("wet", "dry"), np.array([[0.7, 0.1], [0.3, 0.9]]), may_repeat=True)
    problem = replace(two_groups(), checks=(noisy,))
    choice = next(c for c in rollout(problem).choices if c.name == "look")
    then = after(problem, problem.situation(), choice, choice.branches[1])
    again = next(c for c in rollout(problem, then).choices if c.name == "look")
    assert again.branches[0].chance < choice.branches[0].chance


def test_a_repair_that_passes_the_threshold_comes_first() -> None:
    problem = replace(two_groups(), prior=(0.2, 0.8))
    assert rollout(problem).best.name != "splice"
    pressed = replace(problem, repair_threshold=0.75)
    for plan in (rollout(pressed), two_step(pressed), by_information(pressed), exact(pressed)):
        assert (plan.best.name, plan.best.by_threshold) == ("splice", True)


def test_handing_over_is_chosen_when_it_is_cheaper_than_everything() -> None:
    problem = replace(two_groups(), hand_over_minutes=5.0)
    for plan in (rollout(problem), two_step(problem), exact(problem)):
        assert plan.best.kind == "hand over"
        assert plan.best.expected_minutes == pytest.approx(5.0)


def test_something_else_without_repair_is_left_to_the_hand_over() -> None:
    problem = RepairProblem(
        ("ground", "something else"), (0.5, 0.5), repairs=(Repair("ground", 10.0),), hand_over_minutes=100.0
    )
    plan = exact(problem)
    assert plan.best.name == "ground"
    assert plan.best.expected_minutes == pytest.approx(10 + 0.5 * 100)
    assert rollout(problem).best.expected_minutes == pytest.approx(60)


def test_a_job_with_nothing_left_to_do_says_so() -> None:
    problem = RepairProblem(("ground", "splice"), (0.0, 1.0), repairs=(Repair("ground", 10.0),))
    for plan in (rollout(problem), two_step(problem), exact(problem), by_information(problem)):
        assert [c.kind for c in plan.choices] == ["nothing"]
        assert plan.best.expected_minutes == 0.0


def test_a_failed_repair_leaves_the_rest_of_its_odds() -> None:
    problem = RepairProblem(
        ("a", "b"), (0.6, 0.4), repairs=(Repair("a", 10.0, success=0.5), Repair("b", 10.0))
    )
    choice = next(c for c in rollout(problem).choices if c.name == "a")
    assert choice.branches[0].chance == pytest.approx(0.3)
    assert choice.branches[1].belief == pytest.approx((0.3 / 0.7, 0.4 / 0.7))


def test_two_steps_see_a_pair_of_checks_that_only_together_tell() -> None:
    # Either check alone splits nothing worth a repair; both name the group.
    def split(name: str, high: set[int]) -> Check:
        row = np.array([float(g in high) for g in range(4)])
        return Check(name, 1.0, ("high", "low"), np.array([row, 1 - row]))

    problem = RepairProblem(
        ("a", "b", "c", "d"),
        (0.25,) * 4,
        (split("first", {0, 1}), split("second", {0, 2})),
        tuple(Repair(g, 60.0) for g in "abcd"),
    )
    plan = two_step(problem)
    assert plan.best.kind == "check"
    assert plan.best.expected_minutes == pytest.approx(62.0)
    assert exact(problem).best.expected_minutes == pytest.approx(62.0)
    assert {b.next_kind for b in plan.best.branches} == {"check"}


def test_everything_that_does_not_fit_is_said_at_once() -> None:
    with pytest.raises(InternalError) as wrong:
        RepairProblem(
            ("a", "a"),
            (0.5, 0.6),
            (
                Check("c", 1.0, ("x", "y"), np.array([[0.5], [0.5]])),
                Check("d", -1.0, ("x",), np.array([[0.5, 1.0]])),
            ),
            (Repair("z", 1.0, success=0.0, access=frozenset({"lid"})),),
        )
    for part in ("two groups of one name", "add up to 1", "has shape (2, 1)", "table of d is not a",
                 "repair of z has no group", "succeeds with 0.0", "'lid'", "at least 0"):  # fmt: skip
        assert part in str(wrong.value), part
    loop = (
        AccessStep("u", 1.0, needs=frozenset({"v"})),
        AccessStep("v", 1.0, needs=frozenset({"u"})),
    )
    with pytest.raises(InternalError, match="in a circle"):
        RepairProblem(("a",), (1.0,), access=loop)


def test_a_situation_refuses_unknown_names_and_empty_beliefs() -> None:
    problem = two_groups()
    with pytest.raises(InternalError, match="no check called"):
        problem.situation(used=["nothing of the kind"])
    with pytest.raises(InternalError, match="some mass"):
        problem.situation([0.0, 0.0])
    assert problem.situation([1.0, 3.0]).belief == pytest.approx([0.25, 0.75])
    tried = problem.situation(tried=["ground"])
    assert [c.name for c in rollout(problem, tried).choices if c.kind == "repair"] == ["splice"]


def test_a_table_cannot_be_changed_behind_the_planners_back() -> None:
    table = SURE.copy()
    check = Check("drop", 1.0, ("high", "low"), table)
    table[0, 0] = 0.0
    assert check.table[0, 0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        check.table[0, 0] = 0.5


def test_the_best_plan_is_exact_until_the_search_grows_too_large() -> None:
    problem = two_groups()
    assert best_plan(problem).method == "exact"
    assert best_plan(problem).best.expected_minutes == exact(problem).best.expected_minutes
    small = best_plan(problem, most_states=1)
    assert small.method == "two steps"
    assert small == two_step(problem)
    with pytest.raises(TooLargeError):
        exact(problem, most_states=1)
