"""Inference numbers of public networks, and our table of odds against a general engine on a fault network."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyagrum as gum
import pytest
from tests.outside.conftest import Near

from halfsplit.diagnosis.lookahead import Check, Repair, RepairProblem, Situation, after, rollout

Oracle = Callable[[str], tuple[Any, Any]]


def ask(network: Any, evidence: dict[str, str]) -> tuple[Any, float]:
    """A propagated engine and the probability of the evidence."""
    engine = gum.LazyPropagation(network)
    engine.setEvidence(evidence)
    engine.makeInference()
    return engine, float(engine.evidenceProbability())


@pytest.mark.outside(
    what="posteriors of asia, alarm and win95pts as read by the engine used for comparison",
    against="bn-1, bn-2, bn-3, bn-4, bn-5, bn-6: variable elimination written for the purpose, and pyAgrum",
    source="tests/data/oracles.json, tests/data/bn-repository",
    status="derived",
    tolerance="1e-5 for bn-3, 2e-6 for bn-4 to bn-6, 1e-6 else: the digits given",
)
def test_public_networks(oracle: Oracle, repository: Path, near: Near) -> None:
    tolerance = {"bn-3": 1e-5, "bn-4": 2e-6, "bn-5": 2e-6, "bn-6": 2e-6}
    for entry in ("bn-1", "bn-2", "bn-3", "bn-4", "bn-5", "bn-6"):
        given, wanted = oracle(entry)
        path = repository / f"tests/data/bn-repository/{given['network']}.bif"
        network = gum.loadBN(str(path))
        engine, chance = ask(network, given["evidence"])
        for key, value in wanted.items():
            if key == "p_evidence":
                near(chance, value, 1e-6)
                continue
            name, _, label = key.rpartition("_")
            if name not in network.names():
                name, label = key, network.variable(key).label(1)  # "second state of each root"
            found = engine.posterior(name)[network.variable(name)[label]]
            near(float(found), value, tolerance.get(entry, 1e-6))


def fault_problem(rng: np.random.Generator, groups: int, checks: int, outcomes: int) -> RepairProblem:
    """One fault variable and many noisy checks, the tool's own shape."""
    prior = rng.dirichlet(np.full(groups, 0.7))
    return RepairProblem(
        tuple(f"g{i}" for i in range(groups)),
        tuple(float(x) for x in prior / prior.sum()),
        tuple(
            Check(
                f"c{c}",
                float(rng.integers(1, 9)),
                tuple(f"o{k}" for k in range(outcomes)),
                rng.dirichlet(np.full(outcomes, 0.5), size=groups).T,
            )
            for c in range(checks)
        ),
        tuple(Repair(f"g{i}", float(rng.integers(5, 50))) for i in range(groups)),
    )


def as_network(problem: RepairProblem) -> Any:
    """The same problem for the general engine."""
    network = gum.BayesNet("one fault")
    network.add(gum.LabelizedVariable("fault", "", list(problem.groups)))
    network.cpt("fault")[:] = list(problem.prior)
    for check in problem.checks:
        network.add(gum.LabelizedVariable(check.name, "", list(check.outcomes)))
        network.addArc("fault", check.name)
        network.cpt(check.name)[:] = check.table.T.tolist()
    return network


@pytest.mark.outside(
    what="odds of 60 repair groups after up to 20 noisy checks, and chances of each next outcome",
    against="pyAgrum, exact propagation on the same network",
    source="seeded networks made in the test",
    status="independent program",
    tolerance="1e-9",
)
def test_table_of_odds_against_a_general_engine(record_property: Any) -> None:
    worst = 0.0
    rng = np.random.default_rng(7)
    for outcomes in (2, 4):
        problem = fault_problem(rng, groups=60, checks=25, outcomes=outcomes)
        network = as_network(problem)
        truth = int(rng.choice(60, p=problem.prior))
        now: Situation = problem.situation()
        evidence: dict[str, str] = {}
        for _ in range(20):
            plan = rollout(problem, now)
            engine, _chance = ask(network, evidence)
            theirs = np.array(engine.posterior("fault").tolist())
            worst = max(worst, float(np.abs(now.belief - theirs).max()))
            choices = [c for c in plan.choices if c.kind == "check"]
            for choice in choices[:3]:
                labels = {b.outcome: b.chance for b in choice.branches}
                posterior = engine.posterior(choice.name).tolist()
                for k, chance in enumerate(posterior):
                    worst = max(worst, abs(labels.get(f"o{k}", 0.0) - chance))
            check = next(c for c in problem.checks if c.name == choices[0].name)
            seen = check.outcomes[int(rng.choice(outcomes, p=check.table[:, truth]))]
            branch = next(b for b in choices[0].branches if b.outcome == seen)
            now = after(problem, now, choices[0], branch)
            evidence[check.name] = seen
    record_property("largest_deviation", f"{worst:.1e}")
    assert worst < 1e-9
