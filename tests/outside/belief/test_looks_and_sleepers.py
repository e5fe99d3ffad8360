"""Looks that miss and faults that sleep: the reference numbers through the belief itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tests.outside.conftest import Near
from tests.outside.machines.drawn import CART, faults, machine

from halfsplit.diagnosis import evidence as evidence_module
from halfsplit.diagnosis.belief import believe
from halfsplit.diagnosis.evidence import Evidence, Weighed
from halfsplit.diagnosis.space import build
from halfsplit.faults.catalogue import Severity
from halfsplit.faults.signatures import Signatures
from halfsplit.observations import Complaint, Look, Symptom

Oracle = Callable[[str], tuple[Any, Any]]


def one_fault(*, sees: float, hidden: float = 0.0, duty: float = 1.0) -> Evidence:
    """Evidence over one fault in connector X1 of one severity, seen with the given chances."""
    fault = next(one for one in faults(CART) if one.id == "X1.1/contact-open")
    mode = replace(fault.mode, looks={"closed": sees}, hidden=hidden, duty=duty)
    only = replace(fault, mode=mode, severities=(Severity("open", 1.0, fault.severities[0].effects),))
    space = build(machine(CART), [only])
    return Evidence(space, Signatures(machine(CART), [only.severities[0].effects]), Complaint(()))


def odds(evidence: Evidence, prior: float, *, sleeps: bool = False) -> float:
    """Odds of the fault when it was there with ``prior``, and nothing was wrong otherwise."""
    said = evidence_module.SAID_SLEEPS
    # What a complaint that says nothing of sleeping tells is taken out, so that the prior is the oracle's.
    speaks = (1.0 - said[0]) if sleeps else (1.0 - said[1])
    start = np.full(4, -np.inf)
    start[1 if sleeps else 0] = np.log(prior / speaks)
    start[2] = np.log((1.0 - prior) / (1.0 - said[1]))
    return float(believe(evidence, start).there.sum())


def looked(evidence: Evidence, *, dry: int = 0, wet: int = 0) -> Evidence:
    for found, count in ((False, dry), (True, wet)):
        for _ in range(count):
            evidence.add(Look("closed", "X1", found))
    return evidence


@pytest.mark.outside(
    what="odds of a wet connector after one dry, two dry and one wet look, through the belief",
    against="look-2: Bayes by hand",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_dry_and_wet_looks_move_the_odds_as_by_hand(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("look-2")
    assert pytest.approx(1.0 - given["spec"]) == evidence_module.FALSE_FIND
    for count, name in ((1, "after_one_dry"), (2, "after_two_independent_dry")):
        evidence = looked(one_fault(sees=given["sens"]), dry=count)
        near(odds(evidence, given["prior"]), wanted[name], 1e-9)
    evidence = looked(one_fault(sees=given["sens"]), wet=1)
    near(odds(evidence, given["prior"]), wanted["after_wet"], 1e-9)


@pytest.mark.outside(
    what="looking again and again at what partly cannot be seen, through the belief",
    against="look-3: Bayes by hand, 1 to 20 looks",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-6: the digits given",
)
def test_repeated_looks_saturate(oracle: Oracle, monkeypatch: pytest.MonkeyPatch, near: Near) -> None:
    given, wanted = oracle("look-3")
    # The oracle's look never finds anything at a sound place; zero itself has no logarithm.
    monkeypatch.setattr(evidence_module, "FALSE_FIND", 1e-12)
    found = []
    for count in given["looks"]:
        evidence = one_fault(sees=given["sens_if_visible"], hidden=1.0 - given["visible_share"])
        found.append(odds(looked(evidence, dry=count), given["prior"]))
    near(found, wanted["posterior"], 1e-6)


@pytest.mark.outside(
    what="a good reading while the fault may be asleep, through the belief",
    against="look-7: Bayes by hand for three shares of time",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9",
)
def test_a_good_reading_tells_less_the_more_a_fault_sleeps(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("look-7")
    found = []
    for share in given["d"]:
        evidence = one_fault(sees=0.5, duty=share)
        good = Symptom("panel-lamp", "work", "on")
        # The oracle's check has one number for how often it shows the fault; ours has a whole model of levels.
        evidence._cache[good] = Weighed(np.array([1.0 - given["sens"], 1.0]), 1.0, "unknown")
        evidence.add(good)
        found.append(odds(evidence, given["prior"], sleeps=True))
    near(found, wanted["posterior"], 1e-9)
