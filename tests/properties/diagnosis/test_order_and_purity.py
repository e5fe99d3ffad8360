"""What must not matter to the odds: the order of observations between two repairs, and being asked."""

from __future__ import annotations

import copy
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.outside.machines.drawn import CART, machine
from tests.properties.diagnosis.drawn_evidence import job, played

from halfsplit.circuit.stamps import Floats
from halfsplit.diagnosis.belief import Belief, believe
from halfsplit.diagnosis.evidence import Epoch, Evidence
from halfsplit.diagnosis.hunt import Bench, Hunt, Settings
from halfsplit.diagnosis.practice import Clock, hide
from halfsplit.diagnosis.surprise import surprise
from halfsplit.faults.priors import fault_weights
from halfsplit.observations import Complaint, Observation

STATES = ("off", "work", "start")


@cache
def bench() -> Bench:
    return Bench(machine(CART))


def everything(belief: Belief) -> Floats:
    return np.concatenate([belief.there, belief.gone, [belief.nothing, belief.other], belief.pairs.ravel()])


def believed(complaint: Complaint, observations: list[Observation]) -> Floats:
    it = bench()
    evidence = Evidence(it.space, it.signatures, complaint)
    for one in observations:
        evidence.add(one)
    return everything(believe(evidence, it.space.log_prior(fault_weights(it.machine, it.faults))))


@given(st.integers(0, 10_000), st.data())
@settings(max_examples=40)
def test_observations_between_two_repairs_may_come_in_any_order(seed: int, data: st.DataObject) -> None:
    complaint, observed, actions = job(bench(), np.random.default_rng([4, seed]), STATES, epochs=2, each=6)
    shuffled = [list(data.draw(st.permutations(each))) for each in observed]
    told = list(data.draw(st.permutations(complaint.symptoms)))
    other = Complaint(tuple(told), comes_and_goes=complaint.comes_and_goes)
    assert np.allclose(
        believed(complaint, played(observed, actions)), believed(other, played(shuffled, actions)), rtol=0, atol=1e-9
    )


def test_an_observation_on_the_other_side_of_a_repair_does_matter() -> None:
    rng = np.random.default_rng(8)
    differs = 0
    for _ in range(10):
        complaint, observed, actions = job(bench(), rng, STATES, epochs=2, each=3)
        before, after = observed
        swapped = [[*before[1:], after[0]], [before[0], *after[1:]]]
        one, two = believed(complaint, played(observed, actions)), believed(complaint, played(swapped, actions))
        differs += not np.allclose(one, two, atol=1e-6)
    assert differs >= 5


@pytest.mark.parametrize("seed", range(8))
def test_the_odds_sum_to_one_with_pairs_and_families_too(seed: int) -> None:
    complaint, observed, actions = job(bench(), np.random.default_rng([5, seed]), STATES, epochs=3, each=4)
    hunt = Hunt(bench(), complaint)
    for one in played(observed, actions):
        hunt.record(one)
        odds = everything(hunt.belief)
        assert odds.sum() == pytest.approx(1.0, abs=1e-9)
        assert (odds >= 0.0).all()
        assert (hunt.belief.group_odds() <= 1.0 + 1e-9).all()


def test_pairs_and_families_were_among_them() -> None:
    pools, grown = 0, 0
    for seed in range(8):
        complaint, observed, actions = job(bench(), np.random.default_rng([5, seed]), STATES, epochs=3, each=4)
        hunt = Hunt(bench(), complaint)
        for one in played(observed, actions):
            hunt.record(one)
        pools += len(hunt.pool) > 0
        grown += len(hunt.families) > 0
    assert pools >= 1
    assert grown >= 1


def kept(epochs: list[Epoch]) -> list[tuple[object, ...]]:
    return [
        (list(e.electrical), {key: list(v) for key, v in e.repeats.items()}, dict(e.looks), dict(e.moves), e.ended_by)
        for e in epochs
    ]


@pytest.mark.parametrize("seed", range(5))
def test_asking_changes_nothing(seed: int) -> None:
    complaint, observed, actions = job(bench(), np.random.default_rng([6, seed]), STATES, epochs=2, each=4)
    hunt = Hunt(bench(), complaint)
    observations = played(observed, actions)
    for one in observations:
        hunt.record(one)
    before, odds, situation = copy.deepcopy(kept(hunt.evidence.epochs)), everything(hunt.belief), hunt.situation
    first = hunt.next()
    surprise(hunt, [*complaint.symptoms, *observations])
    second = hunt.next()
    assert first == second
    assert kept(hunt.evidence.epochs) == before
    assert np.array_equal(everything(hunt.belief), odds)
    assert hunt.situation == situation
    # Believing again from the same evidence gives the same numbers.
    again = believe(hunt.evidence, hunt.log_prior, hunt.pool, hunt.families)
    assert np.array_equal(everything(again), odds)


def test_leaving_the_last_observation_out_is_as_if_it_never_was() -> None:
    complaint, observed, actions = job(bench(), np.random.default_rng([7, 0]), STATES, epochs=2, each=4)
    observations = played(observed, actions)
    full, short = (Hunt(bench(), complaint, Settings(grow=False)) for _ in range(2))
    for one in observations:
        full.record(one)
    for one in observations[:-1]:
        short.record(one)
    assert not np.allclose(everything(full.belief), everything(short.belief), atol=1e-6)
    undone = Hunt(bench(), complaint, Settings(grow=False))
    for one in observations[:-1]:
        undone.record(one)
    assert np.array_equal(everything(undone.belief), everything(short.belief))


@pytest.mark.parametrize("seed", range(6))
def test_with_one_fault_the_order_does_not_matter_where_pairs_may_grow_either(seed: int) -> None:
    rng = np.random.default_rng([12, seed])
    world, complaint = hide(bench(), rng)
    hunt, clock = Hunt(bench(), complaint), Clock(world)
    found: list[Observation] = []
    for _ in range(6):
        option = hunt.next().best
        if option is None or option.check is None:
            break
        for one in clock.check(option.check, complaint.symptoms):
            hunt.record(one, option.check)
            found.append(one)
    odds = []
    for _ in range(3):
        again = Hunt(bench(), complaint)
        for number in rng.permutation(len(found)).tolist():
            again.record(found[number])
        odds.append(again.belief.group_odds())
    # Pairs are grown from what is known at the time, so that the pool may differ in its last members.
    assert np.allclose(odds[0], odds[1], rtol=0, atol=1e-3)
    assert np.allclose(odds[0], odds[2], rtol=0, atol=1e-3)
