"""Checks as tables P(outcome | suspect) of which most columns are alike: odds, chances and information in one product.

Most suspects leave most checks alone (engine-notes part 2 measured 1 to 2 % of all pairs that do not). So of each
check the usual column is kept once, and of the others what they differ by, as one sparse matrix of all checks. What
the tables scatter by themselves (their own entropy) never changes and is kept beside it. A decision is then one
product with the odds: it costs as many multiplications as there are pairs that differ.

Where hardly any columns are alike, as in small made-up problems, the same is kept as one plain matrix.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from scipy.sparse import csr_array
from scipy.special import entr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Kept sparse when at most this share of the numbers differs from the usual column: a sparse product costs about five
#: times as much a number as a plain one (measured), and no sparse one is worth starting for few numbers.
SPARSE_SHARE = 0.2
SPARSE_LEAST = 20_000
#: Differences of two probabilities below this are rounding.
ROUNDING = 1e-15


class OutcomeTables:
    """Checks C of K outcomes at most over G suspects (or groups of them): ``outcome`` ``[C, K, G]``, P(outcome | g).

    Columns add up to one over the outcomes; the outcomes that a check does not have are zero.
    """

    def __init__(self, outcome: Floats) -> None:
        self.outcome = outcome
        checks, outcomes, groups = outcome.shape
        self._shape = outcomes, checks
        #: Entropy in nats of each check's outcome once the suspect is known, ``[C, G]``.
        self.noise: Floats = entropy_nats(np.swapaxes(outcome, 1, 2)).reshape(checks, groups)
        # Outcomes first, so that sums over them run along whole rows; the noise stands behind them.
        flat = np.concatenate([outcome.transpose(1, 0, 2).reshape(outcomes * checks, groups), self.noise])
        self._usual: Floats = np.zeros(len(flat))
        self._apart: Floats | csr_array = flat
        if flat.size >= SPARSE_LEAST:
            at, most = np.arange(checks), self._usual_columns()
            usual = np.concatenate([outcome[at, :, most].T.ravel(), self.noise[at, most]])
            apart = flat - usual[:, None]
            apart[np.abs(apart) < ROUNDING] = 0.0
            if np.count_nonzero(apart) <= SPARSE_SHARE * apart.size:
                self._usual, self._apart = usual, csr_array(apart)

    def _usual_columns(self) -> NDArray[np.intp]:
        """For each check a suspect whose column most others share, ``[C]``."""
        found = np.zeros(len(self.outcome), dtype=np.intp)
        for check, table in enumerate(self.outcome):
            whole = np.ascontiguousarray(table.T).view(f"V{8 * len(table)}").ravel()
            _, first, count = np.unique(whole, return_index=True, return_counts=True)
            found[check] = first[np.argmax(count)]
        return found

    def odds_after(self, odds: Floats, seen: Mapping[int, int]) -> Floats:
        """The odds ``[G]`` after some checks came out as given (check, outcome), adding up to one."""
        result = odds.copy()
        for check, found in seen.items():
            result *= self.outcome[check, found]
        return np.asarray(result / result.sum())

    def information(self, odds: Floats) -> Floats:
        """Mutual information in nats of each check's outcome and the suspect for ``odds`` ``[G]``, ``[C]``."""
        outcomes, checks = self._shape
        told = self._apart @ odds + self._usual
        terms = entr(np.maximum(told[: outcomes * checks], 0.0))
        return np.asarray(np.add.reduce(terms.reshape(outcomes, checks)) - told[outcomes * checks :])


def entropy_nats(rows: Floats) -> Floats:
    """Entropy in nats along the last axis."""
    return np.asarray(entr(np.maximum(rows, 0.0)).sum(axis=-1))
