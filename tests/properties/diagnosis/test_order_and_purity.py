"""What must not matter to the odds: the order of observations between two repairs, and being asked."""

from __future__ import annotations

import copy
from collections.abc import Sequence
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
from halfsplit.diagnosis.pairs import Pairs
from halfsplit.diagnosis.practice import Clock, hide
from halfsplit.diagnosis.surprise import surprise
from halfsplit.faults.priors import fault_weights
from halfsplit.observations import Complaint, Observation, Symptom

STATES = ("off", "work", "start")


@cache
def bench() -> Bench:
    return Bench(machine(CART))


def everything(belief: Belief) -> Floats:
    """All odds; those of a first few that sum to one, then who the two are and who was cured."""
    one = [belief.there, belief.gone, [belief.nothing, belief.other, belief.both]]
    return np.concatenate([*one, belief.member, belief.cured])


def hunted(complaint: Complaint, observations: Sequence[Observation]) -> Hunt:
    hunt = Hunt(bench(), complaint, Settings(grow=True))
    for one in observations:
        hunt.record(one)
    return hunt


def believed(complaint: Complaint, observations: Sequence[Observation]) -> Floats:
    """The odds with all pairs, believed once."""
    it = bench()
    evidence = Evidence(it.space, it.signatures, complaint)
    for one in observations:
        evidence.add(one)
    log_prior = it.space.log_prior(fault_weights(it.machine, it.faults))
    return everything(believe(evidence, log_prior, Pairs(evidence, log_prior)))


def in_turn(shuffled: Sequence[Observation], told: Sequence[Observation]) -> list[Observation]:
    """The same, with what was seen of one function in one state in the turn it was told: first walk, second walk."""

    def of(one: Observation) -> tuple[str, str] | None:
        return (one.function, one.state) if isinstance(one, Symptom) else None

    turn = {key: iter([one for one in told if of(one) == key]) for key in {of(one) for one in told} if key}
    return [one if (key := of(one)) is None else next(turn[key]) for one in shuffled]


@given(st.integers(0, 10_000), st.data())
@settings(max_examples=40)
def test_observations_between_two_repairs_may_come_in_any_order(seed: int, data: st.DataObject) -> None:
    complaint, observed, actions = job(bench(), np.random.default_rng([4, seed]), STATES, epochs=2, each=4, loads=3)
    shuffled = [in_turn(data.draw(st.permutations(each)), each) for each in observed]
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
def test_the_odds_sum_to_one_with_two_faults_too(seed: int) -> None:
    complaint, observed, actions = job(bench(), np.random.default_rng([5, seed]), STATES, epochs=3, each=4)
    hunt = Hunt(bench(), complaint, Settings(grow=True))
    for one in played(observed, actions):
        belief = hunt.record(one)
        odds = everything(belief)
        total = belief.there.sum() + belief.gone.sum() + belief.nothing + belief.other + belief.both
        assert total == pytest.approx(1.0, abs=1e-9)
        assert belief.member.sum() == pytest.approx(2.0 * belief.both, abs=1e-9)
        assert (odds >= 0.0).all()
        assert (belief.member <= belief.both + 1e-9).all()
        assert (belief.group_odds() <= belief.cause_odds() + 1e-9).all()
        assert (belief.cause_odds() <= 1.0).all()


@pytest.mark.parametrize("seed", range(8))
def test_of_two_one_is_left_or_gone_for_each_that_was_cured(seed: int) -> None:
    """What single faults and pairs come to: believed with and without pairs, the difference is what is left of two."""
    complaint, observed, actions = job(bench(), np.random.default_rng([5, seed]), STATES, epochs=3, each=4)
    hunt = hunted(complaint, played(observed, actions))
    wider, alone = hunt.belief, believe(hunt.evidence, hunt.log_prior)
    scale = np.exp(alone.log_evidence - wider.log_evidence)
    left = (wider.there - scale * alone.there).sum() + (wider.gone - scale * alone.gone).sum()
    assert left == pytest.approx(wider.cured.sum(), abs=1e-9)
    assert wider.nothing == pytest.approx(scale * alone.nothing, abs=1e-9)
    assert wider.other == pytest.approx(scale * alone.other, abs=1e-9)


def test_pairs_were_among_them() -> None:
    both, cured, named = 0.0, 0.0, 0
    for seed in range(8):
        complaint, observed, actions = job(bench(), np.random.default_rng([5, seed]), STATES, epochs=3, each=4)
        belief = hunted(complaint, played(observed, actions)).belief
        both, cured, named = max(both, belief.both), max(cured, float(belief.cured.sum())), named + len(belief.twos)
    assert both > 0.01
    assert cured > 0.001
    assert named >= 1


def kept(epochs: list[Epoch]) -> list[tuple[object, ...]]:
    return [
        (list(e.electrical), {key: list(v) for key, v in e.repeats.items()}, dict(e.looks), dict(e.moves), e.ended_by)
        for e in epochs
    ]


@pytest.mark.parametrize("seed", range(5))
def test_asking_changes_nothing(seed: int) -> None:
    complaint, observed, actions = job(bench(), np.random.default_rng([6, seed]), STATES, epochs=2, each=4)
    observations = played(observed, actions)
    hunt = hunted(complaint, observations)
    before, odds, situation = copy.deepcopy(kept(hunt.evidence.epochs)), everything(hunt.belief), hunt.situation
    first = hunt.next()
    surprise(hunt, [*complaint.symptoms, *observations])
    second = hunt.next()
    assert first == second
    assert kept(hunt.evidence.epochs) == before
    assert np.array_equal(everything(hunt.belief), odds)
    assert hunt.situation == situation
    # Believing again from the same evidence gives the same numbers.
    again = believe(hunt.evidence, hunt.log_prior, hunt.pairs_of(hunt.evidence))
    assert again.twos == hunt.belief.twos
    assert np.array_equal(everything(again), odds)


def test_leaving_the_last_observation_out_is_as_if_it_never_was() -> None:
    complaint, observed, actions = job(bench(), np.random.default_rng([7, 0]), STATES, epochs=2, each=4)
    observations = played(observed, actions)
    full, short = hunted(complaint, observations), hunted(complaint, observations[:-1])
    assert not np.allclose(everything(full.belief), everything(short.belief), atol=1e-6)
    undone = hunted(complaint, observations[:-1])
    assert np.array_equal(everything(undone.belief), everything(short.belief))


@pytest.mark.parametrize("seed", range(6))
def test_what_a_hidden_fault_shows_may_be_recorded_in_any_order(seed: int) -> None:
    rng = np.random.default_rng([12, seed])
    world, complaint = hide(bench(), rng)
    hunt, clock = Hunt(bench(), complaint, Settings(grow=True)), Clock(world)
    found: list[Observation] = []
    for _ in range(6):
        option = hunt.next().best
        if option is None or option.check is None:
            break
        for one in clock.check(option.check, complaint.symptoms):
            hunt.record(one, option.check)
            found.append(one)
    for _ in range(3):
        again = hunted(complaint, [found[number] for number in rng.permutation(len(found))])
        assert np.allclose(everything(again.belief), everything(hunt.belief), rtol=0, atol=1e-9)
