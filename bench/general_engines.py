"""The same single-fault network in general libraries for Bayesian networks: pyAgrum and pgmpy.

One variable for the suspect and one for each check, whose table is P(outcome | suspect). Asked are the odds of the
suspects after some outcomes, and what each check would tell: the mutual information of its outcome and the suspect,
in nats. There are two ways to it, of which the bench takes the one that is quicker in that library (``WAYS``): the
joint distribution of each check and the suspect, or the distribution of each check alone, with what its table scatters
by itself (worked out beforehand) weighed by the odds of the suspect. pyAgrum has a call of its own for mutual
information, which leaves the evidence aside; some distributions from each propagation are its quickest way, and
Shafer-Shenoy its quickest propagation for those of single checks. pgmpy answers one query after the other. Both are
imported when first used: pgmpy takes some seconds.
"""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Mapping, Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Distributions pyAgrum is asked for together, joint ones and those of single checks; with more, and with fewer, the
#: time for each is longer (measured at 2,000 x 300).
TOGETHER, ALONE_TOGETHER = 10, 30
#: What a library is asked for to know what a check tells.
WAYS = ("joint", "alone")


class Engine(Protocol):
    """A network built in a library; ``seen`` maps checks to their outcomes."""

    def posterior(self, seen: Mapping[int, int]) -> Floats:
        """Odds of the suspects, ``[suspects]``."""
        ...

    def told(self, checks: Sequence[int], seen: Mapping[int, int], way: str = "joint") -> list[float]:
        """What each of some checks would tell, nats, from distributions of the kind ``way`` (``WAYS``)."""
        ...


def installed(name: str) -> bool:
    """Whether a library can be imported."""
    return importlib.util.find_spec(name) is not None


def information(joint: Any) -> float:
    """Mutual information in nats of a joint distribution of two variables, a matrix."""

    def entropy(mass: Any) -> float:
        some = mass[mass > 0.0]
        return float(-(some * np.log(some)).sum())

    return entropy(joint.sum(axis=0)) + entropy(joint.sum(axis=1)) - entropy(joint)


def scatter(outcome: Floats) -> Floats:
    """Entropy in nats of each check's outcome once the suspect is known, ``[checks, suspects]``."""
    terms = np.where(outcome > 0.0, outcome * np.log(np.where(outcome > 0.0, outcome, 1.0)), 0.0)
    result: Floats = -terms.sum(axis=1)
    return result


def information_alone(chance: Any, noise: Floats, odds: Floats) -> float:
    """The same from the chances of a check's outcomes and what its table scatters by itself, ``[suspects]``."""
    some = chance[chance > 0.0]
    return float(-(some * np.log(some)).sum() - noise @ odds)


class PyAgrum:
    """Propagation in a junction tree; ``outcome`` is ``[checks, outcomes, suspects]``."""

    def __init__(self, prior: Floats, outcome: Floats) -> None:
        self._noise = scatter(outcome)
        gum: Any = importlib.import_module("pyagrum")
        self._gum = gum
        self.net = gum.BayesNet("job")
        self.net.add(gum.RangeVariable("h", "", 0, len(prior) - 1))
        self.net.cpt("h").fillWith(prior.tolist())
        for number, table in enumerate(outcome):
            name = f"c{number}"
            self.net.add(gum.RangeVariable(name, "", 0, len(table) - 1))
            self.net.addArc("h", name)
            self.net.cpt(name)[:] = np.ascontiguousarray(table.T)

    def _engine(self, kind: str, seen: Mapping[int, int]) -> Any:
        engine = getattr(self._gum, kind)(self.net)
        engine.setEvidence({f"c{number}": int(found) for number, found in seen.items()})
        return engine

    def posterior(self, seen: Mapping[int, int]) -> Floats:
        engine = self._engine("LazyPropagation", seen)
        engine.addTarget("h")
        engine.makeInference()
        return np.asarray(engine.posterior("h").toarray(), dtype=np.float64)

    def told(self, checks: Sequence[int], seen: Mapping[int, int], way: str = "joint") -> list[float]:
        return self._joint(checks, seen) if way == "joint" else self._alone(checks, seen)

    def _joint(self, checks: Sequence[int], seen: Mapping[int, int]) -> list[float]:
        found: list[float] = []
        for start in range(0, len(checks), TOGETHER):
            pairs = [{"h", f"c{check}"} for check in checks[start : start + TOGETHER]]
            engine = self._engine("LazyPropagation", seen)
            for pair in pairs:
                engine.addJointTarget(pair)
            engine.makeInference()
            found += [information(engine.jointPosterior(pair).toarray()) for pair in pairs]
        return found

    def _alone(self, checks: Sequence[int], seen: Mapping[int, int]) -> list[float]:
        found: list[float] = []
        odds = self.posterior(seen)
        for start in range(0, len(checks), ALONE_TOGETHER):
            some = checks[start : start + ALONE_TOGETHER]
            engine = self._engine("ShaferShenoyInference", seen)
            for check in some:
                engine.addTarget(f"c{check}")
            engine.makeInference()
            found += [
                information_alone(engine.posterior(f"c{check}").toarray(), self._noise[check], odds) for check in some
            ]
        return found


class Pgmpy:
    """Variable elimination; ``outcome`` is ``[checks, outcomes, suspects]``."""

    def __init__(self, prior: Floats, outcome: Floats) -> None:
        from pgmpy.factors.discrete import TabularCPD
        from pgmpy.inference import VariableElimination
        from pgmpy.models import DiscreteBayesianNetwork

        self._noise = scatter(outcome)
        net = DiscreteBayesianNetwork([("h", f"c{number}") for number in range(len(outcome))])
        net.add_cpds(TabularCPD("h", len(prior), prior[:, None]))
        net.add_cpds(
            *(
                TabularCPD(f"c{number}", len(table), table, evidence=["h"], evidence_card=[len(prior)])
                for number, table in enumerate(outcome)
            )
        )
        self._engine: Any = VariableElimination(net)

    def _query(self, variables: list[str], seen: Mapping[int, int]) -> Any:
        evidence = {f"c{number}": int(found) for number, found in seen.items()}
        return self._engine.query(variables, evidence=evidence, show_progress=False)

    def posterior(self, seen: Mapping[int, int]) -> Floats:
        return np.asarray(self._query(["h"], seen).values, dtype=np.float64)

    def told(self, checks: Sequence[int], seen: Mapping[int, int], way: str = "joint") -> list[float]:
        if way == "joint":
            return [information(self._query(["h", f"c{check}"], seen).values) for check in checks]
        odds = self.posterior(seen)
        return [
            information_alone(self._query([f"c{check}"], seen).values, self._noise[check], odds) for check in checks
        ]


ENGINES: dict[str, tuple[str, type[PyAgrum | Pgmpy]]] = {
    "pyAgrum": ("pyagrum", PyAgrum),
    "pgmpy": ("pgmpy", Pgmpy),
}
