"""What holds for every history and run: more quiet never lowers the confidence, and the ceiling is kept."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from halfsplit.proving.history import History, Run, tally
from halfsplit.proving.verdict import SLACK, ceiling, confidence, run_for, verdict

shares = st.floats(0.01, 0.99)
hidden_shares = st.one_of(st.just(0.0), st.floats(0.0, 0.6))
hour_histories = st.builds(History, st.just("hours"), st.integers(1, 30), st.floats(0.1, 5000), st.booleans())
try_histories = st.builds(
    lambda events, more, from_good: History("starts", events, events + more, from_good),
    st.integers(1, 20),
    st.integers(0, 300),
    st.booleans(),
)
histories = st.one_of(hour_histories, try_histories)
amounts = st.one_of(st.just(0.0), st.floats(0.0, 10_000.0))
runs = st.builds(Run, st.just("hours"), st.floats(0.1, 500.0), st.booleans(), st.booleans())


@given(histories, shares, hidden_shares, amounts, amounts)
def test_more_quiet_running_never_lowers_the_confidence(
    history: History, hit: float, hidden: float, one: float, other: float
) -> None:
    quiet = history.quiet()
    short, long = sorted((one, other))
    before, after = verdict(quiet, hit, hidden, short), verdict(quiet, hit, hidden, long)
    assert hit - SLACK <= before.confidence <= after.confidence + 1e-15
    assert after.confidence <= after.ceiling <= 1.0
    for was, now in zip(before.goals, after.goals, strict=True):
        assert was.run == now.run
        if was.more is not None and now.more is not None:
            assert now.more <= was.more


@given(histories, shares, hidden_shares, st.floats(0.05, 0.999))
def test_the_run_asked_for_reaches_the_goal_and_a_shorter_one_does_not(
    history: History, hit: float, hidden: float, goal: float
) -> None:
    quiet = history.quiet()
    run = run_for(goal, quiet, hit, hidden)
    if run is None:
        assert ceiling(hit, hidden) <= goal + 1e-9 or history.counted == 0
        return
    assume(run < 1e12)
    assert confidence(hit, hidden, quiet.chance(run)) >= goal - 1e-7
    shorter = run * 0.9 if history.measure == "hours" else run - 1.0
    if run > 0.0:
        assert confidence(hit, hidden, quiet.chance(shorter)) < goal


@given(histories, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_hiding_more_never_raises_the_confidence(history: History, one: float, other: float) -> None:
    less, more = sorted((one, other))
    q = history.quiet().chance(10.0)
    assert confidence(0.7, more, q) <= confidence(0.7, less, q) + 1e-15
    assert ceiling(0.7, more) <= ceiling(0.7, less)


@given(histories, st.floats(0.001, 0.999))
def test_an_amount_brings_the_chance_of_quiet_down_to_what_was_asked(history: History, chance: float) -> None:
    quiet = history.quiet()
    amount = quiet.amount_for(chance)
    if amount is None:
        assert history.counted == 0
    elif math.isfinite(amount):
        assert quiet.chance(amount) <= chance * (1 + 1e-9)


@given(hour_histories, st.lists(st.lists(runs, max_size=6), min_size=1, max_size=4), st.randoms())
def test_the_order_of_runs_between_two_repairs_does_not_matter(
    history: History, epochs: list[list[Run]], shuffled: random.Random
) -> None:
    other = [list(epoch) for epoch in epochs]
    for epoch in other:
        shuffled.shuffle(epoch)
    one, two = tally(history, epochs), tally(history, other)
    assert (one.history, one.done, one.returned) == (two.history, two.done, two.returned)


@given(hour_histories, st.lists(runs, max_size=6))
def test_a_run_that_ended_in_a_return_counts_into_the_history_and_never_as_quiet(
    history: History, epoch: list[Run]
) -> None:
    found = tally(history, [epoch, []])
    seen = sum(run.seen for run in epoch)
    assert found.history.events == history.events + seen
    assert found.done == 0.0
    assert not found.returned
    expected = history.amount + (sum(run.amount for run in epoch) if seen else 0.0)
    assert found.history.amount == pytest.approx(expected)
