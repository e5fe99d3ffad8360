"""A severity between two of the grid shows the same at every look; where a fuse blows nothing lies between."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from halfsplit.diagnosis import lamps, likelihood
from halfsplit.diagnosis.belief import believe
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.space import Beside
from halfsplit.faults.priors import fault_weights
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"


@cache
def bench(name: str) -> Bench:
    return Bench(load_machine(EXAMPLES / name))


def row_of(bench: Bench, fault: str, severity: str) -> int:
    space = bench.space
    return next(
        row for row in range(space.rows)
        if space.fault_of_row(row).id == fault
        and space.fault_of_row(row).severities[int(space.row_grade[row])].label == severity
    )  # fmt: skip


def test_a_severity_between_two_is_charged_once_for_all_that_is_seen() -> None:
    # With 22 ohm at X4 cavity 1 nothing works while cranking, half way to 10 ohm all of it does; open, nothing does.
    one = bench("saltmarsh-sweeper")
    space = one.space
    told = Symptom("starter", "crank", "off", 0.96, "yes")
    evidence = Evidence(space, one.signatures, Complaint((told,)))
    log_prior = space.log_prior(fault_weights(one.machine, one.faults))
    near, far = row_of(one, "X4.1/contact-resistance", "22 ohm"), row_of(one, "X4.1/contact-open", "open")
    ratios = []
    for _ in range(3):
        belief = believe(evidence, log_prior)
        steady = 2 * np.array([near, far])  # hypotheses stand in pairs, a row steady and then the same row sleeping
        ratios.append(belief.there[steady[0]] / belief.there[steady[1]])
        for function in ("display", "work-controller", "fuel-valve", "starter", "display"):
            evidence.add(Symptom(function, "crank", "off", 0.99, "yes"))
    # Three of four of its places remain, however often and at however many functions it is seen.
    prior = np.exp(log_prior[2 * near] - log_prior[2 * far])
    assert ratios == pytest.approx([0.75 * prior] * 3, rel=0.03)


def test_no_severity_lies_between_one_that_blows_a_fuse_and_one_that_does_not() -> None:
    one = bench("hand-cart-generator")
    table = one.signatures.state("work")
    near = likelihood.beside(table, one.space)
    short = row_of(one, "H1/load-short", "0.3 ohm")
    after = int(one.space.row_after[short])
    assert after != short
    assert (table.lines.blown[short] != table.lines.blown[after]).any()
    assert (near.after[short], near.before[after]) == (short, after)
    alike = (table.lines.blown[:-1] == table.lines.blown[one.space.row_after]).all(axis=1)
    assert np.array_equal(near.after[alike], one.space.row_after[alike])
    # So whatever it shows it shows at all its places.
    for function in one.machine.functions:
        places = likelihood.level_places(table, table.lines, function, near)[:, short]
        assert np.array_equal(places, np.tile(places[0], (3, 1)))


def test_places_lie_at_the_row_and_half_way_to_its_neighbours() -> None:
    # Two severities of one fault and the sound machine: at 0 V and at 12 V a lamp is dark and lit, half way it is dim.
    near = Beside(before=np.array([0, 0]), after=np.array([1, 1]))
    volts = np.array([0.0, 12.0, 12.0])
    found = lamps.lamp_places(volts, 12.0, near).argmax(axis=2)
    assert found.tolist() == [[0, 2, 2], [0, 1, 2], [1, 2, 2]]
    mixed = lamps.row_chances(volts, 12.0, near)
    assert mixed.sum(axis=1) == pytest.approx(1.0)
    assert mixed[0, 0] == pytest.approx(0.75, abs=0.01)  # its own place and the one without a neighbour
    active = np.array([False, True, True])
    assert likelihood.code_places(active, near).tolist() == [[0.0, 1.0, 1.0], [0.0, 0.5, 1.0], [0.5, 1.0, 1.0]]
    assert likelihood.code_chances(active, near) == pytest.approx([0.125, 0.875, 1.0])
