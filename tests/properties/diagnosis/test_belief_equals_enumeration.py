"""The odds against adding up every path of every hypothesis, on jobs with observations of every kind."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, PLATFORM, machine
from tests.properties.diagnosis.drawn_evidence import job, played
from tests.properties.diagnosis.enumeration import Enumeration

from halfsplit.circuit.stamps import Floats
from halfsplit.diagnosis.belief import Belief, believe
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.pairs import Pairs
from halfsplit.faults.priors import fault_weights
from halfsplit.observations import Action, Complaint, Look, Reading, Symptom


@cache
def bench(name: str) -> Bench:
    return Bench(machine(name))


def told(name: str, seed: int, states: tuple[str, ...], epochs: int, each: int, loads: int = 0) -> Evidence:
    it = bench(name)
    complaint, observed, actions = job(it, np.random.default_rng([9, seed]), states, epochs, each, loads)
    evidence = Evidence(it.space, it.signatures, complaint)
    for one in played(observed, actions):
        evidence.add(one)
    return evidence


def prior(evidence: Evidence) -> Floats:
    space = evidence.space
    return space.log_prior(fault_weights(space.machine, space.faults))


def few(evidence: Evidence, members: int, seed: int) -> Floats:
    """The prior with only some rows that may be one of two; all other rows are ruled out."""
    space, log_prior = evidence.space, prior(evidence)
    able = np.random.default_rng([3, seed]).permutation(Pairs(evidence, log_prior).member)[:members]
    out = np.setdiff1d(np.arange(space.rows), able)
    log_prior[2 * out] = log_prior[2 * out + 1] = -np.inf
    return log_prior


def assert_same(evidence: Evidence, log_prior: Floats | None = None, *, two: bool = False) -> Belief:
    log_prior = prior(evidence) if log_prior is None else log_prior
    pairs = Pairs(evidence, log_prior) if two else None
    belief = believe(evidence, log_prior, pairs)
    odds = Enumeration(evidence, log_prior).odds(pairs)
    for name in ("there", "gone", "member", "cured"):
        assert np.abs(getattr(belief, name) - getattr(odds, name)).max() <= 1e-9, name
    for name in ("nothing", "other", "both"):
        assert getattr(belief, name) == pytest.approx(getattr(odds, name), abs=1e-9), name
    return belief


@pytest.mark.parametrize("seed", range(4))
def test_odds_with_lamps_clamps_and_connectors_apart_equal_adding_up_every_path(seed: int) -> None:
    evidence = told(CART, 40 + seed, ("off", "work", "start"), epochs=1 + seed % 2, each=1, loads=4)
    assert_same(evidence)


@pytest.mark.parametrize("seed", range(12))
def test_odds_of_the_sketch_equal_adding_up_every_path(seed: int) -> None:
    evidence = told(CART, seed, ("off", "work", "start"), epochs=1 + seed % 5, each=3)
    assert_same(evidence)


@pytest.mark.parametrize("seed", range(3))
def test_odds_equal_adding_up_every_path_with_codes_of_controllers(seed: int) -> None:
    states = tuple(machine(PLATFORM).states)[1:3]
    assert_same(told(PLATFORM, seed, states, epochs=2, each=4))


@pytest.mark.parametrize("seed", range(8))
def test_odds_of_two_faults_equal_adding_up_every_path(seed: int) -> None:
    evidence = told(CART, 100 + seed, ("work", "start"), epochs=1 + seed % 4, each=3)
    assert_same(evidence, few(evidence, 24, seed), two=True)


@pytest.mark.parametrize("seed", range(4))
def test_odds_of_two_faults_with_lamps_clamps_and_connectors_apart_equal_adding_up_every_path(seed: int) -> None:
    evidence = told(CART, 140 + seed, ("off", "work", "start"), epochs=1 + seed % 2, each=1, loads=3)
    assert_same(evidence, few(evidence, 24, seed), two=True)


@pytest.mark.parametrize("seed", range(2))
def test_odds_of_two_faults_equal_adding_up_every_path_with_codes_of_controllers(seed: int) -> None:
    evidence = told(PLATFORM, seed, tuple(machine(PLATFORM).states)[1:3], epochs=2, each=4)
    assert_same(evidence, few(evidence, 24, seed), two=True)


def test_odds_of_two_faults_equal_adding_up_every_path_with_every_member_there() -> None:
    evidence = told(CART, 106, ("work", "start"), epochs=3, each=3)
    assert (assert_same(evidence, two=True).member > 0.0).sum() > 100


def test_two_faults_weighed_in_every_way_that_may_go_wrong() -> None:
    """Voltages whose showing is known and not, stray alike, two functions complained of in one state, work."""
    it = bench(CART)
    starter = Symptom("starter", "start", "off", 0.9, "yes")
    complaint = Complaint((starter, Symptom("panel-lamp", "start", "weak", 0.9, "yes")), comes_and_goes=True)
    evidence = Evidence(it.space, it.signatures, complaint)
    evidence.add(Reading("volts", "K1.1", "", "start", 0.0, showing="yes"))
    evidence.add(Reading("volts", "F1.2", "", "start", 12.3, showing="no"))
    evidence.add(Reading("volts", "K1.1", "", "start", 12.2))
    evidence.add(Reading("volts", "S1.3", "", "start", 0.1))
    evidence.add(Symptom("panel-lamp", "work", "on"))
    evidence.add(Symptom("starter", "start", "on"))
    evidence.add(Action("renew-contact", "X1"))
    evidence.add(Symptom("starter", "start", "off"))
    evidence.add(Reading("volts", "K1.1", "", "start", 6.0, showing="yes"))
    evidence.add(Action("repair-wire", "W6"))
    evidence.add(Symptom("starter", "start", "on"))
    belief = assert_same(evidence, few(evidence, 60, 0), two=True)
    assert belief.both > 1e-6
    assert belief.cured.sum() > 1e-6


def test_two_faults_counted_for_something_in_the_jobs() -> None:
    both = left = cured = 0.0
    for seed in range(8):
        evidence = told(CART, 100 + seed, ("work", "start"), epochs=1 + seed % 4, each=3)
        log_prior = few(evidence, 24, seed)
        pairs = Pairs(evidence, log_prior)
        belief, alone = believe(evidence, log_prior, pairs), believe(evidence, log_prior)
        both = max(both, belief.both)
        cured = max(cured, float(belief.cured.sum()))
        scale = np.exp(alone.log_evidence - belief.log_evidence)
        left = max(left, float(np.abs(belief.there - scale * alone.there).max()))
    # A thousand times what the comparison with the paths lets pass, at least.
    assert min(both, left, cured) > 1e-6, (both, left, cured)


def test_an_observation_of_every_kind_was_among_the_jobs() -> None:
    kinds = {"symptom": 0, "volts": 0, "ohms": 0, "look": 0, "move": 0, "action": 0}
    for seed in range(12):
        for epoch in told(CART, seed, ("off", "work", "start"), epochs=1 + seed % 5, each=3).epochs:
            kinds["symptom"] += sum(isinstance(one, Symptom) for one in epoch.electrical)
            kinds["volts"] += len(epoch.volts())
            kinds["ohms"] += sum(one.quantity == "ohms" for one in epoch.readings())
            kinds["look"] += len(epoch.looks)
            kinds["move"] += len(epoch.moves)
            kinds["action"] += epoch.ended_by is not None
    assert min(kinds.values()) >= 2, kinds
    codes = [
        len([one for one in epoch.electrical if not isinstance(one, Symptom)])
        for seed in range(3)
        for epoch in told(PLATFORM, seed, tuple(machine(PLATFORM).states)[1:3], epochs=2, each=4).epochs
    ]
    assert sum(codes) >= 1


def test_work_done_again_with_the_very_same_record_cures_less_too() -> None:
    it = bench(CART)
    complaint = Complaint((Symptom("starter", "start", "off", 0.9, "yes"),))
    odds = []
    for second in ("same", "copy"):
        evidence = Evidence(it.space, it.signatures, complaint)
        first = Action("renew-contact", "X1")
        evidence.add(first)
        evidence.add(Look("closed", "X1", found=False))
        evidence.add(first if second == "same" else Action("renew-contact", "X1"))
        odds.append(believe(evidence, prior(evidence)).gone)
    assert np.allclose(odds[0], odds[1], atol=1e-12)
