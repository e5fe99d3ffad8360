"""Tables of which most columns are alike tell what the same tables tell number by number."""

from __future__ import annotations

import numpy as np
import pytest

from halfsplit.diagnosis.outcome_tables import SPARSE_LEAST, OutcomeTables


def tables(checks: int, outcomes: int, suspects: int, differ: float, seed: int) -> np.ndarray:
    """Random tables of which the share ``differ`` of columns is unlike the others."""
    rng = np.random.default_rng(seed)
    usual = rng.dirichlet(np.ones(outcomes), size=checks)
    own = rng.dirichlet(np.ones(outcomes), size=(checks, suspects))
    unlike = rng.random((checks, suspects)) < differ
    return np.where(unlike[:, :, None], own, usual[:, None, :]).transpose(0, 2, 1)


@pytest.mark.parametrize("differ", [0.02, 0.9])
def test_information_and_odds_are_those_worked_out_number_by_number(differ: float) -> None:
    outcome = tables(40, 4, 200, differ, 1)
    assert outcome.size >= SPARSE_LEAST
    prior = np.random.default_rng(2).dirichlet(np.full(200, 0.3))
    made = OutcomeTables(outcome)
    odds = made.odds_after(prior, {0: 1, 3: 2})
    by_hand = prior * outcome[0, 1] * outcome[3, 2]
    assert odds == pytest.approx(by_hand / by_hand.sum(), abs=1e-15)
    told = made.information(odds)
    for check in range(40):
        joint = outcome[check] * odds
        alone = joint.sum(axis=1)[:, None] * odds
        expected = float((joint * np.log(joint / alone)).sum())
        assert told[check] == pytest.approx(expected, abs=1e-12)


def test_an_outcome_that_cannot_happen_tells_nothing() -> None:
    outcome = np.zeros((1, 3, 2))
    outcome[0, :2] = np.eye(2)
    made = OutcomeTables(outcome)
    assert made.information(np.array([0.5, 0.5])) == pytest.approx([np.log(2.0)])
    assert made.information(np.array([1.0, 0.0])) == pytest.approx([0.0])
