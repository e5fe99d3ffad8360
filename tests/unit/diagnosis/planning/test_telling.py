"""Checks kept by what departs from their usual class tell what the same masses tell number by number."""

from __future__ import annotations

import numpy as np
import pytest

from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.telling import CLASS_SIDE, ByClass, Plain, Sorted, entropy

ROWS, CHECKS, GROUPS = 60, 25, 7
MISREAD = 0.03


def told(seed: int, *, asleep: bool, away_share: float = 0.15) -> tuple[ByClass, float]:
    """Random rows of which some lie away from the healthy class, and the entropy of their groups."""
    rng = np.random.default_rng(seed)
    away = np.where(rng.random((ROWS, CHECKS)) < away_share, rng.normal(0.0, 20.0, (ROWS, CHECKS)), 0.0)
    away[-1] = 0.0
    row = np.sort(rng.choice(ROWS, size=40, replace=False))
    group = rng.integers(GROUPS, size=40)
    mass, sleeping = rng.dirichlet(np.ones(80)).reshape(2, 40)
    groups_asleep = np.bincount(group, weights=sleeping, minlength=GROUPS).astype(np.float64)
    prior = np.bincount(group, weights=mass, minlength=GROUPS).astype(np.float64) + groups_asleep
    checks = [Check(f"c{n}", "volts", "X1", "", (), 1.0) for n in range(CHECKS)]
    known = Sorted(ROWS, CHECKS, lambda rows: away[rows].astype(np.float32))
    made = ByClass(
        known, checks, np.arange(CHECKS), row=row, group=group, mass=mass,
        usual=prior - groups_asleep if asleep else prior, asleep=groups_asleep if asleep else None, misread=MISREAD,
    )  # fmt: skip
    return made, float(entropy(prior, 0))


@pytest.mark.parametrize("asleep", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_information_is_that_of_the_same_masses_as_one_array(seed: int, asleep: bool) -> None:
    made, prior_entropy = told(seed, asleep=asleep)
    joint = made.masses(range(len(made.checks)))
    assert joint.sum(axis=(1, 2)) == pytest.approx(np.ones(len(joint)), abs=1e-12)
    assert made.information(prior_entropy) == pytest.approx(
        Plain(made.checks, joint, MISREAD).information(prior_entropy), abs=1e-12
    )
    assert made.information(prior_entropy).max() > 0.05


def test_where_nearly_every_row_departs_the_usual_class_hardly_occurs() -> None:
    made, prior_entropy = told(1, asleep=True, away_share=1.0)
    joint = made.masses(range(len(made.checks)))
    assert (joint[:, CLASS_SIDE].sum(axis=1) < 0.1).any()
    assert made.information(prior_entropy) == pytest.approx(
        Plain(made.checks, joint, MISREAD).information(prior_entropy), abs=1e-12
    )


def test_checks_that_no_live_row_moves_are_left_out() -> None:
    made, _ = told(2, asleep=False, away_share=0.01)
    assert 0 < len(made.checks) < CHECKS
    assert [check.id for check in made.checks] == [f"c{number}" for number in made.numbers]
