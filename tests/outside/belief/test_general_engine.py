"""The odds of single faults against a general engine for Bayesian networks."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pyagrum as gum
import pytest
from tests.outside.machines.drawn import CART, machine
from tests.properties.diagnosis.enumeration import blown_share

from halfsplit.circuit.stamps import Floats
from halfsplit.diagnosis.belief import believe
from halfsplit.diagnosis.evidence import FALSE_FIND, SAID_SLEEPS, Evidence
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.likelihood import PLACES
from halfsplit.faults.priors import fault_weights
from halfsplit.observations import Complaint, Level, Look, LookKind, Reading, Symptom

LEVELS: tuple[Level, ...] = ("off", "weak", "on")


@cache
def bench() -> Bench:
    return Bench(machine(CART))


class Network:
    """One variable for the hypothesis, one for where its severity lies, and one for each observation.

    A hypothesis is every single fault steady and sleeping, nothing, or something else; the table of an observation says
    how likely each answer is under each of them.
    """

    def __init__(self, evidence: Evidence, log_prior: Floats) -> None:
        self.evidence, self.space = evidence, evidence.space
        self.net = gum.BayesNet("job")
        self.size = len(log_prior)
        self.net.add(gum.RangeVariable("cause", "", 0, self.size - 1))
        prior = np.exp(log_prior)
        self.net.cpt("cause").fillWith((prior / prior.sum()).tolist())
        self.net.add(gum.RangeVariable("place", "", 0, len(PLACES) - 1))
        self.net.cpt("place").fillWith(PLACES.tolist())
        self.hard: dict[str, object] = {}

    def per_hypothesis(self, awake: Floats, asleep: Floats, healthy: float, other: float) -> Floats:
        """Likelihood of an answer for every hypothesis, from its rows awake and asleep."""
        rows = self.space.hyp_row
        single = np.where(self.space.hyp_sleeps, asleep[rows], awake[rows])
        return np.concatenate([single, [healthy, other]])

    def answers(self, name: str, table: list[Floats], given: int) -> None:
        """An observation with as many answers as ``table`` has columns."""
        columns = np.stack(table, axis=1)
        assert columns.sum(axis=1) == pytest.approx(np.ones(self.size), abs=1e-9), name
        self.net.add(gum.RangeVariable(name, "", 0, len(table) - 1))
        self.net.addArc("cause", name)
        self.net.cpt(name)[:] = columns / columns.sum(axis=1, keepdims=True)
        self.hard[name] = given

    def density(self, name: str, likely: Floats) -> None:
        """An observation on a scale: seen as the first of two answers, in proportion to its density."""
        share = likely / (2.0 * likely.max())
        self.answers(name, [share, 1.0 - share], 0)

    def placed(self, name: str, likely: Floats) -> None:
        """The same for one that depends on where the severity lies too, ``[places, size]``."""
        share = likely / (2.0 * likely.max())
        self.net.add(gum.RangeVariable(name, "", 0, 1))
        for parent in ("place", "cause"):
            self.net.addArc(parent, name)
        for place, line in enumerate(share):
            for cause, chance in enumerate(line.tolist()):
                self.net.cpt(name)[{"place": place, "cause": cause}] = [chance, 1.0 - chance]
        self.hard[name] = 0

    def posterior(self) -> Floats:
        engine = gum.LazyPropagation(self.net)
        engine.setEvidence(self.hard)
        engine.makeInference()
        return np.asarray(engine.posterior("cause").toarray(), dtype=np.float64)


def symptom_density(evidence: Evidence, net: Network, seen: Symptom) -> Floats:
    """Likelihood of a symptom, told or seen, ``[places, size]``.

    Its floor lets the three levels seen add up to a little over one.
    """
    weighed, found = evidence.weigh(seen), []
    assert weighed.places is not None
    for likely in weighed.places:
        # A fault that blew a fuse leaves it open while it sleeps.
        asleep = likely[evidence.asleep_lines(evidence.epochs[0])] if seen.showing == "no" else likely[:-1]
        found.append(net.per_hypothesis(likely[:-1], asleep, float(likely[-1]), weighed.other))
    return np.array(found)


def look_table(evidence: Evidence, kind: LookKind, place: str) -> list[Floats]:
    """Chance of nothing and of something found, from the catalogue; a fuse that was blown is found as such."""
    space = evidence.space
    found = np.full(space.singles + 2, FALSE_FIND)
    for h in range(space.singles):
        fault = space.fault_of(h)
        if place in (fault.owner, fault.place) and kind in fault.mode.looks:
            found[h] = (1.0 - fault.mode.hidden) * fault.mode.looks[kind] + fault.mode.hidden * FALSE_FIND
        elif kind == "by-eye" and (share := blown_share(evidence, place, fault)) > 0.0:
            fuse = next(one.mode for one in space.faults if one.id == f"{place}/fuse-open")
            blown = (1.0 - fuse.hidden) * fuse.looks["by-eye"] + fuse.hidden * FALSE_FIND
            found[h] = share * blown + (1.0 - share) * FALSE_FIND
    found[space.other] = 0.10  # a find under "something else", as evidence.ELSE_FIND says
    return [1.0 - found, found]


@pytest.mark.outside(
    what="odds of every single fault of the sketched cart after symptoms, readings and looks",
    against="pyAgrum, variables for the cause, where its severity lies and each observation, 6 jobs",
    source="tests/outside/belief/test_general_engine.py builds the network; examples/hand-cart-generator",
    status="computed",
    tolerance="1e-9",
)
def test_single_fault_odds_equal_those_of_a_general_engine(record_property: Callable[..., None]) -> None:
    it = bench()
    space = it.space
    log_prior = space.log_prior(fault_weights(it.machine, it.faults))
    rng = np.random.default_rng(27)
    worst = 0.0
    for _ in range(6):
        told = Symptom("starter", "start", LEVELS[int(rng.integers(2))], 0.9, "yes")
        said = bool(rng.integers(2))
        evidence = Evidence(space, it.signatures, Complaint((told,), comes_and_goes=said))
        net = Network(evidence, log_prior)
        more = Symptom("panel-lamp", "work", LEVELS[int(rng.integers(3))], 0.99, "no" if rng.random() < 0.5 else "yes")
        plus = str(rng.choice(["S1.1", "S1.3", "F1.2", "K1.1"]))
        row = int(rng.integers(space.rows))
        table = it.signatures.state("start")
        volts = Reading(
            "volts", plus, "", "start", round(float(table.lines.volts[row, table.nodes[plus]]), 2), showing="yes"
        )
        look = Look("by-eye", "S1" if rng.random() < 0.5 else "F1", bool(rng.integers(2)))
        for one in (more, volts, look):
            evidence.add(one)
        net.placed("told", symptom_density(evidence, net, told))
        net.placed("more", symptom_density(evidence, net, more))
        steady, sleeping, flat = evidence.block_terms(evidence.epochs[0])
        shift = float(steady.max())
        net.density(
            "volts",
            net.per_hypothesis(
                np.exp(steady[:-1] - shift), np.exp(sleeping - shift), float(np.exp(steady[-1] - shift)),
                float(np.exp(flat - shift)),
            ),
        )  # fmt: skip
        net.answers("look", look_table(evidence, look.look, look.place), int(look.found))
        speaks = np.where(space.hyp_sleeps, SAID_SLEEPS[0], SAID_SLEEPS[1])
        speaks = np.concatenate([speaks, [SAID_SLEEPS[1], 0.5]])
        net.answers("said", [1.0 - speaks, speaks], int(said))
        theirs = net.posterior()
        belief = believe(evidence, log_prior)
        ours = np.concatenate([belief.there, [belief.nothing, belief.other]])
        worst = max(worst, float(np.abs(ours - theirs).max()))
        assert worst <= 1e-9
        assert theirs.max() < 0.999  # several causes are left, so that there is something to compare
    record_property("largest_deviation", f"{worst:.1e}")
