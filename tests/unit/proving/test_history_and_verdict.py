"""Histories, tallies and verdicts: what is counted, what is refused, what is said at the edges."""

from __future__ import annotations

import math
from typing import Any

import pytest

from halfsplit.errors import InternalError, ProblemsError
from halfsplit.proving.demonstrating import prior_from_two_times, trials_without_failure
from halfsplit.proving.history import History, Prior, Run, tally
from halfsplit.proving.quiet import BetaTrials, GammaRate, KnownRate, NothingKnown
from halfsplit.proving.verdict import run_for, verdict


def test_hours_since_first_seen_do_not_count_the_failure_they_begin_with() -> None:
    assert History("hours", 4, 40.0).quiet() == GammaRate(3.0, 40.0)
    assert History("hours", 4, 40.0, from_good=True).quiet() == GammaRate(4.0, 40.0)


def test_tries_since_first_seen_leave_the_first_failed_try_out_of_both_counts() -> None:
    # 4 failures in 20 tries, the first try failed: 3 in the 19 after it, Beta(3, 1 + 16).
    assert History("starts", 4, 20).quiet() == BetaTrials(3.0, 17.0)
    assert History("starts", 4, 20, from_good=True).quiet() == BetaTrials(4.0, 17.0)


def test_seen_once_and_never_again_tells_nothing_of_how_often() -> None:
    quiet = History("hours", 1, 40.0).quiet()
    assert quiet == NothingKnown()
    found = verdict(quiet, 0.8, 0.0, 1000.0)
    assert found.confidence == pytest.approx(0.8)
    assert [(goal.run, goal.above_ceiling) for goal in found.goals] == [(None, False)] * 3


def test_a_prior_makes_even_one_sighting_tell_something() -> None:
    assert History("hours", 1, 40.0).quiet(Prior(0.5, 10.0)) == GammaRate(0.5, 50.0)


@pytest.mark.parametrize(
    ("values", "codes"),
    [
        (("hours", 0, 40.0), ["history-events"]),
        (("hours", 2, 0.0), ["history-amount"]),
        (("hours", 2, math.inf), ["history-amount"]),
        (("starts", 21, 20.0), ["history-events"]),
        (("starts", 2, 20.5), ["history-amount"]),
        (("hours", -1, -1.0), ["history-amount", "history-events"]),
    ],
)
def test_a_history_that_cannot_be_is_refused_with_all_that_is_wrong(values: Any, codes: list[str]) -> None:
    with pytest.raises(ProblemsError) as caught:
        History(*values)
    assert [problem.code for problem in caught.value.problems] == codes


@pytest.mark.parametrize("amount", [0.0, -1.0, math.nan, math.inf])
def test_a_run_that_cannot_be_is_refused(amount: float) -> None:
    with pytest.raises(ProblemsError):
        Run("hours", amount)


def test_runs_that_tell_nothing_are_left_out_and_named() -> None:
    history = History("hours", 4, 40.0, condition="rain")
    dry, other, wet = Run("hours", 5, in_condition=False), Run("starts", 3), Run("hours", 7)
    found = tally(history, [[dry, other, wet]])
    assert found.done == 7.0
    assert found.left_out == (dry, other)


def test_a_quiet_run_after_an_earlier_repair_without_a_return_says_nothing() -> None:
    history = History("hours", 4, 40.0)
    assert tally(history, [[Run("hours", 30)], [Run("hours", 2)]]).history == history


def test_a_return_since_the_last_repair_is_said_even_if_the_run_does_not_count() -> None:
    found = tally(History("hours", 4, 40.0), [[Run("starts", 1, seen=True)]])
    assert found.returned
    assert found.done == 0.0


def test_a_goal_above_the_ceiling_says_why_there_is_no_run() -> None:
    found = verdict(KnownRate(0.075), 0.6, 0.3)
    assert found.ceiling == pytest.approx(0.8333333)
    assert [(goal.run, goal.above_ceiling) for goal in found.goals] == [(None, True)] * 3


def test_a_goal_that_is_reached_needs_no_run() -> None:
    assert run_for(0.9, KnownRate(1.0), 0.95) == 0.0
    assert verdict(KnownRate(1.0), 0.95).goals[0].more == 0.0


def test_certain_hits_and_certain_misses() -> None:
    assert run_for(0.99, KnownRate(1.0), 1.0) == 0.0
    assert run_for(0.99, KnownRate(1.0), 0.0) is None
    assert verdict(KnownRate(1.0), 0.0, done=1e6).confidence == 0.0


def test_more_tries_than_anybody_makes_are_infinite() -> None:
    assert BetaTrials(0.01, 1e6).amount_for(0.01) == math.inf


def test_shares_and_amounts_out_of_range_are_our_mistake() -> None:
    for wrong in (
        lambda: KnownRate(0.0),
        lambda: GammaRate(1.0, math.inf),
        lambda: KnownRate(1.0).chance(-1.0),
        lambda: run_for(1.0, KnownRate(1.0), 0.5),
        lambda: verdict(KnownRate(1.0), 1.5),
        lambda: trials_without_failure(1.0, 0.9),
        lambda: prior_from_two_times(200.0, 300.0),
    ):
        with pytest.raises(InternalError):
            wrong()
